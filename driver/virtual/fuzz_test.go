package virtual_test

import (
	"strings"
	"testing"
	"time"

	"lidded/driver/virtual"
)

// FuzzInstrument sends anything and expects the instrument to live: it still
// says who it is.
func FuzzInstrument(f *testing.F) {
	for _, s := range []string{
		"*RST;:INIT:CONT OFF;:INIT;*OPC?", "TRAC? TRACE1", "FREQ:CENT 1 GHZ;SPAN 0;:INIT", "CALC:MARK:MAX;Y?", "FORM REAL,64;:TRAC? TRACE2",
		"SWE:POIN 3;:SWE:TIME 1E-6;:INIT;*WAI;:TRAC1?", "DISP:TRAC2:MODE AVER;:AVER:COUN 50", "BAND 1;:BAND:VID 1", "CALC3:MAX ON;:FETC:SAN3?", "UNIT:POW V;:DISP:TRAC:Y:RLEV 0.1", "FREQ:STAR 9E3;STOP 9E3", "INIT;:ABOR;*ESR?",
	} {
		f.Add(s)
	}
	w := plain()
	w.Ambient = nil
	tr := traits(f, "modern-opc")
	tr.TraceQuery = []string{"by-suffix", "xy-pairs"}
	tr.MaxHold = []string{"display-mode", "trace-type", "trace-operation", "calc-state"}
	tr.ZeroSpan = []string{"span-0", "span-zero", "keyword"}
	tr.MaxPoints = 2001
	b := start(f, virtual.Config{World: w, TimeScale: virtual.Jump, Analyzer: virtual.InstrumentConfig{Traits: tr}})
	b2 := dial(f, b.SourceAddr())
	b2.ok("POW 0;:OUTP ON")
	f.Fuzz(func(t *testing.T, line string) {
		line = strings.NewReplacer("\n", " ", "\r", " ").Replace(line)
		a := dial(t, b.AnalyzerAddr())
		a.send(line)
		a.send("*IDN?")
		a.conn.SetReadDeadline(time.Now().Add(20 * time.Second))
		var tail string
		buf := make([]byte, 1<<16)
		for !strings.Contains(tail, "BENCH,VIRTUAL-ANALYZER") {
			n, err := a.in.Read(buf)
			if err != nil {
				t.Fatalf("after %q: %v", line, err)
			}
			tail = (tail + string(buf[:n]))[max(0, len(tail)+n-200):]
		}
		a.conn.Close()
	})
}

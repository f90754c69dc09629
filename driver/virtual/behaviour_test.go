package virtual_test

import (
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"lidded/driver/unit"
	"lidded/driver/virtual"
)

// README.md lists every command, trait preset, fault and control word.
func TestReadmeIsComplete(t *testing.T) {
	data, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	text := strings.ReplaceAll(string(data), `\|`, "|")
	need := func(s string) {
		if !strings.Contains(text, "`"+s+"`") && !strings.Contains(text, "`"+s) {
			t.Errorf("README.md does not mention %s", s)
		}
	}
	for _, name := range virtual.TraitPresets() {
		need(name)
		c := virtual.Config{World: plain(), TimeScale: virtual.Jump}
		role := virtual.RoleAnalyzer
		if strings.HasPrefix(name, "source") {
			role = virtual.RoleSource
			c.Source.Traits = traits(t, name)
		} else {
			c.Analyzer.Traits = traits(t, name)
		}
		b := start(t, c)
		if len(b.Commands(role)) < 10 {
			t.Errorf("%s understands %d commands", name, len(b.Commands(role)))
		}
		for _, p := range b.Commands(role) {
			need(strings.TrimSuffix(p, "?"))
		}
	}
	for _, k := range virtual.Kinds() {
		need(k.String())
	}
}

// In zero span every point looks at the centre frequency, the axis is time.
func TestZeroSpan(t *testing.T) {
	tr := traits(t, "modern-opc")
	tr.ZeroSpan = []string{"span-0", "span-zero", "keyword"}
	tr.TraceQuery = append(tr.TraceQuery, "xy-pairs")
	b := start(t, virtual.Config{Seed: 2, TimeScale: virtual.Jump, Analyzer: virtual.InstrumentConfig{Traits: tr}})
	a, s := dial(t, b.AnalyzerAddr()), dial(t, b.SourceAddr())
	for _, way := range []string{"FREQ:SPAN 0", "FREQ:SPAN:ZERO", "FREQ:SPAN ZERO"} {
		a.ok(single, "FREQ:CENT 300 MHZ", "BAND 1 KHZ;:SWE:POIN 1001;:SWE:TIME 10;:DET RMS", way)
		near(t, way, a.number("FREQ:SPAN?"), 0, 0)
	}
	a.ok("INIT;*WAI", "FORM ASC")
	v := parse(t, a.ask("FETC:SAN1?"))
	near(t, "last time", v[len(v)-2], 10, 1e-9)
	var y []float64
	for i := 1; i < len(v); i += 2 {
		y = append(y, v[i])
	}
	near(t, "noise", meanPower(y)-float64(b.Truth().Noise(1e3)), 0, 0.2)
	s.ok("FREQ 300.0005 MHZ;:POW 0;:OUTP ON") // half a bandwidth off: 3.01 dB
	a.ok("INIT;*WAI")
	near(t, "carrier", meanPower(parse(t, a.ask("TRAC? TRACE1"))), -40-3.01, 0.05)
}

// Averages over sweeps: n sweeps shrink the deviation by √n, in the scale that
// is set; power averages keep the mean, log averages read 2.507 dB low.
func TestTraceAverage(t *testing.T) {
	b := start(t, virtual.Config{Seed: 6, TimeScale: virtual.Jump})
	a := dial(t, b.AnalyzerAddr())
	a.ok(single, ":FREQ:CENT 300 MHZ;SPAN 160 MHZ", ":BAND 10 KHZ;:DET SAMP;:AVER ON;:AVER:COUN 100")
	floor := float64(b.Truth().Noise(10e3))
	for kind, want := range map[string]float64{"RMS": 0, "LOG": -2.507, "SCAL": -1.049} {
		a.ok("AVER:TYPE "+kind, "INIT;*WAI")
		near(t, "average "+kind, mean(a.trace())-floor, want, 0.08)
	}
}

// A modulated carrier moves from sweep to sweep within its width.
func TestModulatedAmbient(t *testing.T) {
	w, err := virtual.Preset("depot")
	if err != nil {
		t.Fatal(err)
	}
	b := start(t, virtual.Config{World: w, Seed: 6, TimeScale: virtual.Jump})
	a := dial(t, b.AnalyzerAddr())
	a.ok(single, "FREQ:CENT 94.3 MHZ;SPAN 200 KHZ", "SWE:POIN 401;:BAND 1 KHZ;:DET POS")
	seen := map[string]bool{}
	for range 6 {
		a.ok("INIT;*WAI", "CALC:MARK:MAX")
		x := a.number("CALC:MARK:X?")
		near(t, "station", x, 94.3e6, 31e3)
		near(t, "its level", a.number("CALC:MARK:Y?"), -62, 1)
		seen[a.ask("CALC:MARK:X?")] = true
	}
	if len(seen) < 3 {
		t.Errorf("the station stood at %d frequencies in 6 sweeps", len(seen))
	}
	// Inside a specimen the station is down by its shielding effectiveness.
	if err := b.Link("otter"); err != nil {
		t.Fatal(err)
	}
	se, err := b.Truth().SE("otter", "", "", 94.3e6)
	if err != nil {
		t.Fatal(err)
	}
	a.ok("BAND 10 HZ", "INIT;*WAI", "CALC:MARK:MAX")
	near(t, "station inside", a.number("CALC:MARK:Y?"), -62-float64(se), 1)
}

// With a load instead of the antenna only the leakage is left.
func TestTerminate(t *testing.T) {
	w := plain()
	w.Leakage = 90
	b := start(t, virtual.Config{World: w, Seed: 4, TimeScale: virtual.Jump})
	a, s := dial(t, b.AnalyzerAddr()), dial(t, b.SourceAddr())
	s.ok("FREQ 300 MHZ;:POW 20;:OUTP ON")
	a.ok(single, "SWE:POIN 101", "FREQ:CENT 300 MHZ;SPAN 10 KHZ", "BAND 1 KHZ;:DET RMS")
	for _, c := range []struct {
		load bool
		want float64
	}{{true, -70}, {false, -20}} {
		b.Terminate(c.load)
		a.ok("INIT;*WAI", "CALC:MARK:MAX")
		near(t, "level", a.number("CALC:MARK:Y?"), c.want, 0.1)
		b.Terminate(false)
		b.Load(c.load) // a load on the source's cable leaves the same
		a.ok("INIT;*WAI", "CALC:MARK:MAX")
		near(t, "level, source loaded", a.number("CALC:MARK:Y?"), c.want, 0.1)
		b.Load(false)
	}
}

// An FFT holds its looks for the whole capture: 1.505·2.5 at each point no wider
// than the filter, whatever the span.
func TestFFTNoise(t *testing.T) {
	b := start(t, virtual.Config{Seed: 4, TimeScale: virtual.Jump, Analyzer: virtual.InstrumentConfig{Traits: traits(t, "modern-fft")}})
	a := dial(t, b.AnalyzerAddr())
	a.ok(single, "FREQ:CENT 300 MHZ;SPAN 4 MHZ", "BAND 1 KHZ;:DET POS", "INIT;*WAI")
	// H_x by the digamma asymptote: ln x + γ + 1/(2x) - 1/(12x²), x = 3.7625.
	const x = 1.505 * 2.5
	h := 10 * math.Log10(math.Log(x)+0.57722+1/(2*x)-1/(12*x*x))
	near(t, "peaks over the floor", meanPower(a.trace())-float64(b.Truth().Noise(1e3)), h, 0.15)
}

// In scaled real time, on the depot: a sealed locker with a client that waits.
func TestSealedInRealTime(t *testing.T) {
	w, err := virtual.Preset("depot")
	if err != nil {
		t.Fatal(err)
	}
	b := start(t, virtual.Config{World: w, Seed: 4, TimeScale: 480})
	a, s := dial(t, b.AnalyzerAddr()), dial(t, b.SourceAddr())
	a.ok(single, "SWE:POIN 10001", "FREQ:STAR 30 MHZ;STOP 1 GHZ", "BAND 100 KHZ;:DISP:TRAC1:MODE MAXH;:DET POS", "INIT:CONT ON")
	if err := b.Seal("otter"); err != nil {
		t.Fatal(err)
	}
	s.ok("POW 13;:OUTP ON")
	freqs := []float64{61e6, 240e6, 430e6, 910e6}
	for _, f := range freqs {
		s.ok("FREQ " + strconv.FormatFloat(f, 'f', -1, 64))
		s.ask("*OPC?")
		for until := b.Now() + 7*243*time.Millisecond; b.Now() < until; {
			s.ask("OUTP?")
		}
	}
	s.ok("OUTP OFF")
	if err := b.Open(); err != nil {
		t.Fatal(err)
	}
	v := redial(t, b.AnalyzerAddr()).trace()
	for _, f := range freqs {
		se, err := b.Truth().SE("otter", "", "", unit.Hz(f))
		if err != nil {
			t.Fatal(err)
		}
		want := b.Truth().Reference(unit.Hz(f), 13, "", "").Add(-se)
		k := int(math.Round((f - 30e6) / 97e3))
		near(t, "level at "+unit.Hz(f).String(), max(v[k-1], v[k], v[k+1]), float64(want)+1.4, 1.8) // the held maximum of a carrier 17 dB and more over the noise
	}
}

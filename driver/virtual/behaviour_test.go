package virtual_test

import (
	"os"
	"strings"
	"testing"

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

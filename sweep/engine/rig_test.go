package engine_test

import (
	"testing"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// TestATraceIsOfWhatWasAsked: centre and span within a fiftieth of the span, or an RBW
// where that is more, either way; and some level at all.
func TestATraceIsOfWhatWasAsked(t *testing.T) {
	const center, span = unit.Hz(100e6), unit.Hz(1e6)
	for name, c := range map[string]struct {
		rbw, off, wider unit.Hz
		ok              bool
	}{
		"as asked":             {10e3, 0, 0, true},
		"beside by a fiftieth": {10e3, 20e3, 0, true},
		"further above":        {10e3, 20.1e3, 0, false},
		"further below":        {10e3, -20.1e3, 0, false},
		"wider by a fiftieth":  {10e3, 0, 20e3, true},
		"too wide":             {10e3, 0, 20.1e3, false},
		"too narrow":           {10e3, 0, -20.1e3, false},
		"within a wide RBW":    {50e3, 49e3, -49e3, true},
		"beyond a wide RBW":    {50e3, 51e3, 0, false},
	} {
		set := driver.Settings{Center: center, Span: span, RBW: c.rbw}
		trace := driver.Trace{Start: center + c.off - (span+c.wider)/2, Stop: center + c.off + (span+c.wider)/2, Levels: []unit.DBm{-50, -60, unit.Missing()}}
		if err := engine.Plausible(set, trace); (err == nil) != c.ok {
			t.Errorf("%s: %v", name, err)
		}
		trace.Levels = []unit.DBm{unit.Missing(), unit.Missing()}
		if err := engine.Plausible(set, trace); err == nil {
			t.Errorf("%s: a trace without a level is plausible", name)
		}
	}
}

// TestASpanHoldsTheCarrier: 5 ppm of 100 MHz either way and an RBW on each side are
// 3 kHz; a span rounded to less is refused, one that was asked for is not, nor any on
// a shared reference.
func TestASpanHoldsTheCarrier(t *testing.T) {
	for name, c := range map[string]struct {
		want, got unit.Hz
		shared    bool
		ok        bool
	}{
		"as asked":                    {4000, 4000, false, true},
		"wider":                       {4000, 5000, false, true},
		"rounded, and enough":         {4000, 3000, false, true},
		"rounded too far":             {4000, 2999, false, false},
		"on a shared reference":       {4000, 2000, true, true},
		"narrow, but as asked":        {2000, 2000, false, true},
		"narrow, as asked but a hair": {2000, 1999.999, false, true},
		"narrow, and rounded":         {2000, 1900, false, false},
	} {
		b := sweep.Bench{FreqErrorPPM: 5, SharedReference: c.shared}
		set := func(span unit.Hz) driver.Settings { return driver.Settings{Span: span, RBW: 1e3} }
		if err := engine.Holds(b, 100e6, set(c.want), set(c.got)); (err == nil) != c.ok {
			t.Errorf("%s: %v", name, err)
		}
	}
}

package engine_test

import (
	"strings"
	"testing"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// TestPartsOfAHeldTrace: from f − half to f + half, whole trace points only, at least
// one, and never outside.
func TestPartsOfAHeldTrace(t *testing.T) {
	trace := driver.Trace{Start: 100, Stop: 200, Levels: make([]unit.DBm, 11)} // points 10 Hz apart
	for i := range trace.Levels {
		trace.Levels[i] = unit.DBm(-i)
	}
	for _, c := range []struct {
		f, half     unit.Hz
		start, stop unit.Hz
	}{
		{150, 20, 130, 170}, {150, 19, 140, 160}, {150, 21, 130, 170}, {152, 3, 150, 150}, {155, 1, 160, 160}, {110, 30, 100, 140}, {195, 30, 170, 200}, {150, 500, 100, 200}, {90, 5, 100, 100}, {260, 5, 200, 200},
	} {
		got := engine.Part(trace, c.f, c.half)
		if got.Start != c.start || got.Stop != c.stop || len(got.Levels) != int((c.stop-c.start)/10)+1 || got.Levels[0] != unit.DBm(-(c.start-100)/10) || cap(got.Levels) != len(got.Levels) {
			t.Errorf("%v ± %v: %v to %v, %v; want %v to %v", c.f, c.half, got.Start, got.Stop, got.Levels, c.start, c.stop)
		}
	}
	for _, whole := range []driver.Trace{{Start: 100, Stop: 100, Levels: trace.Levels}, {Start: 100, Stop: 200, Levels: trace.Levels[:1]}} {
		if got := engine.Part(whole, 150, 1); len(got.Levels) != len(whole.Levels) {
			t.Errorf("%d of %d points", len(got.Levels), len(whole.Levels))
		}
	}
}

// TestPointsApartInAHeldTrace: each point's part reaches three RBW, three trace points
// and the carrier's error to both sides; two parts may touch, not overlap, and none may
// lie outside the sweep.
func TestPointsApartInAHeldTrace(t *testing.T) {
	b := facts()
	b.SharedReference = true
	set := driver.Settings{Center: 100e6, Span: 40e6, RBW: 10e3, Points: 4001} // trace points 10 kHz apart
	at := func(freqs ...unit.Hz) (p sweep.Plan) {
		for i, f := range freqs {
			p.Points = append(p.Points, sweep.Point{Index: i, Freq: f})
		}
		return p
	}
	own := engine.Cut(100e6, set, set.Points, b)
	if rest := own - sweep.DefaultSpan(100e6, 0, b)/2; rest != 60e3 {
		t.Errorf("three RBW and three trace points are %v, want 60 kHz", rest)
	}
	need := own + engine.Cut(100e6+2*own, set, set.Points, b)
	for name, c := range map[string]struct {
		freqs []unit.Hz
		says  string
	}{
		"far":                 {[]unit.Hz{110e6, 90e6, 100e6}, ""},
		"touching":            {[]unit.Hz{100e6 + need*1.0001, 100e6}, ""},
		"overlapping":         {[]unit.Hz{100e6 + need*0.999, 100e6}, "too close"},
		"at the lower edge":   {[]unit.Hz{80e6, 100e6}, ""},
		"below it":            {[]unit.Hz{79.9e6, 100e6}, "outside"},
		"at the upper edge":   {[]unit.Hz{100e6, 120e6}, ""},
		"above it":            {[]unit.Hz{100e6, 120.1e6}, "outside"},
		"the last two of six": {[]unit.Hz{85e6, 90e6, 95e6, 105e6, 115e6, 115e6 + need/2}, "too close"},
	} {
		err := engine.Apart(at(c.freqs...), b, set)
		if (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", name, err, c.says)
		}
	}
}

package sweep_test

import (
	"strings"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// TestWhereTheCarrierWas: between two sightings it stood on the straight line between
// them, in time; where it jumped meanwhile, at the one or the other. A window that did
// not reach there, three standard uncertainties allowed for, looked beside it; what is
// too coarse to tell says nothing.
func TestWhereTheCarrierWas(t *testing.T) {
	start := time.Date(2026, 5, 4, 22, 0, 0, 0, time.UTC)
	at := func(m float64) time.Time { return start.Add(time.Duration(m * float64(time.Minute))) }
	const f = unit.Hz(100e6) // 1 ppm is 100 Hz
	before, after := sweep.Seen{At: at(0), PPM: 1, U: 0.01}, sweep.Seen{At: at(10), PPM: 3, U: 0.01}
	jumped := after
	jumped.Jumped = true
	coarse := sweep.Seen{At: at(4), PPM: 9, U: 0.5} // three of it are 150 Hz
	for name, c := range map[string]struct {
		seen         []sweep.Seen
		at           float64
		center, half unit.Hz
		says         string
	}{
		"where it was":               {[]sweep.Seen{before, after}, 5, f + 200, 20, ""},
		"at the edge":                {[]sweep.Seen{before, after}, 5, f + 178, 20, ""},
		"over the edge":              {[]sweep.Seen{before, after}, 5, f + 177, 20, "it stood +23 Hz from where it was looked for (within 20 Hz)"},
		"over the other edge":        {[]sweep.Seen{before, after}, 5, f + 223, 20, "it stood -23 Hz"},
		"a quarter of the time":      {[]sweep.Seen{before, after}, 2.5, f + 150, 10, ""},
		"a quarter, in the middle":   {[]sweep.Seen{before, after}, 2.5, f + 200, 20, "it stood -50 Hz"},
		"nothing before":             {[]sweep.Seen{after}, 5, f - 900, 20, ""},
		"nothing after":              {[]sweep.Seen{before}, 5, f - 900, 20, ""},
		"jumped, neither":            {[]sweep.Seen{before, jumped}, 5, f + 200, 20, "it stood -100 Hz"},
		"jumped, both within":        {[]sweep.Seen{before, jumped}, 5, f + 200, 100, ""},
		"jumped, only the first":     {[]sweep.Seen{before, jumped}, 5, f + 100, 20, "it stood +200 Hz"},
		"jumped, only the second":    {[]sweep.Seen{before, jumped}, 5, f + 300, 20, "it stood -200 Hz"},
		"a coarse one between":       {[]sweep.Seen{before, coarse, after}, 5, f + 200, 20, ""},
		"a coarse one, wide window":  {[]sweep.Seen{before, coarse, after}, 5, f + 200, 160, "it stood"},
		"coarse ones alone":          {[]sweep.Seen{coarse, {At: at(9), PPM: -9, U: 0.5}}, 5, f, 20, ""},
		"jumped at a coarse one":     {[]sweep.Seen{before, {At: at(7), PPM: 3, U: 0.5, Jumped: true}, after}, 5, f + 200, 20, "it stood -100 Hz"},
		"uncertain, allowed for":     {[]sweep.Seen{before, {At: at(10), PPM: 3, U: 0.06}}, 7.5, f + 226, 20, ""},
		"uncertain, more than that":  {[]sweep.Seen{before, {At: at(10), PPM: 3, U: 0.06}}, 7.5, f + 214, 20, "it stood +36 Hz"},
		"exactly at the first":       {[]sweep.Seen{before, after}, 0, f + 100, 5, ""},
		"long before, straight line": {[]sweep.Seen{{At: at(-10), PPM: 1, U: 0.01}, after}, 5, f + 250, 20, ""},
	} {
		got := sweep.Lost(c.seen, at(c.at), f, c.center, c.half)
		if (got == "") != (c.says == "") || !strings.Contains(got, c.says) {
			t.Errorf("%s: %q, want %q", name, got, c.says)
		}
	}
}

// TestRungsThatCountTogether: those in zero span on one carrier with one RBW, sound
// ones, before the one looked at.
func TestRungsThatCountTogether(t *testing.T) {
	at := func(f, rbw, span unit.Hz, void string) sweep.Capture {
		return sweep.Capture{Freq: f, Void: void, Settings: driver.Settings{RBW: rbw, Span: span}}
	}
	stand := at(100e6, 100, 0, "")
	for name, c := range map[string]struct {
		first sweep.Capture
		pools int
		mean  float64
	}{
		"the same":          {stand, 1, 4},
		"a hair wider":      {at(100e6, 100.05, 0, ""), 1, 4},
		"another RBW":       {at(100e6, 101, 0, ""), 0, 7},
		"another frequency": {at(100e6+1, 100, 0, ""), 0, 7},
		"void":              {at(100e6, 100, 0, "a fault"), 0, 7},
		"swept":             {at(100e6, 100, 1e3, ""), 0, 7},
	} {
		pools, on := sweep.Pooled([]sweep.Capture{c.first, stand, stand}, []float64{1, 7, 100}, 10, 1)
		if pools != c.pools || on.Mean != c.mean || on.N != float64(10*(1+c.pools)) {
			t.Errorf("%s: %d pooled, %+v", name, pools, on)
		}
	}
	if pools, on := sweep.Pooled([]sweep.Capture{stand, at(100e6, 100, 1e3, "")}, []float64{1, 7}, 10, 1); pools != 0 || on.Mean != 7 {
		t.Errorf("a swept one after a stand: %d, %+v", pools, on)
	}
	if pools, on := sweep.Pooled([]sweep.Capture{stand, stand, stand}, []float64{1, 7, 4}, 10, 2); pools != 2 || on.Mean != 4 || on.N != 30 {
		t.Errorf("three: %d, %+v", pools, on)
	}
}

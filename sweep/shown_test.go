package sweep_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// Whatever the trace, a thinned one keeps its highest and lowest level and gets no
// longer than asked.
func TestThinnedKeepsThePeak(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		levels := make([]unit.DBm, rapid.IntRange(0, 5000).Draw(t, "points"))
		noise := rapid.Uint64().Draw(t, "noise")
		for i := range levels {
			noise = noise*6364136223846793005 + 1442695040888963407
			levels[i] = unit.DBm(-120).Add(unit.DB(noise>>33) / (1 << 28))
			if noise>>60 == 0 {
				levels[i] = unit.Missing()
			}
		}
		if len(levels) > 0 {
			levels[rapid.IntRange(0, len(levels)-1).Draw(t, "peak")] = -20
		}
		most := rapid.IntRange(2, 1001).Draw(t, "most")
		short := sweep.Thinned(levels, most)
		if len(short) > max(most, 2) || len(levels) <= most && len(short) != len(levels) {
			t.Fatalf("%d levels of %d, at most %d", len(short), len(levels), most)
		}
		lo, hi := ends(levels)
		if l, h := ends(short); l != lo || h != hi {
			t.Fatalf("%v to %v became %v to %v", lo, hi, l, h)
		}
	})
}

func ends(levels []unit.DBm) (lo, hi unit.DBm) {
	lo, hi = unit.DBm(math.Inf(1)), unit.DBm(math.Inf(-1))
	for _, p := range levels {
		if p.IsFinite() {
			lo, hi = min(lo, p), max(hi, p)
		}
	}
	return lo, hi
}

// The order of lowest and highest within a stretch is kept.
func TestThinnedKeepsTheOrder(t *testing.T) {
	got := sweep.Thinned([]unit.DBm{1, 5, 2, 3, 9, 0}, 4)
	want := []unit.DBm{1, 5, 9, 0}
	for i := range want {
		if len(got) != len(want) || got[i] != want[i] {
			t.Fatalf("%v, want %v", got, want)
		}
	}
}

// Looks are averaged as powers, -30 and -10 dBm to 10·lg((10⁻³+10⁻¹)/2) =
// -12.97 dBm; where the analyzer kept the largest, the largest is shown.
func TestShown(t *testing.T) {
	look := func(on bool, levels ...unit.DBm) sweep.Look {
		return sweep.Look{SourceOn: on, Trace: driver.Trace{Start: 1e6, Stop: 2e6, Levels: levels}}
	}
	c := sweep.Capture{Looks: []sweep.Look{look(true, -30, unit.Missing()), look(false, -90, -80), look(true, -10, unit.Missing())}}
	got, looks := sweep.Shown(c, true)
	if looks != 2 || math.Abs(float64(got.Levels[0])+12.967) > 0.001 || !got.Levels[1].IsMissing() || got.Stop != 2e6 {
		t.Errorf("%d looks: %v", looks, got.Levels)
	}
	for name, change := range map[string]func(*sweep.Capture){
		"detector": func(c *sweep.Capture) { c.Settings.Detector = driver.PositivePeak },
		"max hold": func(c *sweep.Capture) { c.Settings.Hold = driver.MaxHold },
		"held":     func(c *sweep.Capture) { c.HeldSweeps = 3 },
	} {
		largest := c
		change(&largest)
		if got, _ := sweep.Shown(largest, true); math.Abs(float64(got.Levels[0])+10) > 1e-9 {
			t.Errorf("%s: %v", name, got.Levels[0])
		}
	}
	if _, looks := sweep.Shown(sweep.Capture{}, true); looks != 0 {
		t.Errorf("%d looks of nothing", looks)
	}
}

package driver_test

import (
	"testing"

	"pgregory.net/rapid"

	"lidded/driver"
	"lidded/driver/unit"
)

func TestThinKeepsThePeak(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12001).Draw(t, "points")
		at := rapid.IntRange(0, n-1).Draw(t, "peak")
		full := driver.Trace{Start: 100e6, Stop: 101e6, Levels: make([]unit.DBm, n)}
		for i := range full.Levels {
			full.Levels[i] = -120
		}
		full.Levels[(at+n/2)%n] = unit.Missing()
		full.Levels[at] = -30
		thin := full.Thin(1001)
		if len(thin.Levels) > 1001 || len(thin.Levels) < min(n, 500) {
			t.Fatalf("%d points of %d", len(thin.Levels), n)
		}
		k := thin.Peak()
		if thin.Levels[k] != -30 {
			t.Fatalf("the peak of %d points at %d is lost: %v", n, at, thin.Levels[k])
		}
		step := float64(full.Stop-full.Start) / float64(max(n-1, 1)) * float64((n+1000)/1001)
		if off := float64(thin.Freq(k) - full.Freq(at)); off > step/2+1e-3 || off < -step/2-1e-3 {
			t.Fatalf("the peak moved by %g Hz, a stretch is %g Hz", off, step)
		}
	})
}

func TestThinLeavesShortTracesAlone(t *testing.T) {
	full := driver.Trace{Start: 1, Stop: 2, Levels: []unit.DBm{-1, -2, -3}}
	if thin := full.Thin(3); len(thin.Levels) != 3 || &thin.Levels[0] != &full.Levels[0] {
		t.Errorf("%v", thin)
	}
}

func TestThinOfNothingButGaps(t *testing.T) {
	full := driver.Trace{Start: 1, Stop: 2, Levels: []unit.DBm{unit.Missing(), unit.Missing(), unit.Missing(), -4}}
	if thin := full.Thin(2); thin.Levels[0].IsFinite() || thin.Levels[1] != -4 {
		t.Errorf("%v", thin.Levels)
	}
}

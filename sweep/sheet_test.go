package sweep_test

import (
	"math"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/detect"
)

// A sheet is a night without chance: levels read by hand, on a bench whose
// uncertainty is large, so that no sign, no side and no half-width drowns. What a
// claim must be follows from the levels by arithmetic, with the quantiles of the
// normal law (1.6449 one-sided and 1.9600 two-sided at 95 %; Abramowitz & Stegun
// table 26.5).
const (
	oneSided95 = 1.6448536
	twoSided95 = 1.9599640
)

// sheetRun has three frequencies, and nothing else that could differ.
func sheetRun(t testing.TB, u unit.DB, edit func(*sweep.PlanSpec, *sweep.Bench)) sweep.Run {
	t.Helper()
	spec, b := depotSpec(), depotBench()
	spec.Bands = []sweep.BandSpec{{Freqs: []unit.Hz{100e6, 200e6, 400e6}, Level: dbm(0), RBW: 10e3}}
	b.Uncertainty = u
	if edit != nil {
		edit(&spec, &b)
	}
	p, bad := sweep.Compile(spec, b)
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	lockers := []sweep.Specimen{{Name: "locker"}}
	return sweep.Run{ID: "r", Plan: p, Bench: b, Specimens: lockers, Steps: sweep.Steps(p, b, lockers)}
}

// read is one line of the sheet: a level over a floor.
func read(kind sweep.StepKind, at sweep.Setting, point int, level, floor unit.DBm) sweep.Capture {
	return sweep.Capture{
		Kind: kind, At: at, Point: point, Freq: []unit.Hz{100e6, 200e6, 400e6}[point],
		HandLevel: &level, HandNoise: &floor,
	}
}

// judged is what the statistics of one look say of a level over a floor, asked
// for beside the evaluation and with the same rates.
func judged(run sweep.Run, level, floor unit.DBm) detect.Finding {
	p := run.Plan
	rule := detect.DefaultRule(len(p.Points) * len(p.Positions) * len(p.Polarizations) * max(1, len(run.Specimens)) * max(1, p.Repeats))
	mw := func(l unit.DBm) float64 { return 1e3 * float64(l.Watts()) }
	return detect.Judge(detect.Looks{Mean: mw(level), N: 1, Detector: detect.Sample}, detect.Looks{Mean: mw(floor), N: 10, Detector: detect.Sample}, rule)
}

// noiseOf is the standard uncertainty that noise leaves of a level: the wider side
// of the two-sided interval over 1.96.
func noiseOf(f detect.Finding) float64 {
	return math.Max(float64(f.High.Sub(f.Level)), float64(f.Level.Sub(f.Low))) / twoSided95
}

func nearly(t testing.TB, what string, got unit.DB, want, within float64) {
	t.Helper()
	if !(math.Abs(float64(got)-want) <= within) {
		t.Errorf("%s: %.4f, want %.4f", what, float64(got), want)
	}
}

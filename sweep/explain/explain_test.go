package explain_test

import (
	"encoding/csv"
	"math"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/explain"
	"lidded/sweep/requirement"
	"lidded/sweep/wall"
)

func locker(t *testing.T) *wall.Model {
	t.Helper()
	materials, err := wall.BuiltinMaterials()
	if err != nil {
		t.Fatal(err)
	}
	m, err := wall.NewModel(wall.Specimen{
		Name: "kingfisher", Title: "lidded locker", Cavity: wall.Cavity{Width: 0.5, Height: 0.35, Depth: 0.45},
		Wall: wall.Construction{Layers: []wall.SheetSpec{{Material: "aluminium", Thickness: 1.5e-3}}},
		Lid:  wall.Lid{Joint: wall.Gasket, Edge: 0.5, SE: 65},
	}, materials)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// value and bound are results as an evaluation has them.
type reading struct {
	f     unit.Hz
	field requirement.Field
	se    sweep.SE
	out   sweep.Outcome
}

func value(f unit.Hz, se unit.DB) reading {
	return reading{f, requirement.PlaneWave, sweep.SE{Relation: sweep.Equal, Value: se, Low: se - 1.5, High: se + 1.5, U: 1.5}, sweep.Measured}
}

func bound(f unit.Hz, se unit.DB) reading {
	return reading{f, requirement.PlaneWave, sweep.SE{Relation: sweep.AtLeastRelation, Value: se, Low: se}, sweep.AtLeast}
}

func ambient(f unit.Hz) reading {
	return reading{f: f, field: requirement.PlaneWave, se: sweep.SE{Value: unit.DB(math.NaN())}, out: sweep.AmbientHeard}
}

// runOf makes a run of one box with these results at one place.
func runOf(list ...reading) (sweep.Run, sweep.Evaluation) {
	run := sweep.Run{ID: "0195a000", State: sweep.Completed, Specimens: []sweep.Specimen{{Name: "kingfisher"}, {Name: "heron"}}}
	sum := sweep.Summary{Specimen: "kingfisher"}
	var e sweep.Evaluation
	for i, r := range list {
		run.Plan.Points = append(run.Plan.Points, sweep.Point{Index: i, Freq: r.f, Field: r.field})
		at := sweep.Setting{Specimen: "kingfisher", Position: "front", Polarization: "vertical", Repeat: 1}
		e.Results = append(e.Results, sweep.Result{At: at, Point: i, Freq: r.f, SE: r.se, Outcome: r.out})
		sum.Worst = append(sum.Worst, sweep.Worst{Specimen: "kingfisher", Point: i, Freq: r.f, SE: r.se, Outcome: r.out})
	}
	e.Summaries = []sweep.Summary{sum}
	return run, e
}

func TestRunIsExplained(t *testing.T) {
	t.Parallel()
	// flat at 65 dB with a dip at the first mode, (c/2)·√(1/0.5²+1/0.45²) = 448.1 MHz
	run, e := runOf(bound(30e6, 66), value(60e6, 65), value(150e6, 64), value(300e6, 64), value(400e6, 63), value(445e6, 35), value(480e6, 62), ambient(600e6), value(900e6, 61))
	x, err := explain.Of(run, e, "kingfisher", locker(t), explain.Options{At: []unit.Hz{100e6}, Pulse: true})
	if err != nil {
		t.Fatal(err)
	}
	if len(x.Points) != 8 || x.NoClaim != 1 {
		t.Errorf("%d points, %d without a claim", len(x.Points), x.NoClaim)
	}
	// IEC 61000-5-7: bands split at 0.1, 1, 30, 200 MHz, 1 GHz and 10 GHz; the
	// lowest lower ends are 62.5 dB and 33.5 dB
	if got := x.Code.String(); got != "EMxxx63xx" {
		t.Errorf("code %s", got)
	}
	var s strings.Builder
	if err := x.Text(&s); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"made of: lidded locker",
		"agrees with what the wall should do",
		"hypothesis 1: a resonance of the cavity, TE101, computed at 448 MHz",
		"to tell: move the inner antenna",
		"100 MHz",
		"interpolated",
		"above the measured range",
		"peak inside at most",
		"minimum-phase estimate",
		"1 of 8 points are lower bounds",
		"with a perfect shield wherever only a bound is known",
		"% of the pulse's energy lies outside the span",
		"1 results make no claim",
	} {
		if !strings.Contains(s.String(), want) {
			t.Errorf("the text misses %q:\n%s", want, s.String())
		}
	}
	// the closed form of the band-limited bound: a flat shield of 63.5 dB lets
	// through that part of what the bare span holds
	bare, err := wall.EarlyTime().Bounds([]wall.CurvePoint{{Freq: 30e6}, {Freq: 900e6}})
	if err != nil {
		t.Fatal(err)
	}
	lowest, highest := bare.PeakBound*math.Pow(10, -66.0/20), bare.PeakBound*math.Pow(10, -33.5/20)
	if b := x.Pulse.Bound.PeakBound; b < lowest || b > highest {
		t.Errorf("bound %g V/m is not between %g and %g", b, lowest, highest)
	}
	if x.Pulse.BestBound <= 0 || x.Pulse.BestBound >= x.Pulse.Bound.PeakBound {
		t.Errorf("best %g, bound %g", x.Pulse.BestBound, x.Pulse.Bound.PeakBound)
	}
}

// A flat curve of values has a pulse known in closed form: 40 dB less of all.
func TestPulseThroughAFlatCurve(t *testing.T) {
	t.Parallel()
	if underRace {
		t.Skip("pure arithmetic over millions of samples: run without the race detector")
	}
	var list []reading
	for _, f := range explain.Range(1e3, 100e9, 5) {
		r := value(f, 40)
		r.se.U = 0
		list = append(list, r)
	}
	run, e := runOf(list...)
	x, err := explain.Of(run, e, "kingfisher", nil, explain.Options{Pulse: true})
	if err != nil {
		t.Fatal(err)
	}
	p := x.Pulse
	if math.Abs(p.Estimate.MinimumPhase.Peak-499.97) > 0.01 || math.Abs(p.Bound.Energy-1.1449e-5) > 3e-4*1.1449e-5 || p.BestBound != 0 {
		t.Errorf("peak %g V/m, energy %g J/m², best %g", p.Estimate.MinimumPhase.Peak, p.Bound.Energy, p.BestBound)
	}
	// 79 131.6 V/m unshielded (IEC 61000-2-9 constants, closed form), less what the span omits
	if all := p.Bound.PeakBound + (p.Bound.OmittedBelow+p.Bound.OmittedAbove)/100; math.Abs(all-791.316) > 0.01 {
		t.Errorf("bound %g V/m", all)
	}
}

func TestWithoutADescription(t *testing.T) {
	t.Parallel()
	run, e := runOf(value(60e6, 65), value(150e6, 64))
	x, err := explain.Of(run, e, "kingfisher", nil, explain.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if x.Findings != nil || x.Outlook != nil || len(x.Inferences) == 0 || len(x.Notes) != 1 || !strings.Contains(x.Notes[0], "give made_of") {
		t.Errorf("%+v", x)
	}
}

func TestNothingMeasuredYet(t *testing.T) {
	t.Parallel()
	run, e := runOf(ambient(60e6))
	for _, name := range []string{"kingfisher", "heron"} {
		x, err := explain.Of(run, e, name, locker(t), explain.Options{Pulse: true})
		if err != nil {
			t.Fatal(err)
		}
		if len(x.Findings) > 0 || x.Pulse != nil || x.Code.String() != "EMxxxxxxx" || !strings.Contains(strings.Join(x.Notes, "\n"), "nothing to explain yet") {
			t.Errorf("%s: %+v", name, x)
		}
	}
	if _, err := explain.Of(run, e, "otter", nil, explain.Options{}); err == nil || !strings.Contains(err.Error(), "it has kingfisher, heron") {
		t.Errorf("error %v", err)
	}
}

// One point has no pulse, and that is said rather than an error.
func TestOnePointHasNoPulse(t *testing.T) {
	t.Parallel()
	run, e := runOf(value(60e6, 65))
	x, err := explain.Of(run, e, "kingfisher", locker(t), explain.Options{Pulse: true})
	if err != nil || x.Pulse != nil || !strings.Contains(strings.Join(x.Notes, "\n"), "at least two points") {
		t.Errorf("%v, %v", x.Notes, err)
	}
}

func TestOutlookMarksWhatItDoesNotKnow(t *testing.T) {
	t.Parallel()
	m := locker(t)
	o := explain.Expect(m, []wall.Field{wall.PlaneWave}, explain.Range(10e6, 10e9, 10))
	var s strings.Builder
	if err := o.CSV(&s); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(s.String())).ReadAll()
	if err != nil || len(rows) != 32 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for i, e := range o.Curves[0].At {
		want := "true"
		if e.Freq > o.Validity.To && e.Freq < o.Validity.ManyModes {
			want = "false"
		}
		if rows[i+1][5] != want {
			t.Errorf("%v: valid %s, want %s", e.Freq, rows[i+1][5], want)
		}
		if (want == "false") != strings.HasPrefix(explain.Band(e), "guess: ") {
			t.Errorf("%v: %s", e.Freq, explain.Band(e))
		}
	}
	valid := []bool{true, false, true}
	spans := o.Curves[0].Spans()
	for i, sp := range spans {
		if len(spans) != 3 || sp.Valid != valid[i] {
			t.Errorf("span %d of %d: valid %v", i, len(spans), sp.Valid)
		}
		for _, e := range sp.At {
			if e.Valid != sp.Valid {
				t.Errorf("span %d holds %v", i, e.Freq)
			}
		}
	}
	if underRace {
		return // a pulse is pure arithmetic over millions of samples
	}
	if err := o.WithPulse(m); err != nil {
		t.Fatal(err)
	}
	if o.Pulse.Bound.To != o.Validity.To || o.Pulse.BestBound >= o.Pulse.Bound.PeakBound {
		t.Errorf("the pulse is followed to %v, the models hold to %v", o.Pulse.Bound.To, o.Validity.To)
	}
}

func TestRange(t *testing.T) {
	t.Parallel()
	got := explain.Range(1e6, 1e9, 1)
	want := []unit.Hz{1e6, 1e7, 1e8, 1e9}
	for i := range want {
		if len(got) != len(want) || math.Abs(float64(got[i]/want[i]-1)) > 1e-12 {
			t.Fatalf("%v", got)
		}
	}
	if got := explain.Range(5, 1, 3); len(got) != 1 || got[0] != 5 {
		t.Errorf("%v", got)
	}
}

package sweep_test

import (
	"math"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/uncertainty"
)

func ratio(v float64) *float64 { return &v }

// TestWhatSwitchingCosts: attenuation or preamplifier that differ between reference
// and enclosed cost half a decibel either way, or what the bench states; the same, or
// not known, cost nothing.
func TestWhatSwitchingCosts(t *testing.T) {
	yes, no := true, false
	for name, c := range map[string]struct {
		refAtt, encAtt *unit.DB
		refPre, encPre *bool
		stated         *unit.DB
		width          float64
	}{
		"the same":                      {db(10), db(10), &yes, &yes, nil, 0},
		"not known":                     {nil, nil, nil, nil, nil, 0},
		"attenuation known once":        {db(10), nil, nil, nil, nil, 0},
		"attenuation known of the box":  {nil, db(10), nil, nil, nil, 0},
		"attenuation differs":           {db(10), db(0), nil, nil, nil, 0.5},
		"attenuation differs, stated":   {db(10), db(0), nil, nil, db(2.3), 2.3},
		"attenuation differs, as zero":  {db(10), db(0), nil, nil, db(0), 0},
		"preamplifier differs":          {db(10), db(10), &no, &yes, nil, 0.5},
		"preamplifier known once":       {nil, nil, &no, nil, nil, 0},
		"preamplifier known of the box": {nil, nil, nil, &yes, nil, 0},
	} {
		run := sheetRun(t, 2.9, nil)
		if c.stated != nil {
			run.Bench = run.Bench.WithUncertainty(sweep.Entries{Stated: db(2.9), Switching: c.stated})
		}
		ref, enc := read(sweep.Reference, open, 0, -20, -70), read(sweep.Enclosed, boxed(), 0, -50, -100)
		ref.Settings.Attenuator, enc.Settings.Attenuator, ref.Settings.Preamp, enc.Settings.Preamp = c.refAtt, c.encAtt, c.refPre, c.encPre
		e := sweep.NewEvaluator(run)
		e.Add(ref)
		e.Add(enc)
		n := noiseOf(judged(run, -20, -70))
		nearly(t, name, e.BudgetOf(e.Evaluation().Results[0]).Standard, math.Sqrt(2.9*2.9+2*n*n+c.width*c.width/3), 1e-6)
	}
}

// TestEachEntryOfABenchReachesTheClaim: every entry is another figure, and stands in
// the budget under its own name with its own law.
func TestEachEntryOfABenchReachesTheClaim(t *testing.T) {
	run := sheetRun(t, 0, nil)
	run.Bench = run.Bench.WithUncertainty(sweep.Entries{
		Linearity: db(1.1), Switching: db(1.2), SourceDrift: db(1.3), Position: db(1.4), ReferenceRepeat: db(1.5), EnclosedRepeat: db(1.6),
		SourceVSWR: ratio(1), AntennaVSWR: ratio(1), AnalyzerVSWR: ratio(1),
		Extra: []sweep.Entry{{Name: "certificate", Value: 3, Distribution: "normal", Divisor: 2, DoF: 20, Source: "lab"}, {Name: "ripple", Value: 0.7, Distribution: "triangular"}},
	})
	e := sweep.NewEvaluator(run)
	ref, enc := read(sweep.Reference, open, 0, -20, -70), read(sweep.Enclosed, boxed(), 0, -50, -100)
	ref.Settings.Attenuator, enc.Settings.Attenuator = db(10), db(0)
	e.Add(ref)
	e.Add(enc)
	b := e.BudgetOf(e.Evaluation().Results[0])
	n := noiseOf(judged(run, -20, -70))
	want := map[string]struct {
		u    float64
		side uncertainty.Side
	}{
		"linearity": {1.1 / math.Sqrt(3), 0}, "attenuator switching": {1.2 / math.Sqrt(3), 0}, "source drift": {1.3 / math.Sqrt(3), 0}, "position": {1.4 / math.Sqrt(3), 0},
		"reference repeatability": {1.5, uncertainty.Reference}, "enclosed repeatability": {1.6, uncertainty.Enclosed},
		"certificate": {1.5, 0}, "ripple": {0.7 / math.Sqrt(6), 0},
		"noise of the reference": {n, uncertainty.Reference}, "noise of the enclosed level": {n, uncertainty.Enclosed},
	}
	square := 0.0
	for _, row := range b.Rows {
		w, ok := want[row.Name]
		if !ok || math.Abs(float64(row.Standard)-w.u) > 1e-6 || row.Side != w.side {
			t.Errorf("%s: %.4f dB on the %v, want %.4f on the %v", row.Name, float64(row.Standard), row.Side, w.u, w.side)
		}
		if row.Name == "certificate" && (row.DoF != 20 || row.Source != "bench, lab") {
			t.Errorf("%+v", row)
		}
		delete(want, row.Name)
		square += w.u * w.u
	}
	if len(want) > 0 {
		t.Errorf("not in the budget: %v", want)
	}
	nearly(t, "combined", b.Standard, math.Sqrt(square), 1e-6)
}

// TestBenchesAreShownWithOneFigure: one stated is that; a list is shown with its
// combined figure, with the same settings, and keeps its list.
func TestBenchesAreShownWithOneFigure(t *testing.T) {
	one := depotBench().WithUncertainty(sweep.Entries{Stated: db(1.7)})
	if one.Uncertainty != 1.7 || one.Budget != nil {
		t.Errorf("%v %+v", one.Uncertainty, one.Budget)
	}
	list := depotBench().WithUncertainty(sweep.Entries{Stated: db(1.7), Linearity: db(3), Switching: db(9)})
	nearly(t, "a list", list.Uncertainty, math.Sqrt(1.7*1.7+3), 1e-9)
	if list.Budget == nil {
		t.Error("the list is gone")
	}
	before := depotBench()
	if nothing := before.WithUncertainty(sweep.Entries{Stated: db(0), Position: db(0)}); nothing.Uncertainty != before.Uncertainty {
		t.Errorf("of nothing: %v", nothing.Uncertainty)
	}
	if bad := before.WithUncertainty(sweep.Entries{Extra: []sweep.Entry{{Name: "x", Value: 1, Distribution: "gauss"}}}); bad.Uncertainty != before.Uncertainty {
		t.Errorf("of a list that is none: %v", bad.Uncertainty)
	}
}

// TestEntriesAtTheirEdges: zero takes an entry out, a ratio is one or more.
func TestEntriesAtTheirEdges(t *testing.T) {
	for says, e := range map[string]sweep.Entries{
		"":                         {Linearity: db(0), Switching: db(0), SourceDrift: db(0), Position: db(0), ReferenceRepeat: db(0), EnclosedRepeat: db(0), SourceVSWR: ratio(1), AntennaVSWR: ratio(1), AnalyzerVSWR: ratio(1)},
		"-1: need 0 or more":       {Stated: db(-1)},
		"need 0 or more":           {Stated: db(math.Inf(1))},
		"linearity: -1: need":      {Linearity: db(-1)},
		"switching: -1: need":      {Switching: db(-1)},
		"source_drift: -1":         {SourceDrift: db(-1)},
		"position: -1":             {Position: db(-1)},
		"reference_repeat: -1":     {ReferenceRepeat: db(-1)},
		"enclosed_repeat: -1":      {EnclosedRepeat: db(-1)},
		"source_vswr: 0.9":         {SourceVSWR: ratio(0.9)},
		"antenna_vswr: 0.9":        {AntennaVSWR: ratio(0.9)},
		"analyzer_vswr: 0.9":       {AnalyzerVSWR: ratio(0.9)},
		"extra[1]: distribution":   {Extra: []sweep.Entry{{Name: "x", Value: 1, Distribution: "normal"}, {Name: "y", Value: 1, Distribution: "gauss"}}},
		"component \"x\": divisor": {Extra: []sweep.Entry{{Name: "x", Value: 1, Distribution: "normal", Divisor: -1}}},
	} {
		if err := e.Check(); (err == nil) != (says == "") || err != nil && !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v", says, err)
		}
	}
	if err := (sweep.Entries{Stated: db(0)}).Check(); err != nil {
		t.Error(err)
	}
}

package sweep_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
)

// stepped is a sheet with a linearity check of one known step at every point.
func stepped(t *testing.T, edit func(*sweep.PlanSpec, *sweep.Bench)) sweep.Run {
	return sheetRun(t, 2.9, func(s *sweep.PlanSpec, b *sweep.Bench) {
		s.LinearityCheck = sweep.StepAttenuator
		b.StepAttenuator = []sweep.KnownStep{{Value: 10, Uncertainty: 0.9}, {Value: 20, Uncertainty: 0.7}}
		if edit != nil {
			edit(s, b)
		}
	})
}

// stepOf is the step of a run that lowers the reference by so much.
func stepOf(t *testing.T, run sweep.Run, lower unit.DB) sweep.Step {
	t.Helper()
	for _, s := range run.Steps {
		if s.Kind == sweep.Linearity && s.Lower == lower {
			return s
		}
	}
	t.Fatalf("no step of %v", lower)
	return sweep.Step{}
}

// TestADeviationByArithmetic: reference minus lowered reference minus the step, its
// limit twice the root of the noise of both, the uncertainty of that step, the
// linearity the bench states (half-width, √3) and a switched range (half a decibel,
// √3); what is over the limit, either way, voids the point.
func TestADeviationByArithmetic(t *testing.T) {
	for name, c := range map[string]struct {
		lower   unit.DB
		off     unit.DB // the level falls so much more than the step
		edit    func(*sweep.PlanSpec, *sweep.Bench)
		switchd bool
		more    []float64 // standard uncertainties beside the noise
	}{
		"a step":                   {10, 0.3, nil, false, []float64{0.9}},
		"another step":             {20, -0.3, nil, false, []float64{0.7}},
		"an attenuator switched":   {20, 0.3, nil, true, []float64{0.7, 0.5 / math.Sqrt(3)}},
		"a linearity stated":       {20, -0.3, func(_ *sweep.PlanSpec, b *sweep.Bench) { b.Budget = &sweep.Entries{Linearity: db(1.3)} }, false, []float64{0.7, 1.3 / math.Sqrt(3)}},
		"compressed":               {20, -1.9, nil, false, []float64{0.7}},
		"falling too far":          {20, 1.9, nil, false, []float64{0.7}},
		"just within":              {20, 1.4, nil, false, []float64{0.7}},
		"just within, the other":   {20, -1.4, nil, false, []float64{0.7}},
		"a bench that states less": {10, 0.1, func(_ *sweep.PlanSpec, b *sweep.Bench) { b.Budget = &sweep.Entries{Stated: db(1)} }, false, []float64{0.9}},
	} {
		t.Run(name, func(t *testing.T) {
			run := stepped(t, c.edit)
			s := stepOf(t, run, c.lower)
			low := unit.DBm(-20).Add(-c.lower - c.off)
			ref, lin := read(sweep.Reference, open, 1, -20, -70), read(sweep.Linearity, s.At, 1, low, low-45)
			ref.Settings.Attenuator, lin.Settings.Attenuator = db(10), db(10)
			if c.switchd {
				lin.Settings.Attenuator = db(20)
			}
			e := sweep.NewEvaluator(run)
			for _, x := range seal([]sweep.Capture{ref, lin, read(sweep.Enclosed, boxed(), 1, -50, -110)}) {
				e.Add(x)
			}
			ev := e.Evaluation()
			if len(ev.Linearity) != 1 || ev.Linearity[0].Point != 1 || ev.Linearity[0].Step != c.lower || ev.Linearity[0].Reason != "" {
				t.Fatalf("%+v", ev.Linearity)
			}
			d := ev.Linearity[0]
			noise := noiseOf(judged(run, -20, -70))
			of := noiseOf(judged(run, low, low-45))
			square := noise*noise + of*of
			for _, u := range c.more {
				square += u * u
			}
			nearly(t, "deviation", d.Deviation, float64(c.off), 0.001)
			nearly(t, "limit", d.Limit, 2*math.Sqrt(square), 1e-6)
			r := ev.Results[0]
			over := math.Abs(float64(c.off)) > 2*math.Sqrt(square)
			if d.Over() != over || (r.Outcome == sweep.Void) != over {
				t.Errorf("%+v: %v (%s)", d, r.Outcome, r.Reason)
			}
			if says := map[bool]string{true: "compressed", false: "not linear"}[c.off < 0]; over && !strings.Contains(r.Reason, says) {
				t.Errorf("%q, want %q", r.Reason, says)
			}
			width := 0.0
			for _, row := range e.BudgetOf(r).Rows {
				if row.Name == "linearity as checked" {
					width = float64(row.Value)
				}
			}
			want := math.Abs(float64(c.off)) + math.Sqrt(square)
			if over || run.Bench.Budget != nil && run.Bench.Budget.Linearity != nil {
				want = 0
			}
			if math.Abs(width-want) > 0.002 {
				t.Errorf("the budget holds a linearity of %.3f dB, want %.3f", width, want)
			}
			note := fmt.Sprintf("linearity check (step_attenuator): 1 steps, largest deviation %+.2f dB at 200 MHz with %v, limit there %.2f dB", float64(d.Deviation), c.lower, float64(d.Limit))
			if notes := strings.Join(ev.Notes, "\n"); !strings.Contains(notes, note) || strings.Contains(notes, "1 over the limit") != over {
				t.Errorf("%q, want %q", notes, note)
			}
		})
	}
}

// TestTheLargestDeviationCounts: of several the largest is named, whichever way it
// goes, and goes into the budget of every point with what its step is uncertain by.
func TestTheLargestDeviationCounts(t *testing.T) {
	run := stepped(t, nil)
	a, b := stepOf(t, run, 10), stepOf(t, run, 20)
	gone := read(sweep.Linearity, b.At, 2, -100, -100)
	e := sweep.NewEvaluator(run)
	for _, c := range seal([]sweep.Capture{
		read(sweep.Reference, open, 0, -20, -80), read(sweep.Reference, open, 1, -20, -80), read(sweep.Reference, open, 2, -20, -80),
		read(sweep.Linearity, a.At, 0, -30.2, -80), read(sweep.Linearity, a.At, 1, -28.9, -80), read(sweep.Linearity, b.At, 1, -40.5, -80), gone,
		read(sweep.Enclosed, boxed(), 0, -50, -110),
	}) {
		e.Add(c)
	}
	ev := e.Evaluation()
	notes := strings.Join(ev.Notes, "\n")
	for _, says := range []string{"3 steps, largest deviation -1.10 dB at 200 MHz with 10.0 dB", "linearity check at 400 MHz, 20.0 dB: the lowered reference is gone in the noise"} {
		if !strings.Contains(notes, says) {
			t.Errorf("%q, want %q", notes, says)
		}
	}
	if len(ev.Linearity) != 4 || ev.Linearity[3].Over() {
		t.Fatalf("%+v", ev.Linearity)
	}
	width := 0.0
	for _, row := range e.BudgetOf(ev.Results[0]).Rows {
		if row.Name == "linearity as checked" {
			width = float64(row.Value)
		}
	}
	nearly(t, "half-width", unit.DB(width), 1.1+float64(ev.Linearity[1].Limit)/2, 0.002)
	// Without a reference there is nothing to compare with.
	lone := sweep.Evaluate(run, seal([]sweep.Capture{read(sweep.Linearity, a.At, 0, -30, -80)}))
	if len(lone.Linearity) != 1 || lone.Linearity[0].Reason != "no reference was captured" || lone.Linearity[0].Over() {
		t.Errorf("%+v", lone.Linearity)
	}
	void := read(sweep.Linearity, a.At, 0, -30, -80)
	void.Void = "a fault"
	if ev := sweep.Evaluate(run, seal([]sweep.Capture{read(sweep.Reference, open, 0, -20, -80), void})); ev.Linearity[0].Reason != "a fault" {
		t.Errorf("%+v", ev.Linearity)
	}
}

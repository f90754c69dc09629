package sweep_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

var open = sweep.Setting{Position: "center", Polarization: "vertical", Repeat: 1}

func boxed() sweep.Setting {
	at := open
	at.Specimen = "locker"
	return at
}

// TestInterference: the limits of mismatch are the same formula. A VSWR of 2 at
// both ends (reflection 1/3 each) moves a level by +0.92 and −1.02 dB, of 1.5
// (1/5 each) by +0.34 and −0.35 dB (standard mismatch tables).
func TestInterference(t *testing.T) {
	for _, c := range []struct{ product, up, down float64 }{
		{1. / 9, 0.915, -1.023}, {1. / 25, 0.341, -0.355},
	} {
		up, down := sweep.Interference(unit.DB(-20 * math.Log10(c.product)))
		if math.Abs(float64(up)-c.up) > 0.001 || math.Abs(float64(down)-c.down) > 0.001 {
			t.Errorf("a product of %.3f gives %+.3f and %+.3f dB, want %+.3f and %+.3f", c.product, float64(up), float64(down), c.up, c.down)
		}
	}
	if up, _ := sweep.Interference(0); math.Abs(float64(up)-6.0206) > 1e-4 {
		t.Errorf("two equal signals in phase are %.4f dB more than one, want 6.0206", float64(up))
	}
}

// checkedRun is a run whose plan checks leakage and linearity.
func checkedRun(t *testing.T, edit func(*sweep.PlanSpec, *sweep.Bench)) sweep.Run {
	t.Helper()
	spec, b := depotSpec(), depotBench()
	spec.Bands[0].Detector = driver.PowerAverage
	b.Uncertainty = 0.1
	edit(&spec, &b)
	p, bad := sweep.Compile(spec, b)
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	lockers := []sweep.Specimen{{Name: "locker"}}
	return sweep.Run{ID: "r", Plan: p, Bench: b, Specimens: lockers, Steps: sweep.Steps(p, b, lockers)}
}

func seal(caps []sweep.Capture) []sweep.Capture {
	for i := range caps {
		caps[i].Seq = i + 1
	}
	return caps
}

// together adds two signals at a phase.
func together(a, b unit.DBm, phase float64) unit.DBm {
	x, y := math.Sqrt(float64(a.Watts())), math.Sqrt(float64(b.Watts()))
	return unit.Watt(x*x + y*y + 2*x*y*math.Cos(phase)).DBm()
}

// TestLeakageLimitsWhatIsClaimed lets a path round the specimen add to what comes
// through it, at any phase. A claim never exceeds the truth, what is near the
// leakage is a bound that says so, and what is far above stays a value.
func TestLeakageLimitsWhatIsClaimed(t *testing.T) {
	const reference, trueSE = unit.DBm(-40), unit.DB(50)
	run := checkedRun(t, func(s *sweep.PlanSpec, b *sweep.Bench) { s.LeakageCheck = sweep.ReceiverTerminated })
	a := &air{rng: rand.New(rand.NewPCG(1, 2)), noise: -130, perBin: 20}
	through := reference.Add(-trueSE)
	for _, c := range []struct {
		name  string
		under unit.DB // leakage under what comes through
		want  sweep.Outcome
	}{
		{"far under", 30, sweep.Measured},
		{"as strong", 0, sweep.AtLeast},
		{"near", 5, sweep.AtLeast},
		{"over", -8, sweep.AtLeast},
	} {
		for phase := 0.0; phase <= math.Pi+0.01; phase += math.Pi / 6 {
			leak := through.Add(-c.under)
			got := together(through, leak, phase)
			var caps []sweep.Capture
			for _, q := range run.Plan.Points[:4] {
				caps = append(caps, a.capture(run, sweep.Ambient, open, q, reference), a.capture(run, sweep.Reference, open, q, reference),
					a.capture(run, sweep.Leakage, open, q, leak), a.capture(run, sweep.Enclosed, boxed(), q, got))
			}
			for _, r := range sweep.Evaluate(run, seal(caps)).Results {
				if r.Outcome != c.want && !(got < -110) { // near cancellation nothing is left to be measured
					t.Fatalf("%s, phase %.2f: %v (%s), want %v", c.name, phase, r.Outcome, r.Reason, c.want)
				}
				if float64(r.SE.Low) > float64(trueSE)+0.2 {
					t.Errorf("%s, phase %.2f: SE of at least %.2f dB is claimed, %v are true", c.name, phase, float64(r.SE.Low), trueSE)
				}
				if r.Leakage == nil || !r.Leakage.Seen || math.Abs(float64(r.Leakage.Level.Sub(leak))) > 1 {
					t.Fatalf("%s: leakage %+v, want %v seen", c.name, r.Leakage, leak)
				}
				if c.want == sweep.AtLeast && !strings.Contains(r.Reason, "leakage") {
					t.Errorf("%s: the reason says nothing of leakage: %q", c.name, r.Reason)
				}
			}
		}
	}
}

// TestLeakageAddsToTheUncertainty: 20 dB under the level a leakage moves it by
// −0.92 dB at most; as an arcsine law (divisor √2) that is a standard uncertainty of
// 0.65 dB.
func TestLeakageAddsToTheUncertainty(t *testing.T) {
	run := checkedRun(t, func(s *sweep.PlanSpec, b *sweep.Bench) { s.LeakageCheck, b.Uncertainty = sweep.SourceLoaded, 0.01 })
	a := &air{rng: rand.New(rand.NewPCG(3, 4)), noise: -150, perBin: 20}
	q := run.Plan.Points[0]
	caps := []sweep.Capture{a.capture(run, sweep.Reference, open, q, -40), a.capture(run, sweep.Leakage, open, q, -110), a.capture(run, sweep.Enclosed, boxed(), q, -90)}
	e := sweep.NewEvaluator(run)
	for _, c := range seal(caps) {
		e.Add(c)
	}
	r := e.Evaluation().Results[0]
	if r.Outcome != sweep.Measured {
		t.Fatalf("%v: %s", r.Outcome, r.Reason)
	}
	u := e.BudgetOf(r)
	if len(u.Rows) == 0 || u.Rows[0].Name != "leakage round the specimen" || math.Abs(float64(u.Standard)-0.65) > 0.05 {
		t.Errorf("standard uncertainty %.3f dB of %+v, want 0.65 from the leakage first", float64(u.Standard), u.Rows)
	}
}

// TestLeakageNotSeen leaves its limit: far under what is received it changes
// nothing; a check too shallow makes a value a bound, and the reason says how.
func TestLeakageNotSeen(t *testing.T) {
	run := checkedRun(t, func(s *sweep.PlanSpec, b *sweep.Bench) { s.LeakageCheck = sweep.ReceiverTerminated })
	a := &air{rng: rand.New(rand.NewPCG(5, 6)), noise: -120, perBin: 20}
	loud := &air{rng: a.rng, noise: -105, perBin: 20} // at the shallow check
	q, w := run.Plan.Points[0], run.Plan.Points[1]
	nothing := unit.DBm(-300)
	caps := []sweep.Capture{
		a.capture(run, sweep.Reference, open, q, -40), a.capture(run, sweep.Leakage, open, q, nothing), a.capture(run, sweep.Enclosed, boxed(), q, -80),
		a.capture(run, sweep.Reference, open, w, -40), loud.capture(run, sweep.Leakage, open, w, nothing), a.capture(run, sweep.Enclosed, boxed(), w, -106),
	}
	r := sweep.Evaluate(run, seal(caps)).Results
	if r[0].Outcome != sweep.Measured || r[0].Leakage == nil || r[0].Leakage.Seen {
		t.Errorf("clear of the limit: %v (%s), leakage %+v", r[0].Outcome, r[0].Reason, r[0].Leakage)
	}
	if r[1].Outcome != sweep.AtLeast || !strings.Contains(r[1].Reason, "look deeper") || r[1].SE.Value > 66 {
		t.Errorf("near the limit: %v %v (%s), want a bound under 66 dB", r[1].Outcome, r[1].SE, r[1].Reason)
	}
}

// TestLeakageAtSomePoints: a point that was not checked takes the higher of its
// neighbours'.
func TestLeakageAtSomePoints(t *testing.T) {
	run := checkedRun(t, func(s *sweep.PlanSpec, b *sweep.Bench) { s.LeakageCheck, s.LeakagePoints = sweep.ReceiverTerminated, 2 })
	last := len(run.Plan.Points) - 1
	only := -1
	for i, s := range run.Steps {
		if s.Kind == sweep.Leakage {
			only = i
			if len(s.Only) != 2 || s.Only[0] != 0 || s.Only[1] != last {
				t.Fatalf("checked points %v, want the first and the last of %d", s.Only, last+1)
			}
		}
	}
	if only < 2 || run.Steps[only-1].Fitting != sweep.ReceiverTerminated || run.Steps[only+1].Fitting != sweep.FittedAsUsed || run.Steps[only+1].Kind != sweep.HoldPoint {
		t.Fatalf("the check is not between two hold points: %+v", run.Steps)
	}
	a := &air{rng: rand.New(rand.NewPCG(7, 8)), noise: -150, perBin: 20}
	mid := run.Plan.Points[1]
	caps := []sweep.Capture{
		a.capture(run, sweep.Leakage, open, run.Plan.Points[0], -120), a.capture(run, sweep.Leakage, open, run.Plan.Points[last], -90),
		a.capture(run, sweep.Reference, open, mid, -40), a.capture(run, sweep.Enclosed, boxed(), mid, -92),
	}
	r := sweep.Evaluate(run, seal(caps)).Results[0]
	if r.Outcome != sweep.AtLeast || r.Leakage == nil || r.Leakage.From != last {
		t.Errorf("%v (%s), leakage %+v, want a bound by point %d's", r.Outcome, r.Reason, r.Leakage, last)
	}
}

// TestLinearityCheck: a level that falls by the stated step within k·u passes, and
// what the step's uncertainty leaves goes into the budget; a reference 1 dB
// compressed (the definition of the 1 dB compression point) falls 1 dB too little.
func TestLinearityCheck(t *testing.T) {
	run := checkedRun(t, func(s *sweep.PlanSpec, b *sweep.Bench) {
		s.LinearityCheck = sweep.StepAttenuator
		b.StepAttenuator = []sweep.KnownStep{{Value: 20, Uncertainty: 0.2}, {Value: 40, Uncertainty: 0.3}}
	})
	a := &air{rng: rand.New(rand.NewPCG(9, 10)), noise: -140, perBin: 50}
	var caps []sweep.Capture
	var squeezed int
	for _, s := range run.Steps {
		if s.Kind != sweep.Linearity {
			continue
		}
		if len(s.Only) != 3 || run.Steps[s.Index-1].Kind != sweep.HoldPoint || run.Steps[s.Index-1].Lower != s.Lower {
			t.Fatalf("step %+v after %+v", s, run.Steps[s.Index-1])
		}
		for n, p := range s.Only {
			q, ref := run.Plan.Points[p], unit.DBm(-40)
			low := ref.Add(-s.Lower)
			if n == 1 {
				squeezed, ref = p, ref.Add(-1)
			}
			if s.At.Repeat == 1 {
				caps = append(caps, a.capture(run, sweep.Reference, open, q, ref), a.capture(run, sweep.Enclosed, boxed(), q, -90))
			}
			caps = append(caps, a.capture(run, sweep.Linearity, s.At, q, low))
		}
	}
	e := sweep.NewEvaluator(run)
	for _, c := range seal(caps) {
		e.Add(c)
	}
	ev := e.Evaluation()
	if len(ev.Linearity) != 6 {
		t.Fatalf("%d deviations, want 6 (two values at three points): %+v", len(ev.Linearity), ev.Linearity)
	}
	for _, d := range ev.Linearity {
		want := 0.0
		if d.Point == squeezed {
			want = -1
		}
		if math.Abs(float64(d.Deviation)-want) > 0.25 || d.Over() != (want != 0) || d.Limit < 0.4 || d.Limit > 0.8 {
			t.Errorf("point %d, %v: %+.2f dB, limit %.2f, want %+.0f", d.Point, d.Step, float64(d.Deviation), float64(d.Limit), want)
		}
	}
	for _, r := range ev.Results {
		if r.Point == squeezed {
			if r.Outcome != sweep.Void || !strings.Contains(r.Reason, "compressed") {
				t.Errorf("behind a compressed reference: %v (%s)", r.Outcome, r.Reason)
			}
			continue
		}
		found := false
		for _, row := range e.BudgetOf(r).Rows {
			found = found || row.Name == "linearity as checked"
		}
		if r.Outcome != sweep.Measured || !found {
			t.Errorf("point %d: %v (%s), linearity in the budget: %v", r.Point, r.Outcome, r.Reason, found)
		}
	}
	if !strings.Contains(strings.Join(ev.Notes, "\n"), "2 over the limit") {
		t.Errorf("notes: %q", ev.Notes)
	}
}

// TestReferenceTooOld: without a closing reference beside it, an old reference is
// none; with one within the drift limit it is of any age.
func TestReferenceTooOld(t *testing.T) {
	run := checkedRun(t, func(s *sweep.PlanSpec, b *sweep.Bench) { s.ReferenceMaxAge = time.Hour })
	a := &air{rng: rand.New(rand.NewPCG(11, 12)), noise: -130, perBin: 20}
	q, begun := run.Plan.Points[0], time.Date(2026, 5, 4, 22, 0, 0, 0, time.UTC)
	take := func(after time.Duration, closing bool) sweep.Result {
		ref, enc := a.capture(run, sweep.Reference, open, q, -40), a.capture(run, sweep.Enclosed, boxed(), q, -80)
		ref.Begun, enc.Begun = begun, begun.Add(after)
		caps := []sweep.Capture{ref, enc}
		if closing {
			caps = append(caps, a.capture(run, sweep.Closing, open, q, -40))
		}
		return sweep.Evaluate(run, seal(caps)).Results[0]
	}
	run.State = sweep.Stopped
	for _, c := range []struct {
		after   time.Duration
		closing bool
		want    sweep.Outcome
	}{{59 * time.Minute, false, sweep.Measured}, {61 * time.Minute, false, sweep.Void}, {61 * time.Minute, true, sweep.Measured}} {
		if r := take(c.after, c.closing); r.Outcome != c.want || c.want == sweep.Void && !strings.Contains(r.Reason, "reference_max_age") {
			t.Errorf("%v after, closing %v: %v (%s), want %v", c.after, c.closing, r.Outcome, r.Reason, c.want)
		}
	}
	run.State = sweep.Running
	if r := take(61*time.Minute, false); r.Outcome != sweep.Measured {
		t.Errorf("while the closing reference is still to come: %v (%s)", r.Outcome, r.Reason)
	}
}

func TestChecksRefused(t *testing.T) {
	for name, c := range map[string]struct {
		edit func(*sweep.PlanSpec)
		want string
	}{
		"no such leakage check": {func(s *sweep.PlanSpec) { s.LeakageCheck = sweep.StepAttenuator }, "step_attenuator is no leakage check: write receiver_terminated or source_loaded"},
		"points without check":  {func(s *sweep.PlanSpec) { s.LinearityPoints = 4 }, "linearity_points without linearity_check"},
		"sealed": {func(s *sweep.PlanSpec) {
			s.LeakageCheck, s.Capture = sweep.SourceLoaded, sweep.Sealed
		}, "write capture: linked"},
		"age": {func(s *sweep.PlanSpec) { s.ReferenceMaxAge = -1 }, "an age cannot be negative"},
	} {
		spec := depotSpec()
		c.edit(&spec)
		_, bad := sweep.Compile(spec, depotBench())
		text := ""
		for _, p := range bad {
			text += p.Error() + "\n"
		}
		if !strings.Contains(text, c.want) {
			t.Errorf("%s: %q, want %q", name, text, c.want)
		}
	}
	spec, b := depotSpec(), depotBench()
	spec.LinearityCheck, spec.LeakageCheck, spec.HoldPoints, b.HandsByRule = sweep.StepAttenuator, sweep.ReceiverTerminated, "rule", true
	p := compile(t, spec)
	text := ""
	for _, q := range sweep.CheckOn(p, b) {
		text += q.Error() + "\n"
	}
	for _, want := range []string{"states none: write step_attenuator", "leakage_check: receiver_terminated is to be fitted at a hold point, and the hands"} {
		if !strings.Contains(text, want) {
			t.Errorf("on the bench: %q, want %q", text, want)
		}
	}
}

// TestLeakageDoesNotAverageOut: it is the same in every repeat, so five of them
// leave what one has: 95 % of an arcsine law of half-width 0.915 dB lie within
// 0.915·sin(0.95·π/2) = 0.91 dB.
func TestLeakageDoesNotAverageOut(t *testing.T) {
	run := checkedRun(t, func(s *sweep.PlanSpec, b *sweep.Bench) {
		s.LeakageCheck, s.Repeats, b.Uncertainty = sweep.SourceLoaded, 5, 0.01
	})
	a := &air{rng: rand.New(rand.NewPCG(17, 18)), noise: -150, perBin: 20}
	q := run.Plan.Points[0]
	caps := []sweep.Capture{a.capture(run, sweep.Reference, open, q, -40), a.capture(run, sweep.Leakage, open, q, -110)}
	for i := range 5 {
		at := boxed()
		at.Repeat = i + 1
		caps = append(caps, a.capture(run, sweep.Enclosed, at, q, -90))
	}
	w := sweep.Evaluate(run, seal(caps)).Summaries[0].Worst[0]
	if w.Outcome != sweep.Measured || w.SE.U < 0.88 {
		t.Errorf("five repeats: %v %v, want ± 0.9 dB", w.Outcome, w.SE)
	}
}

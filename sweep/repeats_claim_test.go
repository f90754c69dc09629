package sweep_test

import (
	"math"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
	"lidded/sweep/uncertainty"
)

// part is one line of a budget that a test expects.
func part(u float64, side uncertainty.Side) uncertainty.Component {
	return uncertainty.Component{Name: "part", Value: unit.DB(u), Distribution: uncertainty.Normal, Side: side}
}

// rect is one that is a half-width.
func rect(a float64) uncertainty.Component {
	return uncertainty.Component{Name: "part", Value: unit.DB(a), Distribution: uncertainty.Rectangular}
}

// again is the setting of a repeat.
func again(n int) sweep.Setting {
	at := boxed()
	at.Repeat = n
	return at
}

// thrice is a sheet with three repeats.
func thrice(t testing.TB) sweep.Run {
	return sheetRun(t, 2.9, func(s *sweep.PlanSpec, _ *sweep.Bench) { s.Repeats = 3 })
}

// hasClaim compares a combined claim with value, budget and kind.
func hasClaim(t *testing.T, run sweep.Run, r sweep.Result, bound bool, value float64, b uncertainty.Budget) {
	t.Helper()
	u, err := b.Combine(run.Plan.Confidence)
	if err != nil {
		t.Fatal(err)
	}
	if bound {
		if r.Outcome != sweep.AtLeast || r.SE.Relation != sweep.AtLeastRelation || !math.IsInf(float64(r.SE.High), 1) {
			t.Fatalf("%v %+v (%s), want a bound", r.Outcome, r.SE, r.Reason)
		}
		nearly(t, "bound", r.SE.Value, value-float64(u.OneSided), 1e-5)
		nearly(t, "low end of the bound", r.SE.Low, value-float64(u.OneSided), 1e-5)
		return
	}
	if r.Outcome != sweep.Measured || r.SE.Relation != sweep.Equal || r.Reason != "" {
		t.Fatalf("%v %+v (%s), want a value", r.Outcome, r.SE, r.Reason)
	}
	nearly(t, "SE", r.SE.Value, value, 1e-5)
	nearly(t, "low end", r.SE.Low, value-float64(u.OneSided), 1e-5)
	nearly(t, "high end", r.SE.High, value+float64(u.OneSided), 1e-5)
	nearly(t, "expanded", r.SE.U, float64(u.Expanded), 1e-5)
}

// TestRepeatsAreCombinedByArithmetic: the mean of decibels less the bias of its noise
// (ln10/20 times the noise's variance), with the bench's 2.9 dB, the noise of the
// reference, a third of the noise of three, and the scatter over √3 of two degrees of
// freedom; bounds are a mean of bounds less 1.645·u.
func TestRepeatsAreCombinedByArithmetic(t *testing.T) {
	run := thrice(t)
	ref := judged(run, -20, -42.5)
	sheet := func(floor unit.DBm, levels ...unit.DBm) (caps []sweep.Capture) {
		caps = append(caps, read(sweep.Reference, open, 0, -20, -42.5))
		for i, l := range levels {
			caps = append(caps, read(sweep.Enclosed, again(i+1), 0, l, max(floor, l-100)))
		}
		return seal(caps)
	}
	t.Run("values", func(t *testing.T) {
		e := sweep.Evaluate(run, sheet(-79, -50, -52, -55.5))
		var sum, square, noise float64
		for _, l := range []unit.DBm{-50, -52, -55.5} {
			f := judged(run, l, -79)
			d := float64(ref.Level.Sub(f.Level))
			sum, square, noise = sum+d, square+d*d, noise+noiseOf(f)*noiseOf(f)
		}
		sd := math.Sqrt((square - sum*sum/3) / 2)
		scatter := part(sd/math.Sqrt(3), uncertainty.Enclosed)
		scatter.DoF = 2
		r := e.Combined[0]
		hasClaim(t, run, r, false, sum/3-math.Ln10/20*noise/3, uncertainty.Budget{
			part(2.9, 0), part(noiseOf(ref), uncertainty.Reference), part(math.Sqrt(noise)/3, uncertainty.Enclosed), scatter,
		})
		if r.At != again(1) || !strings.Contains(r.Rule, "mean of 3 repeats in decibels, scatter 2.78 dB pooled over the specimen (2 degrees of freedom)") {
			t.Errorf("%+v: %s", r.At, r.Rule)
		}
		if len(e.Results) != 3 || len(e.Combined) != 1 || e.Summaries[0].Worst[0].SE != r.SE {
			t.Errorf("%d results, %d combined, worst %v", len(e.Results), len(e.Combined), e.Summaries[0].Worst[0].SE)
		}
	})
	t.Run("bounds", func(t *testing.T) {
		e := sweep.Evaluate(run, seal([]sweep.Capture{
			read(sweep.Reference, open, 0, -20, -42.5),
			read(sweep.Enclosed, again(1), 0, -90, -90), read(sweep.Enclosed, again(2), 0, -93, -93), read(sweep.Enclosed, again(3), 0, -87, -87),
		}))
		limit := float64(judged(run, -90, -90).Limit) // those 3 dB apart lie 3 dB apart
		r := e.Combined[0]
		hasClaim(t, run, r, true, float64(ref.Level)-limit, uncertainty.Budget{part(2.9, 0), part(noiseOf(ref), uncertainty.Reference)})
		if r.At != again(3) || r.Rule != "mean of 3 bounds" {
			t.Errorf("%+v: %s", r.At, r.Rule)
		}
	})
	t.Run("one of two without a claim", func(t *testing.T) {
		caps := sheet(-79, -50, -52)
		caps[1].Void = "a fault"
		e := sweep.Evaluate(run, caps)
		if r := e.Combined[0]; r.At != again(2) || r.Rule != "" || r.SE != e.Results[1].SE {
			t.Errorf("%+v %v, %q", r.At, r.SE, r.Rule)
		}
		caps[2].Void = "another"
		if r := sweep.Evaluate(run, caps).Combined[0]; r.Outcome != sweep.Void || r.Reason != "a fault" || r.SE.Relation != sweep.RelationUnknown {
			t.Errorf("%v %v, %q", r.Outcome, r.SE, r.Reason)
		}
	})
}

// TestWhatRepeatsShareDoesNotAverageOut: a reference that moved, settings that differ
// once, and the deepest leakage stay whole in the budget of the mean.
func TestWhatRepeatsShareDoesNotAverageOut(t *testing.T) {
	for name, c := range map[string]struct {
		edit func([]sweep.Capture)
		more []uncertainty.Component
	}{
		"nothing": {func([]sweep.Capture) {}, nil},
		"the reference moved": {func(cs []sweep.Capture) {
			cs[4] = read(sweep.Closing, open, 0, -22.4, -82.4)
			cs[4].Seq = 5
		}, []uncertainty.Component{rect(2.4)}},
		"the first attenuated": {func(cs []sweep.Capture) { cs[1].Settings.Attenuator = db(20) }, []uncertainty.Component{rect(0.5)}},
		"the last attenuated":  {func(cs []sweep.Capture) { cs[3].Settings.Attenuator = db(20) }, []uncertainty.Component{rect(0.5)}},
	} {
		t.Run(name, func(t *testing.T) {
			run := thrice(t)
			caps := seal([]sweep.Capture{
				read(sweep.Reference, open, 0, -20, -80),
				read(sweep.Enclosed, again(1), 0, -50, -110), read(sweep.Enclosed, again(2), 0, -50, -110), read(sweep.Enclosed, again(3), 0, -50, -110),
				read(sweep.Closing, open, 0, -20, -80),
			})
			caps[0].Settings.Attenuator = db(10)
			c.edit(caps)
			n := noiseOf(judged(run, -20, -80))
			hasClaim(t, run, sweep.Evaluate(run, caps).Combined[0], false, 30-math.Ln10/20*n*n, append(uncertainty.Budget{
				part(2.9, 0), part(n, uncertainty.Reference), part(n/math.Sqrt(3), uncertainty.Enclosed),
			}, c.more...))
		})
	}
}

// TestLeakageStaysWholeOverRepeats: the leakage moves the lowest level most, and its
// half-width there is that of the mean.
func TestLeakageStaysWholeOverRepeats(t *testing.T) {
	run := sheetRun(t, 0.1, func(s *sweep.PlanSpec, _ *sweep.Bench) { s.Repeats, s.LeakageCheck = 3, sweep.ReceiverTerminated })
	e := sweep.NewEvaluator(run)
	for i, l := range []unit.DBm{-60, -62, -58} {
		c := read(sweep.Enclosed, again(i+1), 0, l, l-50)
		c.Seq = i + 3
		e.Add(c)
	}
	ref, leak := read(sweep.Reference, open, 0, -20, -70), read(sweep.Leakage, open, 0, -90, -140)
	ref.Seq, leak.Seq = 1, 2
	e.Add(ref)
	e.Add(leak)
	ev := e.Evaluation()
	_, down := sweep.Interference(judged(run, -62, -112).Level.Sub(judged(run, -90, -140).High))
	found := false
	for _, row := range e.BudgetOf(ev.Combined[0]).Rows {
		if row.Name == "leakage round the specimen" {
			found = true
			nearly(t, "half-width", row.Value, -float64(down), 1e-6)
		}
	}
	if !found {
		t.Errorf("%v (%s): no leakage in the budget", ev.Combined[0].Outcome, ev.Combined[0].Reason)
	}
}

// TestRepeatsApartFallBackOnTheLowest: where the scatter elsewhere does not explain
// them, the lowest claim stands as it is, and says so.
func TestRepeatsApartFallBackOnTheLowest(t *testing.T) {
	run := sheetRun(t, 0.1, func(s *sweep.PlanSpec, _ *sweep.Bench) {
		s.Repeats, s.Positions, s.Polarizations = 3, []string{"front", "back"}, []string{"vertical", "horizontal"}
	})
	run.Line = flatLine(25)
	var caps []sweep.Capture
	for _, pos := range run.Plan.Positions {
		for _, pol := range run.Plan.Polarizations {
			for point := range run.Plan.Points {
				at := sweep.Setting{Position: pos, Polarization: pol, Repeat: 1}
				caps = append(caps, read(sweep.Reference, at, point, -20, -80))
				for i, l := range []unit.DBm{-60, -60.5, -59.5} {
					at.Specimen, at.Repeat = "locker", i+1
					if pos == "back" && pol == "vertical" && point == 1 && i == 2 {
						l = -40
					}
					caps = append(caps, read(sweep.Enclosed, at, point, l, -110))
				}
			}
		}
	}
	e := sweep.Evaluate(run, seal(caps))
	lowest, meant := 0, 0
	for _, r := range e.Combined {
		switch odd := r.At.Position == "back" && r.At.Polarization == "vertical" && r.Point == 1; {
		case odd && r.At.Repeat == 3 && strings.Contains(r.Rule, "lowest of 3 repeats") && r.Verdict == requirement.FallsShort:
			nearly(t, "the lowest", r.SE.Value, 20, 0.01)
			lowest++
		case !odd && strings.Contains(r.Rule, "mean of 3 repeats") && r.Verdict == requirement.Meets:
			meant++
		default:
			t.Errorf("%+v, point %d: %v %v, %q", r.At, r.Point, r.SE, r.Verdict, r.Rule)
		}
	}
	if lowest != 1 || meant != 11 {
		t.Errorf("%d stand alone, %d are combined", lowest, meant)
	}
	s := e.Summaries[0]
	if s.Verdict != requirement.FallsShort || s.Worst[1].Verdict != requirement.FallsShort || s.Worst[0].Verdict != requirement.Meets {
		t.Errorf("%v: %s", s.Verdict, s.Sentence)
	}
}

// TestSpecimensDoNotShareTheirScatter: each specimen's repeats are pooled by
// themselves.
func TestSpecimensDoNotShareTheirScatter(t *testing.T) {
	run := sheetRun(t, 0.1, func(s *sweep.PlanSpec, _ *sweep.Bench) { s.Repeats = 2 })
	run.Specimens = append(run.Specimens, sweep.Specimen{Name: "crate"})
	caps := []sweep.Capture{read(sweep.Reference, open, 0, -20, -80)}
	for _, c := range []struct {
		name string
		a, b unit.DBm
	}{{"locker", -50, -51}, {"crate", -50, -58}} {
		for i, l := range []unit.DBm{c.a, c.b} {
			at := again(i + 1)
			at.Specimen = c.name
			caps = append(caps, read(sweep.Enclosed, at, 0, l, -110))
		}
	}
	for i, says := range []string{"scatter 0.71 dB pooled over the specimen (1 degrees", "scatter 5.66 dB pooled over the specimen (1 degrees"} {
		if r := sweep.Evaluate(run, seal(caps)).Combined[i]; !strings.Contains(r.Rule, says) {
			t.Errorf("%s: %q, want %q", r.At.Specimen, r.Rule, says)
		}
	}
}

// TestBoundsAmongRepeats: scatter is pooled from settings of values alone where there
// are such; the likeliest level lies above the values that bounds stand beside, and
// noise leaves its bias below it.
func TestBoundsAmongRepeats(t *testing.T) {
	mixed := []sweep.Repeat{{Value: 50, Noise: 1.2}, {Value: 52, Noise: 0.6}, {Value: 54, Bound: true}}
	wholes := [][]sweep.Repeat{values(40, 44), values(60, 63)}
	v, bound, u, dof, rule, ok := sweep.CombineRepeats(mixed, append(wholes, mixed))
	// Of {40, 44} and {60, 63}: √((8 + 4.5)/2) = 2.5 dB with two degrees of freedom.
	if !ok || bound || dof != 2 || !strings.Contains(rule, "scatter 2.50 dB pooled over the specimen (2 degrees of freedom)") {
		t.Fatalf("%v %v %v dof, %q, %v", v, bound, dof, rule, ok)
	}
	if !(v > 51.5 && v < 54) || !(float64(u) > 2.5/math.Sqrt(3) && float64(u) < 2.5/math.Sqrt2) {
		t.Errorf("%.3f with u = %.3f", float64(v), float64(u))
	}
	quiet := []sweep.Repeat{{Value: 50}, {Value: 52}, {Value: 54, Bound: true}}
	w, _, _, _, _, _ := sweep.CombineRepeats(quiet, wholes)
	nearly(t, "bias of the noise", w-v, math.Ln10/20*(1.2*1.2+0.6*0.6)/2, 1e-6)
	alone := [][]sweep.Repeat{{{Value: 50}, {Value: 53}, {Value: 60, Bound: true}}, {{Value: 70}}}
	if _, _, _, dof, rule, ok := sweep.CombineRepeats(quiet, alone); !ok || dof != 1 || !strings.Contains(rule, "scatter 2.12 dB pooled") {
		t.Errorf("%v %q %v", dof, rule, ok)
	}
	if _, _, _, _, _, ok := sweep.CombineRepeats(quiet, nil); ok {
		t.Error("values and bounds were combined without a scatter")
	}
	if _, _, _, _, _, ok := sweep.CombineRepeats(quiet, [][]sweep.Repeat{values(40, 40)}); ok {
		t.Error("values and bounds were combined with a scatter of nothing")
	}
}

// TestRepeatsStandInForTheBenchsFigure: the bench's repeatability of one reading
// through the shield goes once there are repeats, that of the reference stays.
func TestRepeatsStandInForTheBenchsFigure(t *testing.T) {
	run := sheetRun(t, 0, func(s *sweep.PlanSpec, _ *sweep.Bench) { s.Repeats = 2 })
	run.Bench = run.Bench.WithUncertainty(sweep.Entries{ReferenceRepeat: db(1.5), EnclosedRepeat: db(1.6)})
	e := sweep.NewEvaluator(run)
	for _, c := range seal([]sweep.Capture{
		read(sweep.Reference, open, 0, -20, -80), read(sweep.Enclosed, again(1), 0, -50, -110), read(sweep.Enclosed, again(2), 0, -54, -110),
	}) {
		e.Add(c)
	}
	ev := e.Evaluation()
	names := func(r sweep.Result) map[string]unit.DB {
		out := map[string]unit.DB{}
		for _, row := range e.BudgetOf(r).Rows {
			out[row.Name] = row.Standard
		}
		return out
	}
	one, two := names(ev.Results[0]), names(ev.Combined[0])
	if one["enclosed repeatability"] != 1.6 || one["reference repeatability"] != 1.5 {
		t.Errorf("of one capture: %v", one)
	}
	if _, still := two["enclosed repeatability"]; still || two["reference repeatability"] != 1.5 {
		t.Errorf("of two: %v", two)
	}
	nearly(t, "scatter of two repeats 4 dB apart, over √2", two["repeats through the shield"], 2, 0.01)
	if _, _, _, _, _, ok := sweep.CombineRepeats(values(60, 61), [][]sweep.Repeat{values(40, 40)}); !ok {
		t.Error("a scatter of nothing tells two repeats apart")
	}
}

// TestLinearityStaysWholeOverRepeats: what the check left to the analyzer is alike in
// every repeat.
func TestLinearityStaysWholeOverRepeats(t *testing.T) {
	run := stepped(t, func(s *sweep.PlanSpec, _ *sweep.Bench) { s.Repeats = 2 })
	s := stepOf(t, run, 10)
	e := sweep.NewEvaluator(run)
	for _, c := range seal([]sweep.Capture{
		read(sweep.Reference, open, 0, -20, -80), read(sweep.Linearity, s.At, 0, -30.4, -80), read(sweep.Enclosed, again(1), 0, -50, -110), read(sweep.Enclosed, again(2), 0, -51, -110),
	}) {
		e.Add(c)
	}
	ev := e.Evaluation()
	want := 0.4 + float64(ev.Linearity[0].Limit)/2
	for _, row := range e.BudgetOf(ev.Combined[0]).Rows {
		if row.Name == "linearity as checked" {
			nearly(t, "half-width", row.Value, want, 0.002)
			return
		}
	}
	t.Errorf("%v (%s): nothing of the check in the budget", ev.Combined[0].Outcome, ev.Combined[0].Rule)
}

package sweep_test

import (
	"fmt"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

// flatLine asks for one SE over everything the tests use.
func flatLine(se unit.DB) *requirement.Line {
	return &requirement.Line{Name: "flat", Title: "flat", Mark: requirement.Chosen, Curves: []requirement.Curve{{
		Fields:   []requirement.Field{requirement.PlaneWave},
		Segments: []requirement.Segment{{Points: []requirement.Point{{Freq: 1e6, SE: se, Mark: requirement.Chosen}, {Freq: 10e9, SE: se, Mark: requirement.Chosen}}}},
	}}}
}

// TestPointsThatAreMissingLeaveItUndecided: what was not captured may still fall
// short, so a specimen does not meet a line by the points it has.
func TestPointsThatAreMissingLeaveItUndecided(t *testing.T) {
	run := sheetRun(t, 0.3, nil)
	run.Line = flatLine(20)
	good := func(points ...int) (caps []sweep.Capture) {
		for _, p := range points {
			caps = append(caps, read(sweep.Reference, open, p, -20, -70), read(sweep.Enclosed, boxed(), p, -60, -95))
		}
		return seal(caps)
	}
	bad := append(good(0, 1), read(sweep.Reference, open, 2, -20, -70), read(sweep.Enclosed, boxed(), 2, -25, -95))
	for name, c := range map[string]struct {
		caps    []sweep.Capture
		want    requirement.Verdict
		missing int
		says    string
	}{
		"all there":        {good(0, 1, 2), requirement.Meets, 0, "locker: meets flat at all 3 frequencies; lowest SE 40.0 dB"},
		"the last missing": {good(0, 1), requirement.Undecided, 1, "undecided against flat at 1 of 3 frequencies; meets it at 2"},
		"two missing":      {good(1), requirement.Undecided, 2, "undecided against flat at 2 of 3 frequencies; meets it at 1"},
		"one falls short":  {seal(bad), requirement.FallsShort, 0, "falls short of flat at 1 of 3 frequencies; meets it at 2; lowest SE 5.0 dB"},
		"short, and one missing": {seal(append(good(0), read(sweep.Reference, open, 2, -20, -70), read(sweep.Enclosed, boxed(), 2, -25, -95))),
			requirement.FallsShort, 1, "falls short of flat at 1 of 3 frequencies; undecided at 1; meets it at 1"},
	} {
		s := sweep.Evaluate(run, c.caps).Summaries[0]
		if s.Verdict != c.want || s.Counts.Missing != c.missing || !strings.Contains(s.Sentence, c.says) {
			t.Errorf("%s: %v, %d missing, %q; want %v, %d, %q", name, s.Verdict, s.Counts.Missing, s.Sentence, c.want, c.missing, c.says)
		}
	}
}

// TestNothingIsMetWithoutALine: nor where the line asks for nothing.
func TestNothingIsMetWithoutALine(t *testing.T) {
	run := sheetRun(t, 0.3, nil)
	caps := seal([]sweep.Capture{read(sweep.Reference, open, 0, -20, -70), read(sweep.Enclosed, boxed(), 0, -60, -95)})
	magnetic := flatLine(20)
	magnetic.Curves[0].Fields = []requirement.Field{requirement.Magnetic}
	for name, line := range map[string]*requirement.Line{"no line": nil, "of another field": magnetic} {
		run.Line = line
		s := sweep.Evaluate(run, caps).Summaries[0]
		if s.Verdict == requirement.Meets || s.Verdict == requirement.FallsShort || s.Worst[0].Verdict != requirement.NotRequired || s.Worst[0].Required != nil {
			t.Errorf("%s: %v, %+v", name, s.Verdict, s.Worst[0])
		}
	}
	run.Line = nil
	if s := sweep.Evaluate(run, caps).Summaries[0]; s.Verdict != requirement.NotRequired || !strings.Contains(s.Sentence, "locker: no requirement; lowest SE 40.0 dB") {
		t.Errorf("%v %q", s.Verdict, s.Sentence)
	}
}

// TestAVerdictTakesTheGuardBand: the line is met from the low end of the two-sided
// interval upward, and missed below its high end only (JCGM 106:2012, 8.3).
func TestAVerdictTakesTheGuardBand(t *testing.T) {
	run := sheetRun(t, 2.9, nil)
	caps := seal([]sweep.Capture{read(sweep.Reference, open, 0, -20, -70), read(sweep.Enclosed, boxed(), 0, -60, -95)})
	run.Line = flatLine(40)
	run.Plan.Points = run.Plan.Points[:1]
	u := sweep.Evaluate(run, caps).Results[0].SE.U
	if u < 5 {
		t.Fatalf("a test that tells nothing apart: ± %v", u)
	}
	for _, c := range []struct {
		asked unit.DB
		want  requirement.Verdict
	}{{40 - u - 0.01, requirement.Meets}, {40 - u + 0.01, requirement.Undecided}, {40 + u - 0.01, requirement.Undecided}, {40 + u + 0.01, requirement.FallsShort}} {
		run.Line = flatLine(c.asked)
		s := sweep.Evaluate(run, caps).Summaries[0]
		w := s.Worst[0]
		if s.Verdict != c.want || w.Verdict != c.want {
			t.Errorf("40 dB ± %.2f against %.2f: %v, want %v", float64(u), float64(c.asked), s.Verdict, c.want)
		}
		nearly(t, "required", *w.Required, float64(c.asked), 1e-9)
		nearly(t, "headroom", *w.Headroom, float64(40-u-c.asked), 1e-6)
		if (w.Decide == "") != (c.want != requirement.Undecided) {
			t.Errorf("%v says what would decide: %q", c.want, w.Decide)
		}
	}
}

// TestTheWorstOfItsKind: a setting without a claim leaves the minimum unknown; of a
// value and a bound at one number the bound counts, and no number is taken from
// another place.
func TestTheWorstOfItsKind(t *testing.T) {
	value := func(v, u unit.DB) sweep.Result {
		return sweep.Result{Outcome: sweep.Measured, SE: sweep.SE{Relation: sweep.Equal, Value: v, U: u}, Margin: v / 2, DynamicRange: v + 11}
	}
	bound := func(v unit.DB) sweep.Result {
		return sweep.Result{Outcome: sweep.AtLeast, SE: sweep.SE{Relation: sweep.AtLeastRelation, Value: v}, Margin: v / 2, DynamicRange: v + 11}
	}
	none := sweep.Result{Outcome: sweep.AmbientHeard, Reason: "a signal"}
	for name, c := range map[string]struct {
		in   []sweep.Result
		pick int
		says string
	}{
		"the lower value":             {[]sweep.Result{value(50, 1), value(40, 5)}, 1, ""},
		"its middle, not its low end": {[]sweep.Result{value(50, 20), value(45, 1)}, 1, ""},
		"a bound under a value":       {[]sweep.Result{value(50, 1), bound(49)}, 1, ""},
		"a bound at a value":          {[]sweep.Result{value(50, 1), bound(50)}, 1, ""},
		"a value at a bound":          {[]sweep.Result{bound(50), value(50, 1)}, 0, ""},
		"a value under a bound":       {[]sweep.Result{bound(50), value(49.9, 1)}, 1, ""},
		"without a claim":             {[]sweep.Result{value(50, 1), none, value(40, 1)}, 1, "a signal, at 1 vertical; the lowest elsewhere is 40.0 dB ± 1.0 dB"},
		"without any":                 {[]sweep.Result{none}, 0, "a signal"},
	} {
		for i := range c.in {
			c.in[i].At = sweep.Setting{Specimen: "locker", Position: fmt.Sprint(i), Polarization: "vertical"}
		}
		w, want := sweep.WorstOf("locker", sweep.Point{Index: 7, Freq: 3e6}, c.in), c.in[c.pick]
		if w.At != want.At || w.SE != want.SE || w.Outcome != want.Outcome || w.Margin != want.Margin || w.Range != want.DynamicRange || w.Reason != c.says || w.Point != 7 || w.Freq != 3e6 || w.Specimen != "locker" {
			t.Errorf("%s: %+v, want %+v, saying %q", name, w, want, c.says)
		}
	}
}

// TestTheLowestOverTheBand: of the worst cases the lowest, and none without a claim.
func TestTheLowestOverTheBand(t *testing.T) {
	run := sheetRun(t, 0.3, nil)
	heard := read(sweep.Enclosed, boxed(), 0, -30, -95)
	heard.Void = "a fault"
	s := sweep.Evaluate(run, seal([]sweep.Capture{
		read(sweep.Reference, open, 0, -20, -70), heard,
		read(sweep.Reference, open, 1, -20, -70), read(sweep.Enclosed, boxed(), 1, -62, -95),
		read(sweep.Reference, open, 2, -20, -70), read(sweep.Enclosed, boxed(), 2, -61, -95),
	})).Summaries[0]
	if s.Lowest == nil || s.Lowest.Point != 2 || !strings.Contains(s.Sentence, "lowest SE 41.0 dB") || !strings.Contains(s.Sentence, "400 MHz") {
		t.Errorf("%+v, %q", s.Lowest, s.Sentence)
	}
	if s := sweep.Evaluate(run, seal([]sweep.Capture{read(sweep.Reference, open, 0, -20, -70), heard})).Summaries[0]; s.Lowest != nil || !strings.Contains(s.Sentence, "no SE could be stated") {
		t.Errorf("%+v, %q", s.Lowest, s.Sentence)
	}
}

// TestABoundIsNeverRoundedUp: 98.09 dB are at least 98.0.
func TestABoundIsNeverRoundedUp(t *testing.T) {
	for _, c := range []struct {
		se   sweep.SE
		want string
	}{
		{sweep.SE{Relation: sweep.AtLeastRelation, Value: 98.09}, "≥ 98.0 dB"},
		{sweep.SE{Relation: sweep.AtLeastRelation, Value: -0.01}, "≥ -0.1 dB"},
		{sweep.SE{Relation: sweep.Equal, Value: 72.36, U: 2.14}, "72.4 dB ± 2.1 dB"},
		{sweep.SE{}, "no claim"},
	} {
		if got := c.se.String(); got != c.want {
			t.Errorf("%+v: %q, want %q", c.se, got, c.want)
		}
	}
}

// TestOnePlaceThatFallsShortSettlesIt: beside a place without any claim, which leaves
// the lowest SE unknown.
func TestOnePlaceThatFallsShortSettlesIt(t *testing.T) {
	run := sheetRun(t, 0.3, func(s *sweep.PlanSpec, _ *sweep.Bench) { s.Positions = []string{"front", "back"} })
	run.Line, run.Plan.Points = flatLine(40), run.Plan.Points[:1]
	front, back := open, open
	front.Position, back.Position = "front", "back"
	take := func(level unit.DBm) sweep.Summary {
		caps := []sweep.Capture{read(sweep.Reference, front, 0, -20, -70), read(sweep.Reference, back, 0, -20, -70)}
		for _, at := range []sweep.Setting{front, back} {
			at.Specimen = "locker"
			c := read(sweep.Enclosed, at, 0, level, -105)
			if at.Position == "back" {
				c.Void = "a fault"
			}
			caps = append(caps, c)
		}
		return sweep.Evaluate(run, seal(caps)).Summaries[0]
	}
	if s := take(-40); s.Verdict != requirement.FallsShort || s.Worst[0].SE.Relation != sweep.RelationUnknown || s.Worst[0].Decide != "" {
		t.Errorf("20 dB in front, nothing behind: %v, %+v", s.Verdict, s.Worst[0])
	}
	if s := take(-70); s.Verdict != requirement.Undecided || s.Worst[0].Verdict != requirement.Undecided || s.Counts.Void != 1 {
		t.Errorf("50 dB in front, nothing behind: %v, %+v", s.Verdict, s.Worst[0])
	}
}

// TestEveryMixOfVerdicts: the sentence counts what falls short, is undecided and
// meets, out of all three, and the worst of them is the verdict.
func TestEveryMixOfVerdicts(t *testing.T) {
	run := sheetRun(t, 0.3, nil)
	run.Line = flatLine(40)
	level := map[byte]unit.DBm{'s': -40, 'u': -60.2, 'm': -80}
	for mix, want := range map[string]string{
		"sss": "falls short of flat at all 3 frequencies; meets it at 0",
		"ssm": "falls short of flat at 2 of 3 frequencies; meets it at 1",
		"smm": "falls short of flat at 1 of 3 frequencies; meets it at 2",
		"sum": "falls short of flat at 1 of 3 frequencies; undecided at 1; meets it at 1",
		"suu": "falls short of flat at 1 of 3 frequencies; undecided at 2; meets it at 0",
		"uum": "undecided against flat at 2 of 3 frequencies; meets it at 1",
		"uuu": "undecided against flat at all 3 frequencies; meets it at 0",
		"mmm": "meets flat at all 3 frequencies",
		"sm":  "falls short of flat at 1 of 2 frequencies; meets it at 1",
		"su":  "falls short of flat at 1 of 2 frequencies; undecided at 1; meets it at 0",
		"um":  "undecided against flat at 1 of 2 frequencies; meets it at 1",
		"s":   "falls short of flat at all 1 frequencies; meets it at 0",
		"u":   "undecided against flat at all 1 frequencies; meets it at 0",
		"m":   "meets flat at all 1 frequencies",
	} {
		few, caps := run, []sweep.Capture(nil)
		few.Plan.Points = run.Plan.Points[:len(mix)]
		for i := range mix {
			caps = append(caps, read(sweep.Reference, open, i, -20, -75), read(sweep.Enclosed, boxed(), i, level[mix[i]], -110))
		}
		s := sweep.Evaluate(few, seal(caps)).Summaries[0]
		verdict := map[byte]requirement.Verdict{'s': requirement.FallsShort, 'u': requirement.Undecided, 'm': requirement.Meets}[mix[0]]
		if s.Verdict != verdict || !strings.HasPrefix(s.Sentence, "locker: "+want+"; lowest SE ") {
			t.Errorf("%s: %v, %q, want %q", mix, s.Verdict, s.Sentence, want)
		}
		if said := strings.Contains(s.Sentence, "would decide"); said != (verdict == requirement.Undecided) {
			t.Errorf("%s: %q", mix, s.Sentence)
		}
	}
}

// TestEachPointHasTheLineOfItsField: a point without a field is one of plane waves.
func TestEachPointHasTheLineOfItsField(t *testing.T) {
	run := sheetRun(t, 0.3, nil)
	run.Line = flatLine(30)
	magnetic := flatLine(90).Curves[0]
	magnetic.Fields = []requirement.Field{requirement.Magnetic}
	run.Line.Curves = append(run.Line.Curves, magnetic)
	run.Plan.Points[1].Field, run.Plan.Points[2].Field = requirement.Magnetic, requirement.FieldUnknown
	var caps []sweep.Capture
	for i := range run.Plan.Points {
		caps = append(caps, read(sweep.Reference, open, i, -20, -75), read(sweep.Enclosed, boxed(), i, -80, -110))
	}
	e := sweep.Evaluate(run, seal(caps))
	for i, want := range []float64{30, 90, 30} {
		nearly(t, "required of a result", *e.Results[i].Required, want, 0)
		nearly(t, "required of a worst case", *e.Summaries[0].Worst[i].Required, want, 0)
	}
	if w := e.Summaries[0].Worst; w[0].Verdict != requirement.Meets || w[1].Verdict != requirement.FallsShort || w[2].Verdict != requirement.Meets {
		t.Errorf("%v %v %v", w[0].Verdict, w[1].Verdict, w[2].Verdict)
	}
}

package sweep_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

// TestAClaimIsItsArithmetic: a value is reference minus enclosed with an interval of
// 1.96·u either way and one-sided ends of 1.645·u; a bound is reference minus the
// upper limit of what was received, less 1.645·u. u holds the bench's 2.9 dB and
// what noise leaves of both levels (GUM 5.1.2), of a bound's enclosed level nothing,
// since its limit holds it.
func TestAClaimIsItsArithmetic(t *testing.T) {
	const bench = 2.9
	run := sheetRun(t, bench, nil)
	for name, c := range map[string]struct {
		ref, refFloor, enc, floor unit.DBm
		bound                     bool
	}{
		"a value":                      {-20, -47, -51, -71, false},
		"a value, the reference noisy": {-20, -42.5, -51, -90, false},
		"a bound":                      {-20, -47, -90, -90, true},
		"a bound, the reference noisy": {-20, -42.5, -90, -90, true},
	} {
		t.Run(name, func(t *testing.T) {
			e := sweep.NewEvaluator(run)
			e.Add(read(sweep.Reference, open, 0, c.ref, c.refFloor))
			e.Add(read(sweep.Enclosed, boxed(), 0, c.enc, c.floor))
			r := e.Evaluation().Results[0]
			ref, enc := judged(run, c.ref, c.refFloor), judged(run, c.enc, c.floor)
			noise := noiseOf(enc)
			if c.bound {
				noise = 0
			}
			u := math.Sqrt(bench*bench + noiseOf(ref)*noiseOf(ref) + noise*noise)
			nearly(t, "standard uncertainty", e.BudgetOf(r).Standard, u, 1e-6)
			nearly(t, "expanded uncertainty", e.BudgetOf(r).Expanded, twoSided95*u, 1e-5)
			nearly(t, "one-sided uncertainty", e.BudgetOf(r).OneSided, oneSided95*u, 1e-5)
			if c.bound {
				want := float64(ref.Level.Sub(enc.Limit)) - oneSided95*u
				if r.Outcome != sweep.AtLeast || r.SE.Relation != sweep.AtLeastRelation || !math.IsInf(float64(r.SE.High), 1) {
					t.Fatalf("%v %+v, want a bound", r.Outcome, r.SE)
				}
				nearly(t, "bound", r.SE.Value, want, 1e-5)
				nearly(t, "low end of a bound", r.SE.Low, want, 1e-5)
				nearly(t, "what the bound was taken from", unit.DB(r.Enclosed), float64(enc.Limit), 1e-9)
				return
			}
			want := float64(ref.Level.Sub(enc.Level))
			if r.Outcome != sweep.Measured || r.SE.Relation != sweep.Equal {
				t.Fatalf("%v %+v (%s), want a value", r.Outcome, r.SE, r.Reason)
			}
			nearly(t, "SE", r.SE.Value, want, 1e-9)
			nearly(t, "low end", r.SE.Low, want-oneSided95*u, 1e-5)
			nearly(t, "high end", r.SE.High, want+oneSided95*u, 1e-5)
			nearly(t, "expanded", r.SE.U, twoSided95*u, 1e-5)
			nearly(t, "reference", unit.DB(r.Reference), float64(ref.Level), 1e-9)
			nearly(t, "enclosed", unit.DB(r.Enclosed), float64(enc.Level), 1e-9)
			nearly(t, "reading", unit.DB(r.Reading), float64(c.enc), 1e-9)
			nearly(t, "floor", unit.DB(r.NoiseFloor), float64(c.floor), 1e-9)
			nearly(t, "margin", r.Margin, float64(c.enc.Sub(c.floor)), 1e-9)
			nearly(t, "dynamic range", r.DynamicRange, float64(ref.Level.Sub(c.floor)), 1e-9)
		})
	}
}

// TestNoiseIsSaidOnItsSide: what noise leaves of the reference and of the enclosed
// level are different figures here, and stand on different sides of the budget.
func TestNoiseIsSaidOnItsSide(t *testing.T) {
	run := sheetRun(t, 2.9, nil)
	e := sweep.NewEvaluator(run)
	e.Add(read(sweep.Reference, open, 0, -20, -42.5))
	e.Add(read(sweep.Enclosed, boxed(), 0, -51, -79))
	rows := map[string]string{}
	sides := map[string]float64{}
	for _, row := range e.BudgetOf(e.Evaluation().Results[0]).Rows {
		rows[row.Name], sides[row.Name] = row.Side.String(), float64(row.Standard)
	}
	ref, enc := noiseOf(judged(run, -20, -42.5)), noiseOf(judged(run, -51, -79))
	if ref < 1.1*enc {
		t.Fatalf("a test that tells nothing apart: %.3f and %.3f dB", ref, enc)
	}
	for name, want := range map[string]struct {
		side string
		u    float64
	}{"noise of the reference": {"reference", ref}, "noise of the enclosed level": {"enclosed", enc}, "level difference": {"difference", 2.9}} {
		if rows[name] != want.side || math.Abs(sides[name]-want.u) > 1e-6 {
			t.Errorf("%s: on the side %q, %.4f dB; want %q, %.4f", name, rows[name], sides[name], want.side, want.u)
		}
	}
}

// TestWhatAClosingReferenceDoes: its move widens every claim as a half-width
// (√3 of a rectangular law), whichever way it went, and voids beyond the
// limit, not within it.
func TestWhatAClosingReferenceDoes(t *testing.T) {
	run := sheetRun(t, 2.9, nil)
	for _, c := range []struct {
		moved float64
		want  sweep.Outcome
	}{{0, sweep.Measured}, {2.4, sweep.Measured}, {-2.4, sweep.Measured}, {2.9999, sweep.Measured}, {-2.9999, sweep.Measured}, {3.0001, sweep.Void}, {-3.0001, sweep.Void}} {
		e := sweep.NewEvaluator(run)
		e.Add(read(sweep.Reference, open, 0, -20, -60))
		e.Add(read(sweep.Enclosed, boxed(), 0, -50, -90))
		e.Add(read(sweep.Closing, open, 0, unit.DBm(-20+c.moved), unit.DBm(-60+c.moved)))
		r := e.Evaluation().Results[0]
		if r.Outcome != c.want {
			t.Errorf("moved %+.3f dB: %v (%s), want %v", c.moved, r.Outcome, r.Reason, c.want)
			continue
		}
		nearly(t, "drift", *r.Drift, c.moved, 1e-9)
		if c.want == sweep.Void {
			continue
		}
		n := noiseOf(judged(run, -20, -60))
		u := math.Sqrt(2.9*2.9 + 2*n*n + c.moved*c.moved/3)
		nearly(t, "standard uncertainty", e.BudgetOf(r).Standard, u, 1e-5)
		nearly(t, "SE", r.SE.Value, 30, 1e-9)
	}
}

// TestAReferenceMustBeClear: 10 dB over its floor is enough, less is not.
func TestAReferenceMustBeClear(t *testing.T) {
	run := sheetRun(t, 2.9, nil)
	for _, c := range []struct {
		floor unit.DBm
		want  string
	}{{-29.9, "weak reference: 9.9 dB over the noise floor, need 10 dB"}, {-32, "weak reference: 12.0 dB"}, {-40, ""}} {
		r := sweep.Evaluate(run, seal([]sweep.Capture{read(sweep.Reference, open, 0, -20, c.floor), read(sweep.Enclosed, boxed(), 0, -50, -90)})).Results[0]
		if said := r.Outcome == sweep.Void; said != (c.want != "") || said && !strings.Contains(r.Reason, c.want) {
			t.Errorf("floor %v: %v (%s), want %q", c.floor, r.Outcome, r.Reason, c.want)
		}
	}
}

// TestAmbientByItsDistance: an enclosed reading less than 15 dB over somebody's
// signal is no claim, a reference less than 20 dB over it neither; at the distance
// both stand.
func TestAmbientByItsDistance(t *testing.T) {
	run := sheetRun(t, 2.9, nil)
	for name, c := range map[string]struct {
		amb  unit.DBm
		want sweep.Outcome
	}{"clear": {-40.1, sweep.Measured}, "at the distance": {-40, sweep.Measured}, "inside": {-39.9, sweep.AmbientHeard}} {
		e := sweep.Evaluate(run, seal([]sweep.Capture{
			read(sweep.Ambient, open, 0, c.amb, -90), read(sweep.Reference, open, 0, -20, -90), read(sweep.Enclosed, boxed(), 0, -24, -90),
		}))
		if r := e.Results[0]; r.Outcome != c.want || (r.SE.Relation == sweep.RelationUnknown) != (c.want != sweep.Measured) {
			t.Errorf("%s, reference 20 dB over %v: %v (%s)", name, c.amb, r.Outcome, r.Reason)
		}
	}
	// The enclosed reading was not listened to with the source off, so what stood in
	// the open counts for it.
	for name, c := range map[string]struct {
		enc  unit.DBm
		want sweep.Outcome
	}{"clear": {-54.9, sweep.Measured}, "at the distance": {-55, sweep.Measured}, "inside": {-55.1, sweep.AmbientHeard}} {
		e := sweep.Evaluate(run, seal([]sweep.Capture{
			read(sweep.Ambient, open, 0, -70, -90), read(sweep.Reference, open, 0, -20, -90), read(sweep.Enclosed, boxed(), 0, c.enc, -90),
		}))
		if r := e.Results[0]; r.Outcome != c.want || (r.SE.Relation == sweep.RelationUnknown) != (c.want != sweep.Measured) {
			t.Errorf("%s, %v over an ambient of -70 dBm: %v (%s)", name, c.enc, r.Outcome, r.Reason)
		}
	}
}

// TestAReferenceAtItsAge: as old as allowed is not too old, and age is from capture
// to capture, not the other way.
func TestAReferenceAtItsAge(t *testing.T) {
	run := sheetRun(t, 2.9, func(s *sweep.PlanSpec, _ *sweep.Bench) { s.ReferenceMaxAge, s.NoClosing = time.Hour, true })
	begun := time.Date(2026, 5, 4, 22, 0, 0, 0, time.UTC)
	for after, want := range map[time.Duration]sweep.Outcome{time.Hour: sweep.Measured, time.Hour + time.Second: sweep.Void, -2 * time.Hour: sweep.Measured} {
		ref, enc := read(sweep.Reference, open, 0, -20, -60), read(sweep.Enclosed, boxed(), 0, -50, -90)
		ref.Begun, enc.Begun = begun, begun.Add(after)
		r := sweep.Evaluate(run, seal([]sweep.Capture{ref, enc})).Results[0]
		if r.Outcome != want || (r.SE.Relation == sweep.RelationUnknown) != (want == sweep.Void) || want == sweep.Void && !r.Enclosed.IsMissing() {
			t.Errorf("%v after the reference: %v %+v (%s)", after, r.Outcome, r.SE, r.Reason)
		}
	}
}

// TestTheLastCaptureCounts: of two of one point the later one, in whatever order
// they come.
func TestTheLastCaptureCounts(t *testing.T) {
	run := sheetRun(t, 2.9, nil)
	early, late := read(sweep.Enclosed, boxed(), 0, -40, -90), read(sweep.Enclosed, boxed(), 0, -50, -90)
	ref := read(sweep.Reference, open, 0, -20, -60)
	ref.Seq, early.Seq, late.Seq = 1, 2, 3
	for _, order := range [][]sweep.Capture{{ref, early, late}, {ref, late, early}} {
		rs := sweep.Evaluate(run, order).Results
		if len(rs) != 1 {
			t.Fatalf("%d results", len(rs))
		}
		nearly(t, "SE of the later capture", rs[0].SE.Value, 30, 1e-9)
	}
}

// TestPlacesAreNotMixed: each setting is held against the reference of its own
// place, and a point against its own.
func TestPlacesAreNotMixed(t *testing.T) {
	run := sheetRun(t, 2.9, func(s *sweep.PlanSpec, _ *sweep.Bench) {
		s.Positions, s.Polarizations = []string{"front", "back"}, []string{"vertical", "horizontal"}
	})
	var caps []sweep.Capture
	want := map[sweep.Setting]map[int]float64{}
	n := 0.0
	for _, pos := range run.Plan.Positions {
		for _, pol := range run.Plan.Polarizations {
			for point := range run.Plan.Points {
				n++
				at := sweep.Setting{Position: pos, Polarization: pol, Repeat: 1}
				caps = append(caps, read(sweep.Reference, at, point, unit.DBm(-20-n), unit.DBm(-70-n)))
				at.Specimen = "locker"
				caps = append(caps, read(sweep.Enclosed, at, point, unit.DBm(-20-n-(30+n*n/10)), -105))
				if want[at] == nil {
					want[at] = map[int]float64{}
				}
				want[at][point] = 30 + n*n/10
			}
		}
	}
	e := sweep.Evaluate(run, seal(caps))
	if len(e.Results) != 12 || e.Combined != nil {
		t.Fatalf("%d results, %d combined of a plan without repeats", len(e.Results), len(e.Combined))
	}
	for _, r := range e.Results {
		nearly(t, r.At.Position+" "+string(r.At.Polarization), r.SE.Value, want[r.At][r.Point], 0.01)
	}
	for i, w := range e.Summaries[0].Worst { // the first place has the lowest
		nearly(t, "worst case", w.SE.Value, 30+float64((i+1)*(i+1))/10, 0.01)
		if w.At.Position != "front" || w.At.Polarization != "vertical" {
			t.Errorf("the worst case stands at %+v", w.At)
		}
	}
}

// TestClaimsKeepTheirOutcome: a value, a bound and a void point are judged as what
// they are, beside each other.
func TestClaimsKeepTheirOutcome(t *testing.T) {
	run := sheetRun(t, 2.9, nil)
	run.Line = flatLine(60)
	gone := read(sweep.Enclosed, boxed(), 2, -50, -90)
	gone.Void = "the analyzer did not answer"
	e := sweep.Evaluate(run, seal([]sweep.Capture{
		read(sweep.Reference, open, 0, -20, -70), read(sweep.Reference, open, 1, -20, -70), read(sweep.Reference, open, 2, -20, -70),
		read(sweep.Enclosed, boxed(), 0, -30, -90), read(sweep.Enclosed, boxed(), 1, -99, -99), gone,
	}))
	want := []requirement.Verdict{requirement.FallsShort, requirement.Meets, requirement.Undecided}
	for i, r := range e.Results {
		if r.Verdict != want[i] {
			t.Errorf("point %d, %v %v: %v, want %v", i, r.Outcome, r.SE, r.Verdict, want[i])
		}
	}
	if s := e.Summaries[0]; s.Counts != (sweep.Counts{Measured: 1, AtLeast: 1, Void: 1}) || s.Verdict != requirement.FallsShort {
		t.Errorf("%+v %v", s.Counts, s.Verdict)
	}
}

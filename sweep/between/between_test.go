package between_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/between"
	"lidded/sweep/requirement"
	"lidded/sweep/uncertainty"
)

const locker = "locker-mesh"

var evening = time.Date(2026, 3, 4, 20, 0, 0, 0, time.UTC)

// claim is what a bench says at a frequency: a value with its uncertainty, a bound
// (u below 0), or nothing (u NaN).
type claim struct {
	f  unit.Hz
	se unit.DB
	u  unit.DB
}

func nothing() unit.DB { return unit.DB(math.NaN()) }

// night is one setting of a bench, its reference at −40 dBm from a source at 0 dBm.
func night(bench string, claims ...claim) between.Night {
	n := between.Night{Run: sweep.Run{ID: sweep.RunID("run-" + bench), Bench: sweep.Bench{Name: bench, PathLoss: 40}, Created: evening}}
	level := unit.DBm(0)
	for i, c := range claims {
		at := sweep.Setting{Specimen: locker, Position: "center", Polarization: "vertical", Repeat: 1}
		n.Run.Plan.Points = append(n.Run.Plan.Points, sweep.Point{Index: i, Freq: c.f})
		r := sweep.Result{At: at, Point: i, Freq: c.f, Reference: -40, Confidence: 0.95, Outcome: sweep.Measured, SE: sweep.SE{Relation: sweep.Equal, Value: c.se, U: c.u}}
		switch {
		case c.u < 0:
			r.Outcome, r.SE = sweep.AtLeast, sweep.SE{Relation: sweep.AtLeastRelation, Value: c.se, Low: c.se}
		case math.IsNaN(float64(c.u)):
			r.Outcome, r.SE, r.Reason = sweep.AmbientHeard, sweep.SE{}, "another signal is on the air here"
		}
		n.Evaluation.Results = append(n.Evaluation.Results, r)
		at.Specimen = ""
		n.References = append(n.References, sweep.Capture{Kind: sweep.Reference, At: at, Point: i, SourceLevel: &level})
	}
	return n
}

func pair(a, b between.Night) between.Pair { return between.Compare(locker, a, b, between.Choice{}) }

func only(t *testing.T, p between.Pair) between.Row {
	t.Helper()
	if len(p.Rows) != 1 {
		t.Fatalf("%d rows: %+v", len(p.Rows), p.Rows)
	}
	return p.Rows[0]
}

// Worked by hand from En = (x1 − x2)/√(U1² + U2²): 3, 4 and 5 make round figures.
func TestEn(t *testing.T) {
	for _, c := range []struct{ x1, x2, u1, u2, want float64 }{
		{80, 75, 3, 4, 1}, {75, 80, 3, 4, -1}, {82.5, 80, 3, 4, 0.5}, {80, 80, 3, 4, 0}, {93, 80, 5, 12, 1},
	} {
		if got := between.En(unit.DB(c.x1), unit.DB(c.x2), unit.DB(c.u1), unit.DB(c.u2)); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("En of %+v: %v", c, got)
		}
	}
}

func TestOneFrequency(t *testing.T) {
	const f = 433e6
	for name, c := range map[string]struct {
		a, b    claim
		verdict between.Verdict
		sign    between.Relation
		by, en  float64
		reason  string
	}{
		"values that agree":             {claim{f, 80, 3}, claim{f, 84, 4}, between.Agrees, between.Equal, 4, 0.8, ""},
		"values at the very limit":      {claim{f, 80, 3}, claim{f, 75, 4}, between.Agrees, between.Equal, -5, -1, ""},
		"values that differ":            {claim{f, 80, 3}, claim{f, 74, 4}, between.Differs, between.Equal, -6, -1.2, ""},
		"a bound above a value":         {claim{f, 80, 3}, claim{f, 84, -1}, between.Differs, between.AtLeast, 1, 0, "the bound of depot-b stands above all that the value of depot-a leaves open"},
		"a bound above, the other way":  {claim{f, 84, -1}, claim{f, 80, 3}, between.Differs, between.AtMost, -1, 0, "the bound of depot-a stands above"},
		"a bound within":                {claim{f, 80, 3}, claim{f, 83, -1}, between.CannotSay, 0, 0, 0, "the bound of depot-b neither excludes the value of depot-a nor confirms it"},
		"a bound far below":             {claim{f, 80, 3}, claim{f, 30, -1}, between.CannotSay, 0, 0, 0, "neither excludes"},
		"two bounds":                    {claim{f, 80, -1}, claim{f, 120, -1}, between.CannotSay, 0, 0, 0, "two bounds"},
		"no claim":                      {claim{f, 80, 3}, claim{f, 0, nothing()}, between.CannotSay, 0, 0, 0, "no claim on depot-b: another signal is on the air here"},
		"no claim on the first":         {claim{f, 0, nothing()}, claim{f, 80, -1}, between.CannotSay, 0, 0, 0, "no claim on depot-a"},
		"no uncertainty":                {claim{f, 80, 0}, claim{f, 81, 0}, between.CannotSay, 0, 0, 0, "neither bench states an uncertainty"},
		"an uncertainty without an end": {claim{f, 80, 3}, claim{f, 81, unit.DB(math.Inf(1))}, between.CannotSay, 0, 0, 0, "a value without an uncertainty"},
		"no uncertainty beside a bound": {claim{f, 80, unit.DB(math.Inf(1))}, claim{f, 90, -1}, between.CannotSay, 0, 0, 0, "a value without an uncertainty"},
	} {
		t.Run(name, func(t *testing.T) {
			r := only(t, pair(night("depot-a", c.a), night("depot-b", c.b)))
			if r.Verdict != c.verdict || !strings.Contains(r.Reason, c.reason) || (c.reason == "") != (r.Reason == "") {
				t.Errorf("%v, %q", r.Verdict, r.Reason)
			}
			if c.sign == 0 {
				if r.Difference != nil {
					t.Errorf("a difference is stated: %+v", *r.Difference)
				}
				return
			}
			d := r.Difference
			if d == nil || d.Relation != c.sign || math.Abs(float64(d.By)-c.by) > 1e-9 {
				t.Fatalf("difference %+v", d)
			}
			if c.sign != between.Equal {
				if !math.IsNaN(d.En) || !math.IsNaN(float64(d.U)) {
					t.Errorf("a bound has a score: %+v", d)
				}
			} else if math.Abs(d.En-c.en) > 1e-9 || math.Abs(float64(d.U)-5) > 1e-9 {
				t.Errorf("score %+v", d)
			}
		})
	}
}

// A run that states 99 % has U = 2.5758 u; the score wants 1.9600 u (quantiles of the
// normal law: Abramowitz & Stegun table 26.5).
func TestUncertaintiesAreBroughtTo95Percent(t *testing.T) {
	a, b := night("depot-a", claim{f: 1e9, se: 80, u: 2.5758}), night("depot-b", claim{f: 1e9, se: 80, u: 2.5758})
	a.Evaluation.Results[0].Confidence = 0.99
	r := only(t, pair(a, b))
	if got := float64(r.A.U); math.Abs(got-1.9600) > 1e-3 || r.B.U != 2.5758 {
		t.Errorf("U %v and %v", got, r.B.U)
	}
}

// Frequencies that are the same are set beside each other, whatever their place in
// the plan; those that one bench alone has stay, and nothing is paired twice.
func TestFrequenciesOfDifferentPlans(t *testing.T) {
	a := night("depot-a", claim{100e6, 70, 2}, claim{200e6, 71, 2}, claim{300e6, 72, 2})
	b := night("depot-b", claim{300.1e6, 72, 2}, claim{100e6, 70, 2}, claim{100.2e6, 60, 2}, claim{500e6, 74, 2})
	p := pair(a, b)
	var got []string
	for _, r := range p.Rows {
		s := r.Freq.String()
		if r.A != nil {
			s += " a"
		}
		if r.B != nil {
			s += " b"
		}
		got = append(got, s)
	}
	want := []string{"100 MHz a b", "100.2 MHz b", "200 MHz a", "300 MHz a b", "500 MHz b"}
	if !slices.Equal(got, want) || p.Counts != (between.Counts{Agree: 2, CannotSay: 3}) || p.Rows[2].Reason != "not measured on depot-b" || p.Rows[4].Reason != "not measured on depot-a" {
		t.Errorf("%q %+v %q", got, p.Counts, p.Rows[2].Reason)
	}
}

// Settings and kinds of field are never mixed, and other specimens are left out.
func TestSettingsStayApart(t *testing.T) {
	a, b := night("depot-a", claim{100e6, 70, 2}, claim{100e6, 50, 2}), night("depot-b", claim{100e6, 70, 2}, claim{100e6, 90, 2})
	for _, n := range []*between.Night{&a, &b} {
		n.Run.Plan.Points[1].Field = requirement.Magnetic
		other := n.Evaluation.Results[0]
		other.At.Specimen = "locker-vent"
		n.Evaluation.Results = append(n.Evaluation.Results, other)
	}
	b.Evaluation.Results[0].At.Polarization = "horizontal"
	b.References[0].At.Polarization = "horizontal"
	p := pair(a, b)
	if len(p.Rows) != 3 || p.Counts != (between.Counts{Differ: 1, CannotSay: 2}) {
		t.Fatalf("%+v %+v", p.Counts, p.Rows)
	}
	if r := p.Rows[1]; r.Field != requirement.Magnetic || r.Difference.By != 40 {
		t.Errorf("%+v", r)
	}
	if s := p.Sentences[0]; s != "depot-b against depot-a: of 3 comparisons 0 agree, 1 differ, 2 cannot be said." {
		t.Error(s)
	}
	if s := strings.Join(p.Sentences, " "); !strings.Contains(s, "at 100 MHz, center vertical") {
		t.Error(s)
	}
}

func TestChoice(t *testing.T) {
	a, b := night("depot-a", claim{100e6, 70, 2}, claim{200e6, 70, 2}), night("depot-b", claim{100.3e6, 70, 2}, claim{200e6, 70, 2})
	for _, n := range []*between.Night{&a, &b} {
		for _, r := range n.Evaluation.Results[:2] {
			r.At.Position, r.At.Polarization = "door", "horizontal"
			n.Evaluation.Results = append(n.Evaluation.Results, r)
		}
	}
	for _, c := range []struct {
		only between.Choice
		rows int
	}{
		{between.Choice{}, 4}, {between.Choice{Position: "door"}, 2}, {between.Choice{Polarization: "vertical"}, 2}, {between.Choice{Position: "door", Polarization: "vertical"}, 0},
		{between.Choice{Freqs: []unit.Hz{100.1e6}}, 2}, {between.Choice{Freqs: []unit.Hz{100e6, 200e6, 5e9}, Position: "center"}, 2}, {between.Choice{Freqs: []unit.Hz{150e6}}, 0},
	} {
		if p := between.Compare(locker, a, b, c.only); len(p.Rows) != c.rows || p.Counts.Agree != c.rows {
			t.Errorf("%+v: %d rows, %+v", c.only, len(p.Rows), p.Counts)
		}
	}
}

// Repeats are compared as they are combined, not one by one.
func TestRepeatsAreJoined(t *testing.T) {
	a, b := night("depot-a", claim{100e6, 70, 2}), night("depot-b", claim{100e6, 70, 2})
	joined := a.Evaluation.Results[0]
	joined.SE.Value = 71
	a.Evaluation.Combined = []sweep.Result{joined}
	again := b.Evaluation.Results[0] // kept from before they were joined: the lowest
	again.At.Repeat, again.SE.Value = 2, 69
	b.Evaluation.Results = append(b.Evaluation.Results, again)
	if r := only(t, pair(a, b)); r.Difference.By != -2 {
		t.Errorf("%+v", r.Difference)
	}
}

// Benches that are alike to a tenth of a decibel are not called lower by nothing.
func TestReferencesAlike(t *testing.T) {
	a, b := night("depot-a", claim{100e6, 70, 2}), night("depot-b", claim{100e6, 70, 2})
	b.Evaluation.Results[0].Reference -= 0.01
	if want, got := "The open reference level of depot-b is to 0.1 dB the same as that of depot-a (median, at equal source level); the largest difference is +0.0 dB at 100 MHz.", pair(a, b).ReferenceSays; got != want {
		t.Errorf("%s", got)
	}
}

// A bench whose open path lost 6 dB, at another source level: at equal level it is
// 6 dB lower, as received 16 dB.
func TestReferenceDifferences(t *testing.T) {
	a, b := night("depot-a", claim{100e6, 70, 2}), night("depot-b", claim{100e6, 70, 2})
	b.Evaluation.Results[0].Reference = -56
	low := unit.DBm(-10)
	b.References[0].SourceLevel = &low
	for _, n := range []*between.Night{&a, &b} {
		n.Evaluation.Budgets = []uncertainty.Result{{Rows: []uncertainty.Row{
			{Side: uncertainty.Reference, Standard: 0.3}, {Side: uncertainty.Reference, Standard: 0.4}, {Side: uncertainty.Enclosed, Standard: 7},
		}}}
	}
	p := pair(a, b)
	r := only(t, p)
	if d := r.Reference; d == nil || d.By != -16 || d.Normalised != -6 || math.Abs(float64(d.U)-1.95996*0.5*math.Sqrt2) > 1e-4 {
		t.Fatalf("%+v", d)
	}
	if r.A.PathLoss != 40 || r.B.PathLoss != 46 || r.B.StatedLoss != 40 || r.B.SourceLevel != -10 {
		t.Errorf("%+v %+v", r.A, r.B)
	}
	if want := "The open reference level of depot-b is 6.0 dB lower than that of depot-a (median, at equal source level); the largest difference is -6.0 dB at 100 MHz."; p.ReferenceSays != want {
		t.Error(p.ReferenceSays)
	}
	b.References[0].SourceLevel = nil // read by hand: nobody knows
	b.Run.HandRead = true
	p = pair(a, b)
	r = only(t, p)
	if d := r.Reference; d.By != -16 || !math.IsNaN(float64(d.Normalised)) || !math.IsNaN(float64(r.B.PathLoss)) || !math.IsNaN(float64(r.B.StatedLoss)) {
		t.Errorf("normalised without a source level: %+v", d)
	}
	if !strings.Contains(p.ReferenceSays, "16.0 dB lower") || !strings.Contains(p.ReferenceSays, "corrected for nothing, since a run does not state its source level") {
		t.Error(p.ReferenceSays)
	}
	a.Evaluation.Results[0].Reference = unit.Missing()
	if p = pair(a, b); p.Rows[0].Reference != nil || !strings.HasPrefix(p.ReferenceSays, "No frequency") {
		t.Errorf("%+v %s", p.Rows[0].Reference, p.ReferenceSays)
	}
}

func TestSharedGearAndTimeAreSaid(t *testing.T) {
	a, b := night("depot-a", claim{100e6, 70, 2}), night("depot-b", claim{100e6, 70, 2})
	if p := pair(a, b); len(p.Shared) != 0 || strings.Contains(strings.Join(p.Sentences, " "), "apart") {
		t.Errorf("%q %q", p.Shared, p.Sentences)
	}
	a.Run.Analyzer, b.Run.Analyzer = driver.Identity{Maker: "Heron", Model: "A1", Serial: "77"}, driver.Identity{Maker: "Heron", Model: "A1", Serial: "77"}
	a.Run.Source, b.Run.Source = driver.Identity{Maker: "Heron", Model: "S1", Serial: "0"}, driver.Identity{Maker: "Heron", Model: "S1", Serial: "0"} // 0: not known
	horn := []sweep.EquipmentFact{{Role: "horn antenna", Serial: "12"}}
	a.Run.Bench.Facts, b.Run.Bench.Facts = &sweep.BenchFacts{Equipment: horn}, &sweep.BenchFacts{Equipment: horn}
	b.Run.Created = evening.Add(50 * time.Hour)
	p := pair(a, b)
	said := strings.Join(p.Sentences, " ")
	if !slices.Equal(p.Shared, []string{"analyzer with serial number 77", "horn antenna with serial number 12"}) || !strings.Contains(said, "2 days apart") || !strings.Contains(said, "make the score too small") {
		t.Errorf("%q %s", p.Shared, said)
	}
}

func TestSpecimen(t *testing.T) {
	nights := []between.Night{night("depot-a", claim{100e6, 70, 2}), night("depot-b", claim{100e6, 71, 2}), night("depot-c", claim{100e6, 80, 2})}
	c, err := between.Specimen(locker, nights, "", between.Choice{})
	if err != nil || c.Against != "depot-a" || len(c.Pairs) != 2 || c.Pairs[1].B != "depot-c" || c.Pairs[1].Counts.Differ != 1 {
		t.Errorf("%+v %v", c, err)
	}
	if c, err = between.Specimen(locker, nights, "depot-c", between.Choice{}); err != nil || len(c.Pairs) != 2 || c.Pairs[0].A != "depot-c" || c.Pairs[0].Rows[0].Difference.By != -10 {
		t.Errorf("%+v %v", c, err)
	}
	if _, err = between.Specimen(locker, nights, "depot-x", between.Choice{}); err == nil || !strings.Contains(err.Error(), "choose among depot-a, depot-b, depot-c") {
		t.Error(err)
	}
	if _, err = between.Specimen(locker, append(nights, nights[0]), "", between.Choice{}); err == nil {
		t.Error("two runs of one bench")
	}
	if c, err = between.Specimen(locker, nil, "", between.Choice{}); err != nil || len(c.Pairs) != 0 {
		t.Errorf("%+v %v", c, err)
	}
	if c, err = between.Specimen("bread-bin", nights[:2], "", between.Choice{}); err != nil || len(c.Pairs[0].Rows) != 0 || len(c.Pairs[0].Sentences) != 1 {
		t.Errorf("%+v %v", c, err)
	}
}

package sweep_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"testing"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

var pointers = regexp.MustCompile(`0x[0-9a-f]+`)

// said is a result in words.
func said(r sweep.Result) string { return pointers.ReplaceAllString(fmt.Sprintf("%+v", r), "") }

// What the evidence of each point says is what the evaluation says, and asking
// for it changes nothing.
func TestEvidenceSaysWhatTheEvaluationSays(t *testing.T) {
	run := aRun(t, driver.PowerAverage, depotLine(t))
	a := &air{rng: rand.New(rand.NewPCG(3, 1)), noise: -110, perBin: 4}
	e := sweep.NewEvaluator(run)
	captures := a.take(run, -30, func(i int) unit.DB { return unit.DB(20 + 30*(i%4)) })
	for _, c := range captures {
		e.Add(c)
	}
	before := e.Evaluation()
	claims := map[sweep.Outcome]int{}
	for _, r := range before.Results {
		got, ok := e.Evidence(r.At, r.Point)
		if !ok || got.Result == nil || said(*got.Result) != said(r) || got.Point != run.Plan.Points[r.Point] {
			t.Fatalf("point %d: %+v, want %+v", r.Point, got.Result, r)
		}
		claims[r.Outcome]++
		kinds := ""
		for _, c := range got.Captures {
			kinds += c.Kind.String() + " "
			if c.Looks != nil {
				t.Errorf("point %d: the %v capture has its traces", r.Point, c.Kind)
			}
			if on := c.Kind != sweep.Ambient; on != c.Level.IsFinite() && c.Why == "" || !c.Floor.IsFinite() {
				t.Errorf("point %d: %v reads %v over %v: %s", r.Point, c.Kind, c.Level, c.Floor, c.Why)
			}
		}
		if kinds != "ambient reference enclosed closing_reference " || len(got.Rungs) != 1 {
			t.Errorf("point %d: captures %s, %d rungs", r.Point, kinds, len(got.Rungs))
		}
		switch r.Outcome {
		case sweep.Measured:
			if got.Budget.Expanded != r.SE.U || len(got.Budget.Rows) < 3 {
				t.Errorf("point %d: budget %+v of %+v", r.Point, got.Budget, r.SE)
			}
		case sweep.AtLeast:
			if len(got.Budget.Rows) == 0 {
				t.Errorf("point %d: a bound without a budget", r.Point)
			}
		default:
			if len(got.Budget.Rows) != 0 {
				t.Errorf("point %d: a budget without a claim", r.Point)
			}
		}
		statistical := 0
		for _, row := range got.Budget.Rows {
			if row.Statistical {
				statistical++
			}
		}
		if want := map[sweep.Outcome]int{sweep.Measured: 2, sweep.AtLeast: 1}[r.Outcome]; statistical != want {
			t.Errorf("point %d, %v: %d statistical components, want %d", r.Point, r.Outcome, statistical, want)
		}
	}
	if claims[sweep.Measured] == 0 || claims[sweep.AtLeast] == 0 {
		t.Errorf("claims %v", claims)
	}
	after := e.Evaluation()
	for i, r := range before.Results {
		if said(after.Results[i]) != said(r) {
			t.Errorf("asking for evidence changed %+v to %+v", r, after.Results[i])
		}
	}
	if !slices.Equal(after.Notes, before.Notes) {
		t.Errorf("asking for evidence changed the notes %q to %q", before.Notes, after.Notes)
	}
	for _, none := range []struct {
		at    sweep.Setting
		point int
	}{
		{sweep.Setting{Specimen: "locker", Position: "center", Polarization: "vertical", Repeat: 1}, len(run.Plan.Points)},
		{sweep.Setting{Specimen: "crate", Position: "center", Polarization: "vertical", Repeat: 1}, 0},
		{sweep.Setting{Specimen: "locker", Position: "roof", Polarization: "vertical", Repeat: 1}, 0},
		{sweep.Setting{Specimen: "locker", Position: "center", Polarization: "vertical", Repeat: 2}, 0},
	} {
		if _, ok := e.Evidence(none.at, none.point); ok {
			t.Errorf("there is evidence of %+v at point %d", none.at, none.point)
		}
	}
}

// An empty enclosure of evidence: what is planned and not captured has a point and
// nothing else.
func TestEvidenceBeforeTheCapture(t *testing.T) {
	run := aRun(t, driver.PowerAverage, nil)
	got, ok := sweep.NewEvaluator(run).Evidence(sweep.Setting{Specimen: "locker", Position: "center", Polarization: "vertical", Repeat: 1}, 0)
	if !ok || got.Result != nil || len(got.Captures) != 0 || len(got.Budget.Rows) != 0 {
		t.Errorf("%v, %+v", ok, got)
	}
}

// A brief has the worst case of each point and the reference of the setting where
// it stood.
func TestBrief(t *testing.T) {
	run := aRun(t, driver.PowerAverage, depotLine(t))
	a := &air{rng: rand.New(rand.NewPCG(5, 1)), noise: -110, perBin: 4}
	e := sweep.Evaluate(run, a.take(run, -30, func(i int) unit.DB { return unit.DB(20 + 30*(i%4)) }))
	b, ok := sweep.BriefOf(e, "locker")
	if !ok || len(b.Rows) != len(run.Plan.Points) || b.Sentence != e.Summaries[0].Sentence {
		t.Fatalf("%v, %+v", ok, b)
	}
	for i, w := range e.Summaries[0].Worst {
		if r := b.Rows[i]; r.Freq != w.Freq || r.Outcome != w.Outcome || fmt.Sprint(r.SE) != fmt.Sprint(w.SE) || math.Abs(float64(r.Reference.Sub(-30))) > 1 {
			t.Errorf("row %d: %+v, want %+v", i, r, w)
		}
	}
	if _, ok := sweep.BriefOf(e, "crate"); ok {
		t.Error("a brief of a specimen that was not there")
	}
}

// Each thing a bench refuses says where and what to do.
func TestRefusalsHaveACure(t *testing.T) {
	b := depotBench()
	b.MaxLevel = -20
	b.AnalyzerRange.FreqMax, b.AnalyzerRange.RBWMin = 50e6, 1e6
	b.MayTransmit = []sweep.Permission{{From: 1e6, To: 2e6, MaxLevel: 0, Basis: "screened room"}}
	bad := sweep.CheckOn(compile(t, depotSpec()), b)
	if len(bad) < 4 {
		t.Fatalf("refused for %v", bad)
	}
	for _, p := range bad {
		if p.Path == "" || p.Cure() == "" {
			t.Errorf("%q at %q: the cure is %q", p.Message, p.Path, p.Cure())
		}
	}
	if c := (sweep.Problem{Message: "nothing more"}).Cure(); c != "" {
		t.Errorf("a cure out of nothing: %q", c)
	}
}

package sweep_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/strict"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

func db(v float64) *unit.DB { d := unit.DB(v); return &d }

func TestStrategyProblems(t *testing.T) {
	for _, c := range []struct {
		name string
		edit func(*sweep.PlanSpec)
		want string
	}{
		{"sealed", func(s *sweep.PlanSpec) {
			s.Strategy, s.Capture, s.Reach = sweep.Adaptive, sweep.Sealed, db(70)
		}, "strategy: sealed capture is one wide sweep, nothing in it can be narrowed: write strategy: fixed, or capture: linked"},
		{"fixed with reach", func(s *sweep.PlanSpec) { s.Strategy, s.Reach = sweep.Fixed, db(70) }, "reach: reach is for strategy adaptive, and this plan's is fixed: take it out, or write strategy: adaptive"},
		{"negative reach", func(s *sweep.PlanSpec) { s.Reach = db(-3) }, "reach: -3.0 dB: need more than 0 dB, for example reach: 70 dB"},
		{"no reach", func(s *sweep.PlanSpec) { s.Strategy, s.Stop = sweep.Adaptive, sweep.StopReach }, "stop: stop: reach needs the range to be proven: write reach, for example reach: 70 dB"},
		{"no line", func(s *sweep.PlanSpec) { s.Strategy, s.Stop = sweep.Adaptive, sweep.StopVerdict }, "stop: stop: verdict needs a requirement line: name one with requirement, or write stop: reach or stop: budget"},
		{"no budget", func(s *sweep.PlanSpec) { s.Strategy = sweep.Adaptive }, "stop: stop: budget needs the time to be spent: write budget (for each point) or run_budget, for example budget: 30s"},
		{"negative budget", func(s *sweep.PlanSpec) { s.Budget = -time.Second }, "budget: -1s: a time cannot be negative"},
		{"wide least", func(s *sweep.PlanSpec) { s.Reach, s.MinRBW = db(70), 30e3 }, "min_rbw: 30 kHz is wider than bands[0].rbw (10 kHz), where the points begin: lower it"},
		{"negative offset", func(s *sweep.PlanSpec) { s.Reach, s.RetryOffset = db(70), -1 }, "retry_offset: -1 Hz: an offset cannot be negative"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := depotSpec()
			c.edit(&s)
			_, bad := sweep.Compile(s, depotBench())
			if len(bad) == 0 {
				t.Fatal("no problem found")
			}
			if got := bad[0].Error(); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

func TestStrategyDefaults(t *testing.T) {
	if p := compile(t, depotSpec()); p.Strategy != sweep.Fixed || p.Looks != sweep.DefaultLooks {
		t.Errorf("a plan with nothing to go for: %v, %d looks", p.Strategy, p.Looks)
	}
	s := depotSpec()
	s.Requirement = "depot-spare-radio"
	if p := compile(t, s); p.Strategy != sweep.Adaptive || p.Stop != sweep.StopVerdict || p.MinRBW != 1 || !p.CheckReference {
		t.Errorf("a plan with a requirement: %v until %v, min RBW %v", p.Strategy, p.Stop, p.MinRBW)
	}
	s.Stop, s.Reach = sweep.StopUnknown, db(80)
	if p := compile(t, s); p.Stop != sweep.StopReach || p.Reach != 80 {
		t.Errorf("a plan with a reach: until %v %v", p.Stop, p.Reach)
	}
	s.Capture = sweep.Sealed
	s.Reach = nil
	if p := compile(t, s); p.Strategy != sweep.Fixed {
		t.Errorf("a sealed plan: %v", p.Strategy)
	}
}

// A plan as the store keeps it comes back as it was, and one from before there
// were strategies is fixed.
func TestStrategyInJSON(t *testing.T) {
	s := depotSpec()
	s.Reach, s.Budget = db(70), time.Minute
	p := compile(t, s)
	text, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	var back sweep.Plan
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	if back.Strategy != sweep.Adaptive || back.Stop != sweep.StopReach || back.Reach != 70 || back.Budget != time.Minute || back.MinRBW != 1 {
		t.Errorf("came back as %v %v %v %v %v", back.Strategy, back.Stop, back.Reach, back.Budget, back.MinRBW)
	}
	var old sweep.Plan
	if err := json.Unmarshal([]byte(`{"name":"old","looks":4}`), &old); err != nil || old.Strategy != sweep.StrategyUnknown {
		t.Errorf("a plan without a strategy: %v, %v", old.Strategy, err)
	}
}

func TestUncertaintyEntries(t *testing.T) {
	var f struct {
		U *sweep.Entries `yaml:"uncertainty"`
	}
	read := func(text string) error {
		f.U = nil
		return strict.Decode("bench.yaml", []byte(text), &f)
	}
	if err := read("uncertainty: 0.7 dB\n"); err != nil || f.U.Stated == nil || *f.U.Stated != 0.7 {
		t.Fatalf("one figure: %v %+v", err, f.U)
	}
	if b := depotBench().WithUncertainty(*f.U); b.Uncertainty != 0.7 || b.Budget != nil {
		t.Errorf("one figure became %v %v", b.Uncertainty, b.Budget)
	}
	if err := read("uncertainty:\n  linearity: 0.4 dB\n  switching: 0.5 dB\n  source_drift: 0.2 dB\n  position: 1 dB\n  source_vswr: 2\n  antenna_vswr: 1.5\n  analyzer_vswr: 1\n  reference_repeat: 0.3 dB\n  enclosed_repeat: 0.6 dB\n  extra:\n    - {name: cable, value: 0.2 dB, distribution: normal, divisor: 2, source: certificate}\n"); err != nil {
		t.Fatal(err)
	}
	if err := f.U.Check(); err != nil {
		t.Fatal(err)
	}
	// 0.3², 0.6², 0.4²/3, 0.2²/3, 1²/3, twice the U-shaped mismatch of VSWR 2
	// and 1.5 (0.5993 dB, UKAS LAB 34), 0.1²; same settings, so no switching.
	want := math.Sqrt(0.09 + 0.36 + (0.16+0.04+1)/3 + 2*0.4237*0.4237 + 0.01)
	if b := depotBench().WithUncertainty(*f.U); math.Abs(float64(b.Uncertainty)-want) > 0.002 {
		t.Errorf("the entries combine to %.4f dB, want %.4f", float64(b.Uncertainty), want)
	}
	for text, want := range map[string]string{
		"uncertainty: -1 dB\n":                                                 "need 0 or more",
		"uncertainty:\n  source_vswr: 0.5\n":                                   "source_vswr: 0.5: a standing-wave ratio is 1 or more",
		"uncertainty:\n  extra: [{name: x, value: 1 dB, distribution: odd}]\n": `extra[0]: distribution "odd" is not known`,
		"uncertainty:\n  position: -1 dB\n":                                    "position: -1: need 0 dB or more",
	} {
		if err := read(text); err != nil {
			t.Fatal(err)
		}
		if err := f.U.Check(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

// What is undecided says what would decide it, and the budget has rows.
func TestUndecidedSaysWhatWouldDecide(t *testing.T) {
	line := depotLine(t)
	t.Run("bound", func(t *testing.T) {
		a := &air{rng: rand.New(rand.NewPCG(12, 1)), noise: -100}
		run := aRun(t, driver.Sample, line)
		e := sweep.Evaluate(run, a.take(run, -60, func(int) unit.DB { return 110 }))
		r := e.Results[0]
		if r.Verdict != requirement.Undecided || !strings.Contains(r.Decide, "more range would decide: RBW") || !strings.Contains(r.Decide, "more source level") {
			t.Errorf("%v %v: %q", r.Verdict, r.SE, r.Decide)
		}
		if s := e.Summaries[0].Sentence; !strings.Contains(s, "would decide") {
			t.Errorf("the sentence says nothing of it: %q", s)
		}
	})
	t.Run("value", func(t *testing.T) {
		a := &air{rng: rand.New(rand.NewPCG(13, 1)), noise: -130}
		run := aRun(t, driver.Sample, line)
		run.Bench.Uncertainty = 1
		ev := sweep.NewEvaluator(run)
		for _, c := range a.take(run, -40, func(int) unit.DB { return 60.5 }) {
			ev.Add(c)
		}
		r := ev.Evaluation().Results[0]
		if r.Verdict != requirement.Undecided || !strings.Contains(r.Decide, "an uncertainty below") {
			t.Errorf("%v %v: %q", r.Verdict, r.SE, r.Decide)
		}
		if rows := ev.BudgetOf(r).Rows; len(rows) < 2 || rows[0].Name != "level difference" {
			t.Errorf("budget rows %+v", rows)
		}
	})
}

package sweep_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/detect"
)

// sealedRun is a sealed sheet.
func sealedRun(t *testing.T, freqs []unit.Hz, edit func(*sweep.PlanSpec, *sweep.Bench)) sweep.Run {
	return sheetRun(t, 0.3, func(s *sweep.PlanSpec, b *sweep.Bench) {
		s.Capture, s.Bands[0].Freqs = sweep.Sealed, freqs
		if edit != nil {
			edit(s, b)
		}
	})
}

// TestTheWideSweepByHand: over all points with half of ten RBW and the carrier's error
// to both ends, two trace points to an RBW, from 1,001 to 10,001, within what the
// analyzer can.
func TestTheWideSweepByHand(t *testing.T) {
	for name, c := range map[string]struct {
		freqs        []unit.Hz
		edit         func(*sweep.PlanSpec, *sweep.Bench)
		center, span unit.Hz
		points       int
	}{
		"few":           {[]unit.Hz{100e6, 100.5e6}, nil, 100.25e6, 500e3 + 100e3 + 1005, 1001},
		"some":          {[]unit.Hz{110e6, 100e6}, nil, 105e6, 10e6 + 100e3 + 1100, 2021},
		"many":          {[]unit.Hz{100e6, 400e6}, nil, 250e6, 300e6 + 100e3 + 4000, 10001},
		"cut below":     {[]unit.Hz{100e6, 110e6}, func(_ *sweep.PlanSpec, b *sweep.Bench) { b.AnalyzerRange.FreqMin = 99.99e6 }, 105e6 + (10e3+50550-20e3)/2, 10e6 + 10e3 + 50550, 2013},
		"cut above":     {[]unit.Hz{100e6, 110e6}, func(_ *sweep.PlanSpec, b *sweep.Bench) { b.AnalyzerRange.FreqMax = 110.01e6 }, 105e6 - (50550-10e3)/2, 10e6 + 10e3 + 50550, 2013},
		"near to zero":  {[]unit.Hz{30e3, 10e6}, nil, (10e3 + 10e6 + 50050) / 2, 10e6 + 50050 - 10e3, 2009},
		"from far away": {[]unit.Hz{100e6, 110e6}, func(_ *sweep.PlanSpec, b *sweep.Bench) { b.AnalyzerRange.FreqMin, b.AnalyzerRange.FreqMax = 1e6, 3e9 }, 105e6, 10e6 + 100e3 + 1100, 2021},
	} {
		run := sealedRun(t, c.freqs, c.edit)
		s := sweep.HeldSweep(run.Plan, run.Bench)
		if math.Abs(float64(s.Center-c.center)) > 1 || math.Abs(float64(s.Span-c.span)) > 1 || s.Points != c.points || s.RBW != 10e3 || s.Hold != driver.MaxHold || s.Detector != driver.PositivePeak {
			t.Errorf("%s: %v around %v with %d points, want %v around %v with %d; %+v", name, s.Span, s.Center, s.Points, c.span, c.center, c.points, s)
		}
	}
	if s := sweep.HeldSweep(sweep.Plan{}, sweep.Bench{}); s != (driver.Settings{}) {
		t.Errorf("of no points: %+v", s)
	}
}

// TestPointsApartInASealedPlan: six RBW, six trace points and the carrier's error must
// lie between two; all bands have one RBW and one detector.
func TestPointsApartInASealedPlan(t *testing.T) {
	// 100 MHz and a little more: 1,001 points over 100 kHz + 1 kHz + the distance.
	need := unit.Hz(6*10e3 + 1000.6)
	need += 6 * (need + 101e3) / 1000
	for name, c := range map[string]struct {
		edit func(*sweep.Plan)
		says string
	}{
		"far apart":        {func(p *sweep.Plan) {}, ""},
		"just apart":       {func(p *sweep.Plan) { p.Points = p.Points[:2]; p.Points[1].Freq = p.Points[0].Freq + need*1.003 }, ""},
		"too close":        {func(p *sweep.Plan) { p.Points = p.Points[:2]; p.Points[1].Freq = p.Points[0].Freq + need*0.99 }, "points[1]: "},
		"in another order": {func(p *sweep.Plan) { p.Points = p.Points[:2]; p.Points[1].Freq = p.Points[0].Freq - need*0.99 }, "points[0]: "},
		"two RBW":          {func(p *sweep.Plan) { p.Points[2].RBW = 20e3 }, "points[2]: sealed capture is one sweep"},
		"two detectors":    {func(p *sweep.Plan) { p.Points[1].Detector = driver.Sample }, "points[1]: sealed capture is one sweep"},
		"sample, too wide": {func(p *sweep.Plan) { sampled(p) }, "wider than half the RBW"},
		"sample, narrow": {func(p *sweep.Plan) {
			sampled(p)
			p.Points = p.Points[:2]
			p.Points[1].Freq = p.Points[0].Freq + 2e6
		}, ""},
	} {
		run := sealedRun(t, []unit.Hz{100e6, 200e6, 400e6}, nil)
		c.edit(&run.Plan)
		said := fmt.Sprint(sweep.CheckOn(run.Plan, run.Bench))
		if (said == "[]") != (c.says == "") || !strings.Contains(said, c.says) {
			t.Errorf("%s: %s, want %q", name, said, c.says)
		}
	}
}

func sampled(p *sweep.Plan) {
	for i := range p.Points {
		p.Points[i].Detector = driver.Sample
	}
}

// TestASealedForecastByHand: the sweep over 300 MHz with 10 kHz takes k·span/RBW²; a
// point is dwelt on for settling and one sweep more than asked.
func TestASealedForecastByHand(t *testing.T) {
	run := sealedRun(t, []unit.Hz{100e6, 200e6, 400e6}, nil)
	e := sweep.Predict(run.Plan, run.Bench, nil, run.Specimens)
	sweepTime := 2.5 * 300.104e6 / 1e8
	number(t, "sweep", e.SweepTime.Seconds(), sweepTime, 1e-6)
	dwell := 0.02 + 6*(1.1*sweepTime+0.02)
	number(t, "dwell", e.Dwell.Seconds(), dwell, 1e-6)
	number(t, "on", e.KeyedTime.Seconds(), dwell*3*3, 1e-5) // reference, enclosed, closing
	f := e.Points[0]
	nearly(t, "range", f.DynamicRange, -40-(-174+40+24), 0.05)
	// Held noise rises with the looks: 6 of the dwell's sweeps and as many at each of the
	// other points take a bound down by some decibels.
	if f.Provable > f.DynamicRange-3 || f.Provable < f.DynamicRange-6 {
		t.Errorf("%v of %v provable", f.Provable, f.DynamicRange)
	}
	if !strings.Contains(strings.Join(e.Notes, "\n"), "no requirement line: results get no verdict") {
		t.Errorf("%q", e.Notes)
	}
}

// TestHeldLevelsByTheirSweeps: where more sweeps may have seen the carrier than
// surely did, the level lies between what the fewest and the most would make of it,
// and the interval reaches as far as theirs. How wide it has to be is for
// TestHeldIntervalsCover.
func TestHeldLevelsByTheirSweeps(t *testing.T) {
	run := sheetRun(t, 0.3, func(s *sweep.PlanSpec, _ *sweep.Bench) {
		s.Bands[0].Detector, s.Bands[0].Freqs = driver.PositivePeak, []unit.Hz{100e6}
	})
	run.Plan.Capture = sweep.Sealed
	capture := func(kind sweep.StepKind, at sweep.Setting, peak unit.DBm, nominal time.Duration) sweep.Capture {
		return sweep.Capture{
			Kind: kind, At: at, Freq: 100e6, HoldSweeps: 6, HeldSweeps: 240, Nominal: nominal,
			Settings: driver.Settings{Detector: driver.PositivePeak, RBW: 2e3, Span: 100e3, Center: 100e6, SweepTime: time.Second, Points: 5001},
			Looks:    []sweep.Look{{SourceOn: true, Trace: flatTrace(-90, map[int]unit.DBm{50: peak})}},
		}
	}
	half := unit.Hz(500./20 + 2e3/8 + 1e3/2)
	levels := map[time.Duration]float64{}
	for nominal, most := range map[time.Duration]float64{0: 6, time.Second: 6, 6 * time.Second: 6, 9 * time.Second: 9, time.Hour: 240} {
		enc := capture(sweep.Enclosed, boxed(), -72, nominal)
		e := sweep.NewEvaluator(run)
		for _, c := range seal([]sweep.Capture{capture(sweep.Reference, open, -30, 0), enc}) {
			e.Add(c)
		}
		r := e.Evaluation().Results[0]
		red, why := sweep.Reduce(enc, 2e3, 100e6, half, false)
		if why != "" || r.Outcome != sweep.Measured {
			t.Fatalf("%q; %v (%s)", why, r.Outcome, r.Reason)
		}
		rule := detect.DefaultRule(1)
		with := func(n float64) detect.Finding {
			on := red.On
			on.N, on.Extra = n, math.Max(0, on.Extra-(n-on.N))
			return detect.Judge(on, red.Off, rule)
		}
		all, least := with(most), with(6)
		if got := float64(r.Enclosed); got > float64(least.Level)+0.02 || got < float64(all.Level)-0.02 {
			t.Errorf("level after %v: %.3f, of the most sweeps %.3f, of the fewest %.3f", nominal, got, float64(all.Level), float64(least.Level))
		}
		levels[nominal] = float64(r.Enclosed)
		narrow := (float64(least.High) - float64(least.Low)) / 2 / twoSided95
		for _, row := range e.BudgetOf(r).Rows {
			if row.Name == "noise of the enclosed level" && (float64(row.Standard) < 0.8*narrow || float64(row.Standard) > 2.5*narrow) {
				t.Errorf("noise after %v: %.4f, of the fewest sweeps alone %.4f", nominal, row.Standard, narrow)
			}
		}
	}
	if levels[time.Hour] > levels[9*time.Second]-0.02 || levels[9*time.Second] > levels[0]-0.002 {
		t.Errorf("more sweeps that may have seen the carrier take nothing off its level: %v", levels)
	}
	// Nearer than 10 dB to the held floor a level is none, only a bound.
	for peak, want := range map[unit.DBm]sweep.Outcome{-78.5: sweep.Measured, -79.6: sweep.AtLeast} {
		r := sweep.Evaluate(run, seal([]sweep.Capture{capture(sweep.Reference, open, -30, 0), capture(sweep.Enclosed, boxed(), peak, 0)})).Results[0]
		if r.Outcome != want {
			t.Errorf("%v over a held floor of -89.0 dBm: %v (%s)", peak, r.Outcome, r.Reason)
		}
	}
}

// TestChecksAtTheirEdges: what a plan may ask of its checks, and what a step is known
// by; points are picked evenly, the first and the last among them.
func TestChecksAtTheirEdges(t *testing.T) {
	for k, ok := range map[sweep.KnownStep]bool{
		{Value: 20, Uncertainty: 0.2}: true, {Value: 0, Uncertainty: 0.2}: false, {Value: -1, Uncertainty: 0.2}: false, {Value: 20}: false, {Value: 20, Uncertainty: -1}: false,
		{Value: 20, Uncertainty: 20}: false, {Value: 20, Uncertainty: 19.9}: true,
	} {
		if err := k.Check(); (err == nil) != ok {
			t.Errorf("%+v: %v", k, err)
		}
	}
	for n, want := range map[int][]int{1: {19}, 2: {0, 39}, 3: {0, 20, 39}, 5: {0, 10, 20, 29, 39}, 39: nil, 40: nil, 0: nil} {
		s, b := depotSpec(), depotBench()
		s.LeakageCheck, s.LeakagePoints = sweep.ReceiverTerminated, n
		p, bad := sweep.Compile(s, b)
		if len(bad) > 0 {
			t.Fatal(bad)
		}
		for _, step := range sweep.Steps(p, b, []sweep.Specimen{{Name: "locker"}}) {
			if step.Kind != sweep.Leakage {
				continue
			}
			if n == 39 {
				if len(step.Only) != 39 || step.Only[0] != 0 || step.Only[38] != 39 || !slices.IsSorted(step.Only) {
					t.Errorf("39 of 40: %v", step.Only)
				}
			} else if !slices.Equal(step.Only, want) {
				t.Errorf("%d of 40: %v, want %v", n, step.Only, want)
			}
		}
	}
	for says, edit := range map[string]func(*sweep.PlanSpec){
		"leakage_margin: 0.0 dB: need more":  func(s *sweep.PlanSpec) { s.LeakageCheck, s.LeakageMargin = sweep.SourceLoaded, db(0) },
		"leakage_margin without leakage":     func(s *sweep.PlanSpec) { s.LeakageMargin = db(5) },
		"leakage_points without leakage":     func(s *sweep.PlanSpec) { s.LeakagePoints = 2 },
		"linearity_points without linearity": func(s *sweep.PlanSpec) { s.LinearityPoints = 2 },
		"leakage_points: -1 points":          func(s *sweep.PlanSpec) { s.LeakageCheck, s.LeakagePoints = sweep.SourceLoaded, -1 },
		"is no linearity check":              func(s *sweep.PlanSpec) { s.LinearityCheck = sweep.SourceLoaded },
		"is no leakage check":                func(s *sweep.PlanSpec) { s.LeakageCheck = sweep.StepAttenuator },
		"reference_max_age: -1ns":            func(s *sweep.PlanSpec) { s.ReferenceMaxAge = -1 },
		"reach: 0.0 dB: need more":           func(s *sweep.PlanSpec) { s.Strategy, s.Reach = sweep.Adaptive, db(0) },
		"budget: -1ns":                       func(s *sweep.PlanSpec) { s.Strategy, s.Budget = sweep.Adaptive, -1 },
		"run_budget: -1ns":                   func(s *sweep.PlanSpec) { s.Strategy, s.RunBudget = sweep.Adaptive, -1 },
		"retry_offset: -1 Hz":                func(s *sweep.PlanSpec) { s.Strategy, s.Reach, s.RetryOffset = sweep.Adaptive, db(70), -1 },
		"min_rbw: -1 Hz":                     func(s *sweep.PlanSpec) { s.Strategy, s.Reach, s.MinRBW = sweep.Adaptive, db(70), -1 },
		"wider than bands[0].rbw":            func(s *sweep.PlanSpec) { s.Strategy, s.Reach, s.MinRBW = sweep.Adaptive, db(70), 10.1e3 },
		"[]":                                 func(s *sweep.PlanSpec) { s.Strategy, s.Reach, s.MinRBW = sweep.Adaptive, db(70), 10e3 },
		"[] ": func(s *sweep.PlanSpec) {
			s.LeakageCheck, s.LeakagePoints, s.LeakageMargin = sweep.SourceLoaded, 1, db(0.1)
		},
	} {
		s := depotSpec()
		edit(&s)
		_, bad := sweep.Compile(s, depotBench())
		if said := fmt.Sprint(bad); !strings.Contains(said, strings.TrimSpace(says)) {
			t.Errorf("%s, want %q", said, says)
		}
	}
	run := sheetRun(t, 0.3, func(s *sweep.PlanSpec, b *sweep.Bench) { s.HoldPoints, b.HandsByRule, b.HandsFit = "rule", true, true })
	for name, c := range map[string]struct {
		check sweep.Fitting
		fit   bool
		rule  bool
		says  string
	}{
		"moved by hands that can": {sweep.ReceiverTerminated, true, true, "[]"}, "by hands that cannot": {sweep.ReceiverTerminated, false, true, "move nothing"}, "by a person": {sweep.ReceiverTerminated, false, false, "[]"}, "nothing to be moved": {sweep.FittedAsUsed, false, true, "[]"},
	} {
		p, b := run.Plan, run.Bench
		p.LeakageCheck, p.ByRule, b.HandsFit = c.check, c.rule, c.fit
		if said := fmt.Sprint(sweep.CheckOn(p, b)); !strings.Contains(said, c.says) {
			t.Errorf("%s: %s, want %q", name, said, c.says)
		}
	}
}

// TestInstructionsOfChecks: which antenna comes off, and what is put in and taken out.
func TestInstructionsOfChecks(t *testing.T) {
	for check, says := range map[sweep.Fitting]string{sweep.ReceiverTerminated: "take the receiving antenna off", sweep.SourceLoaded: "take the transmitting antenna off"} {
		run := sheetRun(t, 0.3, func(s *sweep.PlanSpec, b *sweep.Bench) {
			s.LeakageCheck, s.LinearityCheck = check, sweep.StepAttenuator
			b.StepAttenuator = []sweep.KnownStep{{Value: 10, Uncertainty: 0.1}, {Value: 20, Uncertainty: 0.1}}
		})
		var holds []string
		for i, s := range run.Steps {
			if s.Index != i {
				t.Errorf("step %d has the index %d", i, s.Index)
			}
			if s.Kind == sweep.HoldPoint && s.Instruction != "" && (strings.Contains(s.Instruction, "check") || strings.HasPrefix(s.Instruction, "Take the")) {
				holds = append(holds, s.Instruction)
			}
		}
		if len(holds) != 5 || !strings.Contains(holds[0], "attenuator at 10") || !strings.Contains(holds[1], "attenuator at 20") || !strings.Contains(holds[2], "step attenuator out") || !strings.Contains(holds[3], says) || !strings.Contains(holds[4], "Take the load off") {
			t.Errorf("%v: %q", check, holds)
		}
	}
}

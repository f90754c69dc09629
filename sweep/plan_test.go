package sweep_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

func dbm(v float64) *unit.DBm { p := unit.DBm(v); return &p }

func depotBench() sweep.Bench {
	return sweep.Bench{
		Name: "depot", MaxLevel: 10, PathLoss: 40, NoiseFigure: 24, FreqErrorPPM: 5, SweepFactor: 2.5, Uncertainty: 0.5,
		Conducted:   true,
		MayTransmit: []sweep.Permission{{From: 30e6, To: 1e9, MaxLevel: 0, Basis: "inside the depot's screened room"}},
	}
}

func depotSpec() sweep.PlanSpec {
	return sweep.PlanSpec{Name: "lockers", Bands: []sweep.BandSpec{{From: 30e6, To: 1e9, Count: 40, Level: dbm(0), RBW: 10e3}}}
}

func compile(t testing.TB, spec sweep.PlanSpec) sweep.Plan {
	t.Helper()
	p, bad := sweep.Compile(spec, depotBench())
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	return p
}

func TestCompileProblems(t *testing.T) {
	for _, c := range []struct {
		name string
		edit func(*sweep.PlanSpec)
		want string
	}{
		{"no bands", func(s *sweep.PlanSpec) { s.Bands = nil }, "bands: the plan has no frequencies: add a band with freqs, or from, to and count"},
		{"no level", func(s *sweep.PlanSpec) { s.Bands[0].Level = nil }, "bands[0].level: no source level: write it, for example level: 0 dBm"},
		{"no rbw", func(s *sweep.PlanSpec) { s.Bands[0].RBW = 0 }, "bands[0].rbw: no resolution bandwidth: write it, for example rbw: 10 kHz"},
		{"two ways", func(s *sweep.PlanSpec) { s.Bands[0].Step = 1e6 }, "bands[0].from: need exactly one of count, step and per_decade to divide 30 MHz to 1 GHz, have 2"},
		{"swapped", func(s *sweep.PlanSpec) { s.Bands[0].From, s.Bands[0].To = 1e9, 30e6 }, "bands[0].to: 30 MHz is below from (1 GHz): swap them"},
		{"narrow span", func(s *sweep.PlanSpec) { s.Bands[0].Span = 1e3 }, "bands[0].span: 1 kHz is less than three RBW (30 kHz): widen it, or leave it out"},
		{"position twice", func(s *sweep.PlanSpec) { s.Positions = []string{"a", "a"} }, `positions[1]: position "a" stands twice: keep one`},
		{"few sweeps", func(s *sweep.PlanSpec) { s.HoldSweeps = 2 }, "hold_sweeps: 2 sweeps: need at least 5 whole sweeps at each step for an honest bound"},
		{"confidence", func(s *sweep.PlanSpec) { s.Confidence = 95 }, "confidence: 95: need a fraction from 0.5 to below 1, such as 0.95"},
		{"hold points", func(s *sweep.PlanSpec) { s.HoldPoints = "auto" }, `hold_points: "auto": write operator (a person releases them) or rule (the bench's own hands do)`},
		{"twice", func(s *sweep.PlanSpec) {
			s.Bands = append(s.Bands, sweep.BandSpec{Freqs: []unit.Hz{30e6}, Level: dbm(0), RBW: 1e3})
		}, "bands: 30 MHz stands twice in the plan (points 1 and 41): take it out of one band"},
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

func TestCheckOnRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		edit func(*sweep.Plan, *sweep.Bench)
		want string
	}{
		{"no permission", func(_ *sweep.Plan, b *sweep.Bench) { b.MayTransmit = nil }, "bench depot lists nothing it may transmit (may_transmit is empty): list ranges with max_level and basis before anything is keyed"},
		{"outside permission", func(_ *sweep.Plan, b *sweep.Bench) { b.MayTransmit[0].To = 900e6 }, "points[38]: 914.012 MHz is not in may_transmit of bench depot (30 MHz to 900 MHz): take it out of the plan, or add the range with its basis if you hold the right"},
		{"over permitted level", func(_ *sweep.Plan, b *sweep.Bench) { b.MayTransmit[0].MaxLevel = -10 }, "points[0]: 0.0 dBm at 30 MHz is over the permitted -10.0 dBm (inside the depot's screened room): lower level"},
		{"over maximum", func(_ *sweep.Plan, b *sweep.Bench) { b.MaxLevel = -5 }, "points[0]: source level 0.0 dBm at 30 MHz is over bench depot's max_level -5.0 dBm: lower level, or raise max_level if everything behind the source stands it"},
		{"outside source", func(_ *sweep.Plan, b *sweep.Bench) { b.SourceRange.FreqMax = 500e6 }, "points[32]: 532.921 MHz is outside the source's range up to 500 MHz: take it out of the plan, or use another source"},
		{"rbw", func(_ *sweep.Plan, b *sweep.Bench) { b.AnalyzerRange.RBWMin = 100e3; b.AnalyzerRange.RBWMax = 1e6 }, "points[0]: RBW 10 kHz is outside the analyzer's 100 kHz to 1 MHz: change rbw"},
		{"least rbw", func(p *sweep.Plan, b *sweep.Bench) {
			p.Strategy, p.MinRBW, b.AnalyzerRange.RBWMin, b.AnalyzerRange.RBWMax = sweep.Adaptive, 1, 10, 1e6
		}, "min_rbw: 1 Hz is narrower than the analyzer's least, 10 Hz: raise it, or leave it out"},
		{"no hands", func(p *sweep.Plan, _ *sweep.Bench) { p.ByRule = true }, "hold_points: the plan's hold points are released by rule, but bench depot has no hands that could: set hold_points: operator"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, p := depotBench(), compile(t, depotSpec())
			c.edit(&p, &b)
			bad := sweep.CheckOn(p, b)
			if len(bad) == 0 {
				t.Fatal("no problem found")
			}
			if got := bad[0].Error(); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
	if bad := sweep.CheckOn(compile(t, depotSpec()), depotBench()); len(bad) > 0 {
		t.Error("a sound plan was refused:", bad)
	}
}

// A plan covers its range once, in rising order, ends included.
func TestPlanCoversItsRangeOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := unit.Hz(rapid.IntRange(9e3, 500e6).Draw(t, "from"))
		to := from * unit.Hz(rapid.Float64Range(1.5, 100).Draw(t, "ratio"))
		band := sweep.BandSpec{From: from, To: to, Level: dbm(0), RBW: 10}
		switch rapid.IntRange(0, 2).Draw(t, "way") {
		case 0:
			band.Count = rapid.IntRange(2, 60).Draw(t, "count")
		case 1:
			band.Step = (to - from) / unit.Hz(rapid.IntRange(1, 100).Draw(t, "parts"))
		case 2:
			band.PerDecade = rapid.IntRange(3, 20).Draw(t, "per decade")
		}
		p, bad := sweep.Compile(sweep.PlanSpec{Name: "p", Bands: []sweep.BandSpec{band}}, depotBench())
		if len(bad) > 0 {
			if strings.Contains(bad[0].Message, "stands twice") {
				t.Skip("too close to tell apart")
			}
			t.Fatal(bad)
		}
		if p.Points[0].Freq != from {
			t.Fatalf("starts at %v, want %v", p.Points[0].Freq, from)
		}
		last := p.Points[len(p.Points)-1].Freq
		if math.Abs(float64(last-to)) > 1e-6*float64(to) {
			t.Fatalf("ends at %v, want %v", last, to)
		}
		for i := 1; i < len(p.Points); i++ {
			if p.Points[i].Freq <= p.Points[i-1].Freq || p.Points[i].Index != i {
				t.Fatalf("point %d: %v after %v", i, p.Points[i].Freq, p.Points[i-1].Freq)
			}
		}
	})
}

func TestStepsOfARun(t *testing.T) {
	spec := depotSpec()
	spec.Positions, spec.Polarizations, spec.Repeats = []string{"center", "shelf"}, []string{"vertical", "horizontal"}, 2
	p := compile(t, spec)
	steps := sweep.Steps(p, depotBench(), []sweep.Specimen{{Name: "a"}, {Name: "b"}})
	count := map[sweep.StepKind]int{}
	for i, s := range steps {
		if s.Index != i {
			t.Fatalf("step %d has index %d", i, s.Index)
		}
		if s.Kind == sweep.Enclosed && steps[i-1].Kind != sweep.HoldPoint {
			t.Errorf("step %d is enclosed without a hold point before it", i)
		}
		count[s.Kind]++
	}
	want := map[sweep.StepKind]int{sweep.Ambient: 4, sweep.Reference: 4, sweep.Enclosed: 16, sweep.Closing: 4, sweep.HoldPoint: 24}
	for k, n := range want {
		if count[k] != n {
			t.Errorf("%d %v steps, want %d", count[k], k, n)
		}
	}
	if got := sweep.Captures(p, steps); got != 28*40 {
		t.Errorf("%d captures, want %d", got, 28*40)
	}
}

func TestRadiatedHoldPointsShowTheCautions(t *testing.T) {
	b := depotBench()
	b.Conducted = false
	s := sweep.Steps(compile(t, depotSpec()), b, []sweep.Specimen{{Name: "a"}})[0]
	all := strings.Join(s.Cautions, "\n")
	for _, want := range []string{"RF exposure", "Transmit only where you hold the right", "screened room"} {
		if !strings.Contains(all, want) {
			t.Errorf("no caution about %q in %q", want, all)
		}
	}
}

// Sweep time k·span/RBW² with k = 2.5: span 100 kHz takes 2.5 ms at RBW
// 10 kHz, 0.25 s at 1 kHz, 25 s at 100 Hz (arithmetic of the law in analyzer
// application notes, k 2 to 3 for near-Gaussian filters).
func TestSweepLaw(t *testing.T) {
	for rbw, want := range map[unit.Hz]time.Duration{10e3: 2500 * time.Microsecond, 1e3: 250 * time.Millisecond, 100: 25 * time.Second} {
		if got := sweep.SweepLaw(2.5, 100e3, rbw); math.Abs(float64(got-want)) > 1e3 {
			t.Errorf("RBW %v: %v, want %v", rbw, got, want)
		}
	}
}

// TestExchangesTakeTime: a point is predicted to take longer by two exchanges for
// each look, as long as the bench states or by default.
func TestExchangesTakeTime(t *testing.T) {
	b := depotBench()
	p := compile(t, depotSpec())
	p.Strategy = sweep.Fixed
	whole := func(exchange time.Duration) time.Duration {
		b.ExchangeTime = exchange
		_, whole := sweep.PointTime(p, p.Points[0], b, sweep.Reference, 0)
		return whole
	}
	if more, want := whole(50*time.Millisecond)-whole(10*time.Millisecond), time.Duration(p.Looks)*2*40*time.Millisecond; more != want {
		t.Errorf("40 ms more for an exchange make %v, want %v for %d looks", more, want, p.Looks)
	}
	if whole(0) != whole(sweep.DefaultExchangeTime) {
		t.Error("not stated is not the default")
	}
}

// Common practice, no source: a −60 dBm reference over a −100 dBm floor can
// prove at most 40 dB, less what the noise statistics take.
func TestForecastProvesNoMoreThanItsRange(t *testing.T) {
	b := depotBench()
	b.PathLoss, b.Uncertainty = 60, 0
	b.NoiseFigure = unit.DB(-100 - float64(unit.ThermalNoise(10e3))) // floor exactly −100 dBm
	p := compile(t, depotSpec())
	for _, f := range sweep.Predict(p, b, nil, nil).Points {
		if math.Abs(float64(f.DynamicRange)-40) > 1e-9 {
			t.Fatalf("dynamic range %v, want 40 dB", f.DynamicRange)
		}
		if f.Provable > 41 || f.Provable < 36 {
			t.Errorf("%v: provable %v, want a little under 40 dB", f.Freq, f.Provable)
		}
	}
	q := p
	q.Capture = sweep.Sealed
	for i := range q.Points {
		q.Points[i].RBW, q.Points[i].Detector = 100e3, driver.PositivePeak
	}
	sealed := sweep.Predict(q, b, nil, nil)
	if d := sealed.Points[5].Provable; d > 28 || d < 10 {
		t.Errorf("sealed at ten times the RBW proves %v, want at least 12 dB less than linked", d)
	}
}

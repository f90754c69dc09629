package trend_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lidded/sweep/trend"
)

// series draws n nights of a truth, each seen as a value up to its limit and as a
// bound above it.
func series(rng *rand.Rand, n int, truth func(i int) float64, scatter float64, limit func(i int) float64) []trend.Point {
	out := make([]trend.Point, n)
	for i := range out {
		y := truth(i) + scatter*rng.NormFloat64()
		if l := limit(i); y > l {
			out[i] = trend.AtLeast(night(i), l)
		} else {
			out[i] = trend.Value(night(i), y)
		}
	}
	return out
}

func always(v float64) func(int) float64 { return func(int) float64 { return v } }

func stepped(before, after float64, at int) func(int) float64 {
	return func(i int) float64 {
		if i < at {
			return before
		}
		return after
	}
}

func of(t *testing.T, p []trend.Point, o trend.Options) trend.Trend {
	t.Helper()
	got, err := trend.Of(p, o)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// An unchanged series is called changed in 5 % of cases, whatever hides of it. The
// band is three standard deviations of the count; where values are scarce, and the limits of
// values must be guessed, fewer are called.
func TestFalseAlarmsAsStated(t *testing.T) {
	const trials = 800
	for name, c := range map[string]struct {
		nights     int
		limit      func(int) float64
		most, less float64
	}{
		"values":                 {20, always(math.Inf(1)), 0.075, 0.025},
		"few nights":             {6, always(math.Inf(1)), 0.075, 0.025},
		"half are bounds":        {20, always(80), 0.08, 0.01},
		"most are bounds":        {20, always(79.3), 0.08, 0.001},
		"the limit rose":         {20, stepped(79.5, 90, 10), 0.08, 0.01},
		"the limit fell":         {20, stepped(90, 79.5, 10), 0.08, 0.01},
		"bounds far below first": {20, stepped(60, 90, 10), 0.08, 0.01},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			rng := rand.New(rand.NewPCG(1, uint64(len(name))))
			called := 0
			for range trials {
				if of(t, series(rng, c.nights, always(80), 1, c.limit), trend.Options{Trials: 79}).Change != nil {
					called++
				}
			}
			rate := float64(called) / trials
			t.Logf("false alarms %.4f", rate)
			if rate > c.most || rate < c.less {
				t.Errorf("false alarms in %.4f, want %.3f to %.3f", rate, c.less, c.most)
			}
		})
	}
}

// A step of 3 dB at a scatter of 1 dB, ten nights before and five after, is found
// in nine of ten cases, with half the nights before hidden too; the interval covers
// it where it was found.
func TestPowerForThreeDecibels(t *testing.T) {
	const trials = 300
	for name, limit := range map[string]float64{"values": math.Inf(1), "half of the nights before are bounds": 80} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			rng := rand.New(rand.NewPCG(2, 3))
			found, within, right := 0, 0, 0
			for range trials {
				got := of(t, series(rng, 15, stepped(80, 77, 10), 1, always(limit)), trend.Options{Trials: 99})
				if got.Change == nil {
					continue
				}
				found++
				if by := got.Change.By; by.Low <= -3 && -3 <= by.High {
					within++
				}
				if d := got.Change.First - 10; d >= -1 && d <= 1 {
					right++
				}
			}
			t.Logf("found %d of %d, interval covers %d, place within one night %d", found, trials, within, right)
			if found < trials*9/10 || within < found*88/100 || right < found*80/100 {
				t.Errorf("found %d of %d, interval covers %d, place %d", found, trials, within, right)
			}
		})
	}
}

// The interval of the drift covers as stated, with bounds among the values.
func TestDriftIntervalCovers(t *testing.T) {
	const trials = 1500
	rng := rand.New(rand.NewPCG(4, 5))
	within, all := 0, 0
	for range trials {
		p := series(rng, 15, func(i int) float64 { return 80 - 0.1*float64(i) }, 1, always(80))
		got := of(t, p, trend.Options{Trials: 20})
		if got.PerDay == nil {
			continue
		}
		all++
		if got.PerDay.Low <= -0.1 && -0.1 <= got.PerDay.High {
			within++
		}
	}
	t.Logf("covers %d of %d", within, all)
	if all < trials*95/100 || float64(within) < 0.935*float64(all) {
		t.Errorf("covers %d of %d", within, all)
	}
}

func TestBoundsAloneProveNothing(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		var p []trend.Point
		for i := range rapid.IntRange(1, 30).Draw(r, "runs") {
			p = append(p, trend.AtLeast(night(i), rapid.Float64Range(20, 140).Draw(r, "bound")))
		}
		got, err := trend.Of(p, trend.Options{Trials: 20})
		if err != nil || got.Change != nil || got.Proof != nil || got.PerDay != nil || got.Values != 0 || !got.MedianBound {
			r.Fatalf("%+v %v", got, err)
		}
	})
}

// A bound that is lower says less: it never makes a rise or a fall by itself.
func TestABoundFarBelowChangesNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 7))
	p := series(rng, 12, always(80), 1, always(math.Inf(1)))
	with := append([]trend.Point{trend.AtLeast(night(-3), 20), trend.AtLeast(night(-2), 25)}, p...)
	with = append(with, trend.AtLeast(night(20), 30))
	a, b := of(t, p, trend.Options{}), of(t, with, trend.Options{})
	if b.Change != nil || b.Bounds != 3 || math.Abs(a.Scatter-b.Scatter) > 1e-3 || math.Abs(a.PerDay.Value-b.PerDay.Value) > 1e-3 {
		t.Errorf("%+v\n%+v", a, b)
	}
}

// Values below ten earlier bounds are a fall that is known from one side.
func TestFallFromBehindTheLimit(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 9))
	p := series(rng, 15, stepped(110, 70, 10), 0.7, always(90))
	got := of(t, p, trend.Options{})
	if got.Change == nil {
		t.Fatalf("%+v", got)
	}
	by := got.Change.By
	if got.Change.First != 10 || !math.IsInf(by.Value, -1) || !math.IsInf(by.Low, -1) || by.High > -15 || by.High < -22 {
		t.Errorf("%+v", got.Change)
	}
	if !strings.Contains(got.Sentence, "fell by at least") {
		t.Error(got.Sentence)
	}
}

// One value far below earlier bounds is a fall though nothing is known of the
// scatter; the second highest of five bounds is counted from, since one of five may
// have failed.
func TestOneValueBelowBounds(t *testing.T) {
	var p []trend.Point
	for i, b := range []float64{91, 93, 99, 92, 90} {
		p = append(p, trend.AtLeast(night(i), b))
	}
	last := trend.Value(night(9), 70)
	last.Low, last.High = 68.5, 71.5
	got := of(t, append(p, last), trend.Options{})
	if got.Change != nil || got.Proof == nil {
		t.Fatalf("%+v", got)
	}
	near(t, "fell by at least", got.Proof.By, 93-71.5, 1e-9)
	near(t, "confidence", got.Proof.Confidence, 0.9, 1e-9)
	if !got.Proof.Since.Equal(night(1)) || !strings.Contains(got.Sentence, "fell by at least 21.5 dB since 2026-03-02") {
		t.Errorf("%s %+v", got.Sentence, got.Proof)
	}
	last.High = 93
	if got := of(t, append(p, last), trend.Options{}); got.Proof != nil {
		t.Errorf("an interval that reaches the bound proves %+v", got.Proof)
	}
}

// Proofs are wrong in no more than twice what a claim may fail, over nights of
// which each says at least something it may not keep.
func TestProofsHold(t *testing.T) {
	const trials = 4000
	for _, nights := range []int{1, 2, 5, 30} {
		rng := rand.New(rand.NewPCG(10, uint64(nights)))
		wrong := 0
		for range trials {
			var p []trend.Point
			for i := range nights {
				p = append(p, trend.AtLeast(night(i), 80+rng.NormFloat64()-1.6449)) // holds 80 in 95 %
			}
			last := trend.Value(night(nights), 80+rng.NormFloat64())
			last.Low, last.High = last.Value-1.6449, last.Value+1.6449
			if got := of(t, append(p, last), trend.Options{Trials: 20}); got.Proof != nil {
				wrong++
			}
		}
		t.Logf("%d nights: wrong in %.4f", nights, float64(wrong)/trials)
		if float64(wrong) > 0.105*trials {
			t.Errorf("%d nights: wrong in %d of %d", nights, wrong, trials)
		}
	}
}

// The order in which points are given, and a shift of all levels, change nothing.
func TestShiftAndOrder(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(r, "draw"), 1))
		n := rapid.IntRange(5, 15).Draw(r, "runs")
		p := series(rng, n, stepped(80, 76, n/2), 1, always(81))
		shift := rapid.Float64Range(-150, 50).Draw(r, "shift")
		moved := make([]trend.Point, n)
		for i, q := range p {
			q.Value, q.Low, q.High = q.Value+shift, q.Low+shift, q.High+shift
			moved[i] = q
		}
		rng.Shuffle(n, func(i, j int) { moved[i], moved[j] = moved[j], moved[i] })
		a, err := trend.Of(p, trend.Options{Trials: 40})
		b, err2 := trend.Of(moved, trend.Options{Trials: 40})
		if err != nil || err2 != nil || (a.Change == nil) != (b.Change == nil) || a.P != b.P {
			r.Fatalf("%+v %v\n%+v %v", a, err, b, err2)
		}
		if a.Change != nil && !(math.Abs(a.Change.By.High-b.Change.By.High) < 0.01) {
			r.Fatalf("%+v\n%+v", a.Change, b.Change)
		}
	})
}

func TestEqualValues(t *testing.T) {
	var p []trend.Point
	for i := range 8 {
		p = append(p, trend.Value(night(i), 63.2))
	}
	got := of(t, p, trend.Options{})
	if got.Change != nil || !got.Tested || math.Abs(got.Scatter-0.05) > 0.01 || got.Median != 63.2 {
		t.Errorf("%+v", got)
	}
}

func TestTooFew(t *testing.T) {
	for n, want := range map[int]string{0: "no claim", 1: "too few", 4: "too few"} {
		got := of(t, series(rand.New(rand.NewPCG(1, 1)), n, always(80), 1, always(math.Inf(1))), trend.Options{})
		if got.Change != nil || got.Tested || !strings.Contains(got.Sentence, want) {
			t.Errorf("%d: %+v", n, got)
		}
	}
}

func TestDriftByDoorCycles(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	p := series(rng, 20, func(i int) float64 { return 80 - 0.2*float64(i) }, 0.3, always(math.Inf(1)))
	for i := range p {
		c := int64(50 * i)
		p[i].Cycle = &c
	}
	got := of(t, p, trend.Options{})
	if got.PerCycle == nil || !(got.PerCycle.Low < -0.004 && -0.004 < got.PerCycle.High) || math.Abs(got.PerCycle.Value-got.PerDay.Value/50) > 1e-4 {
		t.Errorf("%+v %+v", got.PerCycle, got.PerDay)
	}
}

func TestBadOptions(t *testing.T) {
	for want, o := range map[string]trend.Options{
		"false alarm": {FalseAlarm: 0.7}, "confidence": {Confidence: 0.4}, "resolution": {Resolution: -1}, "trials": {Trials: 5},
	} {
		if _, err := trend.Of(nil, o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

func BenchmarkFiftyNights(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	for name, limit := range map[string]float64{"values": math.Inf(1), "half bounds": 80} {
		p := series(rng, 50, always(80), 1, always(limit))
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := trend.Of(p, trend.Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

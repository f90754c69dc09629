package detect_test

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lidded/driver/unit"
	"lidded/sweep/detect"
)

func averages(on, off, k, m float64) (detect.Looks, detect.Looks) {
	return detect.Looks{Mean: on, N: k, Detector: detect.PowerAverage},
		detect.Looks{Mean: off, N: m, Detector: detect.PowerAverage}
}

// TestJudgeWorked: reference −20 dBm, noise −130 dBm, K = M = 20, on/off +0.60 dB: the
// threshold at 5 % is 2.286 dB and the ratio form bounds S at −130.12 dBm. The
// judgement averages over the noise instead and may be up to 0.4 dB higher, never lower.
func TestJudgeWorked(t *testing.T) {
	on, off := averages(lin(-129.40), lin(-130), 20, 20)
	f := detect.Judge(on, off, detect.DefaultRule(1))
	if f.Present || !f.Level.IsMissing() || f.Corrected {
		t.Fatalf("present: %+v", f)
	}
	near(t, "threshold", float64(f.Threshold), 2.286, 6e-4)
	near(t, "margin", float64(f.Margin), 0.60, 1e-9)
	if x := float64(f.Limit) + 130.12; x < -0.01 || x > 0.4 {
		t.Errorf("limit %v, want -130.12 dBm to 0.4 dB above", f.Limit)
	}
	if !strings.Contains(f.Method, "F threshold") || !strings.Contains(f.Method, "CLs") || f.Reason == "" {
		t.Errorf("method %q, reason %q", f.Method, f.Reason)
	}
}

func TestJudgeZones(t *testing.T) {
	for _, c := range []struct {
		d         detect.Detector
		margin    float64
		level     float64 // dB above the off reading, NaN for none
		corrected bool
	}{
		{detect.PowerAverage, 4, math.NaN(), false},
		{detect.PowerAverage, 10, 10 - 0.458, true},
		{detect.PowerAverage, 16, 16, false},
		{detect.LogAverage, 4, math.NaN(), false},
		{detect.LogAverage, 6.0001, 6 - 0.170, true},
		{detect.LogAverage, 16, 16, false},
		{detect.VoltageAverage, 16, 16, false},
		{detect.MaxHold, 10, math.NaN(), false},
	} {
		f := detect.Judge(detect.Looks{Mean: lin(c.margin), N: 100, Detector: c.d},
			detect.Looks{Mean: 1, N: 100, Detector: c.d}, detect.DefaultRule(10))
		if !f.Present || f.Corrected != c.corrected {
			t.Errorf("%v at %g dB: %+v", c.d, c.margin, f)
		}
		if math.IsNaN(c.level) {
			if !f.Level.IsMissing() || f.Reason == "" {
				t.Errorf("%v at %g dB: a level %v without the margin", c.d, c.margin, f.Level)
			}
			continue
		}
		near(t, c.d.String(), float64(f.Level), c.level, 6e-3)
		if !(f.Low <= f.Level && f.Level <= f.High) {
			t.Errorf("%v: %v outside [%v, %v]", c.d, f.Level, f.Low, f.High)
		}
	}
	// A max hold of ten looks at 20 dB reads 0.91 dB high on average (simulated);
	// the level takes its median off.
	f := detect.Judge(detect.Looks{Mean: lin(20), N: 10, Detector: detect.MaxHold},
		detect.Looks{Mean: detect.Harmonic(10), N: 10, Detector: detect.MaxHold}, detect.DefaultRule(1))
	near(t, "max hold level", float64(f.Level), 20-0.9, 0.15)
}

func TestJudgeRefuses(t *testing.T) {
	good := detect.DefaultRule(10)
	ok := detect.Looks{Mean: 1, N: 10, Detector: detect.Sample}
	for _, c := range []struct {
		change func(on, off *detect.Looks, r *detect.Rule)
		says   string
	}{
		{func(on, _ *detect.Looks, _ *detect.Rule) { on.Mean = math.NaN() }, "on reading is NaN mW"},
		{func(_, off *detect.Looks, _ *detect.Rule) { off.Mean = 0 }, "off reading is 0 mW"},
		{func(on, _ *detect.Looks, _ *detect.Rule) { on.N = math.Inf(1) }, "on reading has +Inf looks"},
		{func(_, off *detect.Looks, _ *detect.Rule) { off.N = -1 }, "off reading has -1 looks"},
		{func(on, _ *detect.Looks, _ *detect.Rule) { on.Detector = 99 }, "on detector is unknown"},
		{func(_, off *detect.Looks, _ *detect.Rule) { off.Detector = detect.Unknown }, "off detector is unknown"},
		{func(on, _ *detect.Looks, _ *detect.Rule) { on.Detector = detect.LogAverage }, "use the same detector"},
		{func(on, _ *detect.Looks, _ *detect.Rule) { on.Extra = 3 }, "largest look only"},
		{func(on, off *detect.Looks, _ *detect.Rule) {
			on.Detector, off.Detector, off.N = detect.MaxHold, detect.MaxHold, math.Inf(1)
		}, "give the number of off looks"},
		{func(_, _ *detect.Looks, r *detect.Rule) { r.Points = 0 }, "0 points"},
		{func(_, _ *detect.Looks, r *detect.Rule) { r.FamilyAlpha = 1 }, "false-alarm rate is 1"},
		{func(_, _ *detect.Looks, r *detect.Rule) { r.Confidence = 95 }, "confidence is 95"},
		{func(_, _ *detect.Looks, r *detect.Rule) { r.CorrectAbove = 20 }, "rising order"},
		{func(_, _ *detect.Looks, r *detect.Rule) { r.Drift = -1 }, "drift allowance"},
	} {
		on, off, rule := ok, ok, good
		c.change(&on, &off, &rule)
		f := detect.Judge(on, off, rule)
		if f.Judged() || f.Present || !strings.Contains(f.Reason, c.says) {
			t.Errorf("want a refusal saying %q, got %+v", c.says, f)
		}
	}
}

func TestImplausiblyLow(t *testing.T) {
	for _, x := range []float64{0, 1e-6, 0.05} {
		on, off := averages(x, 1, 200, 200)
		f := detect.Judge(on, off, detect.DefaultRule(1))
		if !f.Judged() || f.Present || !strings.Contains(f.Reason, "lower than its own noise") {
			t.Errorf("on reading %g: %+v", x, f)
		}
	}
}

func TestKnownNoise(t *testing.T) {
	on, off := averages(1, 1, 10, math.Inf(1))
	f := detect.Judge(on, off, detect.DefaultRule(1))
	near(t, "limit", float64(f.Limit), dB(0.889), 5e-3)
	near(t, "threshold", float64(f.Threshold), 1.960, 6e-4)
}

// TestNeed: the looks and the bandwidth that are said to be needed do reach the target.
func TestNeed(t *testing.T) {
	on, off := averages(0, 0, 20, 20)
	rule := detect.DefaultRule(60)
	n, ok := detect.NeedLooks(-120, -123, on, off, rule)
	if !ok || n < 20 || n > 200 {
		t.Fatalf("need %d looks", n)
	}
	for looks, reached := range map[int]bool{n: true, n - 1: false} {
		on.N, off.N = float64(looks), float64(looks)
		if got := detect.Predict(-120, on, off, rule) <= -123; got != reached {
			t.Errorf("%d looks reach the target: %v", looks, got)
		}
	}
	on.N, off.N = 20, 20
	rbw := detect.NeedRBW(-120, 1000, -140, on, off, rule)
	noise := unit.DBm(-120).Add(unit.PowerRatio(float64(rbw) / 1000))
	near(t, "limit at the needed RBW", float64(detect.Predict(noise, on, off, rule)), -140, 1e-3)
	if _, ok := detect.NeedLooks(-120, -170, on, off, rule); ok {
		t.Error("fifty decibels below the noise by averaging alone")
	}
}

var anyDetector = rapid.SampledFrom(detect.Detectors())

// TestLimitProperties: the limit and the interval rise with the reading, CLs is never
// below classical, more looks at the same ratio above one are tighter, drift widens.
func TestLimitProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDetector.Draw(t, "detector")
		k := rapid.Float64Range(1, 200).Draw(t, "k")
		m := rapid.Float64Range(5, 200).Draw(t, "m")
		r := lin(rapid.Float64Range(-2, 40).Draw(t, "r"))
		rule := detect.DefaultRule(60)
		judge := func(x float64, rule detect.Rule) detect.Finding {
			return detect.Judge(detect.Looks{Mean: x, N: k, Detector: d}, detect.Looks{Mean: 1, N: m, Detector: d}, rule)
		}
		a, b := judge(r, rule), judge(r*1.1, rule)
		if !a.Judged() || !b.Judged() {
			t.Fatalf("not judged: %s %s", a.Reason, b.Reason)
		}
		const slack = 1e-3 // dB
		if float64(b.Limit) < float64(a.Limit)-slack || float64(b.High) < float64(a.High)-slack {
			t.Fatalf("limits fall with the reading: %+v %+v", a, b)
		}
		if a.High < a.Limit-slack || a.Low > a.High {
			t.Fatalf("order of limits: %+v", a)
		}
		if a.Present && !b.Present {
			t.Fatal("a stronger reading is lost")
		}
		rule.Drift = 0.5
		if c := judge(r, rule); float64(c.Limit) < float64(a.Limit)-slack || c.Threshold < a.Threshold {
			t.Fatalf("drift tightens by %g dB: %+v %+v", float64(a.Limit-c.Limit), a, c)
		}
	})
}

func TestExactLimitProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.Float64Range(1, 300).Draw(t, "k")
		m := rapid.Float64Range(2, 300).Draw(t, "m")
		r := rapid.Float64Range(0.7, 50).Draw(t, "r")
		c := detect.UpperLimitEstimated(detect.Classical, 0.95, r, k, m)
		s := detect.UpperLimitEstimated(detect.CLs, 0.95, r, k, m)
		if !(s >= c*(1-1e-9)) || !(s > 0) {
			t.Fatalf("CLs %g below classical %g", s, c)
		}
		if r >= 1 {
			if more := detect.UpperLimitEstimated(detect.CLs, 0.95, r, 2*k, 2*m); more > s*(1+1e-9) {
				t.Fatalf("more looks loosen: %g then %g", s, more)
			}
		}
		if low := detect.LowerLimitEstimated(0.95, r, k, m); low > s {
			t.Fatalf("lower limit %g above the upper %g", low, s)
		}
		for _, x := range []float64{0, s / 2, s} {
			if sum := detect.RatioCDF(r, x, k, m) + detect.RatioSurvival(r, x, k, m); math.Abs(sum-1) > 1e-9 {
				t.Fatalf("probabilities sum to %g", sum)
			}
		}
	})
}

// TestLargeNoncentrality: the sums agree with the saddlepoint formula where one gives
// way to the other, and stay proper up to a million.
func TestLargeNoncentrality(t *testing.T) {
	for _, ks := range []float64{1e3, 1e5, 1e6, 1.9e6, 2.1e6, 1e9} {
		for _, k := range []float64{1, 20} {
			s := ks / k
			sd := math.Sqrt((1 + 2*s) / k)
			last := 0.0
			for _, z := range []float64{-5, -1.645, 0, 1.645, 5} {
				x := 1 + s + z*sd
				p := detect.CDF(x, s, k)
				near(t, "normal limit", p, 0.5*math.Erfc(-z/math.Sqrt2), 0.02/math.Sqrt(ks/1000))
				near(t, "complement", p+detect.Survival(x, s, k), 1, 1e-9)
				if p < last {
					t.Errorf("ks=%g: falls at z=%g", ks, z)
				}
				last = p
			}
		}
	}
}

func TestDetectorNames(t *testing.T) {
	for _, d := range detect.Detectors() {
		got, err := detect.ParseDetector(d.String())
		if err != nil || got != d {
			t.Errorf("%v: %v, %v", d, got, err)
		}
	}
	if _, err := detect.ParseDetector("unknown"); err == nil {
		t.Error("unknown was accepted")
	}
	if detect.Detector(42).String() != "unknown" || detect.Form(0).String() != "unknown" || detect.SweepLaw(9).String() != "unknown" {
		t.Error("a stray value has a name")
	}
}

func TestOutsideTheDomain(t *testing.T) {
	for name, v := range map[string]float64{
		"alpha":      detect.ThresholdKnown(0, 1),
		"looks":      detect.ThresholdEstimated(0.05, -1, 1),
		"max":        detect.ThresholdMax(2, 1),
		"form":       detect.UpperLimit(0, 0.95, 1, 1),
		"confidence": detect.UpperLimit(detect.CLs, 1, 1, 1),
		"signal":     detect.CDF(1, -1, 1),
		"nan":        detect.RatioCDF(math.NaN(), 1, 1, 1),
		"points":     detect.PerPoint(0.05, 0),
		"harmonic":   detect.Harmonic(-1),
		"capability": detect.Detectable(0.05, 0.99, 1, 1).Detection,
	} {
		if !math.IsNaN(v) {
			t.Errorf("%s: %g, want NaN", name, v)
		}
	}
}

func TestAmbientRefuses(t *testing.T) {
	rule := detect.DefaultAmbientRule()
	for _, off := range [][]detect.Looks{
		nil,
		{{Mean: 0, N: 1, Detector: detect.Sample}},
		{{Mean: 1, N: 0, Detector: detect.Sample}},
		{{Mean: 1, N: 1}},
		{{Mean: 1, N: 1, Detector: detect.Sample}, {Mean: 1, N: 1, Detector: detect.MaxHold}},
	} {
		if a := detect.AmbientCheck(off, -110, rule); a.Err == nil || a.Excess || a.Unsteady {
			t.Errorf("%+v: %+v", off, a)
		}
	}
	// An unknown floor skips the excess, not the steadiness.
	off := []detect.Looks{{Mean: 1, N: 50, Detector: detect.Sample}, {Mean: 9, N: 50, Detector: detect.Sample}}
	if a := detect.AmbientCheck(off, unit.Missing(), rule); a.Excess || !a.Unsteady || a.Err != nil {
		t.Errorf("%+v", a)
	}
}

// TestNumericalThreshold: one look that is formally a maximum, against a mean of M: the
// numerical route must give the closed form M(α^(−1/M) − 1); and two maxima of one look
// give 1/α − 1.
func TestNumericalThreshold(t *testing.T) {
	for _, alpha := range []float64{0.05, 0.01, 1e-4} {
		rule := detect.DefaultRule(1)
		rule.FamilyAlpha = alpha
		for m, want := range map[float64]float64{1: 1/alpha - 1, 10: 10 * (math.Pow(alpha, -0.1) - 1), 100: 100 * (math.Pow(alpha, -0.01) - 1)} {
			f := detect.Judge(detect.Looks{Mean: 1, N: 1, Detector: detect.MaxHold},
				detect.Looks{Mean: 1, N: m, Detector: detect.PowerAverage}, rule)
			near(t, "against a mean", float64(f.Threshold), dB(want), 5e-3)
		}
		f := detect.Judge(detect.Looks{Mean: 1, N: 1, Detector: detect.MaxHold},
			detect.Looks{Mean: 1, N: 1, Detector: detect.PositivePeak}, rule)
		near(t, "of two maxima", float64(f.Threshold), dB(1/alpha-1), 5e-3)
	}
}

// TestSaddlepoint: the formula used inside a judgement against the exact sums, from the
// noncentrality where it takes over.
func TestSaddlepoint(t *testing.T) {
	for _, ks := range []float64{detect.FastUpTo, 300, 1e4, 1e6} {
		for _, k := range []float64{1, 5, 20, 200} {
			s := ks / k
			for z := -4.0; z <= 4; z += 0.5 {
				x := 1 + s + z*math.Sqrt((1+2*s)/k)
				lower, upper := detect.SaddleMean(x, s, k)
				for _, p := range [][2]float64{{lower, detect.CDF(x, s, k)}, {upper, detect.Survival(x, s, k)}} {
					if p[1] > 1e-4 {
						near(t, "saddlepoint over sum", p[0]/p[1], 1, 1e-3*detect.FastUpTo/ks+1e-6)
					}
				}
			}
		}
	}
}

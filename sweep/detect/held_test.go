package detect_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"lidded/sweep/detect"
)

// heldReading is the largest of n looks at a carrier of power s over noise of one,
// each the mean of each looks, with flank looks per RBW on both sides of a
// Gaussian filter (3.01·(2x)² dB down at x RBW).
func heldReading(r *rand.Rand, n, each int, flank, s float64) float64 {
	var top float64
	for range n {
		top = math.Max(top, reading(r, detect.PowerAverage, each, s, 1))
		for j := 1.0; flank > 0 && j <= flank; j++ {
			x := 2 * j / flank
			for range 2 {
				top = math.Max(top, reading(r, detect.PowerAverage, each, s*math.Pow(10, -0.30103*x*x), 1))
			}
		}
	}
	return top
}

// TestLargestLookIsCorrected: a level taken from the largest look is above the
// truth as often as below, and its interval covers as stated on both sides, with
// flanks, averaged looks and a number of looks of which only two ends are known.
func TestLargestLookIsCorrected(t *testing.T) {
	const n = 2000
	off := detect.Looks{Mean: 1, N: math.Inf(1), Detector: detect.PowerAverage}
	for _, c := range []struct {
		name            string
		least, most     int
		each            int
		flank, s, limit float64
	}{
		{"five looks", 5, 0, 1, 0, 100, 0.95},
		{"ten looks at 30 dB", 10, 0, 1, 0, 1000, 0.95},
		{"flanks", 6, 0, 1, 3.76, 100, 0.95},
		{"averaged looks", 6, 0, 4, 0, 60, 0.95},
		{"five to thirty looks", 5, 30, 1, 0, 100, 0.95},
		{"five to thirty looks with flanks", 5, 30, 1, 2, 300, 0.95},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := rand.New(rand.NewPCG(21, uint64(c.least)))
			var above, under, over, held int
			for range n {
				k := c.least
				if c.most > 0 { // every number is as likely on a logarithmic scale
					k = int(math.Round(float64(c.least) * math.Pow(float64(c.most)/float64(c.least), r.Float64())))
				}
				f := detect.Judge(detect.Looks{
					Mean: heldReading(r, k, c.each, c.flank, c.s), N: float64(c.least), Most: float64(c.most), Each: float64(c.each), Flank: c.flank, Detector: detect.MaxHold,
				}, off, detect.DefaultRule(20))
				if f.Level.IsMissing() || !f.Corrected {
					t.Fatalf("no corrected level: %s", f.Reason)
				}
				truth := dB(c.s)
				if float64(f.Level) > truth {
					above++
				}
				if truth < float64(f.Low) {
					under++
				}
				if truth > float64(f.High) {
					over++
				}
				if float64(f.Limit) >= truth {
					held++
				}
			}
			if p := float64(above) / n; math.Abs(p-0.5) > binomialSlack(0.5, n) {
				t.Errorf("%.3f of the levels are above the truth, want half", p)
			}
			for what, k := range map[string]int{"below the low end": under, "above the high end": over} {
				if p := float64(k) / n; math.Abs(p-0.025) > binomialSlack(0.025, n) {
					t.Errorf("the truth is %s in %.3f, stated 0.025", what, p)
				}
			}
			if p := float64(held) / n; p < c.limit-binomialSlack(0.05, n) {
				t.Errorf("limits hold in %.3f", p)
			}
		})
	}
}

// TestLooksOfALargestLook: what belongs to a largest look is refused elsewhere.
func TestLooksOfALargestLook(t *testing.T) {
	held := detect.Looks{Mean: 100, N: 5, Detector: detect.MaxHold}
	off := detect.Looks{Mean: 1, N: 20, Detector: detect.PowerAverage}
	for _, c := range []struct {
		name string
		edit func(on, off *detect.Looks)
		want string
	}{
		{"fine", func(on, off *detect.Looks) { on.Most, on.Each, on.Flank = 9, 2, 3 }, ""},
		{"most, negative", func(on, _ *detect.Looks) { on.Most = -1 }, "negative or not finite"},
		{"most, endless", func(on, _ *detect.Looks) { on.Most = math.Inf(1) }, "negative or not finite"},
		{"each, negative", func(on, _ *detect.Looks) { on.Each = -1 }, "negative or not finite"},
		{"each, no number", func(on, _ *detect.Looks) { on.Each = math.NaN() }, "negative or not finite"},
		{"flank, negative", func(on, _ *detect.Looks) { on.Flank = -1 }, "negative or not finite"},
		{"flank, endless", func(on, _ *detect.Looks) { on.Flank = math.Inf(1) }, "negative or not finite"},
		{"most of an average", func(on, _ *detect.Looks) { on.Detector, on.Most = detect.PowerAverage, 9 }, "belong to a largest look"},
		{"each of an average", func(on, _ *detect.Looks) { on.Detector, on.Each = detect.PowerAverage, 9 }, "belong to a largest look"},
		{"flank of an average", func(on, _ *detect.Looks) { on.Detector, on.Flank = detect.PowerAverage, 9 }, "belong to a largest look"},
		{"most with the source off", func(_, off *detect.Looks) { off.Most = 9 }, "belong to a largest look"},
		{"flank with the source off", func(_, off *detect.Looks) { off.Flank = 9 }, "belong to a largest look"},
		{"each of an off average", func(_, off *detect.Looks) { off.Each = 9 }, "belong to a largest look"},
	} {
		a, b := held, off
		c.edit(&a, &b)
		f := detect.Judge(a, b, detect.DefaultRule(1))
		if c.want == "" {
			if !f.Judged() {
				t.Errorf("%s: %s", c.name, f.Reason)
			}
			continue
		}
		if f.Judged() || !strings.Contains(f.Reason, c.want) {
			t.Errorf("%s: judged %v, %q, want %q", c.name, f.Judged(), f.Reason, c.want)
		}
	}
}

// TestLargestLookLaw: Q1(1,1), Q1(1,2) and Q1(2,2) as tabulated (Marcum, RAND RM-753), and
// the largest of n looks is F^n of it.
func TestLargestLookLaw(t *testing.T) {
	for _, c := range []struct{ a, b, want float64 }{{0, 2, 0.135335}, {1, 1, 0.732880}, {1, 2, 0.269012}, {2, 2, 0.603501}} {
		near(t, "Q1", detect.MarcumQ1(c.a, c.b), c.want, 1e-6)
	}
	// Limits of the largest of n looks, n = 10 at 8 and n = 100 at 8 (computed).
	near(t, "n = 10", detect.UpperLimitMax(detect.CLs, 0.95, 8, 10), 5.161, 1e-3)
	near(t, "n = 100", detect.UpperLimitMax(detect.CLs, 0.95, 8, 100), 1.877, 1e-3)
}

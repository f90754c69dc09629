package between_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep/between"
)

// Cumulative binomial probabilities of n = 20, p = 0.05, as statistical tables print
// them (from memory, check against your copy), and, for others, the sum of terms.
func TestBinomialTail(t *testing.T) {
	for k, below := range map[int]float64{1: 0.3585, 2: 0.7358, 3: 0.9245, 4: 0.9841} {
		if got := 1 - between.AtLeastOf(k, 20, 0.05); math.Abs(got-below) > 5e-5 {
			t.Errorf("P(X < %d) = %.5f, the table has %v", k, got, below)
		}
	}
	for n := range 60 {
		for k := range n + 2 {
			var sum float64
			for i := k; i <= n; i++ {
				ln, _ := math.Lgamma(float64(n + 1))
				li, _ := math.Lgamma(float64(i + 1))
				lr, _ := math.Lgamma(float64(n - i + 1))
				sum += math.Exp(ln - li - lr + float64(i)*math.Log(0.05) + float64(n-i)*math.Log(0.95))
			}
			if got := between.AtLeastOf(k, n, 0.05); math.Abs(got-sum) > 1e-10 {
				t.Fatalf("P(X ≥ %d) of %d: %v, the terms add up to %v", k, n, got, sum)
			}
		}
	}
	if !math.IsNaN(between.AtLeastOf(1, -1, 0.5)) || !math.IsNaN(between.AtLeastOf(1, 2, 1.5)) {
		t.Error("no probability is given one")
	}
}

// drawn is what a bench of standard uncertainty u says of boxes worth truth, that
// error being new at each frequency; above most it says bounds, which hold in 95 %.
func drawn(rng *rand.Rand, bench string, truth, u, most unit.DB, n int) between.Night {
	var all []claim
	for i := range n {
		f := unit.Hz(100e6 + 10e6*float64(i))
		seen := truth + u*unit.DB(rng.NormFloat64())
		if truth > most {
			all = append(all, claim{f, seen - 1.6449*u, -1})
		} else {
			all = append(all, claim{f, seen, 1.95996 * u})
		}
	}
	return night(bench, all...)
}

// Equal boxes and honest uncertainties: scores beyond 1 come at 5 %, contradicted
// bounds at no more, and "more than chance explains" is said in no more than 5 % of
// comparisons. Bands are four standard deviations of the counts.
func TestEqualBoxesDifferByChanceOnly(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const trials, n = 600, 40
	for name, c := range map[string]struct {
		ua, ub, most unit.DB
		exact        bool
	}{
		"values alike":               {1.5, 1.5, 200, true},
		"values of unequal worth":    {0.5, 3, 200, true},
		"a bound against a value":    {1.5, 1.5, 0, false},
		"a loose bound":              {0.2, 3, 0, false},
		"a bound against poor value": {3, 0.2, 0, false},
	} {
		t.Run(name, func(t *testing.T) {
			wide, called := 0, 0
			for range trials {
				a := drawn(rng, "depot-a", 80, c.ua, 200, n)
				b := drawn(rng, "depot-b", 80, c.ub, c.most, n)
				p := pair(a, b)
				wide += p.Counts.Differ
				if p.Values.BeyondChance() || p.Bounds.BeyondChance() {
					called++
				}
			}
			share := float64(wide) / (trials * n)
			band := 4 * math.Sqrt(0.05*0.95/(trials*n))
			if share > 0.05+band || c.exact && share < 0.05-band {
				t.Errorf("%.4f differ, want 0.05 ± %.4f", share, band)
			}
			if most := 0.05 + 4*math.Sqrt(0.05*0.95/trials); float64(called)/trials > most {
				t.Errorf("more than chance is said in %.4f", float64(called)/trials)
			}
			t.Logf("%.4f differ, %.4f are called", share, float64(called)/trials)
		})
	}
}

// A true difference of 3 dB, at u = 1 dB on both: the score passes 1 where
// |3 + √2·z| > 1.96·√2, in 56 % of frequencies (normal law), and 40 of them together
// are more than chance explains, always.
func TestThreeDecibelsAreFound(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	const trials, n = 500, 40
	wide := 0
	phi := func(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }
	want := phi(3/math.Sqrt2-1.95996) + phi(-3/math.Sqrt2-1.95996)
	for range trials {
		p := pair(drawn(rng, "depot-a", 80, 1, 200, n), drawn(rng, "depot-b", 77, 1, 200, n))
		wide += p.Counts.Differ
		if !p.Values.TooMany || math.Abs(float64(p.Median)+3) > 1.2 {
			t.Fatalf("%+v, median %v", p.Values, p.Median)
		}
	}
	if got := float64(wide) / (trials * n); math.Abs(got-want) > 4*math.Sqrt(want*(1-want)/(trials*n)) {
		t.Errorf("%.4f differ, want %.4f", got, want)
	}
}

// Half of a bench's variance errs alike at all frequencies: the binomial tail then
// calls too many differences too often, while scores beyond 1 stay at 5 % and the
// bounds that hold for any dependence are passed as seldom as they say.
func TestCommonErrors(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	const trials, n = 2000, 20
	wide, quick, sure := 0, 0, 0
	for range trials {
		common := unit.DB(rng.NormFloat64())
		var a, b []claim
		for i := range n {
			f := unit.Hz(100e6 + 10e6*float64(i))
			a, b = append(a, claim{f, 80, 0.001}), append(b, claim{f, 80 + common + unit.DB(rng.NormFloat64()), 1.95996 * math.Sqrt2})
		}
		p := pair(night("depot-a", a...), night("depot-b", b...))
		wide += p.Counts.Differ
		if p.Values.TooMany {
			quick++
		}
		if p.Values.Dependent < 0.05 || p.Values.TooLarge {
			sure++
		}
	}
	if share := float64(wide) / (trials * n); math.Abs(share-0.05) > 0.015 {
		t.Errorf("%.4f differ", share)
	}
	if share := float64(quick) / trials; share < 0.08 {
		t.Errorf("%.3f are called: the binomial tail would do, and no bound beside it be needed", share)
	}
	if share := float64(sure) / trials; share > 0.03 {
		t.Errorf("%.3f pass the bounds that hold whatever the dependence", share)
	}
}

// One of forty alarms nobody; ten of forty do.
func TestChanceIsSaid(t *testing.T) {
	of := func(differ, n int) between.Pair {
		var a, b []claim
		for i := range n {
			f := unit.Hz(100e6 + 10e6*float64(i))
			off := unit.DB(0)
			if i < differ {
				off = 8 + unit.DB(i)
			}
			a, b = append(a, claim{f, 80, 3}), append(b, claim{f, 80 - off, 4})
		}
		return pair(night("depot-a", a...), night("depot-b", b...))
	}
	one, ten, none := of(1, 40), of(10, 40), of(0, 40)
	if c := one.Values; c.TooMany || math.Abs(c.Expected-2) > 1e-9 || math.Abs(c.P-(1-math.Pow(0.95, 40))) > 1e-9 || c.Dependent != 1 {
		t.Errorf("%+v", c)
	}
	if c := ten.Values; !c.TooMany || c.P > 1e-4 || math.Abs(c.Dependent-0.2) > 1e-9 {
		t.Errorf("%+v", c)
	}
	for _, want := range []struct{ said, part string }{
		{strings.Join(one.Sentences, " "), "of 40 frequencies 39 agree, 1 differ, 0 cannot be said."},
		{strings.Join(one.Sentences, " "), "The largest difference is -8.0 dB ± 5.0 dB (En -1.60) at 100 MHz."},
		{strings.Join(one.Sentences, " "), "Of 40 comparisons of values about 2 would differ by chance; 1 does, which chance explains (p 0.87)."},
		{strings.Join(ten.Sentences, " "), "; 10 do, more than chance explains (p below 0.001 if frequencies err independently; where a bench errs alike at all of them, up to 0.2)."},
		{strings.Join(none.Sentences, " "), "about 2 would differ by chance; none does."},
		{strings.Join(none.Sentences, " "), "The median difference of two values is +0.0 dB."},
	} {
		if !strings.Contains(want.said, want.part) {
			t.Errorf("%q is not in\n%s", want.part, want.said)
		}
	}
	// Two of thirty, one of them far out: En = 20/5 = 4 is 7.84 standard deviations,
	// 4.5e-15 of the normal law (Abramowitz & Stegun 26.2.12), thirty times that.
	var a, b []claim
	for i := range 30 {
		f := unit.Hz(100e6 + 10e6*float64(i))
		a, b = append(a, claim{f, 80, 3}), append(b, claim{f, 80, 4})
	}
	b[3].se, b[9].se = 100, 86
	far := pair(night("depot-a", a...), night("depot-b", b...))
	if c := far.Values; c.TooMany || !c.TooLarge || c.Largest < 1e-13 || c.Largest > 1.7e-13 || !strings.Contains(strings.Join(far.Sentences, " "), "; 2 do. The largest score is more than chance explains (p at most 0.001, whatever") {
		t.Errorf("%+v %s", c, far.Sentences)
	}
	bound := pair(night("depot-a", claim{1e8, 80, 3}, claim{2e8, 80, 3}), night("depot-b", claim{1e8, 90.16, -1}, claim{2e8, 82, -1}))
	said := fmt.Sprint(bound.Sentences)
	if c := bound.Bounds; c.Of != 2 || c.Differ != 1 || bound.Values.Of != 0 || !strings.Contains(said, "at least +7.1 dB at 100 MHz") || !strings.Contains(said, "Of 2 comparisons of a bound and a value at most 0.1 would differ by chance; 1 does") {
		t.Errorf("%+v %s", c, said)
	}
}

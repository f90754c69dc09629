package between

import (
	"math"

	"gonum.org/v1/gonum/mathext"

	"lidded/sweep/uncertainty"
)

// Expectable is how rarely as many differences as were found may come by chance
// and still be called too many (common practice, no source).
const Expectable = 0.05

// Chance sets the number of differences found, and the largest, beside what chance
// alone makes where the boxes are equal and the uncertainties true.
type Chance struct {
	Of, Differ int     // comparisons that can tell, and those that differ
	Expected   float64 // by chance; with bounds it is at most that
	// P is the probability of as many or more by chance, frequencies being
	// independent: a binomial tail. Errors that a bench makes at all frequencies alike
	// make the number swing wider; Dependent bounds the probability whatever the
	// dependence (Markov's inequality).
	P, Dependent float64
	// Largest bounds the probability of a score as large as the largest by chance,
	// whatever the dependence: that of one, by the normal law, times their number
	// (Bonferroni's inequality). 1 without scores.
	Largest float64
	// TooMany and TooLarge say that P, or Largest, is below its part of Expectable.
	TooMany, TooLarge bool
}

// BeyondChance reports whether chance explains the differences badly.
func (c Chance) BeyondChance() bool { return c.TooMany || c.TooLarge }

// chanceOf holds so many differences of so many comparisons against a rate of
// 1 − Coverage each, and the largest score, 0 for none; kinds is how many kinds of
// comparison share Expectable.
func chanceOf(differ, of int, largest float64, kinds int) Chance {
	rate := 1 - Coverage
	c := Chance{Of: of, Differ: differ, Expected: rate * float64(of), P: AtLeastOf(differ, of, rate), Dependent: 1, Largest: 1}
	if differ > 0 {
		c.Dependent = min(1, c.Expected/float64(differ))
	}
	part := Expectable / float64(kinds)
	if largest > 0 {
		part /= 2
		c.Largest = min(1, float64(of)*math.Erfc(largest*normal95/math.Sqrt2))
	}
	c.TooMany, c.TooLarge = c.P < part, c.Largest < part
	return c
}

// normal95 is the half-width of 95 % of the normal law, in standard deviations.
var normal95 = uncertainty.StudentT(Coverage, math.Inf(1))

// AtLeastOf is the probability of k or more successes in n independent trials of
// probability p: the regularised incomplete beta function I_p(k, n−k+1) (Abramowitz
// & Stegun 26.5.24). NaN for what is no such question.
func AtLeastOf(k, n int, p float64) float64 {
	switch {
	case n < 0 || !(p >= 0 && p <= 1):
		return math.NaN()
	case k <= 0:
		return 1
	case k > n:
		return 0
	}
	return mathext.RegIncBeta(float64(k), float64(n-k+1), p)
}

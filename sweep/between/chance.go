package between

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Expectable is how rarely as many differences as were found may come by chance
// and still be called too many (common practice, no source).
const Expectable = 0.05

// Chance sets the number of differences found beside what chance alone makes where
// the boxes are equal and the uncertainties true.
type Chance struct {
	Of, Differ int     // comparisons that can tell, and those that differ
	Expected   float64 // by chance; with bounds it is at most that
	// P is the probability of as many or more by chance, frequencies being
	// independent: a binomial tail. Errors that a bench makes at all frequencies alike
	// make the number swing wider; Dependent bounds the probability whatever the
	// dependence (Markov's inequality).
	P, Dependent float64
	TooMany      bool // P is below Expectable
}

// chanceOf holds so many differences of so many comparisons against a rate of
// 1 − Coverage each; tests is how many such questions share Expectable.
func chanceOf(differ, of, tests int) Chance {
	rate := 1 - Coverage
	c := Chance{Of: of, Differ: differ, Expected: rate * float64(of), P: AtLeastOf(differ, of, rate), Dependent: 1}
	if differ > 0 {
		c.Dependent = min(1, c.Expected/float64(differ))
	}
	c.TooMany = c.P < Expectable/float64(tests)
	return c
}

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

package detect

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// exactUpTo is the noncentrality K·s up to which the Poisson sums are used by
// the exported functions; fastUpTo the one used inside a judgement. Above it the
// saddlepoint formula of Lugannani and Rice takes over; its relative error, for
// probabilities above 1e-4, is below 1e-3 at fastUpTo (checked by the tests
// against the sums).
const (
	exactUpTo = 2e6
	fastUpTo  = 40
)

// CDF returns P(mean of k looks ≤ p) for a signal-to-noise ratio s, all in
// units of the mean noise power: Σ Pois(j; ks)·P(k+j, kp), the noncentral
// chi-squared law with 2k degrees of freedom and noncentrality 2ks of 2kp
// (Johnson, Kotz & Balakrishnan, Continuous Univariate Distributions vol. 2, ch. 29).
func CDF(p, s, k float64) float64 { return meanCDF(p, s, k, exactUpTo) }

// Survival returns 1 − CDF(p, s, k), accurate in the upper tail.
func Survival(p, s, k float64) float64 { return meanSurvival(p, s, k, exactUpTo) }

// MarcumQ1 returns the Marcum Q function of order one, Q1(a, b), the
// probability that a Rician amplitude exceeds a threshold (Marcum, RAND
// RM-753, 1948).
func MarcumQ1(a, b float64) float64 { return Survival(b*b/2, a*a/2, 1) }

// RatioCDF returns P(mean of k looks with signal / mean of m looks of noise ≤ r)
// for a signal-to-noise ratio s: Σ Pois(j; ks)·I_x(k+j, m), x = kr/(kr+m), the
// noncentral F law (Johnson, Kotz & Balakrishnan vol. 2, ch. 30).
func RatioCDF(r, s, k, m float64) float64 {
	if !valid(r, s, k) || !(m > 0) {
		return math.NaN()
	}
	if math.IsInf(m, 1) {
		return CDF(r, s, k)
	}
	if r == 0 {
		return 0
	}
	d := k*r + m
	return lowerMix(betaLadder{x: k * r / d, y: m / d, b: m}, k, k*s)
}

// RatioSurvival returns 1 − RatioCDF(r, s, k, m), accurate in the upper tail.
func RatioSurvival(r, s, k, m float64) float64 {
	if !valid(r, s, k) || !(m > 0) {
		return math.NaN()
	}
	if math.IsInf(m, 1) {
		return Survival(r, s, k)
	}
	if r == 0 {
		return 1
	}
	d := k*r + m
	return upperMix(betaLadder{x: k * r / d, y: m / d, b: m}, k, k*s)
}

func valid(p, s, k float64) bool {
	return p >= 0 && s >= 0 && k > 0 && !math.IsInf(s, 1) && !math.IsInf(k, 1) && !math.IsInf(p, 1)
}

func meanCDF(p, s, k, upTo float64) float64 {
	switch {
	case !valid(p, s, k):
		return math.NaN()
	case p == 0:
		return 0
	case s == 0 && k == 1:
		return -math.Expm1(-p)
	case s == 0:
		return mathext.GammaIncReg(k, k*p)
	case k*s > upTo:
		lower, _ := saddleMean(p, s, k)
		return lower
	}
	return lowerMix(gammaLadder{x: k * p}, k, k*s)
}

func meanSurvival(p, s, k, upTo float64) float64 {
	switch {
	case !valid(p, s, k):
		return math.NaN()
	case p == 0:
		return 1
	case s == 0 && k == 1:
		return math.Exp(-p)
	case s == 0:
		return mathext.GammaIncRegComp(k, k*p)
	case k*s > upTo:
		_, upper := saddleMean(p, s, k)
		return upper
	}
	return upperMix(gammaLadder{x: k * p}, k, k*s)
}

// ladder is a family of distribution functions in a shape a that differ by a
// known step from a to a+1, so that a whole Poisson mixture needs one of them.
type ladder interface {
	lower(a float64) float64
	upper(a float64) float64
	step(a float64) float64          // lower(a) − lower(a+1)
	ratio(a float64) float64         // step(a+1)/step(a)
	around() (centre, width float64) // where step is largest, and how wide
}

// gammaLadder: lower(a) = P(a, x) (DLMF 8.8.5).
type gammaLadder struct{ x float64 }

func (l gammaLadder) lower(a float64) float64         { return mathext.GammaIncReg(a, l.x) }
func (l gammaLadder) upper(a float64) float64         { return mathext.GammaIncRegComp(a, l.x) }
func (l gammaLadder) step(a float64) float64          { return poissonMass(a, l.x) }
func (l gammaLadder) ratio(a float64) float64         { return l.x / (a + 1) }
func (l gammaLadder) around() (centre, width float64) { return l.x, math.Sqrt(l.x) + 1 }

// betaLadder: lower(a) = I_x(a, b), y = 1−x.
type betaLadder struct{ x, y, b float64 }

func (l betaLadder) lower(a float64) float64 { return mathext.RegIncBeta(a, l.b, l.x) }
func (l betaLadder) upper(a float64) float64 { return mathext.RegIncBeta(l.b, a, l.y) }
func (l betaLadder) step(a float64) float64  { return betaStep(a, l.b, l.x, l.y) }
func (l betaLadder) ratio(a float64) float64 { return (a + l.b) * l.x / (a + 1) }
func (l betaLadder) around() (centre, width float64) {
	return l.b * l.x / l.y, math.Sqrt(l.b*l.x)/l.y + 1
}

// poissonRange returns the counts that matter for the mean m: beyond them the
// weight is below about 1e-30.
func poissonRange(m float64) (lo, hi float64) {
	w := 12*math.Sqrt(m) + 1
	return math.Max(0, math.Floor(m-w)), math.Ceil(m + w + 40)
}

// lowerMix returns Σ Pois(j; mean)·lower(k+j). It walks down from the largest
// shape, so that every step is an addition of positive numbers.
func lowerMix[L ladder](l L, k, mean float64) float64 {
	if mean == 0 {
		return l.lower(k)
	}
	lo, hi := poissonRange(mean)
	c, w := l.around()
	hi = math.Min(hi, math.Ceil(c+38*w+40-k))
	if hi < lo {
		return 0
	}
	weight := poissonMass(hi, mean)
	a := k + hi
	below := l.lower(a)
	var step float64
	if hi > 0 {
		step = l.step(a - 1)
	}
	var sum float64
	for j := hi; ; j-- {
		sum += weight * below
		if j <= lo {
			return math.Min(1, sum)
		}
		a-- // now k+j−1
		below += step
		weight *= j / mean
		if j-1 > lo {
			step /= l.ratio(a - 1)
		}
	}
}

// upperMix returns Σ Pois(j; mean)·(1 − lower(k+j)), walking up.
func upperMix[L ladder](l L, k, mean float64) float64 {
	if mean == 0 {
		return l.upper(k)
	}
	lo, hi := poissonRange(mean)
	c, w := l.around()
	lo = math.Max(lo, math.Floor(c-25*w-k))
	if hi < lo {
		return 1
	}
	weight := poissonMass(lo, mean)
	a := k + lo
	above := l.upper(a)
	step := l.step(a)
	var sum, mass float64
	for j := lo; j <= hi; j++ {
		sum += weight * above
		mass += weight
		above += step
		step *= l.ratio(a)
		a++
		weight *= mean / (j + 1)
		if weight < 1e-25*mass && j > mean {
			break
		}
	}
	return math.Min(1, sum)
}

// saddleMean returns the lower and upper probability of the mean of k looks by
// the formula of Lugannani and Rice (Adv. Appl. Prob. 12 (1980) 475). Per look
// the cumulant generating function is −ln(1−t) + s·t/(1−t).
func saddleMean(p, s, k float64) (lower, upper float64) {
	e := p - s - 1
	b := 2*s + 1
	d := 2 * e / (b + math.Sqrt(b*b+4*s*e)) // 1/(1−t) − 1 at the saddlepoint
	g := 1 + d
	q := s*d*d + d - math.Log1p(d)
	if math.Abs(d) < 1e-4 {
		q = s*d*d + d*d*(0.5-d*(1./3-d/4))
	}
	k2 := g*g + 2*s*g*g*g
	k3 := 2*g*g*g + 6*s*g*g*g*g
	return lugannaniRice(k*q, d/g*math.Sqrt(k*k2), k3/(k2*math.Sqrt(k2*k)))
}

// lugannaniRice turns the saddlepoint exponent, the scaled saddlepoint u and the
// skewness into the lower and upper tail probability.
func lugannaniRice(exponent, u, skew float64) (lower, upper float64) {
	w := math.Copysign(math.Sqrt(2*math.Max(0, exponent)), u)
	c := skew / 6
	if math.Abs(w) > 1e-3 {
		c = 1/w - 1/u
	}
	t := normPDF(w) * c
	return clamp01(normCDF(w) + t), clamp01(normCDF(-w) - t)
}

// pearson returns the tail probabilities at the standardised value z of a law
// with the given skewness, taken as Pearson's type III (Johnson, Kotz &
// Balakrishnan, Continuous Univariate Distributions vol. 1, ch. 17).
func pearson(z, skew float64) (lower, upper float64) {
	if math.Abs(skew) < 2e-3 {
		c := skew / 6 * (z*z - 1) * normPDF(z)
		return clamp01(normCDF(z) - c), clamp01(normCDF(-z) + c)
	}
	k := 4 / (skew * skew)
	x := k + z*math.Copysign(math.Sqrt(k), skew)
	if x <= 0 {
		lower, upper = 0, 1
	} else {
		lower, upper = mathext.GammaIncReg(k, x), mathext.GammaIncRegComp(k, x)
	}
	if skew < 0 {
		lower, upper = upper, lower
	}
	return lower, upper
}

func clamp01(p float64) float64 { return math.Min(1, math.Max(0, p)) }

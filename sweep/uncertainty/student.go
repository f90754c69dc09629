package uncertainty

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// StudentT returns the two-sided coverage factor t_p(ν): a t law of dof degrees of
// freedom holds the fraction p within ±t. Infinite dof is the normal law. NaN
// outside 0 < p < 1, dof > 0.
func StudentT(p, dof float64) float64 {
	switch {
	case !(p > 0 && p < 1) || !(dof > 0):
		return math.NaN()
	case math.IsInf(dof, 1) || dof > 1e8:
		return mathext.NormalQuantile((1 + p) / 2)
	}
	// P(|T| > t) = I_x(ν/2, ½) at x = ν/(ν+t²) (Abramowitz & Stegun 26.7.1). The
	// inverse is taken on the side where it does not lose digits.
	if y := mathext.InvRegIncBeta(0.5, dof/2, p); y < 0.5 {
		return math.Sqrt(dof * y / (1 - y))
	}
	x := mathext.InvRegIncBeta(dof/2, 0.5, 1-p)
	return math.Sqrt(dof * (1 - x) / x)
}

// OneSidedT returns the factor that a t law exceeds with probability 1−p only.
func OneSidedT(p, dof float64) float64 {
	if !(p > 0.5 && p < 1) {
		return math.NaN()
	}
	return StudentT(2*p-1, dof)
}

// Effective returns the effective degrees of freedom after Welch and Satterthwaite,
// u⁴/Σ(u_i⁴/ν_i) with u² = combined² (GUM G.4.1), rounded down, at least one. No
// finite ν gives +Inf.
func Effective(combined float64, u, dof []float64) float64 {
	v := welchSatterthwaite(combined, u, dof)
	if math.IsInf(v, 1) {
		return v
	}
	return math.Max(1, math.Floor(v))
}

func welchSatterthwaite(combined float64, u, dof []float64) float64 {
	var sum float64
	for i := range u {
		if !math.IsInf(dof[i], 1) {
			sum += u[i] * u[i] * u[i] * u[i] / dof[i]
		}
	}
	if sum == 0 {
		return math.Inf(1)
	}
	return combined * combined * combined * combined / sum
}

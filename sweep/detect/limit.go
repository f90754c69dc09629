package detect

import "math"

// Form is the way an upper limit is defined.
type Form int

// The forms.
const (
	// CLs divides the probability under signal by the probability under noise
	// alone (Read, J. Phys. G 28 (2002) 2693). It never gives zero and
	// over-covers near the noise.
	CLs Form = iota + 1
	// Classical inverts the probability itself (Neyman). It can give zero for a
	// low reading, which says nothing about the signal.
	Classical
)

// String returns the name, "unknown" for anything else.
func (f Form) String() string {
	switch f {
	case CLs:
		return "CLs"
	case Classical:
		return "classical"
	}
	return "unknown"
}

// UpperLimit returns the upper limit on s = S/N at the given confidence, when
// the mean of k looks reads p times the known mean noise power.
func UpperLimit(form Form, confidence, p, k float64) float64 {
	return upperOf(form, confidence, p, k, func(s float64) float64 { return CDF(p, s, k) })
}

// UpperLimitEstimated returns the upper limit on s when the mean of k looks
// reads r times the mean of m looks of noise alone (noncentral F).
func UpperLimitEstimated(form Form, confidence, r, k, m float64) float64 {
	return upperOf(form, confidence, r, k, func(s float64) float64 { return RatioCDF(r, s, k, m) })
}

// UpperLimitMax returns the upper limit on s when the largest of n independent
// looks, all with the signal present, reads p times the known mean noise power:
// F(p|s,1)^n = β, or β·F(p|0,1)^n in the CLs form.
func UpperLimitMax(form Form, confidence, p, n float64) float64 {
	if !(n > 0) {
		return math.NaN()
	}
	return upperOf(form, confidence, p, 1, func(s float64) float64 { return math.Pow(CDF(p, s, 1), n) })
}

// UpperLimitPeak returns the upper limit on s when p is the highest of several
// bins, each the mean of k looks. The peak is treated as the bin of the signal:
// wherever the signal is, its bin reads at most p, so F(p|s,k) = β holds.
func UpperLimitPeak(confidence, p, k float64) float64 {
	return UpperLimit(Classical, confidence, p, k)
}

func upperOf(form Form, confidence, p, k float64, cdf func(s float64) float64) float64 {
	if !(confidence > 0 && confidence < 1) || !(p > 0) || !(k > 0) || form.String() == "unknown" {
		return math.NaN()
	}
	beta := 1 - confidence
	f0 := cdf(0)
	if form == CLs {
		beta *= f0
	}
	if f0 <= beta {
		return 0
	}
	lb := math.Log(beta)
	return solve(func(s float64) float64 { return math.Log(cdf(s)) - lb }, guess(p, k), false, 1e-11)
}

// guess is a rough upper limit to start from.
func guess(p, k float64) float64 {
	return math.Max(0, p-1) + 2*math.Sqrt((1+2*math.Max(0, p-1))/k)
}

// LowerLimit returns the lower limit on s at the given one-sided confidence,
// when the mean of k looks reads p times the known mean noise power; 0 when the
// reading could be noise alone at that confidence.
func LowerLimit(confidence, p, k float64) float64 {
	return lowerOf(confidence, p, k, func(s float64) float64 { return Survival(p, s, k) })
}

// LowerLimitEstimated is LowerLimit with the noise estimated from m looks.
func LowerLimitEstimated(confidence, r, k, m float64) float64 {
	return lowerOf(confidence, r, k, func(s float64) float64 { return RatioSurvival(r, s, k, m) })
}

func lowerOf(confidence, p, k float64, survival func(s float64) float64) float64 {
	if !(confidence > 0 && confidence < 1) || !(p > 0) || !(k > 0) {
		return math.NaN()
	}
	beta := 1 - confidence
	if survival(0) >= beta {
		return 0
	}
	return solve(func(s float64) float64 { return survival(s) - beta }, math.Max(p-1, 1/k), true, 1e-11)
}

// Interval returns the two-sided interval on s at the given confidence, half of
// the risk at each end, noise estimated from m looks (+Inf: known).
func Interval(confidence, r, k, m float64) (low, high float64) {
	one := (1 + confidence) / 2
	return LowerLimitEstimated(one, r, k, m), UpperLimitEstimated(Classical, one, r, k, m)
}

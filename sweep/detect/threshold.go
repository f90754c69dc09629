package detect

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// PerPoint returns the false-alarm probability allowed at each of f points so
// that the whole plan has at most the probability family of any false alarm:
// 1 − (1−family)^(1/f) (Šidák, J. Am. Stat. Assoc. 62 (1967) 626).
func PerPoint(family float64, f int) float64 {
	if !(family > 0 && family < 1) || f < 1 {
		return math.NaN()
	}
	return -math.Expm1(math.Log1p(-family) / float64(f))
}

// ThresholdKnown returns the ratio to the known mean noise power that the mean
// of k looks of noise exceeds with probability alpha: χ²_{1−α}(2k)/(2k).
func ThresholdKnown(alpha, k float64) float64 {
	if !(alpha > 0 && alpha < 1) || !(k > 0) {
		return math.NaN()
	}
	return mathext.GammaIncRegCompInv(k, alpha) / k
}

// ThresholdEstimated returns the ratio, mean of k looks to mean of m looks of
// noise alone, that noise exceeds with probability alpha: F_{1−α}(2k, 2m).
// An infinite m means that the noise is known.
func ThresholdEstimated(alpha, k, m float64) float64 {
	switch {
	case !(alpha > 0 && alpha < 1) || !(k > 0) || !(m > 0):
		return math.NaN()
	case math.IsInf(m, 1):
		return ThresholdKnown(alpha, k)
	case k == 1:
		return m * math.Expm1(-math.Log(alpha)/m)
	}
	y := mathext.InvRegIncBeta(m, k, alpha) // 1−x
	return m / k * (1 - y) / y
}

// ThresholdMax returns the ratio to the known mean noise power that the largest
// of n looks of noise exceeds with probability alpha: −ln(1 − (1−α)^(1/n)).
func ThresholdMax(alpha, n float64) float64 {
	if !(alpha > 0 && alpha < 1) || !(n > 0) {
		return math.NaN()
	}
	return -math.Log(-math.Expm1(math.Log1p(-alpha) / n))
}

// RankFalseAlarm returns, without any assumption on the noise law, the
// probability that the largest of k looks exceeds the largest of n other looks
// of the same noise: k/(n+k). Equal counts give one half, so a larger max hold
// with the source on is no evidence by itself.
func RankFalseAlarm(k, n int) float64 {
	if k < 1 || n < 0 {
		return math.NaN()
	}
	return float64(k) / float64(n+k)
}

// SeparationFalseAlarm returns the probability that each of n looks exceeds each
// of n other looks of the same noise: 1/C(2n, n).
func SeparationFalseAlarm(n int) float64 {
	if n < 1 {
		return math.NaN()
	}
	p := 1.0
	for i := 1; i <= n; i++ {
		p *= float64(i) / float64(n+i)
	}
	return p
}

// DetectionProbability returns the probability that the mean of k looks at a
// signal-to-noise ratio s exceeds the known-noise threshold for alpha.
func DetectionProbability(s, alpha, k float64) float64 {
	return Survival(ThresholdKnown(alpha, k), s, k)
}

// RequiredSNR returns the signal-to-noise ratio at which the mean of k looks is
// detected with probability pd, at false-alarm probability alpha and known noise.
func RequiredSNR(pd, alpha, k float64) float64 {
	t := ThresholdKnown(alpha, k)
	if math.IsNaN(t) || !(pd > alpha && pd < 1) {
		return math.NaN()
	}
	return solve(func(s float64) float64 { return Survival(t, s, k) - pd }, t, true, 1e-11)
}

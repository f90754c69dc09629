package detect

import (
	"math"

	"lidded/driver/unit"
)

// Harmonic returns H_n = Σ 1/i for i up to n, extended to real n ≥ 0 as
// ψ(n+1) + γ: the mean of the largest of n looks of noise, in units of the mean
// noise power.
func Harmonic(n float64) float64 {
	if !(n >= 0) {
		return math.NaN()
	}
	d0, _, _ := polygamma(n + 1)
	return d0 + eulerGamma
}

// Bias returns where the reading of noise alone lies on average, as a power, above
// the mean noise power: 0 for mean powers, −2.507 dB for a long log average,
// −1.049 dB for a long voltage average, 10·lg H_n for the largest of n looks.
func Bias(d Detector, n float64) unit.DB {
	switch {
	case newLaw(Looks{Detector: d, N: n}) == nil || !(n > 0):
		return unit.DB(math.NaN())
	case d.IsMax():
		return unit.PowerRatio(Harmonic(n))
	}
	return unit.PowerRatio(longRun(d))
}

// Statistics describes readings of noise alone, in decibels above the mean noise power.
type Statistics struct{ Mean, SD unit.DB }

// NoiseStatistics returns the mean and the standard deviation of the decibel
// values of readings of n looks of noise. Mean powers: 4.343·(ψ(n) − ln n) and
// 4.343·√ψ′(n); log averages: −2.507 and 5.570/√n; the rest by numerical
// integration over their law.
func NoiseStatistics(d Detector, n float64) Statistics {
	l := newLaw(Looks{Detector: d, N: n})
	if l == nil || !(n > 0) {
		return Statistics{unit.DB(math.NaN()), unit.DB(math.NaN())}
	}
	switch {
	case d.IsPower():
		d0, d1, _ := polygamma(n)
		return Statistics{unit.DB(dbPerNeper * (d0 - math.Log(n))), unit.DB(dbPerNeper * math.Sqrt(d1))}
	case d == LogAverage:
		return Statistics{unit.DB(-dbPerNeper * eulerGamma), unit.DB(dbPerNeper * math.Pi / math.Sqrt(6*n))}
	}
	var m1, m2 float64
	for _, q := range fiducial(l, l.spread()/3, 1e-16) {
		v := -math.Log(q.noise)
		m1 += q.weight * v
		m2 += q.weight * v * v
	}
	return Statistics{unit.DB(dbPerNeper * m1), unit.DB(dbPerNeper * math.Sqrt(m2-m1*m1))}
}

// NoiseCDF returns the probability that a reading of n looks of noise alone is
// at most x above the mean noise power.
func NoiseCDF(d Detector, n float64, x unit.DB) float64 {
	l := newLaw(Looks{Detector: d, N: n})
	if l == nil || !(n > 0) {
		return math.NaN()
	}
	return l.cdf(x.Power(), 0)
}

// NoiseQuantile returns the level, above the mean noise power, that a reading of n
// looks of noise alone stays below with probability p.
func NoiseQuantile(d Detector, n, p float64) unit.DB {
	l := newLaw(Looks{Detector: d, N: n})
	if l == nil || !(n > 0) || !(p > 0 && p < 1) {
		return unit.DB(math.NaN())
	}
	return unit.PowerRatio(quantile(l, p))
}

// quantile inverts the law of noise alone, in the tail where p is.
func quantile(l law, p float64) float64 { return quantileTo(l, p, 1e-11) }

func quantileTo(l law, p, tol float64) float64 {
	start := math.Exp(l.centre())
	if p < 0.5 {
		lp := math.Log(p)
		return solve(func(x float64) float64 { return math.Log(l.cdf(x, 0)) - lp }, start, true, tol)
	}
	lq := math.Log1p(-p)
	return solve(func(x float64) float64 { return math.Log(l.survival(x, 0)) - lq }, start, false, tol)
}

// MeanSD returns the first-order standard deviation in dB of the mean of k looks of
// noise: 4.343/√k in power, 5.570/√k of decibels, 4.540/√k of voltage. It assumes
// independent looks; NaN for a detector that keeps the largest.
func MeanSD(d Detector, k float64) unit.DB {
	switch {
	case !(k > 0):
	case d.IsPower():
		return unit.DB(dbPerNeper / math.Sqrt(k))
	case d == LogAverage:
		return unit.DB(dbPerNeper * math.Pi / math.Sqrt(6*k))
	case d == VoltageAverage:
		return unit.DB(2 * dbPerNeper * math.Sqrt((4/math.Pi-1)/k))
	}
	return unit.DB(math.NaN())
}

// LooksForSpread returns how many looks bring the mean to within ±half at the
// two-sided confidence, from MeanSD.
func LooksForSpread(d Detector, half unit.DB, confidence float64) float64 {
	if !(half > 0) || !(confidence > 0 && confidence < 1) {
		return math.NaN()
	}
	z := normQuantile((1 + confidence) / 2)
	r := float64(MeanSD(d, 1)) * z / float64(half)
	return r * r
}

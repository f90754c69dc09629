package detect

import "math"

// law is the distribution of one reading, in units of the mean noise power.
type law interface {
	// cdf and survival give P(X ≤ x) and P(X > x) at the signal-to-noise ratio s.
	cdf(x, s float64) float64
	survival(x, s float64) float64
	// logDensity gives ln f(v), up to a constant, of v = ln X on noise alone.
	logDensity(v float64) float64
	// centre and spread locate ln X on noise alone; both are rough.
	centre() float64
	spread() float64
	// alone drops the looks that hold noise only. Without them the reading is
	// stochastically smaller, so an upper limit taken from it is safe.
	alone() law
}

// newLaw returns the law of a reading, or nil for a detector without one.
func newLaw(l Looks) law {
	n := math.Max(1, l.N)
	bins := math.Max(1, float64(l.Bins))
	switch {
	case l.Detector.IsMax():
		return maxLaw{n: n, most: l.Most, each: math.Max(1, l.Each), idle: l.Extra + (bins-1)*(n+l.Extra), flank: l.Flank}
	case l.Detector.IsPower():
		return meanLaw{k: n, idle: bins - 1}
	case l.Detector == LogAverage:
		return logLaw{k: n, idle: bins - 1}
	case l.Detector == VoltageAverage:
		return voltageLaw{k: n, idle: bins - 1}
	}
	return nil
}

// among combines the law of the bin that holds the signal with idle others.
func among(cdf, noise, idle float64) float64 {
	if idle == 0 {
		return cdf
	}
	return cdf * math.Pow(noise, idle)
}

// amongUpper is 1 − among, from survival probabilities.
func amongUpper(survival, noise, idle float64) float64 {
	if idle == 0 {
		return survival
	}
	return -math.Expm1(math.Log1p(-survival) + idle*math.Log1p(-noise))
}

// meanLaw is the mean power of k looks, the largest of 1 + idle such bins.
type meanLaw struct{ k, idle float64 }

func (l meanLaw) cdf(x, s float64) float64 {
	f := meanCDF(x, s, l.k, fastUpTo)
	if l.idle == 0 {
		return f
	}
	return among(f, meanCDF(x, 0, l.k, fastUpTo), l.idle)
}

func (l meanLaw) survival(x, s float64) float64 {
	f := meanSurvival(x, s, l.k, fastUpTo)
	if l.idle == 0 {
		return f
	}
	return amongUpper(f, meanSurvival(x, 0, l.k, fastUpTo), l.idle)
}

func (l meanLaw) logDensity(v float64) float64 {
	d := l.k * (v - math.Expm1(v))
	if l.idle > 0 {
		d += l.idle * math.Log(meanCDF(math.Exp(v), 0, l.k, fastUpTo))
	}
	return d
}

func (l meanLaw) centre() float64 {
	return math.Log(quantileOf(l.idle+1, func(a float64) float64 { return ThresholdKnown(a, l.k) }))
}

func (l meanLaw) spread() float64 {
	_, d1, _ := polygamma(l.k)
	return math.Sqrt(d1) / math.Sqrt(1+math.Log1p(l.idle))
}

func (l meanLaw) alone() law { return meanLaw{k: l.k} }

// quantileOf returns the median of the largest of n, given the upper quantile of one.
func quantileOf(n float64, upper func(alpha float64) float64) float64 {
	return upper(-math.Expm1(-math.Ln2 / n))
}

// maxLaw is the largest of n looks with the signal and idle looks without it,
// each look the mean power of each independent ones. A filter that is swept over
// the carrier looks at it from its flanks, too: flank looks per RBW, for each of
// the n. Where the number of looks is known to lie from n to most only, each
// number is as likely as the next on a logarithmic scale.
type maxLaw struct{ n, most, each, idle, flank float64 }

// flankReach is how far off the middle, in RBW, a look still counts: there a
// Gaussian filter is 12 dB down.
const flankReach = 1

// flankGain is what a Gaussian filter lets in x RBW off its middle, as a power:
// 3.0103·(2x)² dB down.
func flankGain(x float64) float64 { return math.Exp2(-4 * x * x) }

// perSweep adds up, over the looks of one passage, the logarithm of one look's
// law: independent looks multiply (David & Nagaraja, Order Statistics, 3rd ed.
// 2003, ch. 2: F^n).
func (l maxLaw) perSweep(x, s float64, look func(x, s, k float64) float64) float64 {
	sum := look(x, s, l.each)
	if l.flank > 0 {
		for j := 1.0; j <= flankReach*l.flank; j++ {
			sum += 2 * look(x, s*flankGain(j/l.flank), l.each)
		}
	}
	return sum
}

// over averages g, a function of the number of looks, over what that may be, by
// Gauss and Legendre's rule with three nodes in the logarithm.
func (l maxLaw) over(g func(n float64) float64) float64 {
	if l.most <= l.n {
		return g(l.n)
	}
	middle, half := math.Log(l.n*l.most)/2, math.Log(l.most/l.n)/2
	d := half * math.Sqrt(0.6)
	return (5*g(math.Exp(middle-d)) + 8*g(math.Exp(middle)) + 5*g(math.Exp(middle+d))) / 18
}

func logLower(x, s, k float64) float64 { return math.Log(meanCDF(x, s, k, fastUpTo)) }

func logNotUpper(x, s, k float64) float64 { return math.Log1p(-meanSurvival(x, s, k, fastUpTo)) }

func (l maxLaw) cdf(x, s float64) float64 {
	one := l.perSweep(x, s, logLower)
	idle := 0.0
	if l.idle > 0 {
		idle = l.idle * logLower(x, 0, l.each)
	}
	return l.over(func(n float64) float64 { return math.Exp(n*one + idle) })
}

func (l maxLaw) survival(x, s float64) float64 {
	one := l.perSweep(x, s, logNotUpper)
	idle := 0.0
	if l.idle > 0 {
		idle = l.idle * logNotUpper(x, 0, l.each)
	}
	return l.over(func(n float64) float64 { return -math.Expm1(n*one + idle) })
}

func (l maxLaw) logDensity(v float64) float64 {
	q := math.Exp(v)
	return l.each*(v-q) + (l.n+l.idle-1)*logLower(q, 0, l.each)
}

// upper is the upper quantile of the largest of n looks of noise.
func (l maxLaw) upper(alpha, n float64) float64 {
	if l.each == 1 {
		return ThresholdMax(alpha, n)
	}
	return ThresholdKnown(-math.Expm1(math.Log1p(-alpha)/n), l.each)
}

func (l maxLaw) centre() float64 { return math.Log(l.upper(0.5, l.n+l.idle)) }

func (l maxLaw) spread() float64 {
	n := l.n + l.idle
	// The 16 % and 84 % quantiles, a standard deviation either side for a normal law.
	return math.Log(l.upper(0.16, n)/l.upper(0.84, n)) / 2
}

func (l maxLaw) alone() law { return maxLaw{n: l.n, each: l.each} }

// carrier is the law without idle looks: what the signal itself reads.
func (l maxLaw) carrier() law { l.idle = 0; return l }

// logLaw is the exponential of the mean natural logarithm of the power of k
// looks, the largest of 1 + idle such bins.
type logLaw struct{ k, idle float64 }

func (l logLaw) tails(x, s float64) (lower, upper float64) {
	if l.k == 1 {
		return meanCDF(x, s, 1, fastUpTo), meanSurvival(x, s, 1, fastUpTo)
	}
	return logTails(math.Log(x), s, l.k)
}

func (l logLaw) cdf(x, s float64) float64 {
	f, _ := l.tails(x, s)
	if l.idle == 0 {
		return f
	}
	f0, _ := l.tails(x, 0)
	return among(f, f0, l.idle)
}

func (l logLaw) survival(x, s float64) float64 {
	_, u := l.tails(x, s)
	if l.idle == 0 {
		return u
	}
	_, u0 := l.tails(x, 0)
	return amongUpper(u, u0, l.idle)
}

func (l logLaw) logDensity(v float64) float64 {
	t := logSaddle(v, 0)
	k := logCumulants(t, 0)
	d := l.k*(k.k0-t*v) - 0.5*math.Log(k.k2)
	if l.idle > 0 {
		f, _ := l.tails(math.Exp(v), 0)
		d += l.idle * math.Log(f)
	}
	return d
}

func (l logLaw) centre() float64 {
	c := -eulerGamma
	if l.idle > 0 {
		c += l.sd() * normQuantile(math.Exp(-math.Ln2/(l.idle+1)))
	}
	return c
}

func (l logLaw) sd() float64 { return math.Pi / math.Sqrt(6*l.k) }

func (l logLaw) spread() float64 { return l.sd() / math.Sqrt(1+math.Log1p(l.idle)) }

func (l logLaw) alone() law { return logLaw{k: l.k} }

// Package noise draws what a spectrum analyzer's detectors show of thermal
// noise with and without a steady carrier.
//
// Power is in units of the mean noise power unless said otherwise. One look at
// noise is exponentially distributed; one look at a carrier of power s in noise
// of power 1 has Rician amplitude. The package owns the statistics only: it
// knows no frequency, no filter and no instrument.
package noise

import "math"

// EulerGamma is the Euler-Mascheroni constant: the mean of -ln of a unit
// exponential (NIST DLMF 5.2.3).
const EulerGamma = 0.57721566490153286060651209008240243

// LooksPerTimeBandwidth is the number of independent looks in a time T at a
// Gaussian filter of 3 dB bandwidth B, per B·T: the inverse integral of the
// squared envelope correlation, sqrt(2π/(4 ln 2)) = 1.505.
var LooksPerTimeBandwidth = math.Sqrt(2 * math.Pi / (4 * math.Ln2))

// Survival returns P(power > x) for a carrier of power s in noise of power 1:
// the Marcum function Q1(sqrt(2s), sqrt(2x)).
func Survival(x, s float64) float64 {
	if x <= 0 {
		return 1
	}
	if s > 400 || x > 600 {
		a, b := math.Sqrt(2*s), math.Sqrt(2*x)
		if s <= 0 {
			return math.Exp(-x)
		}
		// Narrow ring: the amplitude is normal about a + 1/(2a).
		return 0.5 * math.Erfc((b-a-1/(2*a))/math.Sqrt2)
	}
	// Poisson mixture of Erlang tails.
	pois := math.Exp(-s)
	term := math.Exp(-x) // x^i e^-x / i!
	tail := term
	left := 1 - pois
	sum := pois * tail
	for j := 1; j < 4000; j++ {
		pois *= s / float64(j)
		term *= x / float64(j)
		tail += term
		sum += pois * tail
		left -= pois
		if left < 1e-15 || float64(j) > s && pois < 1e-17*sum {
			break
		}
	}
	return sum
}

// Quantile returns the power x that is exceeded with probability q by a carrier
// of power s in noise of power 1.
func Quantile(q, s float64) float64 {
	if q >= 1 {
		return 0
	}
	if q < 1e-300 {
		q = 1e-300
	}
	if s <= 0 {
		return -math.Log(q)
	}
	if s > 400 {
		a := math.Sqrt(2 * s)
		b := a + 1/(2*a) + upperNormal(q)
		return max(0, b*b/2)
	}
	lo, hi := 0.0, s+10
	for Survival(hi, s) > q && hi < 600 {
		lo, hi = hi, hi*1.5
	}
	for range 60 {
		mid := (lo + hi) / 2
		if Survival(mid, s) > q {
			lo = mid
		} else {
			hi = mid
		}
		if hi-lo < 1e-9*hi {
			break
		}
	}
	return (lo + hi) / 2
}

// upperNormal returns z with P(Z > z) = q for a standard normal Z.
func upperNormal(q float64) float64 {
	if q < 1e-14 {
		// Asymptotic tail, good to 1 % here.
		l := -2 * math.Log(q)
		return math.Sqrt(l - math.Log(2*math.Pi*l))
	}
	return math.Sqrt2 * math.Erfcinv(2*q)
}

// E1 is the exponential integral, x > 0 (NIST DLMF 6.6.2 and 6.9.1).
func E1(x float64) float64 {
	if x <= 0 {
		return math.Inf(1)
	}
	if x < 1 {
		sum := -EulerGamma - math.Log(x)
		term := -1.0
		for k := 1; k < 60; k++ {
			term *= -x / float64(k)
			sum += term / float64(k)
		}
		return sum
	}
	// Continued fraction, evaluated backwards.
	f := 0.0
	for k := 80; k >= 1; k-- {
		f = float64(k) / (1 + float64(k)/(x+f))
	}
	return math.Exp(-x) / (x + f)
}

// MeanLog returns E[ln p] for a carrier of power s in noise of power 1:
// ln s + E1(s), and -γ for s = 0.
func MeanLog(s float64) float64 {
	if s < 1e-12 {
		return -EulerGamma + s
	}
	if s > 700 {
		return math.Log(s)
	}
	return math.Log(s) + E1(s)
}

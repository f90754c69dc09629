package detect

import "math"

// cumulants holds the cumulant generating function of one look at a point and
// its first three derivatives.
type cumulants struct{ k0, k1, k2, k3 float64 }

// logCumulants gives the cumulant generating function of ln p at t > −1, where
// p is the power of one look at the signal-to-noise ratio s, in units of the
// noise. On noise E[p^t] = Γ(1+t); with a signal it is the Poisson mixture
// Σ Pois(j; s)·Γ(1+j+t)/j!.
func logCumulants(t, s float64) cumulants {
	if s == 0 {
		l, _ := math.Lgamma(1 + t)
		d0, d1, d2 := polygamma(1 + t)
		return cumulants{l, d0, d1, d2}
	}
	lo, hi := poissonRange(s)
	if hi > 2*s+40 {
		hi = math.Ceil(2*s + 40)
	}
	g0, _ := math.Lgamma(1 + lo + t)
	f0, _ := math.Lgamma(1 + lo)
	base := g0 - f0 + lo*math.Log(s) - s
	d0, d1, d2 := polygamma(1 + lo + t)
	// w: the term relative to the first; m: its moments of the derivatives.
	w := 1.0
	var m0, m1, m2, m3 float64
	for j := lo; ; j++ {
		m0 += w
		m1 += w * d0
		m2 += w * (d0*d0 + d1)
		m3 += w * (d0*d0*d0 + 3*d0*d1 + d2)
		if j >= hi || (w < 1e-17*m0 && j > s) {
			break
		}
		i := 1 / (1 + j + t)
		w *= (1 + j + t) * s / ((1 + j) * (1 + j))
		d0 += i
		d1 -= i * i
		d2 += 2 * i * i * i
	}
	m1 /= m0
	m2 /= m0
	m3 /= m0
	return cumulants{
		base + math.Log(m0),
		m1,
		m2 - m1*m1,
		m3 - 3*m1*m2 + 2*m1*m1*m1,
	}
}

// logSaddle solves K′(t) = v by Newton steps that stay right of the pole at −1.
func logSaddle(v, s float64) float64 {
	t, _ := logSaddleAt(v, s)
	return t
}

func logSaddleAt(v, s float64) (float64, cumulants) {
	t := 0.0
	if s == 0 && v < -1 {
		t = -1 - 1/(v-1) // ψ(1+t) ≈ −1/(1+t)
	}
	c := logCumulants(t, s)
	for i := 0; i < 60; i++ {
		step := (v - c.k1) / c.k2
		next := t + step
		if next <= -1 {
			next = -1 + (1+t)/4
		} else {
			next = math.Min(next, 2*t+3) // the function is concave: do not overrun
		}
		if math.Abs(next-t) <= 1e-9*(1+math.Abs(t)) {
			return next, logCumulants(next, s)
		}
		t = next
		c = logCumulants(t, s)
	}
	return t, c
}

// logMoments gives the first three cumulants of ln p. Above s = 100 they are the
// expansion in 1/s of the logarithm of s^t·₂F₀(−t, −t; ; 1/s) (DLMF 13.7.2).
func logMoments(s float64) cumulants {
	if s > 100 {
		e := 1 / s
		return cumulants{0, math.Log(s), 2*e + e*e + 4*e*e*e/3, -6*e*e - 12*e*e*e}
	}
	return logCumulants(0, s)
}

// saddleUpTo is the signal-to-noise ratio up to which the saddlepoint is used for
// a log average. Above, the pole of the generating function at t = −1, of weight
// e^(−s), no longer shapes the law, and three moments describe it better.
const saddleUpTo = 2

// logTails returns the lower and upper probability that the mean of ln p over
// k looks is at most v (Lugannani and Rice 1980, or three moments).
func logTails(v, s, k float64) (lower, upper float64) {
	if math.IsInf(v, -1) {
		return 0, 1
	}
	if s > saddleUpTo {
		c := logMoments(s)
		return pearson((v-c.k1)*math.Sqrt(k/c.k2), c.k3/(c.k2*math.Sqrt(c.k2*k)))
	}
	t, c := logSaddleAt(v, s)
	return lugannaniRice(k*(t*v-c.k0), t*math.Sqrt(k*c.k2), c.k3/(c.k2*math.Sqrt(c.k2*k)))
}

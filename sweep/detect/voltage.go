package detect

import (
	"math"
	"sync"
)

// voltageLaw is the square of the mean envelope voltage of k looks, the largest
// of 1 + idle such bins.
type voltageLaw struct{ k, idle float64 }

// rayleighGrid is the density of one amplitude of noise (mean power one) on a
// grid, for the trapezoidal rule; the weights are normalised.
type rayleighGrid struct{ a, w [gridSize]float64 }

const gridSize = 97

var rayleigh = sync.OnceValue(func() *rayleighGrid {
	g := new(rayleighGrid)
	const h = 6.0 / (gridSize - 1)
	var sum float64
	for i := range g.a {
		a := h * float64(i)
		g.a[i] = a
		g.w[i] = a * math.Exp(-a*a)
		sum += g.w[i]
	}
	// The density leaves zero with a slope: first Euler–Maclaurin term.
	g.w[0] = h / 12
	sum += g.w[0]
	for i := range g.w {
		g.w[i] /= sum
	}
	return g
})

// cumulants gives the cumulant generating function of the amplitude at t.
func (g *rayleighGrid) cumulants(t float64) cumulants {
	// The factors e^(t·a) are a geometric row; it starts where it is largest.
	first, dir := 0, 1
	if t > 0 {
		first, dir = gridSize-1, -1
	}
	shift := g.a[first]
	q := math.Exp(-math.Abs(t) * (g.a[1] - g.a[0]))
	e := 1.0
	var m0, m1, m2, m3 float64
	for i := first; i >= 0 && i < gridSize; i += dir {
		a := g.a[i]
		w := g.w[i] * e
		m0 += w
		m1 += w * a
		m2 += w * a * a
		m3 += w * a * a * a
		e *= q
	}
	m1 /= m0
	m2 /= m0
	m3 /= m0
	return cumulants{math.Log(m0) + t*shift, m1, m2 - m1*m1, m3 - 3*m1*m2 + 2*m1*m1*m1}
}

// saddle solves K′(t) = a by Newton steps of limited length.
func (g *rayleighGrid) saddle(a float64) (float64, cumulants) {
	t := 0.0
	c := g.cumulants(t)
	for i := 0; i < 80; i++ {
		step := (a - c.k1) / c.k2
		step = math.Max(-2-math.Abs(t), math.Min(2+math.Abs(t), step))
		t += step
		c = g.cumulants(t)
		if math.Abs(step) <= 1e-9*(1+math.Abs(t)) || math.Abs(t) > 1e5 {
			break
		}
	}
	return t, c
}

// noiseTails is the law of noise alone, from the saddlepoint.
func (l voltageLaw) noiseTails(x float64) (lower, upper float64) {
	g := rayleigh()
	a := math.Sqrt(x)
	switch {
	case a <= g.a[0]+1e-6:
		return 0, 1
	case a >= g.a[gridSize-1]-1e-6:
		return 1, 0
	}
	t, c := g.saddle(a)
	return lugannaniRice(l.k*(t*a-c.k0), t*math.Sqrt(l.k*c.k2), c.k3/(c.k2*math.Sqrt(c.k2*l.k)))
}

// riceMoments gives the first three cumulants of the Rician amplitude in units
// of the root of the mean noise power.
func riceMoments(s float64) cumulants {
	m1 := riceMean(s)
	if s > 40 {
		return cumulants{0, m1, 0.5 - 1/(8*s), 0}
	}
	m3 := riceThird(s)
	v := 1 + s - m1*m1
	return cumulants{0, m1, v, m3 - 3*m1*v - m1*m1*m1}
}

// tails is the law with a signal, from three moments.
func (l voltageLaw) tails(x, s float64) (lower, upper float64) {
	if l.k == 1 {
		return meanCDF(x, s, 1, fastUpTo), meanSurvival(x, s, 1, fastUpTo)
	}
	c := riceMoments(s)
	return pearson((math.Sqrt(x)-c.k1)*math.Sqrt(l.k/c.k2), c.k3/(c.k2*math.Sqrt(c.k2*l.k)))
}

func (l voltageLaw) cdf(x, s float64) float64 {
	f, _ := l.tails(x, s)
	if l.idle == 0 {
		return f
	}
	f0, _ := l.noiseTails(x)
	return among(f, f0, l.idle)
}

func (l voltageLaw) survival(x, s float64) float64 {
	var u float64
	if s == 0 {
		_, u = l.noiseTails(x)
	} else {
		_, u = l.tails(x, s)
	}
	if l.idle == 0 {
		return u
	}
	_, u0 := l.noiseTails(x)
	return amongUpper(u, u0, l.idle)
}

func (l voltageLaw) logDensity(v float64) float64 {
	g := rayleigh()
	a := math.Exp(v / 2)
	if a <= g.a[0]+1e-6 || a >= g.a[gridSize-1]-1e-6 {
		return math.Inf(-1)
	}
	t, c := g.saddle(a)
	d := l.k*(c.k0-t*a) - 0.5*math.Log(c.k2) + v/2 // da/dv = a/2
	if l.idle > 0 {
		f, _ := l.noiseTails(a * a)
		d += l.idle * math.Log(f)
	}
	return d
}

func (l voltageLaw) centre() float64 {
	c := math.Log(math.Pi / 4)
	if l.idle > 0 {
		c += l.sd() * normQuantile(math.Exp(-math.Ln2/(l.idle+1)))
	}
	return c
}

// sd is that of ln X: twice the relative standard deviation of a Rayleigh mean.
func (l voltageLaw) sd() float64 { return 2 * math.Sqrt((4/math.Pi-1)/l.k) }

func (l voltageLaw) spread() float64 { return l.sd() / math.Sqrt(1+math.Log1p(l.idle)) }

func (l voltageLaw) alone() law { return voltageLaw{k: l.k} }

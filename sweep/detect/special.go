package detect

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

const (
	eulerGamma = 0.57721566490153286061
	dbPerNeper = 10 / math.Ln10 // decibels of power per unit of natural logarithm
)

// stirling returns lnΓ(n+1) − [½ln(2πn) + n·ln n − n], the error of Stirling's
// formula (Loader, "Fast and accurate computation of binomial probabilities", 2000).
func stirling(n float64) float64 {
	if n < 16 {
		lg, _ := math.Lgamma(n + 1)
		if n == 0 {
			return math.Inf(1)
		}
		return lg - (0.5*math.Log(2*math.Pi*n) + n*math.Log(n) - n)
	}
	n2 := n * n
	return (1./12 - (1./360-(1./1260-(1./1680)/n2)/n2)/n2) / n
}

// deviance returns x·ln(x/m) + m − x without cancellation (Loader 2000, bd0).
func deviance(x, m float64) float64 {
	if d := x - m; math.Abs(d) < 0.1*(x+m) {
		v := d / (x + m)
		s := d * v
		e := 2 * x * v
		v *= v
		for j := 1; j < 1000; j++ {
			e *= v
			t := s + e/float64(2*j+1)
			if t == s {
				return t
			}
			s = t
		}
		return s
	}
	return x*math.Log(x/m) + m - x
}

// poissonMass returns m^a·e^(−m)/Γ(a+1) for real a ≥ 0.
func poissonMass(a, m float64) float64 {
	if m == 0 {
		if a == 0 {
			return 1
		}
		return 0
	}
	if a == 0 {
		return math.Exp(-m)
	}
	if a < 1e-3*m || a < 1 {
		lg, _ := math.Lgamma(a + 1)
		return math.Exp(a*math.Log(m) - m - lg)
	}
	return math.Exp(-stirling(a)-deviance(a, m)) / math.Sqrt(2*math.Pi*a)
}

// betaStep returns Γ(a+b)/(Γ(a+1)Γ(b))·x^a·y^b with y = 1−x, which is
// I_x(a,b) − I_x(a+1,b) (DLMF 8.17.20).
func betaStep(a, b, x, y float64) float64 {
	if x == 0 || y == 0 {
		return 0
	}
	n := a + b
	if a < 1 || b < 1 {
		l1, _ := math.Lgamma(n)
		l2, _ := math.Lgamma(a + 1)
		l3, _ := math.Lgamma(b)
		return math.Exp(l1 - l2 - l3 + a*math.Log(x) + b*math.Log(y))
	}
	c := stirling(n) - stirling(a) - stirling(b) - deviance(a, n*x) - deviance(b, n*y)
	return math.Exp(c) * math.Sqrt(n/(2*math.Pi*a*b)) * b / n
}

// polygamma returns ψ(a), ψ′(a) and ψ″(a) for a > 0 (recurrence and the
// asymptotic series, Abramowitz & Stegun 6.3.18, 6.4.11 to 6.4.13).
func polygamma(a float64) (d0, d1, d2 float64) {
	for a < 12 {
		i := 1 / a
		d0 -= i
		d1 += i * i
		d2 -= 2 * i * i * i
		a++
	}
	i := 1 / a
	q := i * i
	d0 += math.Log(a) - i/2 - q*(1./12-q*(1./120-q*(1./252-q*(1./240-q/132))))
	d1 += i + q/2 + q*i*(1./6-q*(1./30-q*(1./42-q*(1./30-q*5/66))))
	d2 -= q + q*i + q*q*(1./2-q*(1./6-q*(1./6-q*(3./10-q*5/6))))
	return d0, d1, d2
}

// expInt1 returns the exponential integral E1(x), x > 0 (Abramowitz & Stegun
// 5.1.11 for x ≤ 1, the continued fraction 5.1.22 above, by Lentz's method).
func expInt1(x float64) float64 {
	if x <= 1 {
		sum, term := 0.0, 1.0
		for n := 1; n < 60; n++ {
			term *= -x / float64(n)
			t := sum - term/float64(n)
			if t == sum {
				break
			}
			sum = t
		}
		return -eulerGamma - math.Log(x) + sum
	}
	b := x + 1
	c := math.Inf(1)
	d := 1 / b
	h := d
	for i := 1; i < 200; i++ {
		an := -float64(i) * float64(i)
		b += 2
		d = 1 / (an*d + b)
		c = b + an/c
		h *= c * d
		if math.Abs(c*d-1) < 1e-15 {
			break
		}
	}
	return h * math.Exp(-x)
}

// normCDF is the standard normal distribution function.
func normCDF(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }

// normPDF is the standard normal density.
func normPDF(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }

// normQuantile is the inverse of normCDF.
func normQuantile(p float64) float64 { return mathext.NormalQuantile(p) }

// root finds the zero of f between a and b, where f changes sign, by
// Chandrupatla's method (Adv. Eng. Softw. 28 (1997) 145), to the relative
// tolerance tol. fa and fb are f(a) and f(b).
func root(f func(float64) float64, a, b, fa, fb, tol float64) float64 {
	if fa == 0 {
		return a
	}
	if fb == 0 {
		return b
	}
	t := 0.5
	for i := 0; i < 100; i++ {
		x := a + t*(b-a)
		fx := f(x)
		var c, fc float64
		if (fx > 0) == (fa > 0) {
			c, fc = a, fa
		} else {
			c, fc = b, fb
			b, fb = a, fa
		}
		a, fa = x, fx
		best, fbest := a, fa
		if math.Abs(fb) < math.Abs(fa) {
			best, fbest = b, fb
		}
		if fbest == 0 || math.Abs(b-a) <= tol*math.Abs(best)+1e-300 {
			return best
		}
		tl := 0.5 * tol * math.Abs(best) / math.Abs(b-a)
		xi := (a - b) / (c - b)
		phi := (fa - fb) / (fc - fb)
		if phi*phi < xi && (1-phi)*(1-phi) < 1-xi {
			t = fa/(fb-fa)*fc/(fb-fc) + (c-a)/(b-a)*fa/(fc-fa)*fb/(fc-fb)
		} else {
			t = 0.5
		}
		t = math.Min(1-tl, math.Max(tl, t))
	}
	return 0.5 * (a + b)
}

// solve finds the zero of the monotone function f on x > 0 from the guess x0;
// rising says whether f grows with x. It returns 0 when f has no zero above tiny
// values, and NaN when it has none below huge ones.
func solve(f func(float64) float64, x0 float64, rising bool, tol float64) float64 {
	a, fa := x0, f(x0)
	if fa == 0 {
		return a
	}
	forward := rising == (fa < 0)
	for k := 1.3; ; k = math.Min(k*k, 16) {
		b := a * k
		if !forward {
			b = a / k
		}
		fb := f(b)
		switch {
		case math.IsNaN(fb) || b > 1e30*x0:
			return math.NaN()
		case b < 1e-30*x0:
			return 0
		case fb == 0 || (fb > 0) != (fa > 0):
			return root(f, a, b, fa, fb, tol)
		}
		a, fa = b, fb
	}
}

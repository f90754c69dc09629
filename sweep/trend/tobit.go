package trend

import (
	"errors"
	"math"
)

// datum is a row of a regression: y is a value, or the truth is at least y.
type datum struct {
	y     float64
	bound bool
	x     []float64 // regressors, the constant among them
}

// fitted is a normal regression on values and lower bounds.
type fitted struct {
	beta    []float64
	sigma   float64 // maximum likelihood
	logLike float64
}

var errNoFit = errors.New("the likelihood has no maximum")

const mostSteps = 200

// fit maximises the likelihood of a normal regression with right-censored rows
// (Tobin, Econometrica 26, 1958, 24), in the parameters beta/sigma and 1/sigma, in
// which it is concave (Olsen, Econometrica 46, 1978, 1211). Values are taken to be
// read to within resolution, which keeps sigma from vanishing: without bounds,
// sigma² is the mean square of the residuals plus resolution². At least one row
// must be a value.
func fit(rows []datum, resolution float64) (fitted, error) {
	if len(rows) == 0 {
		return fitted{}, errNoFit
	}
	p := len(rows[0].x)
	center, spread, n := 0.0, 0.0, 0.0
	for _, r := range rows {
		if !r.bound {
			center += r.y
			n++
		}
	}
	if n == 0 {
		return fitted{}, errNoFit
	}
	center /= n
	for _, r := range rows {
		spread += (r.y - center) * (r.y - center)
	}
	s := solver{rows: rows, p: p, n: n, center: center, res2: resolution * resolution}
	s.init()
	// Beginning at the mean with the spread of everything, bounds as if values.
	s.theta[p] = 1 / math.Sqrt(spread/float64(len(rows))+s.res2+1e-12)
	best := s.value(s.theta)
	for range mostSteps {
		s.derive()
		if !s.solve() {
			return fitted{}, errNoFit
		}
		gain := 0.0
		for i := range s.theta {
			gain += s.grad[i] * s.step[i]
		}
		if gain < 1e-10 {
			return s.result(best), nil
		}
		moved := false
		for scale := 1.0; scale > 1e-10; scale /= 2 {
			for i := range s.theta {
				s.trial[i] = s.theta[i] + scale*s.step[i]
			}
			if s.trial[p] <= 0 {
				continue
			}
			if v := s.value(s.trial); v > best {
				best, moved = v, true
				copy(s.theta, s.trial)
				break
			}
		}
		if !moved {
			return s.result(best), nil
		}
	}
	return fitted{}, errNoFit
}

// solver holds one Newton search; theta is (beta/sigma …, 1/sigma) for values
// counted from center.
type solver struct {
	rows                     []datum
	p                        int
	n, center, res2          float64
	theta, trial, grad, step []float64
	hess                     []float64 // minus the second derivatives, rows one after the other
}

func (s *solver) init() {
	k := s.p + 1
	all := make([]float64, 4*k+k*k)
	s.theta, s.trial, s.grad, s.step, s.hess = all[:k:k], all[k:2*k:2*k], all[2*k:3*k:3*k], all[3*k:4*k:4*k], all[4*k:]
}

func (s *solver) z(r datum, theta []float64) float64 {
	z := theta[s.p] * (r.y - s.center)
	for i, x := range r.x {
		z -= theta[i] * x
	}
	return z
}

func (s *solver) value(theta []float64) float64 {
	g := theta[s.p]
	v := s.n*(math.Log(g)-0.5*math.Log(2*math.Pi)) - 0.5*s.n*g*g*s.res2
	for _, r := range s.rows {
		if z := s.z(r, theta); r.bound {
			v += logAbove(z)
		} else {
			v -= z * z / 2
		}
	}
	return v
}

func (s *solver) derive() {
	p, k := s.p, s.p+1
	clear(s.grad)
	clear(s.hess)
	g := s.theta[p]
	s.grad[p] = s.n/g - s.n*g*s.res2
	s.hess[k*k-1] = s.n/(g*g) + s.n*s.res2
	for _, r := range s.rows {
		d, w := weigh(s.z(r, s.theta), r.bound)
		y := r.y - s.center
		for i, x := range r.x {
			s.grad[i] += d * x
			for j := range i + 1 {
				s.hess[i*k+j] += w * x * r.x[j]
			}
			s.hess[p*k+i] -= w * x * y
		}
		s.grad[p] -= d * y
		s.hess[k*k-1] += w * y * y
	}
}

// solve finds the Newton step by a Cholesky decomposition, in place.
func (s *solver) solve() bool {
	k, h := s.p+1, s.hess
	for j := range k {
		for m := range j {
			h[j*k+j] -= h[j*k+m] * h[j*k+m]
		}
		if !(h[j*k+j] > 1e-14) {
			return false
		}
		h[j*k+j] = math.Sqrt(h[j*k+j])
		for i := j + 1; i < k; i++ {
			for m := range j {
				h[i*k+j] -= h[i*k+m] * h[j*k+m]
			}
			h[i*k+j] /= h[j*k+j]
		}
	}
	for i := range k {
		s.step[i] = s.grad[i]
		for m := range i {
			s.step[i] -= h[i*k+m] * s.step[m]
		}
		s.step[i] /= h[i*k+i]
	}
	for i := k - 1; i >= 0; i-- {
		for m := i + 1; m < k; m++ {
			s.step[i] -= h[m*k+i] * s.step[m]
		}
		s.step[i] /= h[i*k+i]
	}
	return true
}

func (s *solver) result(logLike float64) fitted {
	f := fitted{sigma: 1 / s.theta[s.p], logLike: logLike, beta: make([]float64, s.p)}
	for i := range f.beta {
		f.beta[i] = s.theta[i] * f.sigma
	}
	// The constant, where there is one, is the first regressor.
	f.beta[0] += s.center
	return f
}

// weigh gives the derivative of a row's log likelihood by its mean, in units of
// 1/sigma, and minus the second derivative.
func weigh(z float64, bound bool) (d, w float64) {
	if !bound {
		return z, 1
	}
	d = hazard(z)
	return d, max(0, d*(d-z))
}

// logAbove is the logarithm of the normal probability above z.
func logAbove(z float64) float64 {
	if z > 25 { // Abramowitz & Stegun 26.2.12
		return -z*z/2 - math.Log(z) - 0.5*math.Log(2*math.Pi) + math.Log1p(-1/(z*z))
	}
	return math.Log(0.5 * math.Erfc(z/math.Sqrt2))
}

// hazard is the normal density at z over the probability above it.
func hazard(z float64) float64 {
	return math.Exp(-z*z/2 - 0.5*math.Log(2*math.Pi) - logAbove(z))
}

package uncertainty

import (
	"math"
	"math/rand/v2"
	"slices"
)

// Draw gives one value of a quantity.
type Draw func(r *rand.Rand) float64

// NormalDraw is a normal law.
func NormalDraw(mean, sd float64) Draw {
	return func(r *rand.Rand) float64 { return mean + sd*r.NormFloat64() }
}

// RectangularDraw is even between lo and hi.
func RectangularDraw(lo, hi float64) Draw {
	return func(r *rand.Rand) float64 { return lo + (hi-lo)*r.Float64() }
}

// TriangularDraw is the symmetric triangle of the half-width about mean.
func TriangularDraw(mean, half float64) Draw {
	return func(r *rand.Rand) float64 { return mean + half*(r.Float64()+r.Float64()-1) }
}

// UShapedDraw is the arcsine law of the half-width about mean.
func UShapedDraw(mean, half float64) Draw {
	return func(r *rand.Rand) float64 { return mean + half*math.Sin(2*math.Pi*r.Float64()) }
}

// TDraw is a scaled and shifted t law (JCGM 101:2008 6.4.9).
func TDraw(mean, scale, dof float64) Draw {
	return func(r *rand.Rand) float64 { return mean + scale*studentDraw(r, dof) }
}

// studentDraw is a t variate by Bailey's polar method (Math. Comp. 62 (1994) 779).
func studentDraw(r *rand.Rand, dof float64) float64 {
	if math.IsInf(dof, 1) {
		return r.NormFloat64()
	}
	for {
		u, v := 2*r.Float64()-1, 2*r.Float64()-1
		w := u*u + v*v
		if w > 0 && w <= 1 {
			return u * math.Sqrt(dof*math.Expm1(-2*math.Log(w)/dof)/w)
		}
	}
}

// Sample is a sorted set of values of a result.
type Sample []float64

// Mean and SD describe the sample.
func (s Sample) Mean() float64 {
	var m float64
	for _, v := range s {
		m += v
	}
	return m / float64(len(s))
}

// SD is the standard deviation.
func (s Sample) SD() float64 {
	m := s.Mean()
	var q float64
	for _, v := range s {
		q += (v - m) * (v - m)
	}
	return math.Sqrt(q / float64(len(s)-1))
}

// Symmetric returns the interval of coverage p with equal tails (JCGM 101:2008 7.7.2).
func (s Sample) Symmetric(p float64) (lo, hi float64) {
	n := float64(len(s))
	q := int(p*n + 0.5)
	r := (len(s) - q) / 2
	return s[r], s[min(r+q, len(s)-1)]
}

// Shortest returns the shortest interval of coverage p (JCGM 101:2008 5.3.4).
func (s Sample) Shortest(p float64) (lo, hi float64) {
	q := min(int(p*float64(len(s))+0.5), len(s)-1)
	lo, hi = s[0], s[q]
	for r := 1; r+q < len(s); r++ {
		if s[r+q]-s[r] < hi-lo {
			lo, hi = s[r], s[r+q]
		}
	}
	return lo, hi
}

// newGenerator is the fixed start of every run, so that a report can be repeated.
func newGenerator(stream uint64) *rand.Rand { return rand.New(rand.NewPCG(0x6c69, stream)) }

// Propagate draws n values of model from its inputs (JCGM 101:2008 7).
func Propagate(n int, inputs []Draw, model func(x []float64) float64) Sample {
	return propagate(newGenerator(1), n, inputs, model)
}

func propagate(r *rand.Rand, n int, inputs []Draw, model func(x []float64) float64) Sample {
	s := make(Sample, n)
	x := make([]float64, len(inputs))
	for i := range s {
		for j, d := range inputs {
			x[j] = d(r)
		}
		s[i] = model(x)
	}
	slices.Sort(s)
	return s
}

// Adaptive is the outcome of PropagateAdaptive.
type Adaptive struct {
	Mean, SD, Low, High float64
	Trials              int
	// Stable says that the tolerance was reached before the limit of trials.
	Stable bool
}

// PropagateAdaptive repeats blocks of trials until mean, standard deviation and both
// ends of the symmetric interval of coverage p are stable: twice the standard
// deviation of their averages over the blocks is below tolerance (JCGM 101:2008
// 7.9.4). It stops after at most limit blocks of 10,000.
func PropagateAdaptive(p, tolerance float64, limit int, inputs []Draw, model func(x []float64) float64) Adaptive {
	const block = 10000
	var sum, square [4]float64
	var out Adaptive
	for h := 1; h <= limit; h++ {
		s := propagate(newGenerator(uint64(h)), block, inputs, model)
		lo, hi := s.Symmetric(p)
		for i, v := range [4]float64{s.Mean(), s.SD(), lo, hi} {
			sum[i] += v
			square[i] += v * v
		}
		n := float64(h)
		out = Adaptive{sum[0] / n, sum[1] / n, sum[2] / n, sum[3] / n, h * block, h > 1}
		for i := range sum {
			variance := math.Max(0, square[i]-sum[i]*sum[i]/n) / (n * math.Max(1, n-1))
			if 2*math.Sqrt(variance) > tolerance {
				out.Stable = false
			}
		}
		if out.Stable {
			break
		}
	}
	return out
}

// budgetTrials settle an end of a 95 % interval to better than 1 % of itself.
const budgetTrials = 50000

// simulate returns the half-width of the shortest symmetric interval about zero and
// the one-sided bound, both at the coverage given. All laws are symmetric.
func simulate(groups []group, coverage float64) (two, one float64) {
	r := newGenerator(2)
	s := make(Sample, budgetTrials)
	for i := range s {
		var y float64
		for _, g := range groups {
			y += g.draw(r)
		}
		s[i] = math.Abs(y)
	}
	slices.Sort(s)
	at := func(p float64) float64 { return s[min(int(p*budgetTrials), budgetTrials-1)] }
	return at(coverage), at(2*coverage - 1)
}

// draw gives one value of the group's effect on the SE. A correlated pair shares a
// part of its variance: the shared part in common, the rest apart.
func (g group) draw(r *rand.Rand) float64 {
	if len(g.parts) == 1 {
		return g.weights[0] * g.parts[0].draw(r)
	}
	shared := g.parts[0].draw(r)
	own := g.parts[1].draw(r)
	return g.weights[0]*shared + g.weights[1]*(g.rho*shared+math.Sqrt(1-g.rho*g.rho)*own)
}

// draw gives one value of unit standard deviation. Normal components of few degrees
// of freedom are t variates, which spread more (JCGM 101:2008 6.4.9).
func (c Component) draw(r *rand.Rand) float64 {
	switch c.Distribution {
	case Rectangular:
		return math.Sqrt(3) * (2*r.Float64() - 1)
	case Triangular:
		return math.Sqrt(6) * (r.Float64() + r.Float64() - 1)
	case UShaped:
		return math.Sqrt2 * math.Sin(2*math.Pi*r.Float64())
	}
	return studentDraw(r, c.dof())
}

package noise

import (
	"math"
	"math/rand/v2"
)

// Detector is how a display point is made of the looks in its bucket.
type Detector int

// The detectors. Normal (auto peak) shows the maximum at odd points and the
// minimum at even ones unless a carrier stands out.
const (
	Unknown Detector = iota
	Sample
	Positive
	Negative
	Normal
	RMS
	Voltage
	Log
)

func (d Detector) String() string {
	return [...]string{"unknown", "sample", "positive", "negative", "normal", "rms", "voltage", "log"}[d]
}

// Detectors lists every detector but Unknown.
func Detectors() []Detector {
	return []Detector{Sample, Positive, Negative, Normal, RMS, Voltage, Log}
}

// directLooks is how many looks are drawn one by one before the normal limit
// (with skewness and kurtosis) takes over.
const directLooks = 64

// Cell is one display point: its detector, the independent looks in its bucket
// (a fraction below one means that neighbours share a look) and the number of
// looks that the video filter averages into one (1: none), in decibels if
// VideoLog, else in power.
type Cell struct {
	Detector Detector
	Looks    float64
	Video    float64
	VideoLog bool

	table *gammaTail
}

// One returns one sweep's reading of noise alone.
func (c *Cell) One(r *rand.Rand) float64 {
	if c.Video > 1 {
		return c.video(r, nil)
	}
	if c.Looks <= 1 {
		return r.ExpFloat64()
	}
	switch c.Detector {
	case Positive:
		return maxExp(r, c.Looks)
	case Negative:
		return r.ExpFloat64() / c.Looks
	case RMS:
		return gamma(r, c.Looks) / c.Looks
	case Log, Voltage:
		return mean(r, c.Detector, c.Looks, nil)
	default:
		return r.ExpFloat64()
	}
}

// Carrier returns one sweep's reading where the looks, spread evenly over the
// bucket, meet carriers of powers s. s is not empty.
func (c *Cell) Carrier(r *rand.Rand, s []float64) float64 {
	if c.Video > 1 {
		return c.video(r, s)
	}
	each := c.Looks / float64(len(s))
	switch c.Detector {
	case Positive:
		if c.Looks <= 1 {
			return look(r, highest(s))
		}
		return maxOver(r, each, s)
	case Negative:
		n := int(min(max(1, math.Round(c.Looks)), directLooks))
		least := math.Inf(1)
		for i := range n {
			least = min(least, look(r, s[i*len(s)/n]))
		}
		return least
	case RMS, Log, Voltage:
		if c.Looks <= 1 {
			return look(r, s[len(s)/2])
		}
		return mean(r, c.Detector, c.Looks, s)
	default:
		return look(r, s[len(s)/2])
	}
}

// MaxOne returns the greatest of n sweeps' readings of noise alone.
func (c *Cell) MaxOne(r *rand.Rand, n int) float64 {
	looks := max(1, c.Looks)
	if c.Video <= 1 {
		switch {
		case c.Detector == Positive:
			return maxExp(r, looks*float64(n))
		case looks == 1 || c.Detector == Sample || c.Detector == Normal:
			return maxExp(r, float64(n))
		case c.Detector == Negative:
			return maxExp(r, float64(n)) / looks
		case c.Detector == RMS && n > 8:
			if c.table == nil {
				c.table = newGammaTail(looks)
			}
			return c.table.at(-math.Log(-math.Expm1(-r.ExpFloat64() / float64(n))))
		}
	}
	if n <= 16 {
		best := 0.0
		for range n {
			best = max(best, c.One(r))
		}
		return best
	}
	z := upperNormal(-math.Expm1(-r.ExpFloat64() / float64(n)))
	k, d := looks, c.Detector
	if c.Video > 1 {
		k, d = c.Video, RMS
		if c.VideoLog {
			d = Log
		}
	}
	return limit(d, k, nil, z)
}

// MaxCarrier returns the greatest of n sweeps' readings with carriers.
func (c *Cell) MaxCarrier(r *rand.Rand, s []float64, n int) float64 {
	if c.Video <= 1 {
		switch {
		case c.Detector == Positive && c.Looks > 1:
			return maxOver(r, c.Looks*float64(n)/float64(len(s)), s)
		case c.Detector == Positive:
			return MaxLooks(r, float64(n), highest(s))
		case c.Detector == Sample || c.Detector == Normal || c.Looks <= 1:
			return MaxLooks(r, float64(n), s[len(s)/2])
		}
	}
	if n <= directLooks || c.Detector == Negative || c.Video > 1 {
		best := 0.0
		for range min(n, 8*directLooks) {
			best = max(best, c.Carrier(r, s))
		}
		return best
	}
	z := upperNormal(-math.Expm1(-r.ExpFloat64() / float64(n)))
	return limit(c.Detector, max(1, c.Looks), s, z)
}

// maxOver returns the greatest of the looks at each part of a bucket.
func maxOver(r *rand.Rand, each float64, s []float64) float64 {
	best, bare := 0.0, 0.0
	for _, v := range s {
		if v < 1e-3 {
			bare += each
			continue
		}
		// However fast the sweep, a peak detector does not miss a carrier.
		best = max(best, MaxLooks(r, max(1, each), v))
	}
	if bare > 0 {
		best = max(best, maxExp(r, bare))
	}
	return best
}

// MaxLooks returns the greatest of m looks at a carrier of power s; a fraction
// of a look is taken with that probability.
func MaxLooks(r *rand.Rand, m, s float64) float64 {
	if s <= 0 && m >= 1 {
		return maxExp(r, m)
	}
	if m > 32 {
		return Quantile(-math.Expm1(-r.ExpFloat64()/m), s)
	}
	n := int(m)
	if r.Float64() < m-float64(n) {
		n++
	}
	best := 0.0
	for range n {
		best = max(best, look(r, s))
	}
	return best
}

// maxExp returns the greatest of n unit exponentials, n real: U = exp(-E), so
// U^(1/n) needs no power.
func maxExp(r *rand.Rand, n float64) float64 {
	return -math.Log(-math.Expm1(-r.ExpFloat64() / n))
}

func look(r *rand.Rand, s float64) float64 {
	if s <= 0 {
		return r.ExpFloat64()
	}
	x := math.Sqrt(s) + r.NormFloat64()*math.Sqrt2/2
	y := r.NormFloat64() * math.Sqrt2 / 2
	return x*x + y*y
}

func highest(s []float64) float64 {
	best := 0.0
	for _, v := range s {
		best = max(best, v)
	}
	return best
}

// video returns what the detector shows of looks already averaged by the video
// filter.
func (c *Cell) video(r *rand.Rand, s []float64) float64 {
	d := RMS
	if c.VideoLog {
		d = Log
	}
	n := int(min(max(1, math.Round(c.Looks/c.Video)), 4*directLooks))
	if n == 1 || c.Detector == Sample || c.Detector == Normal {
		return mean(r, d, c.Video, s)
	}
	best, least, sum := 0.0, math.Inf(1), 0.0
	for range n {
		v := mean(r, d, c.Video, s)
		best, least, sum = max(best, v), min(least, v), sum+v
	}
	switch c.Detector {
	case Positive:
		return best
	case Negative:
		return least
	}
	return sum / float64(n)
}

// mean returns the average of k looks in the detector's own scale, as power.
func mean(r *rand.Rand, d Detector, k float64, s []float64) float64 {
	n := int(math.Round(k))
	if n > directLooks {
		return limit(d, k, s, r.NormFloat64())
	}
	n = max(n, 1)
	if s == nil && d == RMS {
		return gamma(r, max(1, k)) / max(1, k)
	}
	sum, prod := 0.0, 1.0
	for i := range n {
		v := 0.0
		if s == nil {
			v = r.ExpFloat64()
		} else {
			v = look(r, s[i*len(s)/n])
		}
		switch d {
		case Log:
			prod *= v
			if prod < 1e-200 || prod > 1e200 {
				sum += math.Log(prod)
				prod = 1
			}
		case Voltage:
			sum += math.Sqrt(v)
		default:
			sum += v
		}
	}
	switch d {
	case Log:
		return math.Exp((sum + math.Log(prod)) / float64(n))
	case Voltage:
		v := sum / float64(n)
		return v * v
	default:
		return sum / float64(n)
	}
}

// limit returns the average of k looks at the standard normal deviate z, with
// the Cornish-Fisher correction for skewness and kurtosis.
func limit(d Detector, k float64, s []float64, z float64) float64 {
	if s == nil {
		s = []float64{0}
	}
	var m, v float64
	for _, x := range s {
		mi, vi := moments(d, x)
		m += mi / float64(len(s))
		v += vi / float64(len(s))
	}
	skew, kurt := 0.0, 0.0
	switch bare := highest(s) < 0.01; {
	case d == Log && bare:
		skew, kurt = -1.1395470994, 2.4
	case d == Voltage && bare:
		skew, kurt = 0.6311106578, 0.2450893006
	case d == RMS: // cumulants of a noncentral chi-square of two degrees of freedom
		for _, x := range s {
			skew += (2 + 6*x) / float64(len(s))
			kurt += (6 + 24*x) / float64(len(s))
		}
		skew, kurt = skew/math.Pow(v, 1.5), kurt/(v*v)
	}
	skew, kurt = skew/math.Sqrt(k), kurt/k
	w := z + (z*z-1)*skew/6 + (z*z*z-3*z)*kurt/24 - (2*z*z*z-5*z)*skew*skew/36
	x := m + w*math.Sqrt(v/k)
	switch d {
	case Log:
		return math.Exp(x)
	case Voltage:
		x = max(x, 0)
		return x * x
	default:
		return max(x, 0)
	}
}

// moments returns mean and variance of one look in the detector's own scale.
func moments(d Detector, s float64) (mean, variance float64) {
	switch d {
	case Log:
		// Variance of ln p: π²/6 at s = 0, 2/s - ... for large s; the bridge is
		// exact at both ends.
		return MeanLog(s), 1 / (6/(math.Pi*math.Pi) + s/2)
	case Voltage:
		if s == 0 {
			return math.Sqrt(math.Pi) / 2, 1 - math.Pi/4
		}
		// Rice mean by its large and small argument forms (Laguerre L1/2).
		x := s / 2
		m := math.Sqrt(math.Pi) / 2 * ((1+s)*scaledI(0, x) + s*scaledI(1, x))
		return m, max(0, 1+s-m*m)
	default:
		return 1 + s, 1 + 2*s
	}
}

// scaledI returns exp(-x)·I_n(x), n = 0 or 1 (NIST DLMF 10.25.2, 10.40.1).
func scaledI(n int, x float64) float64 {
	if x > 30 {
		mu := 4 * float64(n*n)
		return (1 - (mu-1)/(8*x) + (mu-1)*(mu-9)/(128*x*x)) / math.Sqrt(2*math.Pi*x)
	}
	term := 1.0
	if n == 1 {
		term = x / 2
	}
	sum := term
	for k := 1; k < 200; k++ {
		term *= x * x / 4 / float64(k*(k+n))
		sum += term
		if term < 1e-17*sum {
			break
		}
	}
	return math.Exp(-x) * sum
}

// gamma draws from the gamma distribution of shape a >= 1 and scale 1
// (Marsaglia and Tsang, ACM TOMS 26 (2000) 363, doi:10.1145/358407.358414).
func gamma(r *rand.Rand, a float64) float64 {
	if a == 1 {
		return r.ExpFloat64()
	}
	d := a - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := r.NormFloat64()
		v := 1 + c*x
		if v <= 0 {
			continue
		}
		v = v * v * v
		u := r.Float64()
		if u < 1-0.0331*x*x*x*x || math.Log(u) < x*x/2+d*(1-v+math.Log(v)) {
			return d * v
		}
	}
}

// gammaTail is a table of what the mean of L looks exceeds with probability
// exp(-v).
type gammaTail struct{ knots []float64 }

const (
	tailStep = 0.25
	tailLast = 240
)

func newGammaTail(looks float64) *gammaTail {
	t := &gammaTail{knots: make([]float64, tailLast+1)}
	low := 0.0
	for i := 1; i <= tailLast; i++ {
		q := math.Exp(-tailStep * float64(i))
		lo, hi := low, 4*looks+2*tailStep*tailLast
		for hi-lo > 1e-7*hi {
			mid := (lo + hi) / 2
			if upperGamma(looks, mid) > q {
				lo = mid
			} else {
				hi = mid
			}
		}
		low = lo
		t.knots[i] = (lo + hi) / 2 / looks
	}
	return t
}

func (t *gammaTail) at(v float64) float64 {
	x := min(max(v/tailStep, 0), tailLast-1e-9)
	i := int(x)
	return t.knots[i] + (x-float64(i))*(t.knots[i+1]-t.knots[i])
}

// upperGamma is the regularised upper incomplete gamma function Q(a, x)
// (NIST DLMF 8.7.1 and 8.9.2).
func upperGamma(a, x float64) float64 {
	if x <= 0 {
		return 1
	}
	lg, _ := math.Lgamma(a)
	front := math.Exp(a*math.Log(x) - x - lg)
	if x < a+1 {
		term := 1 / a
		sum := term
		for k := 1; k < 1000 && term > 1e-16*sum; k++ {
			term *= x / (a + float64(k))
			sum += term
		}
		return 1 - front*sum
	}
	b := x + 1 - a
	c := 1e300
	d := 1 / b
	h := d
	for i := 1; i < 1000; i++ {
		an := -float64(i) * (float64(i) - a)
		b += 2
		d = 1 / (an*d + b)
		c = b + an/c
		h *= d * c
		if math.Abs(d*c-1) < 1e-15 {
			break
		}
	}
	return front * h
}

// Walk yields the correlated complex noise of display points whose buckets hold
// less than one look: first-order, with the correlation that makes the number
// of effective independent powers in the trace come out right,
// ρ² = (1-L)/(1+L).
type Walk struct {
	rho, rest float64
	x, y      float64
}

// NewWalk starts a walk for L looks per point, 0 < L < 1.
func NewWalk(r *rand.Rand, looks float64) Walk {
	rho2 := max(0, (1-looks)/(1+looks))
	return Walk{rho: math.Sqrt(rho2), rest: math.Sqrt((1 - rho2) / 2), x: r.NormFloat64() * math.Sqrt2 / 2, y: r.NormFloat64() * math.Sqrt2 / 2}
}

// Next returns the power at the next point with a carrier of power s.
func (w *Walk) Next(r *rand.Rand, s float64) float64 {
	w.x = w.rho*w.x + w.rest*r.NormFloat64()
	w.y = w.rho*w.y + w.rest*r.NormFloat64()
	x := w.x + math.Sqrt(s)
	return x*x + w.y*w.y
}

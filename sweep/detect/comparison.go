package detect

import (
	"math"

	"lidded/driver/unit"
)

// loose is the relative tolerance of roots in power: 1e-5 is 4e-5 dB.
const loose = 1e-5

// node is one possible mean noise power, relative to the off reading, and its weight.
type node struct{ noise, weight float64 }

// belief is a way to account for the unknown noise in a limit: a list of noise
// powers to average over, and the share of the risk left for the on reading.
type belief struct {
	nodes []node
	share float64
}

// comparison is a reading with the source on, set against what the off reading
// says about the noise.
type comparison struct {
	on, off  law
	onLooks  float64
	curved   bool    // the level does not move one way with the noise
	strong   bool    // a level is given for a largest look: the averaged noise is exact
	power    bool    // both are mean powers in one bin: closed forms hold
	k, m     float64 // looks, for the closed forms
	offMean  float64
	nodes    []node // what the off reading says about the noise
	deep     []node // the same with longer tails, for thresholds
	noiseAvg float64
}

// newComparison expects valid looks.
func newComparison(on, off Looks) *comparison {
	c := &comparison{
		on: newLaw(on), off: newLaw(off), onLooks: math.Max(1, on.N), offMean: off.Mean, curved: on.Detector == LogAverage,
		power: on.Detector.IsPower() && off.Detector.IsPower() && on.Bins <= 1 && off.Bins <= 1,
		k:     math.Max(1, on.N), m: math.Max(1, off.N),
	}
	if math.IsInf(off.N, 1) {
		c.nodes = []node{{1 / longRun(off.Detector), 1}}
		c.deep = c.nodes
		c.noiseAvg = off.Mean / longRun(off.Detector)
		return c
	}
	c.noiseAvg = off.Mean / math.Exp(c.off.centre())
	if off.Detector.IsPower() && off.Bins <= 1 {
		c.noiseAvg = off.Mean
	}
	excess := math.Max(0, on.Mean/c.noiseAvg-1)
	scale := 1 / math.Sqrt(c.onLooks/(1+2*excess))
	if on.Detector.IsMax() {
		scale = math.Max(c.on.spread(), scale*math.Sqrt(c.onLooks)/4)
	}
	c.nodes = fiducial(c.off, scale, 1e-7)
	if !c.power {
		c.deep = c.nodes
		if excess == 0 {
			c.deep = fiducial(c.off, c.on.spread(), 1e-11)
		} else {
			c.deep = fiducial(c.off, 1/math.Sqrt(c.onLooks), 1e-11)
		}
	}
	return c
}

// longRun is the reading of noise, relative to its mean power, that a detector
// settles to.
func longRun(d Detector) float64 {
	switch d {
	case LogAverage:
		return math.Exp(-eulerGamma)
	case VoltageAverage:
		return math.Pi / 4
	}
	return 1
}

// fiducial lists the noise powers that an off reading of one allows, by the
// trapezoidal rule in ln q, q being the reading in units of the noise. The step
// follows the narrower of the off law and scale, the width of what is averaged.
func fiducial(off law, scale, cut float64) []node {
	sd := off.spread()
	h := 0.8 * math.Min(sd, 1.5*scale)
	v0 := off.centre()
	top := off.logDensity(v0)
	lowest := math.Log(cut)
	var out []node
	var sum float64
	add := func(v, d float64) {
		w := math.Exp(d - top)
		out = append(out, node{math.Exp(-v), w})
		sum += w
	}
	add(v0, top)
	peak := top
	for _, dir := range []float64{-1, 1} {
		for i := 1.0; i < 4000; i++ {
			v := v0 + dir*i*h
			d := off.logDensity(v)
			peak = math.Max(peak, d)
			if !(d-peak > lowest) {
				break
			}
			add(v, d)
		}
	}
	for i := range out {
		out[i].weight /= sum
	}
	return out
}

// edge is the noise power, relative to the off reading, that the off looks put
// below (lower) or above (upper) with probability risk.
func (c *comparison) edge(risk float64, lower bool) node {
	if len(c.nodes) == 1 {
		return c.nodes[0]
	}
	start := math.Exp(c.off.centre())
	if lower {
		lr := math.Log(risk)
		q := solve(func(q float64) float64 { return math.Log(c.off.survival(q, 0)) - lr }, start, false, 1e-3)
		return node{1 / q, 1}
	}
	q := solve(func(q float64) float64 { return c.off.cdf(q, 0) - risk }, start, true, 1e-3)
	return node{1 / q, 1}
}

// beliefs are the two ways every limit is taken, the safer one counting: the
// noise averaged over its fiducial law, which is exact without a signal and for
// a strong one but can be 1 to 5 % short of its confidence in between when off
// looks are few; and the noise at the end of its own interval that moves the
// limit outward, each at half the risk (Bonferroni). A log average depends on the
// noise in both directions, so places between the ends are tried too.
func (c *comparison) beliefs(risk float64, upper bool) []belief {
	if len(c.nodes) == 1 || c.strong {
		return []belief{{c.nodes, 1}}
	}
	out := []belief{{c.nodes, 1}, {[]node{c.edge(risk/2, upper)}, 0.5}}
	if c.curved {
		a, b := c.edge(risk/2, true).noise, c.edge(risk/2, false).noise
		for i := range 4 {
			out = append(out, belief{[]node{{a * math.Pow(b/a, float64(i)/3), 1}}, 0.5})
		}
	}
	return out
}

// probability returns P(X ≤ x | signal), with the noise of the on looks shift
// times that of the off looks. All powers in mW.
func (c *comparison) probability(nodes []node, l law, x, signal, shift float64) float64 {
	var p float64
	for _, n := range nodes {
		nu := n.noise * c.offMean * shift
		p += n.weight * l.cdf(x/nu, signal/nu)
	}
	return p
}

// survival returns P(X > x | signal).
func (c *comparison) survival(nodes []node, x, signal, shift float64) float64 {
	var p float64
	for _, n := range nodes {
		nu := n.noise * c.offMean * shift
		p += n.weight * c.on.survival(x/nu, signal/nu)
	}
	return p
}

// threshold is the ratio of the readings that noise exceeds with probability alpha.
func (c *comparison) threshold(alpha float64) float64 {
	if c.power {
		return ThresholdEstimated(alpha, c.k, c.m)
	}
	la := math.Log(alpha)
	f := func(r float64) float64 {
		var p float64
		for _, n := range c.deep {
			p += n.weight * c.on.survival(r/n.noise, 0)
		}
		return math.Log(p) - la
	}
	r0 := math.Exp(c.on.centre()-c.off.centre()) * 1.5
	if len(c.deep) == 1 {
		r0 = math.Exp(c.on.centre()) * c.deep[0].noise * 1.5
	}
	return solve(f, r0, false, loose)
}

// rarest is the probability below which a low reading is taken for a fault.
const rarest = 1e-9

// plausible returns the on reading, raised to its lower quantile of probability
// rarest when it is below that. Limits grow with the reading, so this is safe.
func (c *comparison) plausible(x float64) (float64, bool) {
	if x > 0 && c.probability(c.nodes, c.on, x, 0, 1) >= rarest {
		return x, false
	}
	lr := math.Log(rarest)
	f := func(x float64) float64 {
		return math.Log(math.Max(1e-300, c.probability(c.nodes, c.on, x, 0, 1))) - lr
	}
	return solve(f, c.noiseAvg*math.Exp(c.on.centre()), true, loose), true
}

// carrier is the law of what the signal itself reads.
func (c *comparison) carrier() law {
	if l, ok := c.on.(maxLaw); ok {
		return l.carrier()
	}
	return c.on.alone()
}

// upper is the CLs upper limit, in mW, of a reading of law l with risk beta.
func (c *comparison) upper(l law, x, shift, beta float64) float64 {
	limit := 0.0
	for _, b := range c.beliefs(beta, true) {
		lb := math.Log(b.share * beta * math.Max(1e-290, c.probability(b.nodes, l, x, 0, shift)))
		nu := c.noiseAvg * shift
		limit = math.Max(limit, solve(func(s float64) float64 {
			return math.Log(math.Max(1e-300, c.probability(b.nodes, l, x, s, shift))) - lb
		}, nu*guess(x/nu, c.onLooks), false, loose))
	}
	return limit
}

// lower is the lower limit, in mW, for a reading x that is reported only from
// cut on: the law truncated at cut with risk beta, or the plain law with risk
// alpha where that says more.
func (c *comparison) lower(x, cut, shift, beta, alpha float64) float64 {
	alpha = math.Min(alpha, beta)
	limit := math.Inf(1)
	for _, b := range c.beliefs(beta, false) {
		plain := c.above(x, shift, func(s float64) float64 {
			return c.survival(b.nodes, x, s, shift) - b.share*alpha
		})
		// Where the plain law already allows the signal, only its truncation
		// can exclude it.
		given := func(s float64) float64 {
			p := c.survival(b.nodes, x, s, shift)
			t := c.survival(b.nodes, cut, s, shift)
			if !(t > p) {
				return 1 - b.share*beta
			}
			return p/t - b.share*beta
		}
		if plain == 0 {
			plain = c.noiseAvg * 1e-6
		}
		if given(plain) < 0 {
			plain = solve(given, plain, true, loose)
		} else if plain <= c.noiseAvg*1e-6 {
			plain = 0
		}
		limit = math.Min(limit, plain)
	}
	return limit
}

// above solves for the signal at which f, which rises with it, is zero.
func (c *comparison) above(x, shift float64, f func(float64) float64) float64 {
	if f(0) >= 0 {
		return 0
	}
	nu := c.noiseAvg * shift
	e := math.Max(x-nu, nu/c.onLooks)
	s := e - 2*math.Sqrt((1+2*e/nu)/c.onLooks)*nu
	return solve(f, math.Max(s, e/4), true, loose)
}

// estimate returns the level of a present signal in mW, zero if none is valid.
func (c *comparison) estimate(on, off Looks, margin unit.DB, rule Rule) (s float64, corrected bool, why string) {
	if margin < levelFrom(on.Detector, rule) {
		if on.Detector.IsMax() && margin >= rule.CorrectAbove {
			return 0, false, "largest looks are not corrected for noise: a level needs the margin of the outer zone"
		}
		return 0, false, "present, but too near the noise for a level"
	}
	if on.Detector.IsMax() {
		// What reads this high half of the time: the maximum's own bias removed.
		l := c.carrier()
		s := solve(func(s float64) float64 { return 0.5 - c.probability(c.nodes, l, on.Mean, s, 1) }, on.Mean, true, loose)
		return s, true, ""
	}
	if margin >= rule.NoCorrectionAbove {
		return on.Mean, false, ""
	}
	r := on.Mean / c.noiseAvg
	switch on.Detector {
	case LogAverage:
		return c.noiseAvg * InvertLog(r), true, ""
	case VoltageAverage:
		return c.noiseAvg * InvertVoltage(r), true, ""
	}
	return math.Max(0, on.Mean-c.noiseAvg), true, ""
}

// median returns the median of a reading of noise alone.
func median(l law) float64 {
	return solve(func(x float64) float64 { return l.cdf(x, 0) - 0.5 }, math.Exp(l.centre()), true, loose)
}

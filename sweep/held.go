package sweep

import (
	"math"
	"slices"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep/detect"
)

// peaked reports whether a trace point is the largest of its looks. A maximum
// hold with a detector that is not said makes analyzers choose the peak.
func peaked(d driver.Detector) bool {
	return d != driver.Sample && d != driver.PowerAverage && d != driver.LogAverage && d != driver.VoltageAverage
}

// looksInBin is how many independent looks a sweep takes in one trace point, at
// least one: the filter stays there for that share of the sweep time which the
// point has of the whole span (of which the trace of a point is only a part).
func looksInBin(c Capture, binWidth, rbw unit.Hz) float64 {
	if c.Settings.Span <= 0 {
		return 1
	}
	return max(1, detect.LooksPerBandwidthTime*float64(rbw)*c.Settings.SweepTime.Seconds()*float64(binWidth/c.Settings.Span))
}

// heldNoise is the mean of held noise over the mean noise power. The largest of n
// looks has H_n; where each sweep averages k looks in a trace point, it is the
// largest of n gamma variables, E = ∫(1 − P(k, kx)^n)dx.
func heldNoise(c Capture, binWidth, rbw unit.Hz) float64 {
	n, k := float64(c.HeldSweeps), eachOf(c, binWidth, rbw)
	if peaked(c.Settings.Detector) {
		return harmonic(n * looksInBin(c, binWidth, rbw))
	}
	if k == 1 {
		return harmonic(n)
	}
	const step = 0.02
	var sum float64
	for x := step / 2; ; x += step {
		rest := -math.Expm1(n * math.Log(detect.CDF(x, 0, k)))
		sum += rest * step
		if rest < 1e-6 {
			return sum
		}
	}
}

// eachOf is how many looks each sweep averages in a trace point before the
// largest is held.
func eachOf(c Capture, binWidth, rbw unit.Hz) float64 {
	if c.Settings.Detector == driver.PowerAverage {
		return looksInBin(c, binWidth, rbw)
	}
	return 1
}

// mostSweeps is how many sweeps may have seen the carrier: as many as fit into
// the dwell without a pause between them, of those that were held. n is how many
// surely did.
func mostSweeps(c Capture, n float64) float64 {
	t := c.Settings.SweepTime
	if t <= 0 {
		return n
	}
	return max(n, min(float64(c.Nominal)/float64(t), float64(c.HeldSweeps)))
}

// flankOf is by how many independent looks per RBW the filter passes the carrier
// in a sweep: of a peak detector all there are, else no more than trace points;
// none where the whole span is looked at at once (an FFT).
func flankOf(c Capture, binWidth, rbw unit.Hz) float64 {
	if c.Settings.Span <= 0 || binWidth <= 0 {
		return 0
	}
	swept := detect.LooksPerBandwidthTime * float64(rbw) * c.Settings.SweepTime.Seconds() * float64(rbw/c.Settings.Span)
	if !peaked(c.Settings.Detector) {
		return min(swept, float64(rbw/binWidth))
	}
	return swept
}

// besideHeld is the held noise that tells of the floor: what stands more than
// clear off the middle. If one side is twice as high as the other, somebody's
// carrier stands there, and the other side tells.
func besideHeld(axis driver.Trace, base sums, center, clear unit.Hz) []float64 {
	var below, above []float64
	for i, mw := range base.top {
		switch d := axis.Freq(i) - center; {
		case !(mw > 0):
		case d < -clear:
			below = append(below, mw)
		case d > clear:
			above = append(above, mw)
		}
	}
	if len(below) > 1 && len(above) > 1 {
		switch b, a := middle(slices.Clone(below)), middle(slices.Clone(above)); {
		case a > 2*b:
			return below
		case b > 2*a:
			return above
		}
	}
	return append(below, above...)
}

// shown is a held trace in milliwatts.
type shown struct {
	start, step unit.Hz
	mw          []float64
}

func (s shown) freq(i int) unit.Hz { return s.start + unit.Hz(i)*s.step }

// at is the highest level within half of a frequency, zero outside the trace.
func (s shown) at(f, half unit.Hz) float64 {
	top := 0.0
	for i, mw := range s.mw {
		if d := s.freq(i) - f; d >= -half && d <= half && mw > top {
			top = mw
		}
	}
	return top
}

// inWindow is what a held trace shows in a window.
type inWindow struct {
	peak   float64 // mW; of a skirt, at the window's middle
	points int
	// skirt says that the trace rises on from the highest point beyond the
	// window's edge: nothing stands in the window, the filter lets in what
	// stands beside, at from with that power.
	skirt bool
	from  unit.Hz
	mw    float64
}

func (s shown) standing(win window) inWindow {
	first, last := 0, len(s.mw)-1
	for first <= last && s.freq(first) < win.center-win.half {
		first++
	}
	for last >= first && s.freq(last) > win.center+win.half {
		last--
	}
	best := argmax(s.mw, first, last)
	if best < 0 {
		return inWindow{}
	}
	out := inWindow{peak: s.mw[best], points: last - first + 1}
	for _, step := range []int{-1, 1} {
		i := best
		for i+step >= 0 && i+step < len(s.mw) && s.mw[i+step] > s.mw[i] {
			i += step
		}
		// Noise goes up and down by less than this between neighbours.
		if s.mw[i] > skirtRise*s.mw[best] && s.mw[i] > out.mw {
			out.skirt, out.from, out.mw = true, s.freq(i), s.mw[i]
		}
	}
	if out.skirt {
		out.peak = s.at(win.center, s.step/2)
	}
	return out
}

// skirtRise is how much (3 dB) a trace rises beside a window to be somebody's
// carrier there: common practice, no source.
const skirtRise = 2

// heldWindow is where a carrier stands in a held capture: where the reference of
// the place found it, else where it was set.
func (e *Evaluator) heldWindow(c seen) window {
	q := e.run.Plan.Points[c.Point]
	found := e.carrier(c.Capture)
	if found == 0 {
		found = carrierOf(c.Capture)
	}
	return searchWindow(q, e.run.Bench, c.Settings.RBW, c.reading.shown.step, found)
}

// throughShield is what of somebody's carrier beside a point the filter lets in
// at the point in an enclosed held trace: as much less than in the open as the
// carrier itself is.
func (s shown) throughShield(a ambience) unit.DBm {
	if inside := s.at(a.from, s.step/2); inside > 0 && inside < a.besideMW {
		return a.level.Add(unit.PowerRatio(inside / a.besideMW))
	}
	return a.level
}

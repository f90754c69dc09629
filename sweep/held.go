package sweep

import (
	"math"

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

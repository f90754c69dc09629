package sweep

import (
	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep/detect"
)

// What boils traces down, for tests.
var (
	Harmonic      = harmonic
	SpreadOfMax   = spreadOfMax
	LooksOfMax    = looksOfMax
	Middle        = middle
	Argmax        = argmax
	ArgmaxOutside = argmaxOutside
	PeakIn        = peakIn
	SpreadIn      = spreadIn
	Model         = model
	RungShare     = rungShare
	Rounded       = rounded
	Shortly       = shortly
	BothLooks     = both
	FollowedError = followedError
)

// BinsIn is binsIn about a frequency, either side.
func BinsIn(axis driver.Trace, center, half unit.Hz) (first, last int) {
	return binsIn(axis, window{center: center, half: half})
}

// SearchBins is searchBins in a window so wide either side.
func SearchBins(points int, half, rbw unit.Hz) int {
	return searchBins(points, window{half: half}, rbw)
}

// SearchWindow is searchWindow.
func SearchWindow(q Point, b Bench, rbw, bin, found unit.Hz) (center, half unit.Hz) {
	w := searchWindow(q, b, rbw, bin, found)
	return w.center, w.half
}

// Moments are those of noise readings.
func Moments(values ...float64) (mean, cv float64) {
	var s noiseStats
	for _, v := range values {
		s.add(v)
	}
	return s.moments()
}

// Reduced is what one capture is boiled down to.
type Reduced struct {
	On, Off, Heard                            detect.Looks
	Carrier, Stray                            unit.Hz
	Floor, OffPeak, StrayMW, Spread, OnSpread float64
	Looks, OffLooks, OffBins, Window          int
	Level                                     unit.DBm
}

// Reduce is reduce, about a frequency, either side.
func Reduce(c Capture, rbw, center, half unit.Hz, followed bool) (Reduced, string) {
	r, why := reduce(c, sum(c.Looks, true), sum(c.Looks, false), rbw, window{center, half, followed})
	return Reduced{
		On: r.on, Off: r.off, Heard: r.heard, Carrier: r.carrier, Stray: r.stray, Floor: r.floor, OffPeak: r.offPeak, StrayMW: r.strayMW, Spread: r.spread,
		OnSpread: r.onSpread, Looks: r.looks, OffLooks: r.offLooks, OffBins: r.offBins, Window: r.window, Level: r.level,
	}, why
}

// Stand is stand, about a frequency, either side, and what the carrier may have lost.
func Stand(c Capture, rbw, center, half unit.Hz) (Reduced, unit.DB, string) {
	r, why := stand(c, sum(c.Looks, true), sum(c.Looks, false), rbw, window{center: center, half: half}, 0)
	return Reduced{On: r.on, Off: r.off, Heard: r.heard, Carrier: r.carrier, Floor: r.floor, OffPeak: r.offPeak, Looks: r.looks, OffLooks: r.offLooks, Level: r.level}, r.loss, why
}

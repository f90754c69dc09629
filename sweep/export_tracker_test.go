package sweep

import (
	"time"

	"lidded/driver/unit"
	"lidded/sweep/detect"
)

// Seen is where a carrier was seen, for tests of what was lost.
type Seen struct {
	At     time.Time
	PPM, U float64
	Jumped bool
}

// Lost asks a tracker that has seen this whether a capture looked beside the carrier.
func Lost(list []Seen, at time.Time, f, center, half unit.Hz) string {
	t := &tracker{}
	for _, s := range list {
		t.seen = append(t.seen, sighting{s.At, s.PPM, s.U, s.Jumped})
	}
	return t.lost(seen{Capture: Capture{Freq: f, Begun: at}, win: window{center: center, half: half}})
}

// Pooled is one rung of several in zero span with what counts with it.
func Pooled(rungs []Capture, mean []float64, n float64, i int) (pools int, on detect.Looks) {
	list := make([]seen, len(rungs))
	for k, c := range rungs {
		list[k] = seen{Capture: c, reading: reading{looks: 1, on: detect.Looks{Mean: mean[k], N: n}, off: detect.Looks{Mean: 1, N: n}}}
	}
	c := pooled(list, i)
	return c.pools, c.reading.on
}

package sweep

import (
	"slices"

	"lidded/driver"
	"lidded/driver/unit"
)

// Shown is one trace to look at, made of a capture's looks with the source on or
// off, and of how many: the mean power over the looks, or, where the analyzer
// kept the largest (a peak detector, max hold), the largest. Without such a look
// it has no levels.
func Shown(c Capture, on bool) (driver.Trace, int) {
	s := sum(c.Looks, on)
	i := slices.IndexFunc(c.Looks, func(l Look) bool { return l.SourceOn == on && len(l.Trace.Levels) > 0 })
	if i < 0 {
		return driver.Trace{}, 0
	}
	t := c.Looks[i].Trace
	t.Levels = make([]unit.DBm, len(s.mean))
	powers := s.mean
	if c.HeldSweeps > 0 || c.Settings.Hold == driver.MaxHold || c.Settings.Detector == driver.PositivePeak {
		powers = s.top
	}
	for i, mw := range powers {
		if t.Levels[i] = unit.Missing(); mw > 0 {
			t.Levels[i] = level(mw)
		}
	}
	return t, s.looks
}

// Thinned makes a trace of at most that many levels out of more, for drawing: of
// each stretch it keeps the lowest and the highest level, in the order in which
// they stood, so that no peak is lost and the noise keeps its width. Levels stay
// where they were to within a stretch. Fewer than two cannot be kept; a trace that
// is short enough is returned as it is.
func Thinned(levels []unit.DBm, most int) []unit.DBm {
	most = max(most, 2)
	if len(levels) <= most {
		return levels
	}
	stretches := most / 2
	out := make([]unit.DBm, 0, 2*stretches)
	for i := range stretches {
		part := levels[i*len(levels)/stretches : (i+1)*len(levels)/stretches]
		low, high := -1, -1
		for k, p := range part {
			if !p.IsFinite() {
				continue
			}
			if low < 0 || p < part[low] {
				low = k
			}
			if high < 0 || p > part[high] {
				high = k
			}
		}
		if low < 0 {
			out = append(out, unit.Missing(), unit.Missing())
			continue
		}
		out = append(out, part[min(low, high)], part[max(low, high)])
	}
	return out
}

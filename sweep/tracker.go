package sweep

import (
	"fmt"
	"math"
	"time"

	"lidded/driver/unit"
	"lidded/sweep/follow"
)

// How the carrier is followed. From common practice, no source.
const (
	followFrom   = unit.DB(20) // a signal this far over the noise, and over what is heard with the source off, tells where the carrier is
	followSigmas = 3           // a window reaches this many standard uncertainties from the prediction
	lostSigmas   = 5           // an observation this far from the prediction says that the carrier was not where it was looked for
	followGrain  = 1e-9        // relative: what sources and analyzers round frequencies by
)

// tracker follows the source's carrier over a run, from one clear signal to the
// next. A nil tracker is that of a bench with one reference for both
// instruments: the carrier is where the source was set.
type tracker struct {
	model  *follow.Model
	bench  Bench
	last   time.Time // of the last observation that agreed
	broken []gap
}

// gap is a time in which the carrier went somewhere it was not expected.
type gap struct {
	from, to time.Time
	by       unit.Hz
	at       unit.Hz
}

func newTracker(b Bench) *tracker {
	drift := b.FreqDriftPPM
	if drift <= 0 {
		drift = b.FreqErrorPPM / 20
	}
	return &tracker{model: follow.New(follow.Prior{ErrorPPM: b.FreqErrorPPM, DriftPPMPerHour: drift}), bench: b}
}

// known reports whether a carrier has been seen.
func (t *tracker) known() bool { return t == nil || t.model.Observations() > 0 }

// where returns where the carrier of a set frequency is, and how far from there
// it may be.
func (t *tracker) where(at time.Time, f unit.Hz) (center, half unit.Hz) {
	grain := f * followGrain
	if t == nil {
		return f, 0
	}
	offset, u := t.model.Predict(at, f)
	half = followSigmas * unit.Hz(math.Hypot(float64(u), float64(grain)))
	if most := f * unit.Hz(t.bench.FreqErrorPPM) * 1e-6; half > most {
		return f, most
	}
	return f + offset, half
}

// learn takes in where a capture saw the carrier, if it did clearly.
func (t *tracker) learn(s seen) {
	r := s.reading
	if t == nil || s.Void != "" || s.why != "" || s.Overload || s.HandLevel != nil || r.looks == 0 || r.vertex == 0 || r.stray != 0 {
		return
	}
	if unit.PowerRatio(r.on.Mean/r.floor) < followFrom || r.offPeak > 0 && unit.PowerRatio(r.on.Mean/r.offPeak) < followFrom/2 {
		return
	}
	f, at := carrierOf(s.Capture), middleOf(s.Capture)
	u := unit.Hz(math.Hypot(float64(r.vertexU), float64(f*followGrain)))
	offset := r.vertex - f
	if t.known() && t.model.Surprise(at, f, offset, u) > lostSigmas {
		center, _ := t.where(at, f)
		t.broken = append(t.broken, gap{t.last, at, r.vertex - center, f})
		t.model.Restart(at, f, offset, u)
	} else {
		t.model.Observe(at, f, offset, u)
	}
	t.last = at
}

// brokenAt says why a capture that saw no signal may have looked beside it, or
// nothing. A span that holds the carrier wherever both instruments' stated error
// puts it is no such capture.
func (t *tracker) brokenAt(s seen) string {
	if t == nil {
		return ""
	}
	for _, g := range t.broken {
		if at := middleOf(s.Capture); at.After(g.from) && at.Before(g.to) {
			return fmt.Sprintf("the carrier went where it was not followed: at %v it stood %+.0f Hz from where it was expected, so this span may not have held it", g.at, float64(g.by))
		}
	}
	return ""
}

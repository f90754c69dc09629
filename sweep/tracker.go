package sweep

import (
	"fmt"
	"math"
	"sort"
	"time"

	"lidded/driver/unit"
	"lidded/sweep/follow"
)

// How the carrier is followed. From common practice, no source.
const (
	followFrom   = unit.DB(10) // a signal this far over the noise, and over what is heard with the source off, tells where the carrier is
	followSigmas = 3           // a window reaches this many standard uncertainties from the prediction
	lostSigmas   = 5           // an observation this far from the prediction says that the carrier was not where it was looked for
	rateSigmas   = 2
	driftShare   = 50   // an oscillator's offset changes by this part of its stated error in an hour, where nothing is stated
	followGrain  = 1e-9 // relative: what sources and analyzers round frequencies by
)

// tracker follows the source's carrier over a run, from one clear signal to the
// next. A nil tracker is that of a bench with one reference for both
// instruments: the carrier is where the source was set.
type tracker struct {
	model *follow.Model
	seen  []sighting // in order
}

// sighting is where the carrier was seen.
type sighting struct {
	at     time.Time
	ppm    float64 // offset, relative
	u      float64 // standard uncertainty of it
	jumped bool    // not where it was expected from the sightings before
}

func newTracker(b Bench) *tracker {
	return &tracker{model: follow.New(follow.Prior{ErrorPPM: b.FreqErrorPPM, DriftPPMPerHour: b.driftPPM()})}
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
	return f + offset, followSigmas * unit.Hz(math.Hypot(float64(u), float64(grain)))
}

// moves is how fast the carrier of a set frequency may be moving, either way, in
// hertz per second: no faster than the bench states, unless it was seen to, and no
// faster than what was seen leaves open.
func (t *tracker) moves(at time.Time, f unit.Hz, b Bench) unit.Hz {
	if t == nil {
		return driftOf(f, b)
	}
	r, u := t.model.Rate(at)
	ppm := math.Min(math.Abs(r)+rateSigmas*u, math.Max(b.driftPPM(), math.Abs(r)))
	return f * unit.Hz(ppm*1e-6/3600)
}

// driftOf is how fast the carrier of a frequency may move by what the bench states,
// in hertz per second.
func driftOf(f unit.Hz, b Bench) unit.Hz {
	if b.SharedReference {
		return 0
	}
	return f * unit.Hz(b.driftPPM()*1e-6/3600)
}

// driftPPM is the drift of source against analyzer, in ppm per hour, stated or by
// custom.
func (b Bench) driftPPM() float64 {
	if b.FreqDriftPPM > 0 {
		return b.FreqDriftPPM
	}
	return b.FreqErrorPPM / driftShare
}

// learn takes in where a capture saw the carrier, if it did clearly.
func (t *tracker) learn(s seen) {
	r := s.reading
	if t == nil || s.Void != "" || s.why != "" || s.Overload || s.HandLevel != nil || r.looks == 0 || r.vertex == 0 || r.stray != 0 {
		return
	}
	if unit.PowerRatio(r.on.Mean/r.floor) < followFrom || r.offPeak > 0 && unit.PowerRatio(r.on.Mean/r.offPeak) < followFrom/2 || r.looks < 2 && unit.PowerRatio(r.on.Mean/r.floor) < 2*followFrom {
		return
	}
	f, at := carrierOf(s.Capture), middleOf(s.Capture)
	u := unit.Hz(math.Hypot(float64(r.vertexU), float64(f*followGrain)))
	offset := r.vertex - f
	jumped := t.known() && t.model.Surprise(at, f, offset, u) > lostSigmas
	if jumped {
		t.model.Restart(at, f, offset, u)
	} else {
		t.model.Observe(at, f, offset, u)
	}
	t.seen = append(t.seen, sighting{at, float64(offset/f) * 1e6, float64(u/f) * 1e6, jumped})
}

// lost says why a capture that saw no signal looked beside it, or nothing: the
// sightings before and after it tell where the carrier was in between.
func (t *tracker) lost(s seen) string {
	if t == nil {
		return ""
	}
	at, f := middleOf(s.Capture), carrierOf(s.Capture)
	// Sightings too coarse for this window say nothing of it.
	fine := func(g sighting) bool { return unit.Hz(followSigmas*g.u*1e-6)*f <= s.win.half }
	next := sort.Search(len(t.seen), func(i int) bool { return t.seen[i].at.After(at) })
	before, after := next-1, next
	jumped := false
	for before >= 0 && !fine(t.seen[before]) {
		before--
	}
	for ; after < len(t.seen); after++ {
		jumped = jumped || t.seen[after].jumped
		if fine(t.seen[after]) {
			break
		}
	}
	if before < 0 || after >= len(t.seen) {
		return ""
	}
	a, b := t.seen[before], t.seen[after]
	share := float64(at.Sub(a.at)) / float64(b.at.Sub(a.at))
	places := []sighting{{ppm: a.ppm + (b.ppm-a.ppm)*share, u: math.Hypot(a.u*(1-share), b.u*share)}}
	if jumped { // nobody knows when
		places = []sighting{a, b}
	}
	for _, p := range places {
		by := f*unit.Hz(1+p.ppm*1e-6) - s.win.center
		if unit.Hz(math.Abs(float64(by))) > s.win.half+f*unit.Hz(followSigmas*p.u*1e-6) {
			return fmt.Sprintf("lost the carrier: by what was seen before and after, it stood %+.0f Hz from where it was looked for (within %.0f Hz)", float64(by), float64(s.win.half))
		}
	}
	return ""
}

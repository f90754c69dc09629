// Package ladder decides how a point is looked at next: with what resolution
// bandwidth, span and number of looks, or no more, and why.
//
// It owns the choice among rungs, from wide and quick to narrow and slow: what
// each would cost by the analyzer's sweep-time law, and what it could prove. The
// statistics are package detect's; what was seen is told by the caller. It does
// no I/O and keeps no state.
package ladder

import (
	"fmt"
	"math"
	"time"

	"lidded/driver/unit"
	"lidded/sweep/detect"
)

// Law is what a rung costs.
type Law struct {
	Kind   detect.SweepLaw
	K      float64       // factor of the law
	Least  time.Duration // shortest sweep
	Settle time.Duration // each time the source changes
}

// Sweep is the time of one sweep. In zero span a swept analyzer, too, looks for
// K/RBW.
func (l Law) Sweep(span, rbw unit.Hz) time.Duration {
	kind := l.Kind
	if kind == 0 {
		kind = detect.SweptFilter
	}
	d, err := detect.SweepTime(kind, l.K, max(span, rbw), rbw, 0)
	if err != nil {
		return l.Least
	}
	return max(d, l.Least)
}

// Request is what is known of a point before the next rung.
type Request struct {
	Reference unit.DBm // level without a shield
	Density   unit.DBm // mean noise in one hertz of RBW, as displayed
	Loss      unit.DB  // what uncertainty apart from noise takes off a bound
	Goal      unit.DB  // SE to be proven; +Inf: as much as the time allows
	Best      unit.DB  // bound had so far; −Inf: none

	// Signal is the level of what was seen or is expected through the shield;
	// Missing: nothing. Seen says that it was seen here, not beside.
	Signal unit.DBm
	Seen   bool

	Carrier  unit.Hz // the carrier is surely within this of where it is looked for, either way
	Start    unit.Hz // widest RBW
	Min      unit.Hz // narrowest RBW
	ZeroSpan bool    // the analyzer can stand still, with a sweep time of our choice
	Points   int     // most points of a trace

	Law       Law
	Left      time.Duration // time for this rung; negative: no limit
	MostLooks int           // most sweeps with the source on
	Rule      detect.Rule   // of the rung to come
}

// Rung is one way to look at a point.
type Rung struct {
	RBW       unit.Hz
	Span      unit.Hz       // zero: zero span
	SweepTime time.Duration // zero span: of each sweep
	On, Off   int           // sweeps with the source on and off
	Looks     float64       // independent looks with the source on
	Cost      time.Duration
	Reach     unit.DB // median bound without a signal
}

// Choice is a rung or the reason for none.
type Choice struct {
	Rung
	More   bool
	Reason string
}

// How rungs are weighed. From common practice, no source.
const (
	spare        = unit.DB(1.5) // above the median bound, so that most rungs hold what they promise
	worthwhile   = unit.DB(1)   // least gain for which another rung is taken without reaching the goal
	levelMargin  = unit.DB(8)   // least margin at which a level is wanted; one is given from 6 dB
	levelU       = 0.35         // dB of noise wanted in a level
	patience     = time.Minute  // most time for a rung that cannot reach the goal, without a stated limit
	longestStand = 30 * time.Second
	settleLooks  = 2.5 // filter settling in zero span, in 1/RBW
	minSpan      = 5   // narrowest swept span, in RBW: carrier, skirts and noise beside
)

// Steps lists the RBWs from start down to least in steps of 3 and 10, as most
// analyzers have them; what an analyzer makes of one is read back.
func Steps(start, least unit.Hz) []unit.Hz {
	if least <= 0 || least > start {
		least = start
	}
	out := []unit.Hz{start}
	for e := math.Ceil(math.Log10(float64(start))); e >= -3; e-- {
		for _, m := range []float64{3, 1} {
			if b := unit.Hz(m * math.Pow(10, e)); b < start*0.999 && b >= least*0.999 {
				out = append(out, b)
			}
		}
	}
	return out
}

// Choose weighs the rungs. With a signal seen it wants its level; else the
// cheapest rung that should prove the goal; else, where time remains, the one
// that proves most.
func Choose(r Request) Choice {
	left, limited := r.Left, r.Left >= 0
	if r.Best >= r.Goal {
		return Choice{Reason: fmt.Sprintf("%.1f dB proven", float64(r.Best))}
	}
	if limited && left == 0 {
		return Choice{Reason: "the time for this point is spent"}
	}
	if !r.Signal.IsMissing() {
		if c, ok := r.measure(); ok {
			return c
		}
		if r.Seen {
			return Choice{Reason: "a signal is there, but no RBW, looks and time at hand make a level of it"}
		}
	}
	within := func(g Rung) bool { return !limited || g.Cost <= left }
	var cheap, far *Rung
	for _, rbw := range Steps(r.Start, r.Min) {
		for g := range r.rungs(rbw) {
			if cheap != nil && g.Cost >= cheap.Cost {
				break
			}
			if g.Reach >= r.Goal+spare && within(g) && (cheap == nil || g.Cost < cheap.Cost) {
				cheap = &g
			}
			most := limited && g.Cost <= left || !limited && g.Cost <= patience
			if most && (far == nil || g.Reach > far.Reach+0.05 || g.Reach > far.Reach-0.05 && g.Cost < far.Cost) {
				far = &g
			}
		}
	}
	switch {
	case cheap != nil:
		return Choice{*cheap, true, fmt.Sprintf("to prove %.0f dB", float64(r.Goal))}
	case far == nil:
		return Choice{Reason: "the time left is too short for another rung"}
	case far.Reach-spare < r.Best+worthwhile:
		return Choice{Reason: fmt.Sprintf("nothing at hand proves much more than %.1f dB", float64(r.Best))}
	}
	return Choice{*far, true, "as far as the time allows"}
}

// measure looks for the cheapest rung at which the signal's level can be read.
func (r Request) measure() (Choice, bool) {
	var best *Rung
	for _, rbw := range Steps(r.Start, r.Min) {
		s := r.Signal.Sub(r.floor(rbw)).Power()
		if unit.PowerRatio(s) < levelMargin {
			continue
		}
		// Variance of a mean power of K looks, (1+2s)/K + 1/M over s², in dB.
		want := int(math.Ceil(18.86 * (1.2 + 2*s) / (s * s) / (levelU * levelU)))
		if g, ok := r.make(rbw, max(want, 2)); ok && g.On <= r.MostLooks && (r.Left < 0 || g.Cost <= r.Left) && (best == nil || g.Cost < best.Cost) {
			best = &g
		}
	}
	if best == nil {
		return Choice{}, false
	}
	return Choice{*best, true, fmt.Sprintf("to read a level of about %.0f dBm", float64(r.Signal))}, true
}

func (r Request) floor(rbw unit.Hz) unit.DBm {
	return r.Density.Add(unit.PowerRatio(float64(rbw)))
}

// rungs yields what an RBW offers, with a rising number of looks, as long as
// more looks are a gain.
func (r Request) rungs(rbw unit.Hz) func(func(Rung) bool) {
	return func(yield func(Rung) bool) {
		for _, n := range looksOffered {
			g, ok := r.make(rbw, n)
			if !ok || g.On > r.MostLooks {
				return
			}
			if r.Left >= 0 && g.Cost > r.Left {
				return
			}
			g.Reach = r.reach(g)
			if !yield(g) || g.Reach >= r.Goal+spare {
				return
			}
		}
	}
}

var looksOffered = func() []int {
	out := []int{3, 4, 6, 8}
	for n := 12.0; n < 200000; n *= math.Sqrt2 {
		out = append(out, int(math.Round(n)))
	}
	return out
}()

// make lays out a rung of n looks at an RBW: standing on the carrier where it is
// known well enough, else sweeping over where it may be.
func (r Request) make(rbw unit.Hz, n int) (Rung, bool) {
	if r.ZeroSpan && r.Carrier <= rbw/8 {
		look := 1 / (detect.LooksPerBandwidthTime * float64(rbw))
		total := time.Duration(float64(n) * look * float64(time.Second))
		sweeps := int(math.Ceil(float64(total) / float64(longestStand)))
		each := max(total/time.Duration(sweeps), r.Law.Least)
		g := Rung{RBW: rbw, SweepTime: each, On: sweeps, Off: sweeps, Looks: float64(n)}
		g.Cost = time.Duration(2*sweeps) * (each + r.Standing(rbw))
		return g, true
	}
	span := max(2*r.Carrier+4*rbw, minSpan*rbw)
	if r.Points > 0 && float64(span/rbw)*2 > float64(r.Points) {
		return Rung{}, false // fewer than two trace points per RBW would miss the carrier
	}
	g := Rung{RBW: rbw, Span: span, On: n, Off: max(2, (n+1)/2), Looks: float64(n)}
	blocks := 2 * ((n + 2) / 3)
	g.Cost = time.Duration(g.On+g.Off)*r.Law.Sweep(span, rbw) + time.Duration(blocks)*r.Law.Settle
	return g, true
}

// Standing is how long is waited in zero span before the filter has settled on
// a source that was switched.
func (r Request) Standing(rbw unit.Hz) time.Duration {
	return max(r.Law.Settle, time.Duration(settleLooks/float64(rbw)*float64(time.Second)))
}

// Bins is how many independent readings a carrier is searched among: about four
// per RBW of what it may stand in.
func (g Rung) Bins(carrier unit.Hz) int {
	if g.Span == 0 {
		return 1
	}
	return 1 + int(math.Ceil(4*float64(2*carrier/g.RBW)+1))
}

// reach is the median bound that a rung gives without a signal.
func (r Request) reach(g Rung) unit.DB {
	on := detect.Looks{N: g.Looks, Detector: detect.PowerAverage, Bins: g.Bins(r.Carrier)}
	off := detect.Looks{N: g.Looks, Detector: detect.PowerAverage}
	loss := r.Loss
	if g.Span > 0 {
		off.N = math.Max(1, float64(g.Off)*float64(g.Span/g.RBW))
	} else {
		loss += detect.DetuningLoss(r.Carrier, g.RBW)
	}
	return r.Reference.Sub(r.floor(g.RBW)) - overNoise(on, off, r.Rule) - loss
}

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
	Signal  unit.DBm
	Seen    bool
	Fine    unit.DB // noise wanted in its level, standard uncertainty; zero: as much as a level may have
	Have    float64 // looks had in zero span at HaveRBW: a rung there adds to them
	HaveRBW unit.Hz

	Failed int // rungs meant to prove the goal that did not: each asks the next for more
	Again  int // rungs that did not make a level of it: each doubles the looks

	Drift    unit.Hz // how far the carrier may move in a second, either way
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
	spare        = unit.DB(0.8) // above the median bound, so that most rungs hold what they promise
	quickSpare   = unit.DB(1.7) // more of it for a rung of no time
	dear         = 10.0         // seconds from which a rung is not quick
	worthwhile   = unit.DB(1)   // least gain for which another rung is taken without reaching the goal
	levelMargin  = unit.DB(7.5) // least margin at which a level is wanted; one is given from 6 dB
	levelU       = 0.45         // dB of noise wanted in a level
	patience     = time.Minute  // most time for a rung that cannot reach the goal, without a stated limit
	longestStand = 30 * time.Second
	mostStands   = 1000
	settleLooks  = 2.5 // filter settling in zero span, in 1/RBW
	mostSmear    = 0.5 // of an RBW that the carrier may cross in a rung: 0.75 dB off at its ends
	fineSmear    = 0.2 // the same where a level is read finely: 0.12 dB
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
			if g.Reach >= r.Goal+r.spare(g) && within(g) && (cheap == nil || g.Cost < cheap.Cost) {
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
	case far.Reach-r.spare(*far) < r.Best+worthwhile:
		return Choice{Reason: fmt.Sprintf("nothing at hand proves much more than %.1f dB", float64(r.Best))}
	}
	return Choice{*far, true, "as far as the time allows"}
}

// measure looks for the cheapest rung at which the signal's level can be read.
func (r Request) measure() (Choice, bool) {
	var best *Rung
	u := levelU
	if r.Fine > 0 {
		u = float64(r.Fine)
	}
	for _, rbw := range Steps(r.Start, r.Min) {
		s := r.Signal.Sub(r.floor(rbw)).Power()
		if unit.PowerRatio(s) < levelMargin {
			continue
		}
		// Variance of a mean power of K looks, (1+2s)/K + 1/M over s², in dB.
		want := int(math.Ceil(18.86 * (1.2 + 2*s) / (s * s) / (u * u) * math.Exp2(float64(max(r.Again, 0)))))
		if g, ok := r.make(rbw, max(want, 2)); ok && g.Looks > 0 && g.On <= r.most(g) && (r.Left < 0 || g.Cost <= r.Left) && (best == nil || g.Cost < best.Cost) {
			best = &g
		}
	}
	if best == nil {
		return Choice{}, false
	}
	return Choice{*best, true, fmt.Sprintf("to read a level of about %.0f dBm", float64(r.Signal))}, true
}

// most is how many sweeps of one state a rung may take. In zero span each is as
// long as many looks, and only the time counts.
func (r Request) most(g Rung) int {
	if g.Span == 0 {
		return mostStands
	}
	return r.MostLooks
}

// spare is what a rung's median bound should have over the goal: the more the
// quicker it is, since a rung that fails costs its share of the error, too.
func (r Request) spare(g Rung) unit.DB {
	quick := math.Max(0, math.Min(1, -math.Log10(g.Cost.Seconds()/dear)/2))
	return (spare + quickSpare*unit.DB(quick)) * unit.DB(1+0.5*float64(r.Failed))
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
			if g.Looks < 0 {
				continue
			}
			if !ok || g.On > r.most(g) {
				return
			}
			if r.Left >= 0 && g.Cost > r.Left {
				return
			}
			g.Reach = r.reach(g)
			if !yield(g) || g.Reach >= r.Goal+r.spare(g) {
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
		add := float64(n)
		if r.Have > 0 && math.Abs(float64(r.HaveRBW/rbw-1)) < 0.01 {
			if add -= r.Have; add < r.Have/3 {
				return Rung{RBW: rbw, Looks: -1}, true // too little to be worth a decision
			}
		}
		total := time.Duration(add * look * float64(time.Second))
		sweeps := int(math.Ceil(float64(total) / float64(longestStand)))
		each := max(total/time.Duration(sweeps), r.Law.Least)
		g := Rung{RBW: rbw, SweepTime: each, On: sweeps, Off: sweeps, Looks: float64(n)}
		g.Cost = time.Duration(2*sweeps) * (each + r.Standing(rbw))
		return g, r.Carrier+r.crossed(g) <= rbw/8
	}
	span := max(2*r.Carrier+4*rbw, minSpan*rbw)
	if r.Points > 0 && float64(span/rbw)*2 > float64(r.Points) {
		return Rung{}, false // fewer than two trace points per RBW would miss the carrier
	}
	g := Rung{RBW: rbw, Span: span, On: n, Off: max(2, (n+1)/2), Looks: float64(n)}
	blocks := 2 * ((n + 2) / 3)
	g.Cost = time.Duration(g.On+g.Off)*r.Law.Sweep(span, rbw) + time.Duration(blocks)*r.Law.Settle
	smear := unit.Hz(mostSmear)
	if r.Fine > 0 {
		smear = fineSmear
	}
	return g, r.crossed(g) <= smear*rbw // else each trace point would get a part of the carrier only
}

// crossed is how far the carrier may move while a rung is taken.
func (r Request) crossed(g Rung) unit.Hz { return r.Drift * unit.Hz(g.Cost.Seconds()) }

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
		loss += detect.DetuningLoss(r.crossed(g)/2, g.RBW)
	} else {
		loss += detect.DetuningLoss(r.Carrier+r.crossed(g), g.RBW)
	}
	return r.Reference.Sub(r.floor(g.RBW)) - overNoise(on, off, r.Rule) - loss
}

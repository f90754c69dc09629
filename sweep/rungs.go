package sweep

import (
	"fmt"
	"math"

	"lidded/driver/unit"
	"lidded/sweep/detect"
	"lidded/sweep/requirement"
)

// mostRungs is how many captures an adaptive point may take through a shield.
const mostRungs = 8

// Limits of the check of a reference with more attenuation.
const (
	checkStep   = unit.DB(10) // more attenuation (common practice, no source)
	checkLimit  = unit.DB(1)  // moves a sound reading by less
	checkMargin = unit.DB(30) // reference over noise, so that 20 dB are left after the step
)

// rungShare is the part of the error that rung i of a point may make: both that
// a bound does not hold and that noise is called a signal. The rungs of a point
// look until one suffices, so each could err; together they err no more often
// than the plan says (Bonferroni's inequality). The second rung, on which most
// points end, has half.
func rungShare(i int) float64 {
	switch i {
	case 0:
		return 0.1
	case 1:
		return 0.5
	}
	return 0.4 * math.Exp2(float64(1-i)) // 0.2, 0.1, …: their sum is below 0.4
}

// spentRule is the rule of rung i of an adaptive point. Bounds hold at the
// confidence returned with it; an interval of a signal that is present needs no
// more than the plan's, since each rung is judged by its own looks.
func spentRule(rule detect.Rule, i int) (present, bound detect.Rule) {
	share := rungShare(i)
	present = rule
	present.Points = int(math.Ceil(float64(max(rule.Points, 1)) / share))
	bound = present
	bound.Confidence = 1 - (1-rule.Confidence)*share
	return present, bound
}

// judge compares the looks of a capture. In zero span the carrier may stand
// beside the filter's middle: the limit allows for what that takes off.
//
// The same looks give the same finding, whatever is added after: it is kept.
func (e *Evaluator) judge(c seen) detect.Finding {
	k := findingKey{c.ID, c.pools}
	if f, ok := e.findings[k]; ok && c.ID != "" {
		return f
	}
	f := e.compare(c)
	if c.ID != "" {
		e.findings[k] = f
	}
	return f
}

func (e *Evaluator) compare(c seen) detect.Finding {
	r := c.reading
	if c.HeldSweeps > 0 {
		return e.judgeHeld(c)
	}
	if !e.adaptive() || !deep(c.Kind) {
		return smeared(detect.Judge(r.on, r.off, e.rule), r.smear)
	}
	present, bound := spentRule(e.rule, c.Rung)
	if c.pools > 0 { // looks that made one go on count again: an interval has to allow for it, too
		present = bound
	}
	f := detect.Judge(r.on, r.off, present)
	if !f.Judged() {
		return f
	}
	if !f.Present || !f.Level.IsFinite() {
		f.Limit = detect.Judge(r.on, r.off, bound).Limit
	}
	f.Limit, f.High = f.Limit.Add(r.loss), f.High.Add(r.loss)
	return smeared(f, r.smear)
}

// smeared allows for what a carrier that moved may have lost, at most by: it may
// have stood still, or been at both ends for half of the time each. One that moves
// evenly has lost a third of it.
func smeared(f detect.Finding, by unit.DB) detect.Finding {
	if by > 0 && f.Judged() {
		f.Limit, f.High = f.Limit.Add(by), f.High.Add(by)
		if f.Level.IsFinite() {
			f.Level = f.Level.Add(by / 3)
		}
	}
	return f
}

// heldLevelFrom is the margin over the held floor from which a held level is
// given: nearer, the number of looks that the largest was taken of, which nobody
// knows well, moves it by decibels.
const heldLevelFrom = unit.DB(10)

// judgeHeld judges a held trace: the limit by the sweeps that surely saw the
// carrier, a look each; the level and its interval by all that may have, and by
// what the filter's flanks saw as it passed.
func (e *Evaluator) judgeHeld(c seen) detect.Finding {
	on, off, rule := c.reading.on, c.reading.off, e.rule
	// The interval has to know that a level is given from there on only.
	rule.NoCorrectionAbove = max(rule.NoCorrectionAbove, heldLevelFrom+unit.PowerRatio(c.reading.floor/off.Mean))
	f := detect.Judge(on, off, rule)
	if f.Present && !f.Level.IsFinite() && f.Margin < rule.NoCorrectionAbove {
		f.Reason = "a signal is present, but too near the held noise for a value"
	}
	return f
}

// pooled is rung i of a point with the looks of the rungs before it that stood
// on the same carrier with the same RBW: what a rung lacked, the next adds. The
// error is shared among the rungs, so each may use all there is by then.
func pooled(rungs []seen, i int) seen {
	c := rungs[i]
	if !stands(c) {
		return c
	}
	for _, o := range rungs[:i] {
		if !stands(o) || o.Freq != c.Freq || !near(o.Settings.RBW, c.Settings.RBW) {
			continue
		}
		c.pools++
		c.reading.on, c.reading.off = both(c.reading.on, o.reading.on), both(c.reading.off, o.reading.off)
		c.reading.heard, c.reading.floor, c.reading.offPeak = c.reading.off, c.reading.off.Mean, c.reading.off.Mean
		c.reading.level = level(c.reading.on.Mean)
		c.reading.loss = max(c.reading.loss, o.reading.loss)
		c.reading.looks += o.reading.looks
		c.reading.offLooks += o.reading.offLooks
		c.reading.unsteady = c.reading.unsteady || o.reading.unsteady
		c.Overload = c.Overload || o.Overload
	}
	return c
}

// stands reports whether a capture is a sound one in zero span.
func stands(c seen) bool {
	return c.Void == "" && c.why == "" && c.Settings.Span == 0 && c.reading.looks > 0
}

// both is the mean of two sets of looks, by their number.
func both(a, b detect.Looks) detect.Looks {
	n := a.N + b.N
	a.Mean = (a.Mean*a.N + b.Mean*b.N) / n
	a.N = n
	return a
}

// soundest is the reference capture that counts: the last rung without a fault
// and not beside somebody's signal, checks apart.
func (e *Evaluator) soundest(rungs []seen) (seen, bool) {
	best, ok := seen{}, false
	for i := len(rungs) - 1; i >= 0; i-- {
		c := rungs[i]
		if e.isCheck(rungs, i) {
			continue
		}
		if !ok {
			best, ok = c, true // better than none, if only for its reason
		}
		if c.Void == "" && c.why == "" && (len(rungs) == 1 || !e.ambient(c).heard) {
			return c, true
		}
	}
	return best, ok
}

// isCheck reports whether rung i of a reference is its check with more
// attenuation.
func (e *Evaluator) isCheck(rungs []seen, i int) bool {
	if i == 0 || !e.adaptive() {
		return false
	}
	base, at := rungs[0].Settings.Attenuator, rungs[i].Settings.Attenuator
	return base != nil && at != nil && *at >= *base+checkStep/2
}

// overloaded says why a reference that was checked with more attenuation is
// compressed, or nothing.
func (e *Evaluator) overloaded(rungs []seen, ref seen, l taken) string {
	for i, c := range rungs {
		if !e.isCheck(rungs, i) || c.Void != "" || c.Freq != ref.Freq {
			continue
		}
		t := e.levelOf(c)
		if t.void != "" || !t.finding.Level.IsFinite() {
			continue
		}
		step := *c.Settings.Attenuator - *rungs[0].Settings.Attenuator
		if moved := t.finding.Level.Sub(l.finding.Level); unit.DB(math.Abs(float64(moved))) > checkLimit {
			return fmt.Sprintf("the analyzer is overloaded: with %.0f dB more attenuation the reference reads %+.1f dB, limit %.0f dB; raise the attenuation or lower the source level", float64(step), float64(moved), float64(checkLimit))
		}
	}
	return ""
}

// alike is the closing capture to be compared with a reference: taken with its
// settings, else the last.
func alike(rungs []seen, ref seen) (seen, bool) {
	for i := len(rungs) - 1; i >= 0; i-- {
		if c := rungs[i]; c.Void == "" && c.why == "" && c.Freq == ref.Freq && sameSweep(c, ref) {
			return c, true
		}
	}
	return lastOf(rungs)
}

// overRungs is the result of a point over all its rungs: the value of the last
// that measured one; else the highest bound, which holds since the rungs share
// the error; else why there is no claim.
func (e *Evaluator) overRungs(rungs []seen, q Point) Result {
	var pick Result
	gone := "" // why the narrowest rung says nothing
	for i := len(rungs) - 1; i >= 0; i-- {
		c := pooled(rungs, i)
		r := e.result(c, q)
		switch {
		case i == len(rungs)-1:
			pick = r
			if r.Outcome == Void {
				gone = r.Reason
			}
		case pick.Outcome == Measured:
			continue
		case r.Outcome == Measured, r.Outcome == AtLeast && (pick.Outcome != AtLeast || r.SE.Value > pick.SE.Value):
			pick = r
		default:
			continue
		}
		if e.adaptive() && r.Method != "" {
			pick.Method = fmt.Sprintf("%s; rung %d of %d: %s", r.Method, i+1, len(rungs), settingsText(c))
		}
	}
	if gone != "" && pick.Outcome == AtLeast {
		pick.Reason = fmt.Sprintf("%s; a narrower rung is void: %s", pick.Reason, gone)
	}
	e.against(&pick, q)
	pick.Decide = e.wouldDecide(pick, rungs[len(rungs)-1], q)
	return pick
}

// settingsText names what a rung was captured with.
func settingsText(c seen) string {
	s := fmt.Sprintf("RBW %v, span %v", c.Settings.RBW, rounded(c.Settings.Span))
	if c.Settings.Span == 0 {
		s = fmt.Sprintf("RBW %v, zero span", c.Settings.RBW)
	}
	return s + fmt.Sprintf(", %d sweeps on and %d off", c.reading.looks, c.reading.offLooks)
}

// rounded is a frequency to three digits.
func rounded(f unit.Hz) unit.Hz {
	if f == 0 {
		return 0
	}
	k := math.Pow(10, math.Floor(math.Log10(math.Abs(float64(f))))-2)
	return unit.Hz(math.Round(float64(f)/k) * k)
}

// required is what the run's line asks of a point, if anything.
func (e *Evaluator) required(q Point) (unit.DB, bool) {
	if e.run.Line == nil {
		return 0, false
	}
	return e.run.Line.At(fieldOf(q), q.Freq)
}

// against gives a result its verdict by the run's line.
func (e *Evaluator) against(r *Result, q Point) {
	if e.run.Line == nil {
		r.Verdict = requirement.NotRequired
		return
	}
	j := requirement.Judge(e.run.Line, fieldOf(q), q.Freq, claimOf(r.Outcome, r.SE))
	r.Verdict, r.Required, r.Headroom = j.Verdict, finite(j.Required), finite(j.Guarded)
}

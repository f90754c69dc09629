package sweep

import (
	"fmt"
	"math"
	"slices"

	"lidded/driver/unit"
)

// Interference is what a second signal d decibels below the one looked at does
// to its level, depending on phase: 20·log10(1 ± 10^(−d/20)), up to the first
// and down to the second. It is the formula of mismatch, where 10^(−d/20) is the
// product of two reflection coefficients (GUM practice: UKAS LAB 34, arcsine).
func Interference(d unit.DB) (up, down unit.DB) {
	r := math.Pow(10, -float64(d)/20)
	return unit.DB(20 * math.Log10(1+r)), unit.DB(20 * math.Log10(math.Abs(1-r)))
}

// Leak is what goes round the specimen at a point: seen with the receiver
// terminated or the source loaded, and the source on.
type Leak struct {
	Level unit.DBm `json:"level_dbm"` // the upper end of what was seen; unseen: its upper limit
	Seen  bool     `json:"seen"`
	From  int      `json:"from"` // point it was captured at; another than the result's: the nearest checked ones' higher
}

// leakage is what the plan's leakage check found for a point, nil without one
// that counts. What was not checked takes the higher of the checked points on
// both sides, by what each lies under its source level.
func (e *Evaluator) leakage(q Point) *Leak {
	if e.run.Plan.LeakageCheck == FittedAsUsed {
		return nil
	}
	if e.leaks == nil {
		e.findLeaks()
	}
	if l, ok := e.leaks[q.Index]; ok {
		return l
	}
	var worst *Leak
	points := e.run.Plan.Points
	for _, side := range []int{-1, 1} {
		for i := q.Index + side; i >= 0 && i < len(points); i += side {
			l, ok := e.leaks[i]
			if !ok {
				continue
			}
			if l != nil {
				near := *l
				near.Level = near.Level.Add(q.Level.Sub(points[i].Level))
				if worst == nil || near.Level > worst.Level {
					worst = &near
				}
			}
			break
		}
	}
	return worst
}

// findLeaks judges the captures of the leakage check: an entry for each point
// that was captured, nil where the capture says nothing.
func (e *Evaluator) findLeaks() {
	e.leaks, e.leakNotes = map[int]*Leak{}, nil
	for i := range e.run.Steps {
		s := e.run.Steps[i]
		if s.Kind != Leakage {
			continue
		}
		for _, p := range s.Captures(e.run.Plan) {
			rungs := e.index[captureKey{Leakage, s.At, p}]
			if len(rungs) == 0 {
				continue
			}
			l, why := e.leakOf(rungs, s)
			if l != nil {
				l.From = p
			}
			e.leaks[p] = l
			if why != "" {
				e.leakNotes = append(e.leakNotes, fmt.Sprintf("leakage check at %v: %s", e.run.Plan.Points[p].Freq, why))
			}
		}
	}
}

// notFitted is how near to the reference a leakage check may not read: a load
// was not fitted then.
const notFitted = unit.DB(10)

// leakOf is the leakage from the rungs of a point: what the last one that saw
// something saw, else the lowest limit.
func (e *Evaluator) leakOf(rungs []seen, s Step) (*Leak, string) {
	var best *Leak
	why := ""
	for i := len(rungs) - 1; i >= 0 && (best == nil || !best.Seen); i-- {
		c := pooled(rungs, i)
		t := e.levelOf(c)
		switch {
		case t.void != "":
			why = t.void
		case t.ambient.heard && t.reading.Sub(t.ambient.level) < clearOfAmbient:
			why = fmt.Sprintf("another signal of %v is on the air here", t.ambient.level)
		case t.finding.Present && t.finding.Level.IsFinite():
			best = &Leak{Level: t.finding.High, Seen: true}
		case best == nil || t.finding.Limit < best.Level:
			best = &Leak{Level: t.finding.Limit}
		}
	}
	if best == nil {
		return nil, orString(why, "nothing was captured")
	}
	open := e.open[spot{s.At.Position, s.At.Polarization, rungs[0].Point}]
	if best.Seen && open.outcome == Measured && open.level.Sub(best.Level) < notFitted {
		return best, fmt.Sprintf("%v is received with %v, %v as reference: was the load fitted?", best.Level, s.Fitting, open.level)
	}
	return best, ""
}

// leakNote sums the leakage check up for the run's notes.
func (e *Evaluator) leakNote() {
	if e.run.Plan.LeakageCheck == FittedAsUsed {
		return
	}
	if e.leaks == nil {
		e.findLeaks()
	}
	e.notes = append(e.notes, e.leakNotes...)
	var keys []int
	for i, l := range e.leaks {
		if l != nil {
			keys = append(keys, i)
		}
	}
	if len(keys) == 0 {
		return
	}
	slices.Sort(keys)
	at, worst, seen := -1, unit.DB(math.Inf(1)), 0
	for _, i := range keys {
		if e.leaks[i].Seen {
			seen++
		}
		for _, pos := range e.run.Plan.Positions {
			for _, pol := range e.run.Plan.Polarizations {
				if o := e.open[spot{pos, pol, i}]; o.outcome == Measured {
					if d := o.level.Sub(e.leaks[i].Level); d < worst {
						at, worst = i, d
					}
				}
			}
		}
	}
	if at < 0 {
		return
	}
	e.notes = append(e.notes, fmt.Sprintf("leakage check (%v) at %d of %d points, a leakage seen at %d: least %.1f dB under the reference, at %v; claims within %.0f dB of it are bounds",
		e.run.Plan.LeakageCheck, len(keys), len(e.run.Plan.Points), seen, float64(worst), e.run.Plan.Points[at].Freq, float64(e.run.Plan.LeakageMargin)))
}

// under says what a leakage does to an enclosed level. hides tells that the level
// is too near to it for a value; allow is what the level of what came through the
// specimen may lie above the level received; moves is the half-width it leaves to
// a value.
func (l *Leak) under(p unit.DBm, margin unit.DB) (hides bool, allow, moves unit.DB) {
	if l == nil || !p.IsFinite() {
		return false, 0, 0
	}
	d := p.Sub(l.Level)
	up, down := Interference(d)
	return d < margin, up, -down
}

// reason says what a leakage has to do with a bound.
func (l *Leak) reason(p unit.DBm, f Fitting) string {
	if l.Seen {
		return fmt.Sprintf("leakage: %v goes round the specimen (%v), and %v is received: what came through it cannot be told apart", l.Level, f, p)
	}
	return fmt.Sprintf("leakage: the check (%v) leaves up to %v round the specimen, and %v is received: look deeper in the check for a value", f, l.Level, p)
}

// leakEnds says why a look deeper than a level gains nothing for a leakage, or
// nothing.
func (e *Evaluator) leakEnds(q Point, l taken) string {
	leak := e.leakage(q)
	if leak == nil || l.void != "" {
		return ""
	}
	if hides, _, _ := leak.under(l.finding.Level, e.run.Plan.LeakageMargin); l.finding.Present && hides {
		return leak.reason(l.finding.Level, e.run.Plan.LeakageCheck)
	}
	if leak.Seen && !l.finding.Present && l.finding.Limit <= leak.Level {
		return fmt.Sprintf("a leakage of %v limits what can be shown", leak.Level)
	}
	return ""
}

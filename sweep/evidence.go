package sweep

import (
	"slices"

	"lidded/driver/unit"
	"lidded/sweep/uncertainty"
)

// Evidence is what one result stands on.
type Evidence struct {
	Point    Point
	Result   *Result            // nil: nothing was captured through the shield yet
	Budget   uncertainty.Result // without rows where there is no claim
	Captures []CaptureRead      // ambient, reference, enclosed, closing reference; of each the rungs in order
	Rungs    []RungResult       // of the capture through the shield, the first look first
}

// CaptureRead is a capture without its traces, and what was read from them.
type CaptureRead struct {
	Capture
	Level   unit.DBm // what the trace showed with the source on; missing if there is nothing
	Floor   unit.DBm // noise floor beside it, same settings; missing if there is none
	Carrier unit.Hz  // where the carrier was found; zero: not found
	Why     string   // the capture says nothing, and why
}

// RungResult is what one of the looks at a point said by itself, with those before it
// that count with it.
type RungResult struct {
	Number   int    // from 0
	Capture  string // id
	Settings string // in words
	Result   Result
}

// Evidence gathers what the result of a point at a setting stands on. A point
// that the plan does not have, or a setting, gives false.
func (e *Evaluator) Evidence(at Setting, point int) (Evidence, bool) {
	p := e.run.Plan
	known := point >= 0 && point < len(p.Points) && slices.Contains(p.Positions, at.Position) && slices.Contains(p.Polarizations, at.Polarization) &&
		at.Repeat >= 1 && at.Repeat <= max(1, p.Repeats) && slices.ContainsFunc(e.run.Specimens, func(s Specimen) bool { return s.Name == at.Specimen })
	if !known {
		return Evidence{}, false
	}
	notes := e.notes
	e.references()
	e.notes = notes
	q := p.Points[point]
	out := Evidence{Point: q}
	open := Setting{Position: at.Position, Polarization: at.Polarization, Repeat: 1}
	for _, k := range []captureKey{{Ambient, open, point}, {Reference, open, point}, {Enclosed, at, point}, {Closing, open, point}} {
		for _, c := range e.index[k] {
			out.Captures = append(out.Captures, e.readFrom(c))
		}
	}
	rungs := e.index[captureKey{Enclosed, at, point}]
	if len(rungs) == 0 {
		return out, true
	}
	r := e.overRungs(rungs, q)
	out.Result, out.Budget = &r, e.BudgetOf(r)
	for i := range rungs {
		c := pooled(rungs, i)
		one := e.result(c, q)
		e.against(&one, q)
		out.Rungs = append(out.Rungs, RungResult{Number: c.Rung, Capture: c.ID, Settings: settingsText(c), Result: one})
	}
	return out, true
}

func (e *Evaluator) readFrom(c seen) CaptureRead {
	t := CaptureRead{Capture: c.Capture, Level: unit.Missing(), Floor: unit.Missing()}
	if c.Kind == Ambient {
		if t.Why = orString(c.Void, c.why); t.Why == "" && c.reading.floor > 0 {
			t.Floor = level(c.reading.floor)
		}
		return t
	}
	l := e.levelOf(c)
	if t.Why = l.void; t.Why == "" {
		t.Level, t.Floor, t.Carrier = l.reading, l.floor, l.carrier
	}
	return t
}

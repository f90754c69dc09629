package sweep

import (
	"fmt"
	"math"

	"lidded/driver/unit"
)

// linearityCoverage is the k of the limit of a linearity check: what lies beyond
// k standard uncertainties of the step is no accident (95 %).
const linearityCoverage = 2

// Deviation is what a linearity check found at a point: how far the fall of the
// level was from the known step. Below zero the level fell too little: the
// reference is compressed.
type Deviation struct {
	Point     int     `json:"point"`
	Step      unit.DB `json:"step_db"`
	Deviation unit.DB `json:"deviation_db"`
	Limit     unit.DB `json:"limit_db"` // k·u of the step, the noise of both levels and the linearity the bench states
	Reason    string  `json:"reason,omitempty"`
}

// Over reports whether the deviation is beyond the limit.
func (d Deviation) Over() bool {
	return d.Reason == "" && math.Abs(float64(d.Deviation)) > float64(d.Limit)
}

// linearity judges the captures of the plan's linearity check against the
// references they were taken beside.
func (e *Evaluator) linearity() []Deviation {
	var out []Deviation
	for _, s := range e.run.Steps {
		if s.Kind != Linearity {
			continue
		}
		for _, p := range s.Captures(e.run.Plan) {
			if rungs := e.index[captureKey{Linearity, s.At, p}]; len(rungs) > 0 {
				out = append(out, e.deviation(rungs, s, p))
			}
		}
	}
	return out
}

func (e *Evaluator) deviation(rungs []seen, s Step, point int) Deviation {
	d := Deviation{Point: point, Step: s.Lower, Deviation: unit.DB(math.NaN())}
	open := e.referenceAt(s.At, e.run.Plan.Points[point])
	c, ok := e.soundest(rungs)
	if !ok || open.outcome != Measured {
		d.Reason = orString(open.reason, "no reference to compare with")
		return d
	}
	l := e.levelOf(c)
	switch {
	case l.void != "":
		d.Reason = l.void
	case !l.finding.Present || !l.finding.Level.IsFinite():
		d.Reason = "the lowered reference is gone in the noise: take a smaller step"
	case l.ambient.heard && l.reading.Sub(l.ambient.level) < referenceClear:
		d.Reason = fmt.Sprintf("another signal of %v is on the air here", l.ambient.level)
	}
	if d.Reason != "" {
		return d
	}
	d.Deviation = open.level.Sub(l.finding.Level) - s.Lower
	u := math.Hypot(float64(open.u), float64(l.u))
	for _, k := range e.run.Plan.KnownSteps(e.run.Bench) {
		if k.Value == s.Lower {
			u = math.Hypot(u, float64(k.Uncertainty))
			break
		}
	}
	if b := e.run.Bench.Budget; b != nil && b.Linearity != nil {
		u = math.Hypot(u, float64(*b.Linearity)/math.Sqrt(3))
	}
	if !sameSweep(open.capture, c) || !sameInput(open.capture, c) {
		u = math.Hypot(u, float64(switchingDefault)/math.Sqrt(3))
	}
	d.Limit = linearityCoverage * unit.DB(u)
	return d
}

// referenceAt is the reference at a setting's place by itself, whatever the
// linearity check found of it.
func (e *Evaluator) referenceAt(at Setting, q Point) openField {
	return e.openReference(at.Position, at.Polarization, q)
}

// nonLinear says why the reference of a point must not be used after the
// linearity check, or nothing.
func (e *Evaluator) nonLinear(point int) string {
	for _, d := range e.deviations() {
		if d.Point != point || !d.Over() {
			continue
		}
		if d.Deviation < 0 {
			return fmt.Sprintf("the analyzer is compressed: a step of %v lowers the reference by %.2f dB less, limit %.2f dB; raise the attenuation or lower the source level", d.Step, -float64(d.Deviation), float64(d.Limit))
		}
		return fmt.Sprintf("the analyzer is not linear: a step of %v lowers the reference by %.2f dB more, limit %.2f dB; raise the attenuation, or have it looked at", d.Step, float64(d.Deviation), float64(d.Limit))
	}
	return ""
}

// deviations is linearity, looked up once for the captures so far.
func (e *Evaluator) deviations() []Deviation {
	if e.run.Plan.LinearityCheck == FittedAsUsed {
		return nil
	}
	if e.steps == nil {
		e.steps = append([]Deviation{}, e.linearity()...)
	}
	return e.steps
}

// linearAsChecked is the half-width that the check leaves to the linearity of the
// analyzer, for a bench that states none: the largest deviation and the
// uncertainty of the step that it was found with.
func (e *Evaluator) linearAsChecked() unit.DB {
	if b := e.run.Bench.Budget; b != nil && b.Linearity != nil {
		return 0
	}
	worst := unit.DB(0)
	for _, d := range e.deviations() {
		if d.Reason == "" {
			worst = max(worst, unit.DB(math.Abs(float64(d.Deviation)))+d.Limit/linearityCoverage)
		}
	}
	return worst
}

// linearNote sums the linearity check up for the run's notes.
func (e *Evaluator) linearNote() {
	list := e.deviations()
	if len(list) == 0 {
		return
	}
	worst, over, judged := -1, 0, 0
	for i, d := range list {
		if d.Reason != "" {
			e.notes = append(e.notes, fmt.Sprintf("linearity check at %v, %v: %s", e.run.Plan.Points[d.Point].Freq, d.Step, d.Reason))
			continue
		}
		judged++
		if d.Over() {
			over++
		}
		if worst < 0 || math.Abs(float64(d.Deviation)) > math.Abs(float64(list[worst].Deviation)) {
			worst = i
		}
	}
	if worst < 0 {
		return
	}
	w := list[worst]
	text := fmt.Sprintf("linearity check (%v): %d steps, largest deviation %+.2f dB at %v with %v, limit there %.2f dB", e.run.Plan.LinearityCheck, judged, float64(w.Deviation), e.run.Plan.Points[w.Point].Freq, w.Step, float64(w.Limit))
	if over > 0 {
		text += fmt.Sprintf("; %d over the limit: those points are void, and points of a like level that were not checked are to be doubted", over)
	}
	e.notes = append(e.notes, text)
}

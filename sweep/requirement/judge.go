package requirement

import (
	"fmt"
	"math"

	"lidded/driver/unit"
)

// Rule is the decision rule of every verdict here: a result meets the line
// only when its whole interval is above it, and falls short only when its
// whole interval is below it (JCGM 106:2012, 8.3: guarded acceptance and
// guarded rejection, guard band equal to the expanded uncertainty).
const Rule = "guarded acceptance, JCGM 106:2012"

// Outcome is what was found out at a point; the four are never mixed.
type Outcome int

// The outcomes.
const (
	OutcomeUnknown Outcome = iota
	Measured               // value ± expanded uncertainty
	AtLeast                // a lower bound at a stated confidence
	Ambient                // someone else's signal: no claim
	Void                   // a fault in the measurement: no claim
)

var outcomeNames = []string{"unknown", "measured", "at least", "ambient", "void"}

// String gives the outcome's name.
func (o Outcome) String() string { return nameOf(outcomeNames, int(o)) }

// MarshalText writes the outcome's name.
func (o Outcome) MarshalText() ([]byte, error) { return []byte(o.String()), nil }

// UnmarshalText reads an outcome's name.
func (o *Outcome) UnmarshalText(b []byte) error {
	return choose((*int)(o), "outcome", outcomeNames, string(b))
}

// Result is a shielding effectiveness and what it claims.
type Result struct {
	Outcome Outcome
	SE      unit.DB // the value, or the bound
	U       unit.DB // measured: half-width of the two-sided interval; at least: zero, the bound already holds the uncertainty
}

// MeasuredSE is a value with its expanded uncertainty (two-sided half-width).
func MeasuredSE(se, u unit.DB) Result { return Result{Outcome: Measured, SE: se, U: u} }

// AtLeastSE is a lower bound.
func AtLeastSE(bound unit.DB) Result { return Result{Outcome: AtLeast, SE: bound} }

// Interval returns the lowest and highest SE that the result leaves possible;
// the highest of a bound is plus infinity. Ambient, void and results that are
// not numbers leave everything possible and return false.
func (r Result) Interval() (lo, hi unit.DB, ok bool) {
	switch {
	case math.IsNaN(float64(r.SE)) || math.IsInf(float64(r.SE), 0):
		return 0, 0, false
	case r.Outcome == AtLeast:
		return r.SE, unit.DB(math.Inf(1)), true
	case r.Outcome == Measured && r.U >= 0 && !math.IsInf(float64(r.U), 0):
		return r.SE - r.U, r.SE + r.U, true
	}
	return 0, 0, false
}

// Verdict is the answer to "does it meet the line".
type Verdict int

// The verdicts.
const (
	VerdictUnknown Verdict = iota
	Meets
	FallsShort
	Undecided
	NotRequired // the line says nothing at this frequency and field
)

var verdictNames = []string{"unknown", "meets", "falls short", "undecided", "not required"}

// String gives the verdict's name.
func (v Verdict) String() string { return nameOf(verdictNames, int(v)) }

// MarshalText writes the verdict's name.
func (v Verdict) MarshalText() ([]byte, error) { return []byte(v.String()), nil }

// UnmarshalText reads a verdict's name.
func (v *Verdict) UnmarshalText(b []byte) error {
	return choose((*int)(v), "verdict", verdictNames, string(b))
}

// Judgement is the verdict at one point and what it rests on.
type Judgement struct {
	Freq     unit.Hz
	Field    Field
	Required unit.DB
	Mark     Mark // where the required value comes from
	Verdict  Verdict
	Headroom unit.DB // SE minus required; for a bound, at least this; NaN where there is no SE or no requirement
	Guarded  unit.DB // lower end of the interval minus required; the same for a bound; NaN as Headroom
	Rule     string
	Why      string // one sentence
	ToDecide string // when undecided: what would decide it, or ""
}

// Judge compares a result with the line at a frequency and field.
func Judge(l *Line, field Field, f unit.Hz, r Result) Judgement {
	nan := unit.DB(math.NaN())
	j := Judgement{Freq: f, Field: field, Rule: Rule, Headroom: nan, Guarded: nan}
	req, mark, ok := l.at(field, f)
	if !ok {
		j.Required, j.Verdict = nan, NotRequired
		j.Why = fmt.Sprintf("%s asks nothing of the %s field at %v", l.Name, field, f)
		return j
	}
	j.Required, j.Mark = req, mark
	lo, hi, ok := r.Interval()
	if !ok {
		j.Verdict = Undecided
		j.Why, j.ToDecide = noClaim(r)
		return j
	}
	j.Headroom, j.Guarded = r.SE-req, lo-req
	switch {
	case lo >= req:
		j.Verdict = Meets
		j.Why = fmt.Sprintf("%s is at or above the required %v", describe(r), req)
	case hi < req:
		j.Verdict = FallsShort
		j.Why = fmt.Sprintf("%s is below the required %v", describe(r), req)
	default:
		j.Verdict = Undecided
		j.Why = fmt.Sprintf("%s does not settle the required %v", describe(r), req)
		j.ToDecide = toDecide(r, req)
	}
	return j
}

func describe(r Result) string {
	if r.Outcome == AtLeast {
		return fmt.Sprintf("at least %v", floored(r.SE))
	}
	return fmt.Sprintf("%v ± %v", r.SE, r.U)
}

// floored is a bound as it is printed, never rounded up.
func floored(b unit.DB) unit.DB { return unit.DB(math.Floor(float64(b)*10) / 10) }

func noClaim(r Result) (why, cure string) {
	switch r.Outcome {
	case Ambient:
		return "a signal that is not ours stands here: no claim", "measure at a nearby clear frequency, or when the signal is off the air"
	case Void:
		return "the measurement is void: no claim", "find and mend the fault, then measure again"
	}
	return "there is no usable result here: no claim", "measure this point"
}

func toDecide(r Result, req unit.DB) string {
	if r.Outcome == AtLeast {
		return fmt.Sprintf("%v more dynamic range", req-floored(r.SE))
	}
	gap := unit.DB(math.Abs(float64(r.SE - req)))
	if gap < 0.05 {
		return "the value lies on the line: no uncertainty is small enough, improve the specimen or the line"
	}
	return fmt.Sprintf("an uncertainty of at most ±%v", gap)
}

// Combine gives the verdict of a specimen from the verdicts of its points: one
// that falls short makes it fall short; else one undecided makes it undecided;
// else it meets. Points where nothing is required do not count; with no point
// left the specimen is undecided, for nothing was shown.
func Combine(points []Verdict) Verdict {
	shown := false
	out := Meets
	for _, v := range points {
		switch v {
		case FallsShort:
			return FallsShort
		case Meets:
			shown = true
		case NotRequired:
		default:
			shown, out = true, Undecided
		}
	}
	if !shown {
		return Undecided
	}
	return out
}

package between

import (
	"fmt"
	"math"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

// Row is one setting and frequency of two benches.
type Row struct {
	Position     string
	Polarization sweep.Polarization
	Field        requirement.Field
	Freq         unit.Hz  // the first bench's, or the second's where that alone has it
	A, B         *Reading // nil: not measured there
	Verdict      Verdict
	Reason       string      // why it cannot be said, or differs by a bound
	Difference   *Difference // of the SE, B less A; nil: none may be stated
	Reference    *ReferenceDifference
}

// Difference of two claims.
type Difference struct {
	Relation Relation
	By       unit.DB // B less A
	U        unit.DB // half-width at Coverage; NaN with a bound
	En       float64 // NaN with a bound
}

// ReferenceDifference is how the open levels of two benches differ, B less A.
type ReferenceDifference struct {
	By unit.DB // of the levels as received, corrected for nothing
	U  unit.DB // that noise and repeats leave of By; NaN: not known on both sides
	// Normalised is By less the difference of the source levels: by so much B's path
	// lets more through. NaN: a run does not state its source level.
	Normalised unit.DB
}

// En is the score of two values with expanded uncertainties that cover 95 %:
// (x1 − x2)/√(U1² + U2²), satisfactory up to 1 either way (ISO 13528:2015 9.7,
// ISO/IEC 17043:2010 B.3.1.3, from memory, check against your copy).
func En(x1, x2, u1, u2 unit.DB) float64 {
	return float64(x1-x2) / math.Hypot(float64(u1), float64(u2))
}

// judge fills in what the two claims come to.
func (r *Row) judge(a, b string) {
	switch {
	case r.A == nil:
		r.Verdict, r.Reason = CannotSay, "not measured on "+a
		return
	case r.B == nil:
		r.Verdict, r.Reason = CannotSay, "not measured on "+b
		return
	}
	r.reference()
	x, y := r.A.SE, r.B.SE
	r.Verdict = CannotSay
	switch {
	case x.Relation == sweep.RelationUnknown:
		r.Reason = silent(a, *r.A)
	case y.Relation == sweep.RelationUnknown:
		r.Reason = silent(b, *r.B)
	case x.Relation == sweep.AtLeastRelation && y.Relation == sweep.AtLeastRelation:
		r.Reason = "two bounds: each allows the other"
	case x.Relation == sweep.Equal && !known(r.A.U), y.Relation == sweep.Equal && !known(r.B.U):
		r.Reason = "a value without an uncertainty"
	case x.Relation == sweep.AtLeastRelation:
		r.bound(a, x.Value, b, y.Value+r.B.U, AtMost)
	case y.Relation == sweep.AtLeastRelation:
		r.bound(b, y.Value, a, x.Value+r.A.U, AtLeast)
	default:
		r.values(x.Value, y.Value)
	}
}

func (r *Row) values(x, y unit.DB) {
	d := Difference{Relation: Equal, By: y - x, U: unit.DB(math.Hypot(float64(r.A.U), float64(r.B.U)))}
	if d.U == 0 {
		r.Reason = "neither bench states an uncertainty"
		return
	}
	d.En = En(y, x, r.B.U, r.A.U)
	r.Difference, r.Verdict = &d, Agrees
	if math.Abs(d.En) > 1 {
		r.Verdict = Differs
	}
}

// bound compares the bound of one bench with the upper end of the other's value.
// Where both claims hold, the bound is not above it; that happens by chance in at
// most 5 % of cases: the bound's own error is one-sided, at its confidence.
func (r *Row) bound(of string, least unit.DB, against string, most unit.DB, sign Relation) {
	if least <= most {
		r.Reason = fmt.Sprintf("the bound of %s neither excludes the value of %s nor confirms it", of, against)
		return
	}
	by := least - most
	if sign == AtMost {
		by = -by
	}
	r.Verdict, r.Difference = Differs, &Difference{Relation: sign, By: by, U: none(), En: math.NaN()}
	r.Reason = fmt.Sprintf("the bound of %s stands above all that the value of %s leaves open", of, against)
}

// ofValues reports whether the row compares two values.
func (r Row) ofValues() bool { return r.Difference != nil && r.Difference.Relation == Equal }

// ofBound reports whether a bound was held against a value.
func (r Row) ofBound() bool {
	if r.A == nil || r.B == nil {
		return false
	}
	x, y := r.A.SE.Relation, r.B.SE.Relation
	return x == sweep.AtLeastRelation && y == sweep.Equal && known(r.B.U) || y == sweep.AtLeastRelation && x == sweep.Equal && known(r.A.U)
}

func (r *Row) reference() {
	if !r.A.Reference.IsFinite() || !r.B.Reference.IsFinite() {
		return
	}
	d := ReferenceDifference{By: r.B.Reference.Sub(r.A.Reference), U: none(), Normalised: none()}
	if known(r.A.ReferenceU) && known(r.B.ReferenceU) {
		d.U = unit.DB(math.Hypot(float64(r.A.ReferenceU), float64(r.B.ReferenceU)))
	}
	if known(r.A.PathLoss) && known(r.B.PathLoss) {
		d.Normalised = r.A.PathLoss - r.B.PathLoss
	}
	r.Reference = &d
}

func silent(bench string, r Reading) string {
	s := "no claim on " + bench
	if r.Reason != "" {
		s += ": " + r.Reason
	}
	return s
}

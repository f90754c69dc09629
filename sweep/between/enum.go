package between

import "lidded/driver/word"

// Verdict is what a comparison at one setting and frequency comes to.
type Verdict uint8

// Verdicts.
const (
	VerdictUnknown Verdict = iota
	Agrees                 // the difference is explained by the stated uncertainties
	Differs                // it is not
	CannotSay              // at least one side leaves it open, or claims nothing
)

var verdictNames = word.List{"unknown", "agrees", "differs", "cannot say"}

// String gives the name used over REST.
func (v Verdict) String() string { return verdictNames.Of(int(v)) }

// Relation is part of a difference: a bound on one side leaves a bound.
type Relation uint8

// Relations.
const (
	RelationUnknown Relation = iota
	Equal
	AtLeast
	AtMost
)

var relationNames = word.List{"", "=", ">=", "<="}

// String gives the sign.
func (r Relation) String() string { return relationNames.Of(int(r)) }

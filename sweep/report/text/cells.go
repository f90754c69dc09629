package text

import (
	"fmt"
	"math"

	"lidded/driver/unit"
	"lidded/sweep"
)

// None stands for a number that is not there.
const None = "-"

// Number writes a level or a ratio with one decimal.
func Number[T unit.DB | unit.DBm](v T) string {
	if p := unit.DBm(v); !p.IsFinite() {
		return None
	}
	if s := fmt.Sprintf("%.1f", float64(v)); s != "-0.0" {
		return s
	}
	return "0.0"
}

// Optional writes a number that may not be there.
func Optional(p *unit.DB) string {
	if p == nil {
		return None
	}
	return Number(*p)
}

// Limits are rounded to the safe side, a lower one down and an upper one up. The
// hair keeps a decimal number from moving because it has no exact binary form.
const hair = 1e-6

// AtLeast writes a lower limit, rounded down.
func AtLeast(v unit.DB) string { return Number(unit.DB(math.Floor(float64(v)*10+hair) / 10)) }

// AtMost writes an upper limit, rounded up.
func AtMost(v unit.DBm) string { return Number(unit.DBm(math.Ceil(float64(v)*10-hair) / 10)) }

// SE writes a shielding effectiveness in dB, without the unit, with its
// relation: "= 67.5 ± 2.1", "≥ 73.4", or "-" where there is no claim.
func SE(se sweep.SE) string {
	switch se.Relation {
	case sweep.Equal:
		return fmt.Sprintf("= %s ± %s", Number(se.Value), Number(se.U))
	case sweep.AtLeastRelation:
		return "≥ " + AtLeast(se.Value)
	}
	return None
}

// Enclosed is the level through the shield; of a bound, its upper limit.
func Enclosed(r sweep.Result) string {
	switch {
	case !r.Enclosed.IsFinite():
		return None
	case r.SE.Relation == sweep.AtLeastRelation:
		return "≤ " + AtMost(r.Enclosed)
	}
	return Number(r.Enclosed)
}

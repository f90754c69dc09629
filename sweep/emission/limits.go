package emission

import (
	"math"
	"strconv"
	"time"

	"lidded/driver/unit"
	"lidded/sweep/requirement"
)

// Limits is one table of exposure limits: field strengths and power densities
// against frequency.
type Limits struct {
	Name      string           `json:"name" yaml:"name"`   // short key, such as "47cfr-1.1310-public"
	Title     string           `json:"title" yaml:"title"` // for people
	Source    string           `json:"source" yaml:"source"`
	Mark      requirement.Mark `json:"mark" yaml:"mark"`
	Note      string           `json:"note,omitempty" yaml:"note"`
	Averaging time.Duration    `json:"averaging_ns" yaml:"averaging"` // stated; distances take no credit for it
	Rows      []Row            `json:"rows" yaml:"rows"`
}

// Row is one frequency range of a table, both ends included. Each quantity is
// optional, one at least is there.
type Row struct {
	From unit.Hz `json:"from_hz" yaml:"from"`
	To   unit.Hz `json:"to_hz" yaml:"to"`
	E    *Term   `json:"e_v_per_m,omitempty" yaml:"e_v_per_m"`
	H    *Term   `json:"h_a_per_m,omitempty" yaml:"h_a_per_m"`
	S    *Term   `json:"s_w_per_m2,omitempty" yaml:"s_w_per_m2"`
}

// Term is factor·(f/per)^exponent; per is 1 MHz where it is not stated. A plain
// number in a file is a factor alone.
type Term struct {
	Factor   float64 `json:"factor" yaml:"factor"`
	Exponent float64 `json:"exponent,omitempty" yaml:"exponent"`
	Per      unit.Hz `json:"per_hz,omitempty" yaml:"per"`
}

// UnmarshalScalar reads a plain number as the factor.
func (t *Term) UnmarshalScalar(text string) error {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return err
	}
	*t = Term{Factor: v}
	return nil
}

// At is the term's value at f.
func (t Term) At(f unit.Hz) float64 {
	per := t.Per
	if per == 0 {
		per = 1e6
	}
	return t.Factor * math.Pow(float64(f/per), t.Exponent)
}

// Density is the limit at f as a plane wave's power density in W/m²: the
// strictest of S, E²/377 and 377·H². Where two rows meet, the stricter holds.
func (l Limits) Density(f unit.Hz) (float64, bool) {
	best, ok := math.Inf(1), false
	for _, r := range l.Rows {
		if f < r.From || f > r.To {
			continue
		}
		ok = true
		if r.S != nil {
			best = min(best, r.S.At(f))
		}
		if r.E != nil {
			e := r.E.At(f)
			best = min(best, e*e/freeSpaceOhms)
		}
		if r.H != nil {
			h := r.H.At(f)
			best = min(best, h*h*freeSpaceOhms)
		}
	}
	return best, ok
}

// Caution is what must be said beside every use of the table, or "".
func (l Limits) Caution() string {
	if l.Mark == requirement.Memory {
		return requirement.CheckYourCopy
	}
	return ""
}

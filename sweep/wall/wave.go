package wall

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"lidded/driver/unit"
)

// Field is the kind of field that meets the wall.
type Field int

// The fields.
const (
	FieldUnknown Field = iota
	Magnetic           // near field of a small loop
	Electric           // near field of a short rod
	PlaneWave
)

var fieldNames = []string{"unknown", "magnetic", "electric", "plane wave"}

// Fields lists the known fields.
func Fields() []Field { return []Field{Magnetic, Electric, PlaneWave} }

// String gives the field's name.
func (f Field) String() string {
	if f < 0 || int(f) >= len(fieldNames) {
		return fieldNames[0]
	}
	return fieldNames[f]
}

// ParseField reads "magnetic", "electric" or "plane wave".
func ParseField(s string) (Field, error) {
	i := slices.Index(fieldNames, strings.ToLower(strings.TrimSpace(s)))
	if i <= 0 {
		return FieldUnknown, fmt.Errorf("unknown field %q: use magnetic, electric or plane wave", s)
	}
	return Field(i), nil
}

// MarshalText writes the field's name.
func (f Field) MarshalText() ([]byte, error) { return []byte(f.String()), nil }

// UnmarshalText reads what ParseField reads.
func (f *Field) UnmarshalText(b []byte) error {
	v, err := ParseField(string(b))
	if err != nil {
		return err
	}
	*f = v
	return nil
}

// Wave is what meets the wall: a plane wave, or the near field of a small
// source at a distance.
type Wave struct {
	Field    Field
	Distance Metre // from a near-field source to the wall; unused for a plane wave
}

// Impedance returns the wave impedance at the wall in ohm. Small dipoles:
// with x = 1/(jkr), electric η0(1+x+x²)/(1+x), magnetic η0(1+x)/(1+x+x²)
// (Schelkunoff 1943; from memory). An unknown field is taken as a plane wave.
func (w Wave) Impedance(f unit.Hz) complex128 {
	kr := 2 * math.Pi * float64(w.Distance) / wavelength(float64(f))
	x := 1 / complex(0, kr)
	switch w.Field {
	case Electric:
		return Eta0 * (1 + x + x*x) / (1 + x)
	case Magnetic:
		return Eta0 * (1 + x) / (1 + x + x*x)
	}
	return Eta0
}

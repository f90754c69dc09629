package uncertainty

import (
	"fmt"
	"math"

	"lidded/driver/unit"
)

// Reflection returns |Γ| of a voltage standing-wave ratio, (S−1)/(S+1).
func Reflection(vswr float64) (float64, error) {
	if !(vswr >= 1) || math.IsInf(vswr, 1) {
		return 0, fmt.Errorf("VSWR %v: give a finite number of 1 or more", vswr)
	}
	return (vswr - 1) / (vswr + 1), nil
}

// Padded returns the |Γ| seen through an attenuator that is itself matched: the wave
// passes it twice.
func Padded(gamma float64, pad unit.DB) float64 { return gamma / (2 * pad).Field() }

// Mismatch returns the limits 20·lg(1 ± |Γ1·Γ2|) of the mismatch between two ports;
// the minus limit is the larger (UKAS LAB 34).
func Mismatch(gamma1, gamma2 float64) (plus, minus unit.DB, err error) {
	if !(gamma1 >= 0 && gamma1 < 1) || !(gamma2 >= 0 && gamma2 < 1) {
		return 0, 0, fmt.Errorf("reflection coefficients %v and %v: give 0 or more and less than 1", gamma1, gamma2)
	}
	g := gamma1 * gamma2
	return unit.FieldRatio(1 + g), -unit.FieldRatio(1 - g), nil
}

// MismatchComponent is the U-shaped component of the larger limit.
func MismatchComponent(name string, side Side, vswr1, vswr2 float64) (Component, error) {
	g1, err := Reflection(vswr1)
	if err != nil {
		return Component{}, fmt.Errorf("mismatch %q: %w", name, err)
	}
	g2, err := Reflection(vswr2)
	if err != nil {
		return Component{}, fmt.Errorf("mismatch %q: %w", name, err)
	}
	_, minus, err := Mismatch(g1, g2)
	if err != nil {
		return Component{}, fmt.Errorf("mismatch %q: %w", name, err)
	}
	return Component{
		Name: name, Value: minus, Distribution: UShaped, Side: side,
		Source: fmt.Sprintf("VSWR %.3g against %.3g", vswr1, vswr2),
	}, nil
}

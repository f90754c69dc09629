package uncertainty

import (
	"fmt"
	"math"

	"lidded/driver/unit"
)

// Distribution is the assumed law of a component.
type Distribution int

// The distributions.
const (
	// Unknown is the zero value and is refused.
	Unknown Distribution = iota
	// Normal: Value is the standard uncertainty, or an expanded one with its Divisor k.
	Normal
	// Rectangular: Value is the half-width; divisor √3 (GUM 4.3.7).
	Rectangular
	// Triangular: Value is the half-width; divisor √6 (GUM 4.3.9).
	Triangular
	// UShaped (arcsine): Value is the half-width; divisor √2 (UKAS LAB 34, mismatch).
	UShaped
)

// String returns the name, "unknown" for anything else.
func (d Distribution) String() string {
	switch d {
	case Normal:
		return "normal"
	case Rectangular:
		return "rectangular"
	case Triangular:
		return "triangular"
	case UShaped:
		return "U-shaped"
	}
	return "unknown"
}

// ParseDistribution reads the names String gives, and "u-shaped", "ushaped".
func ParseDistribution(s string) (Distribution, error) {
	switch s {
	case "normal":
		return Normal, nil
	case "rectangular":
		return Rectangular, nil
	case "triangular":
		return Triangular, nil
	case "U-shaped", "u-shaped", "ushaped":
		return UShaped, nil
	}
	return Unknown, fmt.Errorf("distribution %q is not known: use normal, rectangular, triangular or u-shaped", s)
}

// divisor turns a half-width into a standard uncertainty.
func (d Distribution) divisor() float64 {
	switch d {
	case Normal:
		return 1
	case Rectangular:
		return math.Sqrt(3)
	case Triangular:
		return math.Sqrt(6)
	case UShaped:
		return math.Sqrt2
	}
	return math.NaN()
}

// Side is where a component acts in SE = reference − enclosed.
type Side int

// The sides.
const (
	// Difference acts on the SE as a whole (the zero value): position, linearity
	// over the step, drift between the two.
	Difference Side = iota
	// Reference acts on the reference level.
	Reference
	// Enclosed acts on the enclosed level.
	Enclosed
)

// String returns the name, "unknown" for anything else.
func (s Side) String() string {
	switch s {
	case Difference:
		return "difference"
	case Reference:
		return "reference"
	case Enclosed:
		return "enclosed"
	}
	return "unknown"
}

// Component is one entry of a budget.
type Component struct {
	Name string
	// Value is the standard uncertainty or the half-width, as the distribution says.
	Value unit.DB
	// Distribution of the component; it also gives the divisor.
	Distribution Distribution
	// Divisor replaces that of the distribution when above zero (k of a certificate).
	Divisor float64
	// DoF are the degrees of freedom; zero and +Inf both mean infinite.
	DoF float64
	// Side says where it acts.
	Side Side
	// Common labels a cause: a reference and an enclosed component with the same
	// label are correlated by Correlation and cancel as far as that goes.
	Common string
	// Correlation between the two, 0 to 1. Without it a label changes nothing.
	Correlation float64
	// Statistical says that the value was found from a series of readings (type A,
	// GUM 4.2); else from anything other (type B, GUM 4.3).
	Statistical bool
	// Source says where the value comes from.
	Source string
}

// Standard returns the standard uncertainty.
func (c Component) Standard() unit.DB {
	d := c.Divisor
	if d == 0 {
		d = c.Distribution.divisor()
	}
	return unit.DB(float64(c.Value) / d)
}

func (c Component) dof() float64 {
	if c.DoF == 0 {
		return math.Inf(1)
	}
	return c.DoF
}

// Check returns an error naming the component and the cure.
func (c Component) Check() error {
	bad := func(format string, a ...any) error {
		return fmt.Errorf("uncertainty component %q: %s", c.Name, fmt.Sprintf(format, a...))
	}
	switch {
	case c.Name == "":
		return fmt.Errorf("uncertainty component without a name: give it one")
	case !(c.Value >= 0) || math.IsInf(float64(c.Value), 1):
		return bad("value %v: give a finite value of 0 dB or more", float64(c.Value))
	case c.Distribution.String() == "unknown":
		return bad("no distribution: state normal, rectangular, triangular or u-shaped")
	case !(c.Divisor >= 0) || math.IsInf(c.Divisor, 1):
		return bad("divisor %v: give a number above zero, or leave it out", c.Divisor)
	case c.Divisor != 0 && c.Distribution != Normal && math.Abs(c.Divisor-c.Distribution.divisor()) > 0.005:
		return bad("divisor %v does not belong to a %v distribution (%.4g): leave it out", c.Divisor, c.Distribution, c.Distribution.divisor())
	case !(c.DoF >= 0) || (c.DoF > 0 && c.DoF < 1):
		return bad("%v degrees of freedom: give 1 or more, or leave it out for infinitely many", c.DoF)
	case c.Side.String() == "unknown":
		return bad("side %d: use reference, enclosed or difference", c.Side)
	case !(c.Correlation >= 0 && c.Correlation <= 1):
		return bad("correlation %v: give 0 to 1", c.Correlation)
	case c.Correlation > 0 && c.Common == "":
		return bad("a correlation without a common cause: name the cause in common")
	case c.Common != "" && c.Side == Difference:
		return bad("a common cause on the difference: put it on the reference and the enclosed side")
	}
	return nil
}

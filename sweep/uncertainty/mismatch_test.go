package uncertainty_test

import (
	"math"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep/uncertainty"
)

// TestMismatchAtItsEdges: no reflection is allowed, a whole one is not, on either
// port.
func TestMismatchAtItsEdges(t *testing.T) {
	for _, c := range []struct {
		a, b float64
		ok   bool
	}{{0, 0, true}, {0, 0.5, true}, {0.5, 0, true}, {0.99, 0.99, true}, {1, 0.5, false}, {0.5, 1, false}, {1.5, 0.5, false}, {0.5, 1.5, false}, {-0.1, 0.5, false}, {0.5, -0.1, false}} {
		plus, minus, err := uncertainty.Mismatch(c.a, c.b)
		if (err == nil) != c.ok {
			t.Errorf("%v and %v: %v", c.a, c.b, err)
		}
		if c.ok {
			near(t, "plus", float64(plus), 20*math.Log10(1+c.a*c.b), 1e-9)
			near(t, "minus", float64(minus), -20*math.Log10(1-c.a*c.b), 1e-9)
		}
	}
}

// TestTwoRepeatsAreEnough: {−40, −44} dBm have a mean power of −41.54 dBm, a standard
// deviation of 2.83 dB and one degree of freedom.
func TestTwoRepeatsAreEnough(t *testing.T) {
	r, err := uncertainty.Repeatability([]unit.DBm{-40, -44})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", float64(r.Mean), 10*math.Log10((1e-4+math.Pow(10, -4.4))/2), 1e-9)
	near(t, "SD", float64(r.SD), math.Sqrt(8), 1e-9)
	near(t, "of the mean", float64(r.Standard), 2, 1e-9)
	near(t, "degrees of freedom", r.DoF, 1, 0)
	if _, err := uncertainty.Repeatability([]unit.DBm{-40, -44, unit.Missing()}); err == nil || !strings.Contains(err.Error(), "level 3 is") {
		t.Errorf("%v", err)
	}
}

// TestTheFactorNearNothing: next to its middle the t law is flat, so that
// t = p/(2·f(0)), with f(0) = Γ(3)/(√(5π)·Γ(5/2)) at 5 degrees of freedom; there is no
// factor for nothing or for everything.
func TestTheFactorNearNothing(t *testing.T) {
	flat := math.Gamma(3) / (math.Sqrt(5*math.Pi) * math.Gamma(2.5))
	near(t, "relative", uncertainty.StudentT(1e-10, 5)/(1e-10/(2*flat)), 1, 1e-5)
	for _, c := range [][2]float64{{0, 5}, {1, 5}, {-0.1, 5}, {1.1, 5}, {0.95, 0}, {0.95, -1}} {
		if got := uncertainty.StudentT(c[0], c[1]); !math.IsNaN(got) {
			t.Errorf("p = %v, %v degrees of freedom: %v", c[0], c[1], got)
		}
	}
	for _, p := range []float64{0.5, 0.3, 1, 1.2} {
		if got := uncertainty.OneSidedT(p, 5); !math.IsNaN(got) {
			t.Errorf("one-sided at %v: %v", p, got)
		}
	}
}

package uncertainty_test

import (
	"math"
	"strings"
	"testing"

	"lidded/sweep/uncertainty"
)

// TestSensitivitiesOfInputsWithoutUncertainty: an exact input has a sensitivity like
// any other, at large estimates too, and correlations of plus and minus one are
// correlations.
func TestSensitivitiesOfInputsWithoutUncertainty(t *testing.T) {
	for _, x := range []float64{1e9, 3} {
		in := []uncertainty.Input{{Estimate: x}, {Estimate: 7, Standard: 0.5}}
		out, err := uncertainty.FirstOrder(in, nil, func(x []float64) float64 { return x[0] * x[0] * x[1] })
		if err != nil {
			t.Fatal(err)
		}
		near(t, "of a square", out.Sensitivities[0]/(14*x), 1, 1e-6)
		near(t, "of a factor", out.Sensitivities[1]/(x*x), 1, 1e-9)
	}
	small := []uncertainty.Input{{Estimate: 2, Standard: 3}, {Estimate: 1, Standard: 4}}
	sum := func(x []float64) float64 { return x[0] + x[1] }
	for r, want := range map[float64]float64{1: 7, -1: 1, 0.5: math.Sqrt(37)} {
		out, err := uncertainty.FirstOrder(small, [][]float64{{1, r}, {r, 1}}, sum)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "correlated", out.Standard, want, 1e-6)
	}
}

// TestEquationErrorsNameThePlace: inputs, rows and columns are counted from one.
func TestEquationErrorsNameThePlace(t *testing.T) {
	sum := func(x []float64) float64 { return x[0] }
	in := []uncertainty.Input{{Standard: 1}, {Standard: 1}, {Standard: 1}}
	bad := append(append([]uncertainty.Input{}, in[:2]...), uncertainty.Input{Standard: -1})
	for says, c := range map[string]struct {
		in []uncertainty.Input
		r  [][]float64
	}{
		"input 3 is":                    {bad, nil},
		"row 2 of the correlation":      {in, [][]float64{{1, 0, 0}, {0}, {0, 0, 1}}},
		"inputs 3 and 2 is 1.5":         {in, [][]float64{{1, 0, 0}, {0, 1, 0}, {0, 1.5, 1}}},
		"3 inputs and 1 rows":           {in, [][]float64{{1}}},
		"inputs 2 and 1 is -1.01: give": {in, [][]float64{{1, 0, 0}, {-1.01, 1, 0}, {0, 0, 1}}},
	} {
		if _, err := uncertainty.FirstOrder(c.in, c.r, sum); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("want %q, got %v", says, err)
		}
	}
	if _, err := uncertainty.Simultaneous([][]float64{{1, 2}, {1, 2}, {1}}); err == nil || !strings.Contains(err.Error(), "quantity 3 has 1 values: give 2") {
		t.Errorf("%v", err)
	}
}

// TestSimultaneousRepeatsByHand: {1, 3} and {2, 8} are 2 ± 1 and 5 ± 3 with one degree
// of freedom each, correlated wholly; one that never changes is correlated with itself
// alone.
func TestSimultaneousRepeatsByHand(t *testing.T) {
	m, err := uncertainty.Simultaneous([][]float64{{1, 3}, {2, 8}, {4, 4}, {9, 1}})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []uncertainty.Input{{2, 1, 1}, {5, 3, 1}, {4, 0, 1}, {5, 4, 1}} {
		near(t, "mean", m.Inputs[i].Estimate, want.Estimate, 1e-12)
		near(t, "standard", m.Inputs[i].Standard, want.Standard, 1e-12)
		near(t, "degrees of freedom", m.Inputs[i].DoF, want.DoF, 0)
	}
	want := [][]float64{{1, 1, 0, -1}, {1, 1, 0, -1}, {0, 0, 1, 0}, {-1, -1, 0, 1}}
	for i := range want {
		for j := range want {
			near(t, "correlation", m.Correlation[i][j], want[i][j], 1e-12)
		}
	}
	with := func(u float64) uncertainty.Output {
		return uncertainty.Output{Standard: u, Sensitivities: []float64{1}}
	}
	in := []uncertainty.Input{{Standard: 2}}
	if r := uncertainty.CorrelationOf(with(2), with(2), in, nil); r != 1 {
		t.Errorf("with itself: %v", r)
	}
	for _, c := range [][2]float64{{0, 2}, {2, 0}, {0, 0}} {
		if r := uncertainty.CorrelationOf(with(c[0]), with(c[1]), in, nil); !math.IsNaN(r) {
			t.Errorf("of %v: %v, want no number", c, r)
		}
	}
}

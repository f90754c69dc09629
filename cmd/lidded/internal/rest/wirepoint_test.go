package rest_test

import (
	"math"
	"testing"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
	"lidded/sweep/uncertainty"
)

// TestEachFigureOfABudgetUnderItsName: every figure is another one here, so that
// none can stand under another's name.
func TestEachFigureOfABudgetUnderItsName(t *testing.T) {
	b := rest.BudgetOf(uncertainty.Result{
		Standard: 1.25, DoF: 17, Coverage: 0.9, Factor: 2.5, Expanded: 3.125, OneSided: 2.0625, Method: uncertainty.MonteCarlo,
		Rows: []uncertainty.Row{
			{
				Name: "cable, reference", Side: uncertainty.Reference, Value: 2.75, Distribution: uncertainty.Rectangular, Divisor: 1.75,
				Standard: 1.5, DoF: 7, Common: "cable", Cancels: 0.375, Statistical: true, Share: 0.625, Source: "certificate",
			},
			{
				Name: "mismatch", Side: uncertainty.Enclosed, Value: 0.5, Distribution: uncertainty.UShaped, Divisor: 1.4375,
				Standard: 0.34375, DoF: math.Inf(1), Share: -0.125, Source: "data sheet",
			},
		},
	})
	got := onWire(t, b)
	same := func(where string, got, want map[string]any) { t.Helper(); hasMembers(t, where, got, want) }
	entries, _ := got["entries"].([]any)
	if len(entries) != 2 {
		t.Fatalf("entries %v", got["entries"])
	}
	delete(got, "entries")
	same("budget", got, map[string]any{
		"standard_uncertainty_db": 1.25, "expanded_uncertainty_db": 3.125, "one_sided_db": 2.0625, "coverage": 0.9, "coverage_factor": 2.5,
		"degrees_of_freedom": 17.0, "method": "Monte Carlo (JCGM 101), one non-normal component dominates",
	})
	same("first entry", entries[0].(map[string]any), map[string]any{
		"name": "cable, reference", "kind": "A", "side": "reference", "value_db": 2.75, "distribution": "rectangular", "divisor": 1.75,
		"standard_uncertainty_db": 1.5, "degrees_of_freedom": 7.0, "share": 0.625, "common": "cable", "cancelled": true, "source": "certificate",
	})
	same("second entry", entries[1].(map[string]any), map[string]any{
		"name": "mismatch", "kind": "B", "side": "enclosed", "value_db": 0.5, "distribution": "U-shaped", "divisor": 1.4375,
		"standard_uncertainty_db": 0.34375, "degrees_of_freedom": nil, "share": -0.125, "cancelled": false, "source": "data sheet",
	})
	if rest.BudgetOf(uncertainty.Result{Standard: 1}) != nil {
		t.Error("a budget without entries is shown")
	}
}

// TestABudgetOverREST: the depot's combined budget of √1.48 dB, two-sided with 1.960
// and one-sided with 1.645 (Abramowitz & Stegun table 26.5).
func TestABudgetOverREST(t *testing.T) {
	g := serve(t, resttest.New())
	id := g.begin(t, "quick", `"locker-steel","locker-mesh"`)
	g.Finish("depot")
	b := got[pointOnWire](t, g, "/v1/runs/"+id+"/points/2?specimen=locker-mesh").Budget
	if b == nil {
		t.Fatal("no budget")
	}
	u := math.Sqrt(1.48)
	for name, c := range map[string]struct {
		got  *float64
		want float64
	}{"standard": {b.Standard, u}, "expanded": {b.Expanded, 1.95996 * u}, "one-sided": {b.OneSided, 1.64485 * u}, "factor": {b.Factor, 1.95996}} {
		if c.got == nil || math.Abs(*c.got-c.want) > 1e-4 {
			t.Errorf("%s: %v, want %.4f", name, c.got, c.want)
		}
	}
	if b.Coverage != 0.95 || b.Components[0].Source != "bench, as stated" || b.Components[0].Side != "difference" || b.Components[1].Side == b.Components[0].Side {
		t.Errorf("%+v", b)
	}
}

package between_test

import (
	"math"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep/uncertainty"
)

// TestBothBenchesCountInAReferenceDifference: 1.7 dB on one and 0.6 dB on the other
// are 1.960·√(1.7² + 0.6²) together (GUM 5.1.2), whichever is which; what the budget
// holds of the enclosed side is none of it.
func TestBothBenchesCountInAReferenceDifference(t *testing.T) {
	a, b := night("depot", claim{100e6, 60, 2}), night("boathouse", claim{100e6, 61, 2})
	budget := func(u unit.DB) []uncertainty.Result {
		return []uncertainty.Result{{Rows: []uncertainty.Row{{Side: uncertainty.Reference, Standard: u}, {Side: uncertainty.Enclosed, Standard: 5}, {Standard: 7}}}}
	}
	for _, us := range [][2]unit.DB{{1.7, 0.6}, {0.6, 1.7}} {
		a.Evaluation.Budgets, b.Evaluation.Budgets = budget(us[0]), budget(us[1])
		r := only(t, pair(a, b))
		if r.Reference == nil || math.Abs(float64(r.Reference.U)-1.95996*math.Hypot(1.7, 0.6)) > 1e-4 {
			t.Errorf("%v: %+v", us, r.Reference)
		}
	}
	b.Evaluation.Budgets = nil
	if r := only(t, pair(a, b)); !math.IsNaN(float64(r.Reference.U)) {
		t.Errorf("known on one bench alone: %v", r.Reference.U)
	}
}

package uncertainty_test

import (
	"math"
	"testing"

	"lidded/sweep/uncertainty"
)

// TestAPairIsAsSureAsItsWeakerHalf: two halves that state different correlations
// cancel by the smaller one, in whichever order they stand, and keep the fewer
// degrees of freedom: u² = 2.9² + 1.7² − 2·0.3·2.9·1.7 = 8.342 dB² (GUM 5.2.2).
func TestAPairIsAsSureAsItsWeakerHalf(t *testing.T) {
	ref := uncertainty.Component{Name: "cable, reference", Value: 2.9, Distribution: uncertainty.Normal, Side: uncertainty.Reference, Common: "cable", Correlation: 0.8, DoF: 4}
	enc := uncertainty.Component{Name: "cable, enclosed", Value: 1.7, Distribution: uncertainty.Normal, Side: uncertainty.Enclosed, Common: "cable", Correlation: 0.3, DoF: 40}
	swapped := func(a, b uncertainty.Component) (uncertainty.Component, uncertainty.Component) {
		a.Correlation, b.Correlation = b.Correlation, a.Correlation
		a.DoF, b.DoF = b.DoF, a.DoF
		return a, b
	}
	ref2, enc2 := swapped(ref, enc)
	for name, b := range map[string]uncertainty.Budget{"as stated": {ref, enc}, "the other order": {enc, ref}, "the other halves": {ref2, enc2}, "both": {enc2, ref2}} {
		r, err := b.Combine(0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, name+": u", float64(r.Standard), math.Sqrt(8.342), 1e-9)
		if r.DoF != 4 {
			t.Errorf("%s: %v degrees of freedom, want 4", name, r.DoF)
		}
		// Student's t for 4 degrees of freedom: 2.776 two-sided, 2.132 one-sided
		// (Abramowitz & Stegun table 26.10).
		near(t, name+": expanded", float64(r.Expanded), 2.776*math.Sqrt(8.342), 0.005)
		near(t, name+": one-sided", float64(r.OneSided), 2.132*math.Sqrt(8.342), 0.005)
		near(t, name+": factor", r.Factor, 2.776, 0.001)
		for _, row := range r.Rows {
			share := (2.9*2.9 - 0.3*2.9*1.7) / 8.342
			if row.Side == uncertainty.Enclosed {
				share = (1.7*1.7 - 0.3*2.9*1.7) / 8.342
			}
			near(t, name+": share of "+row.Name, row.Share, share, 1e-9)
			near(t, name+": cancels", row.Cancels, 0.3, 1e-12)
		}
	}
}

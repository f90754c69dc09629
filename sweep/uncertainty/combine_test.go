package uncertainty_test

import (
	"math"
	"slices"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep/uncertainty"
)

// TestCombineAtItsEdges: no probability of one half or one; an empty budget is
// nothing by the ordinary method; a non-normal part of exactly half the variance
// dominates; a label on one side alone leaves its figure as it is.
func TestCombineAtItsEdges(t *testing.T) {
	only := uncertainty.Budget{{Name: "only", Value: 2.9, Distribution: uncertainty.Normal}}
	for _, p := range []float64{0.5, 1, 0.3, 1.2} {
		if _, err := only.Combine(p); err == nil {
			t.Errorf("coverage %v was accepted", p)
		}
	}
	for name, b := range map[string]uncertainty.Budget{"empty": nil, "a zero": {{Name: "nothing", Distribution: uncertainty.Rectangular}}} {
		r, err := b.Combine(0.95)
		if err != nil || r.Method != uncertainty.GUM || r.Factor != 0 || r.Expanded != 0 || r.OneSided != 0 {
			t.Errorf("%s: %+v %v", name, r, err)
		}
		for _, row := range r.Rows {
			if row.Share != 0 {
				t.Errorf("%s: share %v", name, row.Share)
			}
		}
	}
	half := uncertainty.Budget{{Name: "flat", Value: 1, Divisor: math.Sqrt(3), Distribution: uncertainty.Rectangular}, {Name: "round", Distribution: uncertainty.Normal}}
	half[1].Value = half[0].Standard()
	if r, _ := half.Combine(0.95); r.Method != uncertainty.MonteCarlo {
		t.Errorf("half of the variance is %v", r.Method)
	}
	half[1].Value *= 1.01
	if r, _ := half.Combine(0.95); r.Method != uncertainty.GUM {
		t.Errorf("less than half of the variance is %v", r.Method)
	}
	lone := uncertainty.Budget{{Name: "cable", Value: 2.9, Distribution: uncertainty.Normal, Side: uncertainty.Enclosed, Common: "cable", Correlation: 0.7}}
	r, err := lone.Combine(0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "a label on one side", float64(r.Standard), 2.9, 1e-12)
	low, high := r.Interval(60)
	near(t, "low", float64(low), 60-1.95996*2.9, 1e-4)
	near(t, "high", float64(high), 60+1.95996*2.9, 1e-4)
	near(t, "bound", float64(r.LowerBound(60)), 60-1.64485*2.9, 1e-4)
}

// TestATableSaysWhatWasCombined: cell by cell, the larger share first and equal ones
// as they were given.
func TestATableSaysWhatWasCombined(t *testing.T) {
	r, err := uncertainty.Budget{
		{Name: "first", Value: 1, Distribution: uncertainty.Normal, Side: uncertainty.Reference},
		{Name: "second", Value: 1, Distribution: uncertainty.Normal, Side: uncertainty.Enclosed},
		{Name: "large", Value: 4, Divisor: 2, Distribution: uncertainty.Normal, DoF: 12.5, Source: "certificate"},
		{Name: "third", Value: unit.DB(math.Sqrt(6)), Distribution: uncertainty.Rectangular},
	}.Combine(0.95)
	if err != nil {
		t.Fatal(err)
	}
	var got [][]string
	for _, row := range r.Rows {
		got = append(got, row.Cells())
	}
	want := [][]string{ // 4 + 2 + 1 + 1 dB²
		{"large", "difference", "4.000", "normal", "2.000", "2.000", "12.5", "50.0", "", "certificate"},
		{"third", "difference", "2.449", "rectangular", "1.732", "1.414", "inf", "25.0", "", ""},
		{"first", "reference", "1.000", "normal", "1.000", "1.000", "inf", "12.5", "", ""},
		{"second", "enclosed", "1.000", "normal", "1.000", "1.000", "inf", "12.5", "", ""},
	}
	if !slices.EqualFunc(got, want, slices.Equal[[]string]) {
		t.Errorf("%v, want %v", got, want)
	}
	if len(uncertainty.Header()) != len(want[0]) {
		t.Errorf("%d names for %d cells", len(uncertainty.Header()), len(want[0]))
	}
}

// TestDivisorsAtTheirEdges: one that belongs to the law may be written out.
func TestDivisorsAtTheirEdges(t *testing.T) {
	for name, c := range map[string]struct {
		c  uncertainty.Component
		ok bool
	}{
		"rectangular, written out": {uncertainty.Component{Divisor: 1.732, Distribution: uncertainty.Rectangular}, true},
		"rectangular, k = 2":       {uncertainty.Component{Divisor: 2, Distribution: uncertainty.Rectangular}, false},
		"normal, k = 2":            {uncertainty.Component{Divisor: 2, Distribution: uncertainty.Normal}, true},
		"normal, below zero":       {uncertainty.Component{Divisor: -2, Distribution: uncertainty.Normal}, false},
		"normal, without end":      {uncertainty.Component{Divisor: math.Inf(1), Distribution: uncertainty.Normal}, false},
	} {
		c.c.Name, c.c.Value = "x", 1
		if err := c.c.Check(); (err == nil) != c.ok {
			t.Errorf("%s: %v", name, err)
		}
	}
}

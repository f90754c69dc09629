package trend_test

import (
	"math"
	"testing"
	"time"

	"lidded/sweep/trend"
)

// TestAProofTakesTheNearEnds: from the low end of what was claimed before to the high
// end of the newest value, however far the values themselves lie apart; a bound as the
// newest proves nothing, and what it is worth takes both claims' doubt.
func TestAProofTakesTheNearEnds(t *testing.T) {
	day := time.Date(2026, 5, 4, 22, 0, 0, 0, time.UTC)
	first := trend.Point{Time: day, Value: 60, Low: 52, High: 70}
	for name, c := range map[string]struct {
		last trend.Point
		by   float64 // 0: none
	}{
		"well below":           {trend.Point{Value: 40, Low: 20, High: 45}, 7},
		"just below":           {trend.Point{Value: 40, Low: 20, High: 51.5}, 0.5},
		"meeting the low end":  {trend.Point{Value: 40, Low: 20, High: 52}, 0},
		"overlapping":          {trend.Point{Value: 40, Low: 20, High: 53}, 0},
		"a bound":              {trend.Point{Value: 40, Low: 40, High: math.Inf(1), Bound: true}, 0},
		"a bound said to end":  {trend.Point{Value: 40, Low: 40, High: 45, Bound: true}, 0},
		"without an interval":  {trend.Point{Value: 40, Low: math.NaN(), High: math.NaN()}, 0},
		"risen":                {trend.Point{Value: 90, Low: 80, High: 95}, 0},
		"from a bound before":  {trend.Point{Value: 40, Low: 20, High: 45}, 7},
		"nothing claimed then": {trend.Point{Value: 40, Low: 20, High: 45}, 0},
	} {
		from, last := first, c.last
		last.Time = day.Add(24 * time.Hour)
		switch name {
		case "from a bound before":
			from = trend.AtLeast(day, 52)
		case "nothing claimed then":
			from = trend.Value(day, 60)
		}
		got, err := trend.Of([]trend.Point{from, last}, trend.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if (got.Proof != nil) != (c.by > 0) {
			t.Errorf("%s: %+v, want %v", name, got.Proof, c.by)
			continue
		}
		if p := got.Proof; p != nil && (math.Abs(p.By-c.by) > 1e-9 || !p.Since.Equal(day) || math.Abs(p.Confidence-0.9) > 1e-9) {
			t.Errorf("%s: %+v, want %v since %v at 90 %%", name, p, c.by, day)
		}
	}
}

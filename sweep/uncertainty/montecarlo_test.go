package uncertainty_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"lidded/sweep/uncertainty"
)

// TestIntervalsOfASample: by counting. Of 1 to 100 the middle 95 are 3 to 98; the
// shortest is where values lie closest, the first of equals.
func TestIntervalsOfASample(t *testing.T) {
	var even, crowdedHigh, crowdedMiddle uncertainty.Sample
	for i := range 100 {
		x := float64(i + 1)
		even = append(even, x)
		crowdedHigh = append(crowdedHigh, -(100-x)*(100-x))
		crowdedMiddle = append(crowdedMiddle, (x-50)*math.Abs(x-50))
	}
	for name, c := range map[string]struct {
		s                  uncertainty.Sample
		p                  float64
		low, high          float64
		shortLow, shortTop float64
	}{
		"even":                 {even, 0.95, 3, 98, 1, 96},
		"all of it":            {even, 1, 1, 100, 1, 100},
		"crowded at the end":   {crowdedHigh, 0.95, -97 * 97, -2 * 2, -95 * 95, 0},
		"crowded in between":   {crowdedMiddle, 0.5, -24 * 24, 26 * 26, -25 * 25, 25 * 25},
		"two values, one half": {uncertainty.Sample{1, 2}, 0.5, 1, 2, 1, 2},
	} {
		low, high := c.s.Symmetric(c.p)
		shortLow, shortTop := c.s.Shortest(c.p)
		if low != c.low || high != c.high || shortLow != c.shortLow || shortTop != c.shortTop {
			t.Errorf("%s: %v to %v and %v to %v, want %+v", name, low, high, shortLow, shortTop, c)
		}
	}
}

// TestStableBySteps: blocks of all 0 and all 1 in turn: after two blocks the mean has
// a standard deviation of 1/2, so that a tolerance of 1 is met then and one just below
// it later.
func TestStableBySteps(t *testing.T) {
	blocks := func() uncertainty.Draw {
		n := 0
		return func(*rand.Rand) float64 { n++; return float64((n - 1) / 10000 % 2) }
	}
	same := func(x []float64) float64 { return x[0] }
	for tolerance, want := range map[float64]int{1: 2, 0.999: 3, 0.65: 4} {
		a := uncertainty.PropagateAdaptive(0.95, tolerance, 50, []uncertainty.Draw{blocks()}, same)
		if !a.Stable || a.Trials != want*10000 {
			t.Errorf("tolerance %v: stable %v after %d trials, want %d", tolerance, a.Stable, a.Trials, want*10000)
		}
	}
	if a := uncertainty.PropagateAdaptive(0.95, 0.1, 3, []uncertainty.Draw{blocks()}, same); a.Stable || a.Trials != 30000 || math.Abs(a.Mean-1./3) > 1e-9 {
		t.Errorf("%+v, want the limit of three blocks", a)
	}
}

// TestAPairThatCancelsInPart: two rectangular halves with a correlation of 0.5 are a
// sum of two rectangular laws of other widths, a and b, whose tail is
// (a + b − t)²/(8ab) (convolution).
func TestAPairThatCancelsInPart(t *testing.T) {
	const ref, enc, rho = 2.9, 1.7, 0.5
	b := uncertainty.Budget{
		{Name: "scale, reference", Value: ref, Distribution: uncertainty.Rectangular, Side: uncertainty.Reference, Common: "scale", Correlation: rho},
		{Name: "scale, enclosed", Value: enc, Distribution: uncertainty.Rectangular, Side: uncertainty.Enclosed, Common: "scale", Correlation: rho},
	}
	r, err := b.Combine(0.95)
	if err != nil {
		t.Fatal(err)
	}
	wide, narrow := ref-rho*enc, math.Sqrt(1-rho*rho)*enc
	near(t, "u", float64(r.Standard), math.Sqrt((ref*ref+enc*enc-2*rho*ref*enc)/3), 1e-9)
	near(t, "expanded", float64(r.Expanded), wide+narrow-math.Sqrt(0.2*wide*narrow), 0.03)
	near(t, "one-sided", float64(r.OneSided), wide+narrow-math.Sqrt(0.4*wide*narrow), 0.03)
}

// TestTheWholeLawIsDrawn: at several coverages, not at its end alone: the arcsine law
// holds the fraction p within sin(p·π/2), the rectangular within p, the triangular
// within 1 − √(1 − p).
func TestTheWholeLawIsDrawn(t *testing.T) {
	for d, within := range map[uncertainty.Distribution]func(float64) float64{
		uncertainty.UShaped:     func(p float64) float64 { return math.Sin(p * math.Pi / 2) },
		uncertainty.Rectangular: func(p float64) float64 { return p },
		uncertainty.Triangular:  func(p float64) float64 { return 1 - math.Sqrt(1-p) },
	} {
		for _, p := range []float64{0.55, 0.65, 0.75, 0.85, 0.95} {
			r, err := uncertainty.Budget{{Name: "only", Value: 2.9, Distribution: d}}.Combine(p)
			if err != nil {
				t.Fatal(err)
			}
			near(t, d.String()+" expanded", float64(r.Expanded)/2.9, within(p), 0.01)
			near(t, d.String()+" one-sided", float64(r.OneSided)/2.9, within(2*p-1), 0.01)
		}
	}
}

package sweep_test

import (
	"math"
	"os"
	"strconv"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
)

// drifts is how many climbs of each way are made: three points a climb.
func drifts(t *testing.T) int {
	if n, err := strconv.Atoi(os.Getenv("LIDDED_DRIFTS")); err == nil && n > 0 {
		return n
	}
	if testing.Short() {
		return 20
	}
	return 60
}

// TestBoundsHoldUnderDrift: whatever the carrier does within what the bench states,
// bounds hold and intervals cover at the stated rate: two free oscillators, drift of
// either sign and of all sizes, and one that swings. The carrier is averaged for
// minutes in filters of a hertz, which is where each of its bins gets a part of it.
func TestBoundsHoldUnderDrift(t *testing.T) {
	const stated = 0.5
	for name, c := range map[string]struct {
		drift, swing float64
		edit         func(*sweep.PlanSpec, *sweep.Bench)
	}{
		"none":               {0, 0, nil},
		"slow":               {0.1, 0, nil},
		"back":               {-0.3, 0, nil},
		"most":               {0.5, 0, nil},
		"swings":             {0, 0.013, nil}, // at most 0.49 ppm an hour
		"with time to spend": {0.3, 0, func(s *sweep.PlanSpec, _ *sweep.Bench) { s.Stop, s.Reach, s.Budget = sweep.StopBudget, nil, 5e11 }},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			bounds, broken, values, missed := 0, 0, 0, 0
			worst, fine, off := 0.0, 0, 0
			for i := range drifts(t) {
				x := newClimb(t, uint64(1000+i), func(s *sweep.PlanSpec, b *sweep.Bench) {
					r := unit.DB(85)
					s.Reach = &r
					b.FreqDriftPPM, b.Uncertainty = stated, 0.1 // little else hides what is wrong
					s.Bands[0].Freqs = []unit.Hz{100e6, 605.963e6, 950e6}
					if c.edit != nil {
						c.edit(s, b)
					}
				})
				x.drift, x.swing = c.drift, c.swing
				x.noise, x.refLevel = -100, -45
				truth := unit.DB(45 + 50*x.rng.Float64())
				x.se = func(p int) unit.DB { return truth + unit.DB(3*p) }
				for _, r := range x.walk(t).Results {
					is := x.se(r.Point)
					switch r.Outcome {
					case sweep.AtLeast:
						bounds++
						if over := float64(r.SE.Value - is); over > 0 {
							broken++
							worst = math.Max(worst, over)
						}
					case sweep.Measured:
						values++
						if is < r.SE.Value-r.SE.U || is > r.SE.Value+r.SE.U {
							missed++
						}
						if r.Margin >= 20 {
							fine++
							if math.Abs(float64(r.SE.Value-is)) > 0.5 {
								off++
							}
						}
					}
				}
			}
			t.Logf("bounds %d, broken %d (worst by %.1f dB); values %d, missed %d; %d of %d at a margin of 20 dB off by more than 0.5 dB", bounds, broken, worst, values, missed, off, fine)
			if bounds+values < drifts(t) {
				t.Fatalf("only %d claims", bounds+values)
			}
			// 5 % are allowed; three standard deviations of the count above.
			most := func(n int) float64 { return 0.05*float64(n) + 3*math.Sqrt(0.05*0.95*float64(n)) }
			if float64(broken) > most(bounds) || worst > 1 {
				t.Errorf("%d of %d bounds do not hold, the worst by %.1f dB", broken, bounds, worst)
			}
			if float64(missed) > most(values) {
				t.Errorf("%d of %d intervals do not cover", missed, values)
			}
			if off*20 > fine {
				t.Errorf("%d of %d clear values are off by more than 0.5 dB", off, fine)
			}
		})
	}
}

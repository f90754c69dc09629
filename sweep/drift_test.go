package sweep_test

import (
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/detect"
)

// drifts is how many climbs of each way are made: three points a climb.
func drifts(t *testing.T) int {
	if n, err := strconv.Atoi(os.Getenv("LIDDED_DRIFTS")); err == nil && n > 0 {
		return n
	}
	if testing.Short() {
		return 20
	}
	return 25
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

// TestWhatASmearedCarrierLost: a limit and the upper end take all that the carrier may
// have lost, the level a third of it (the mean of x² over an even way), the lower end
// nothing.
func TestWhatASmearedCarrierLost(t *testing.T) {
	f := detect.Judge(detect.Looks{Mean: 1e-9, N: 20, Detector: detect.PowerAverage}, detect.Looks{Mean: 1e-11, N: 20, Detector: detect.PowerAverage}, detect.DefaultRule(1))
	g := sweep.Smeared(f, 1.5)
	nearly(t, "limit", g.Limit.Sub(f.Limit), 1.5, 1e-9)
	nearly(t, "high", g.High.Sub(f.High), 1.5, 1e-9)
	nearly(t, "level", g.Level.Sub(f.Level), 0.5, 1e-9)
	nearly(t, "low", g.Low.Sub(f.Low), 0, 1e-9)
	if none := sweep.Smeared(f, 0); none != f {
		t.Errorf("%+v of a carrier that stood still", none)
	}
}

// TestALookTooLongForItsFilter: 40 sweeps of a minute at an RBW of 30 Hz, and 0.5 ppm
// an hour are 50 Hz every hour at 100 MHz: what is still within one RBW is allowed
// for, what is not says nothing.
func TestALookTooLongForItsFilter(t *testing.T) {
	run := climbing(t, func(_ *sweep.PlanSpec, b *sweep.Bench) { b.FreqDriftPPM = 0.5 })
	q := run.Plan.Points[0]
	d := dish{rng: rand.New(rand.NewPCG(1, 7)), noise: -110, carrier: q.Freq + 400, looks: 40}
	ref := d.capture(q, swept{kind: sweep.Reference, at: open, center: q.Freq, span: 10e3, rbw: 1e3, level: -30})
	at := func(took time.Duration) sweep.Result {
		c := d.capture(q, swept{kind: sweep.Enclosed, at: boxed(), center: q.Freq + 400, span: 600, rbw: 30, level: -300, after: time.Minute})
		c.Took = took
		return evaluated(run, ref, c).Results[0]
	}
	brief, long, longer := at(time.Second), at(30*time.Minute), at(40*time.Minute)
	if brief.Outcome != sweep.AtLeast || long.Outcome != sweep.AtLeast {
		t.Fatalf("%v (%s), %v (%s)", brief.Outcome, brief.Reason, long.Outcome, long.Reason)
	}
	// 25 Hz of 30 Hz: 3.0103·(25/30)² = 2.09 dB, and a wider window to search.
	if lost := float64(brief.SE.Value - long.SE.Value); lost < 2 || lost > 3 {
		t.Errorf("half an hour takes %.2f dB off the bound, want 2.09 and a little", lost)
	}
	if longer.Outcome != sweep.Void || !strings.Contains(longer.Reason, "the carrier may have moved by") {
		t.Errorf("%v %v (%s)", longer.Outcome, longer.SE, longer.Reason)
	}
}

package sweep_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
)

// TestFloorDensity: single looks of noise power follow the exponential law, whose
// median is ln 2 of the mean (−1.59 dB); a carrier in the trace changes nothing.
func TestFloorDensity(t *testing.T) {
	run := checkedRun(t, func(s *sweep.PlanSpec, b *sweep.Bench) { s.Bands[0].Span = 4e6 })
	q := run.Plan.Points[0]
	run.Plan.Looks = 1
	q.TracePoints = 8001
	a := &air{rng: rand.New(rand.NewPCG(13, 14)), noise: -100, perBin: 1, ambient: map[int]unit.DBm{q.Index: -60}}
	c := a.capture(run, sweep.Ambient, open, q, -300)
	got, ok := sweep.FloorDensity(c)
	want := -100 - 10*math.Log10(float64(q.RBW)) + 10*math.Log10(math.Ln2)
	if !ok || math.Abs(float64(got)-want) > 0.15 {
		t.Errorf("floor %v (%v), want %.2f dBm in 1 Hz", got, ok, want)
	}
	var f sweep.Floors
	if _, ok := f.Before(c); ok {
		t.Error("there is a floor before anything was captured")
	}
	f.Learn(c)
	if was, ok := f.Before(c); !ok || was != got {
		t.Errorf("the floor before is %v, want %v", was, got)
	}
	c.Settings.Attenuator = new(unit.DB(10))
	if _, ok := f.Before(c); ok {
		t.Error("a floor with another attenuation is compared")
	}
}

func TestCarrier(t *testing.T) {
	run := checkedRun(t, func(*sweep.PlanSpec, *sweep.Bench) {})
	a := &air{rng: rand.New(rand.NewPCG(15, 16)), noise: -120, perBin: 50}
	got, margin := sweep.Carrier(a.capture(run, sweep.Reference, open, run.Plan.Points[0], -40))
	if math.Abs(float64(got)+40) > 0.1 || margin < 70 {
		t.Errorf("carrier %v, %v over the rest, want -40 dBm and about 80 dB", got, margin)
	}
}

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

// TestFloorsOfOpenAndShut: what was learnt in a box, where a station is shielded,
// does not judge the floor in the open, and a floor in the open with a station in it
// judges no box that was captured before; a box captured for the first time is held
// against the open.
func TestFloorsOfOpenAndShut(t *testing.T) {
	run := checkedRun(t, func(*sweep.PlanSpec, *sweep.Bench) {})
	q := run.Plan.Points[0]
	at := func(kind sweep.StepKind, specimen string, noise unit.DBm) sweep.Capture {
		a := &air{rng: rand.New(rand.NewPCG(16, uint64(kind))), noise: noise, perBin: 50}
		c := a.capture(run, kind, sweep.Setting{Specimen: specimen, Position: open.Position, Polarization: open.Polarization, Repeat: 1}, q, -300)
		c.At.Specimen = specimen
		return c
	}
	const station, quiet = -80, -100
	var f sweep.Floors
	f.Learn(at(sweep.Reference, "", station))
	first := at(sweep.Enclosed, "heron", quiet)
	if was, ok := f.Before(first); !ok || math.Abs(float64(was-level(t, at(sweep.Reference, "", station)))) > 0.5 {
		t.Errorf("a box for the first time is held against %v", was)
	}
	for range 5 {
		f.Learn(first)
	}
	if was, ok := f.Before(at(sweep.Closing, "", station)); !ok || math.Abs(float64(was-level(t, at(sweep.Closing, "", station)))) > 0.5 {
		t.Errorf("the closing reference is held against %v", was)
	}
	if was, ok := f.Before(at(sweep.Enclosed, "heron", station)); !ok || math.Abs(float64(was-level(t, first))) > 0.5 {
		t.Errorf("a box that was captured is held against %v", was)
	}
	if was, _ := f.Before(at(sweep.Enclosed, "otter", quiet)); math.Abs(float64(was-level(t, at(sweep.Reference, "", station)))) > 0.5 {
		t.Errorf("another box is held against %v", was)
	}
	elsewhere := at(sweep.Closing, "", station)
	elsewhere.At.Position = "side"
	if was, ok := f.Before(elsewhere); ok {
		t.Errorf("another position is held against %v", was)
	}
}

func level(t *testing.T, c sweep.Capture) unit.DBm {
	t.Helper()
	d, ok := sweep.FloorDensity(c)
	if !ok {
		t.Fatal("no floor")
	}
	return d
}

func TestCarrier(t *testing.T) {
	run := checkedRun(t, func(*sweep.PlanSpec, *sweep.Bench) {})
	a := &air{rng: rand.New(rand.NewPCG(15, 16)), noise: -120, perBin: 50}
	got, margin := sweep.Carrier(a.capture(run, sweep.Reference, open, run.Plan.Points[0], -40))
	if math.Abs(float64(got)+40) > 0.1 || margin < 70 {
		t.Errorf("carrier %v, %v over the rest, want -40 dBm and about 80 dB", got, margin)
	}
}

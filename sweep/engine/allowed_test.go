package engine_test

import (
	"errors"
	"math"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/emission"
	"lidded/sweep/engine"
)

// TestWhatIsAllowedAtTheKey asks the permission itself, whatever checks a plan
// went through before.
func TestWhatIsAllowedAtTheKey(t *testing.T) {
	bench := sweep.Bench{Name: "depot", MaxLevel: 5, Conducted: true, MayTransmit: []sweep.Permission{
		{From: 30e6, To: 100e6, MaxLevel: 0},
		{From: 200e6, To: 300e6, MaxLevel: 10},
	}}
	refuses := errors.New("withdrawn")
	for _, c := range []struct {
		name   string
		f      unit.Hz
		p      unit.DBm
		permit error
		want   string // part of the error; empty: allowed
	}{
		{"inside", 50e6, -10, nil, ""},
		{"at the lower end and the level", 30e6, 0, nil, ""},
		{"at the upper end", 100e6, 0, nil, ""},
		{"below the range", 29.999e6, -10, nil, "in no range"},
		{"above the range", 100.001e6, -10, nil, "in no range"},
		{"between two ranges", 150e6, -10, nil, "in no range"},
		{"above all", 301e6, -10, nil, "in no range"},
		{"over the level of its range", 50e6, 0.1, nil, "in no range"},
		{"over the bench's, not its range's", 250e6, 5.1, nil, "over the bench's"},
		{"up to the bench's", 250e6, 5, nil, ""},
		{"no frequency", unit.Hz(math.NaN()), -10, nil, "is not a setting"},
		{"no level", 50e6, unit.Missing(), nil, "is not a setting"},
		{"endless level", 50e6, unit.DBm(math.Inf(-1)), nil, "is not a setting"},
		{"what the table refuses", 50e6, -10, refuses, "withdrawn"},
	} {
		t.Run(c.name, func(t *testing.T) {
			asked := 0
			err := engine.Allowed(bench, func(f unit.Hz, p unit.DBm) error {
				asked++
				if f != c.f || p != c.p {
					t.Errorf("asked for %v at %v", f, p)
				}
				return c.permit
			}, c.f, c.p)
			if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
				t.Errorf("got %v, want %q", err, c.want)
			}
			if (asked > 0) != (c.want == "" || c.permit != nil) {
				t.Errorf("the table was asked %d times", asked)
			}
		})
	}
}

// TestTheNeverTransmitTableIsAskedAtTheKey: of a bench that radiates.
func TestTheNeverTransmitTableIsAskedAtTheKey(t *testing.T) {
	never, err := emission.BuiltinNever()
	if err != nil {
		t.Fatal(err)
	}
	bench := sweep.Bench{Name: "depot", MaxLevel: 5, Never: never, MayTransmit: []sweep.Permission{{From: 30e6, To: 1e9, MaxLevel: 0}}}
	const distress = 121.5e6 // the aeronautical emergency frequency, Radio Regulations App. 15
	if err := engine.Allowed(bench, nil, distress, -10); err == nil || !strings.Contains(err.Error(), "is never transmitted on") {
		t.Errorf("radiating: %v", err)
	}
	bench.Conducted = true
	if err := engine.Allowed(bench, nil, distress, -10); err != nil {
		t.Errorf("conducted: %v", err)
	}
}

// TestNothingIsTunedWithoutPermission: what may not be keyed is not even set.
func TestNothingIsTunedWithoutPermission(t *testing.T) {
	w := newWorld()
	s := w.setup()
	var withdrawn atomic.Bool
	s.Permit = func(unit.Hz, unit.DBm) error {
		if withdrawn.Load() {
			return errors.New("withdrawn")
		}
		return nil
	}
	w.onCall = func(_ int, name string) {
		if name == "analyzer.SweepTime" {
			withdrawn.Store(true)
		}
	}
	d := serve(t, s)
	r := d.end(t, d.begin(t, request(plan(t, sweep.Linked, 100e6))))
	if r.State != sweep.Failed || !strings.Contains(r.Reason, "not permitted to transmit: withdrawn") {
		t.Errorf("ended %v: %s", r.State, r.Reason)
	}
	d.stop()
	if slices.Contains(w.log, "source.SetFrequency") || len(w.keyings) > 0 {
		t.Error("it was tuned")
	}
}

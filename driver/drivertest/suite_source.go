package drivertest

import (
	"context"
	"math"
	"testing"

	"lidded/driver"
	"lidded/driver/unit"
)

// TestSource checks everything driver.Source promises. make is called once per
// test and must give a new instrument.
func TestSource(t *testing.T, make func(t *testing.T) SourceRig) {
	open := func(t *testing.T) (context.Context, SourceRig, driver.Source) {
		t.Helper()
		rig := make(t)
		ctx := patience(t)
		s, err := rig.Open(ctx)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { s.Close() })
		return ctx, rig, s
	}
	t.Run("identity", func(t *testing.T) {
		t.Parallel()
		_, rig, s := open(t)
		if s.Identity().Raw == "" {
			t.Error("no identity")
		}
		if _, _, on := rig.Truth(); on {
			t.Error("opening leaves the output on")
		}
	})
	t.Run("settings", func(t *testing.T) {
		t.Parallel()
		ctx, rig, s := open(t)
		for _, f := range []unit.Hz{30e6, 433.92e6, 1e9} {
			for _, p := range []unit.DBm{-40, 0, -12.25} {
				keyed(ctx, t, rig, s, f, p)
			}
		}
		expectOff(ctx, t, rig, s)
	})
	t.Run("refused", func(t *testing.T) {
		t.Parallel()
		ctx, rig, s := open(t)
		keyed(ctx, t, rig, s, 100e6, -20)
		if _, err := s.SetFrequency(ctx, 1e15); driver.KindOf(err) != driver.KindDeviceSettings {
			t.Errorf("a frequency out of range gives %v", err)
		}
		if f, _, _ := rig.Truth(); f != 100e6 {
			t.Errorf("a refused frequency moves the source to %v", f)
		}
		keyed(ctx, t, rig, s, 200e6, -20)
	})
	t.Run("halt", func(t *testing.T) {
		t.Parallel()
		ctx, rig, s := open(t)
		keyed(ctx, t, rig, s, 100e6, -20)
		if err := s.Halt(ctx); err != nil {
			t.Fatal(err)
		}
		isOff(t, rig)
	})
	for _, f := range Faults() {
		t.Run("halt/"+f.String(), func(t *testing.T) {
			t.Parallel()
			ctx, rig, s := open(t)
			keyed(ctx, t, rig, s, 100e6, -20)
			rig.Fault(t, f)
			if err := s.Halt(ctx); err != nil {
				t.Fatalf("halt through a %s: %v", f, err)
			}
			isOff(t, rig)
		})
		t.Run("fault/"+f.String(), func(t *testing.T) {
			t.Parallel()
			ctx, rig, s := open(t)
			for i, step := range []func() error{
				func() error { _, err := s.SetFrequency(ctx, 150e6); return err },
				func() error { _, err := s.SetLevel(ctx, -25); return err },
				func() error { _, err := s.SetOutput(ctx, true); return err },
				func() error { _, err := s.Output(ctx); return err },
			} {
				keyed(ctx, t, rig, s, 100e6, -20)
				rig.Fault(t, f)
				if err := step(); err != nil {
					checkKind(t, f, err)
					recoverSoon(ctx, t, s)
					isOff(t, rig)
					want := unit.Hz(100e6)
					if i == 0 {
						want = 150e6
					}
					if got, _, _ := rig.Truth(); got != want {
						t.Errorf("after recovery the source is at %v, last asked for %v", got, want)
					}
				}
			}
			keyed(ctx, t, rig, s, 300e6, -30)
		})
	}
	t.Run("closed", func(t *testing.T) {
		t.Parallel()
		ctx, _, s := open(t)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if _, err := s.Output(ctx); driver.KindOf(err) != driver.KindClosed {
			t.Errorf("asking after Close gives %v", err)
		}
	})
}

// keyed sets and keys the source and compares with the truth.
func keyed(ctx context.Context, t *testing.T, rig SourceRig, s driver.Source, f unit.Hz, p unit.DBm) {
	t.Helper()
	got, err := s.SetFrequency(ctx, f)
	if err != nil || math.Abs(float64(got-f)) > 1 {
		t.Fatalf("set %v: read back %v, %v", f, got, err)
	}
	level, err := s.SetLevel(ctx, p)
	if err != nil || math.Abs(float64(level.Sub(p))) > 0.01 {
		t.Fatalf("set %v: read back %v, %v", p, level, err)
	}
	on, err := s.SetOutput(ctx, true)
	if err != nil || !on {
		t.Fatalf("key on: read back %v, %v", on, err)
	}
	if on, err := s.Output(ctx); err != nil || !on {
		t.Fatalf("asked for, the output is %v, %v", on, err)
	}
	tf, tp, ton := rig.Truth()
	if math.Abs(float64(tf-f)) > 1 || math.Abs(float64(tp.Sub(p))) > 0.01 || !ton {
		t.Fatalf("the truth is %v, %v, on %v; set was %v, %v, on", tf, tp, ton, f, p)
	}
}

func expectOff(ctx context.Context, t *testing.T, rig SourceRig, s driver.Source) {
	t.Helper()
	on, err := s.SetOutput(ctx, false)
	if err != nil || on {
		t.Fatalf("key off: read back %v, %v", on, err)
	}
	isOff(t, rig)
}

func isOff(t *testing.T, rig SourceRig) {
	t.Helper()
	if _, _, on := rig.Truth(); on {
		t.Error("the source is on")
	}
}

package drivertest

import (
	"context"
	"errors"
	"math"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
)

// carrierLevel is what the suite puts on the analyzer's input: far above its
// noise and far below overload.
const carrierLevel = unit.DBm(-50)

// TestAnalyzer checks everything driver.Analyzer promises. make is called once
// per test and must give a new instrument.
func TestAnalyzer(t *testing.T, make func(t *testing.T) AnalyzerRig) {
	open := func(t *testing.T) (context.Context, AnalyzerRig, driver.Analyzer) {
		t.Helper()
		rig := make(t)
		ctx := patience(t)
		a, err := rig.Open(ctx)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { a.Close() })
		return ctx, rig, a
	}
	t.Run("identity", func(t *testing.T) {
		t.Parallel()
		ctx, _, a := open(t)
		if a.Identity().Raw == "" {
			t.Error("no identity")
		}
		if h, err := a.Health(ctx); err != nil || h.Overload || h.PowerCycled {
			t.Errorf("health %+v, %v", h, err)
		}
	})
	t.Run("settings", func(t *testing.T) {
		t.Parallel()
		ctx, rig, a := open(t)
		analyzerSettings(ctx, t, rig, a)
	})
	t.Run("carrier", func(t *testing.T) {
		t.Parallel()
		ctx, rig, a := open(t)
		configure(ctx, t, a, base(rig))
		for _, off := range []unit.Hz{0, -200e3, 300e3} {
			rig.Carrier(t, rig.Frequency+off, carrierLevel, true)
			expectCarrier(ctx, t, a, rig.Frequency+off)
		}
		rig.Carrier(t, rig.Frequency, carrierLevel, false)
		expectNoise(ctx, t, a)
	})
	t.Run("hold", func(t *testing.T) {
		t.Parallel()
		ctx, rig, a := open(t)
		held(ctx, t, rig, a, func() {})
		// Armed again, what was held before is gone.
		if err := a.Arm(ctx); err != nil {
			t.Fatal(err)
		}
		rig.Pass(time.Second)
		tr, err := a.ReadHold(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if p := tr.Levels[tr.Peak()]; p > carrierLevel.Add(-20) {
			t.Errorf("armed again, the trace still holds %v", p)
		}
	})
	t.Run("hold/link lost", func(t *testing.T) {
		t.Parallel()
		ctx, rig, a := open(t)
		held(ctx, t, rig, a, func() {
			rig.Fault(t, Drop)
			if _, err := a.SweepTime(ctx); err != nil {
				checkKind(t, Drop, err)
			}
		})
	})
	t.Run("hold/reattach", func(t *testing.T) {
		t.Parallel()
		ctx, rig, a := open(t)
		if rig.Gone == nil {
			t.Skip("the rig has no lid")
		}
		held(ctx, t, rig, a, func() {
			rig.Gone(t)
			rig.Pass(time.Second)
			rig.Back(t)
			if err := a.Reattach(ctx); err != nil {
				t.Fatal(err)
			}
		})
	})
	t.Run("hold/restart", func(t *testing.T) {
		t.Parallel()
		ctx, rig, a := open(t)
		if !rig.MayRestart {
			t.Skip("a restart cannot be told")
		}
		configure(ctx, t, a, base(rig))
		if err := a.Arm(ctx); err != nil {
			t.Fatal(err)
		}
		rig.Fault(t, Restart)
		_, err := a.ReadHold(ctx)
		for range 3 {
			if driver.KindOf(err) == driver.KindPowerCycled {
				return
			}
			_, err = a.ReadHold(ctx)
		}
		t.Errorf("a restart while armed shows as %v", err)
	})
	t.Run("halt", func(t *testing.T) {
		t.Parallel()
		ctx, rig, a := open(t)
		configure(ctx, t, a, base(rig))
		if err := a.Arm(ctx); err != nil {
			t.Fatal(err)
		}
		if err := a.Halt(ctx); err != nil {
			t.Fatal(err)
		}
		rig.Carrier(t, rig.Frequency, carrierLevel, true)
		configure(ctx, t, a, base(rig))
		expectCarrier(ctx, t, a, rig.Frequency)
	})
	t.Run("cancel", func(t *testing.T) {
		t.Parallel()
		ctx, rig, a := open(t)
		configure(ctx, t, a, base(rig))
		rig.Fault(t, Stall)
		short, cancel := context.WithCancel(ctx)
		time.AfterFunc(20*time.Millisecond, cancel)
		defer cancel()
		if _, err := a.Sweep(short); err == nil || driver.Retryable(err) && !errors.Is(err, context.Canceled) {
			t.Errorf("a cancelled sweep gives %v", err)
		}
		rig.Carrier(t, rig.Frequency, carrierLevel, true)
		recoverSoon(ctx, t, a)
		// An instrument that is not asked anything while it sweeps meets the
		// stall only now.
		if _, err := a.Sweep(ctx); err != nil {
			checkKind(t, Stall, err)
			recoverSoon(ctx, t, a)
		}
		expectCarrier(ctx, t, a, rig.Frequency)
	})
	for _, f := range Faults() {
		t.Run("fault/"+f.String(), func(t *testing.T) {
			t.Parallel()
			ctx, rig, a := open(t)
			analyzerFault(ctx, t, rig, a, f)
		})
	}
	t.Run("closed", func(t *testing.T) {
		t.Parallel()
		ctx, _, a := open(t)
		if err := a.Close(); err != nil {
			t.Fatal(err)
		}
		if _, err := a.Sweep(ctx); driver.KindOf(err) != driver.KindClosed {
			t.Errorf("a sweep after Close gives %v", err)
		}
		if err := a.Close(); err != nil {
			t.Errorf("a second Close gives %v", err)
		}
	})
}

func base(rig AnalyzerRig) driver.Settings {
	return driver.Settings{Center: rig.Frequency, Span: 1e6, RBW: 30e3, Detector: driver.PositivePeak, Hold: driver.ClearWrite, Points: rig.Points}
}

func configure(ctx context.Context, t *testing.T, a driver.Analyzer, s driver.Settings) driver.Settings {
	t.Helper()
	got, err := a.Configure(ctx, s)
	if err != nil {
		t.Fatalf("configure %+v: %v", s, err)
	}
	near := func(what string, a, b unit.Hz, rel float64) {
		t.Helper()
		if math.Abs(float64(a-b)) > math.Max(1, rel*math.Abs(float64(b))) {
			t.Errorf("%s reads back as %v, asked for %v", what, a, b)
		}
	}
	near("center", got.Center, s.Center, 1e-9)
	near("span", got.Span, s.Span, 1e-6)
	near("RBW", got.RBW, s.RBW, 0.05)
	if got.Detector != s.Detector || got.Hold != s.Hold {
		t.Errorf("detector and trace mode read back as %v and %v, asked for %v and %v", got.Detector, got.Hold, s.Detector, s.Hold)
	}
	return got
}

func analyzerSettings(ctx context.Context, t *testing.T, rig AnalyzerRig, a driver.Analyzer) {
	s := base(rig)
	configure(ctx, t, a, s)
	for _, center := range []unit.Hz{30e6, rig.Frequency, 1e9} {
		for _, span := range []unit.Hz{100e3, 10e6} {
			s.Center, s.Span = center, span
			configure(ctx, t, a, s)
		}
	}
	s = base(rig)
	for _, b := range []unit.Hz{1e3, 10e3, 100e3} {
		s.RBW = b
		configure(ctx, t, a, s)
	}
	s = base(rig)
	for _, h := range []driver.HoldMode{driver.MaxHold, driver.ClearWrite} {
		for _, d := range rig.Detectors {
			s.Hold, s.Detector = h, d
			configure(ctx, t, a, s)
		}
	}
	s.Span = 0
	configure(ctx, t, a, s)
	tr, err := a.Sweep(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if tr.Start != tr.Stop {
		t.Errorf("zero span runs from %v to %v", tr.Start, tr.Stop)
	}
	if d, err := a.SweepTime(ctx); err != nil || d <= 0 {
		t.Errorf("sweep time %v, %v", d, err)
	}
	s.Detector = driver.DetectorUnknown
	if _, err := a.Configure(ctx, s); driver.KindOf(err) != driver.KindDeviceSettings {
		t.Errorf("an unknown detector gives %v", err)
	}
	// A refusal costs nothing: what was set before still holds.
	configure(ctx, t, a, base(rig))
}

// expectCarrier sweeps and wants the carrier where it is, at its level.
func expectCarrier(ctx context.Context, t *testing.T, a driver.Analyzer, f unit.Hz) {
	t.Helper()
	tr, err := a.Sweep(ctx)
	if err != nil {
		t.Fatal(err)
	}
	isCarrier(t, tr, f)
}

func isCarrier(t *testing.T, tr driver.Trace, f unit.Hz) {
	t.Helper()
	k := tr.Peak()
	if k < 0 {
		t.Fatal("the trace is empty")
	}
	step := (tr.Stop - tr.Start) / unit.Hz(max(1, len(tr.Levels)-1))
	// The top of the filter is flat over a fraction of its width.
	if d := tr.Freq(k) - f; math.Abs(float64(d)) > float64(step)+10e3 {
		t.Errorf("the peak is at %v, the carrier at %v", tr.Freq(k), f)
	}
	if d := tr.Levels[k].Sub(carrierLevel); math.Abs(float64(d)) > 1.5 {
		t.Errorf("the peak is %v, the carrier %v", tr.Levels[k], carrierLevel)
	}
}

func expectNoise(ctx context.Context, t *testing.T, a driver.Analyzer) {
	t.Helper()
	tr, err := a.Sweep(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if k := tr.Peak(); k < 0 || tr.Levels[k] > carrierLevel.Add(-20) {
		t.Errorf("without a carrier the peak is %v", tr.Levels[max(k, 0)])
	}
}

// held arms, shows the carrier for a while, disturbs, and reads what was held.
func held(ctx context.Context, t *testing.T, rig AnalyzerRig, a driver.Analyzer, disturb func()) {
	t.Helper()
	rig.Carrier(t, rig.Frequency, carrierLevel, false)
	configure(ctx, t, a, base(rig))
	if _, err := a.ReadHold(ctx); err == nil {
		t.Error("ReadHold without Arm gives a trace")
	}
	if err := a.Arm(ctx); err != nil {
		t.Fatal(err)
	}
	rig.Pass(time.Second)
	rig.Carrier(t, rig.Frequency, carrierLevel, true)
	rig.Pass(time.Second)
	rig.Carrier(t, rig.Frequency, carrierLevel, false)
	rig.Pass(time.Second)
	disturb()
	for range 2 { // reading does not clear
		tr, err := a.ReadHold(ctx)
		if err != nil {
			t.Fatal(err)
		}
		isCarrier(t, tr, rig.Frequency)
	}
}

// analyzerFault lets a fault strike at every step and wants the truth
// afterwards, never something older.
func analyzerFault(ctx context.Context, t *testing.T, rig AnalyzerRig, a driver.Analyzer, f Fault) {
	s := base(rig)
	for i, step := range []func() error{
		func() error { _, err := a.Configure(ctx, s); return err },
		func() error { _, err := a.Sweep(ctx); return err },
		func() error { _, err := a.Health(ctx); return err },
	} {
		if i == 2 && !rig.MayRestart {
			continue // Health asks for nothing
		}
		s.Center = rig.Frequency
		rig.Carrier(t, rig.Frequency+200e3, carrierLevel, true)
		configure(ctx, t, a, s)
		expectCarrier(ctx, t, a, rig.Frequency+200e3)
		// From here on an old trace would show the carrier in the wrong place.
		rig.Carrier(t, rig.Frequency-200e3, carrierLevel, true)
		s.Center += unit.Hz(i+1) * 10e3
		rig.Fault(t, f)
		err := step()
		if err != nil {
			checkKind(t, f, err)
			recoverSoon(ctx, t, a)
			if i == 2 && f == Restart && rig.MayRestart {
				if h, err := a.Health(ctx); err != nil || !h.PowerCycled {
					t.Errorf("after a restart health is %+v, %v", h, err)
				}
			}
		}
		configure(ctx, t, a, s)
		expectCarrier(ctx, t, a, rig.Frequency-200e3)
	}
}

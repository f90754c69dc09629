package ladder_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"lidded/driver/unit"
	"lidded/sweep/detect"
	"lidded/sweep/ladder"
)

// modest is a point with a reference of −70 dBm over −150 dBm/Hz of noise.
func modest() ladder.Request {
	return ladder.Request{
		Reference: -70, Density: -150, Loss: 1, Goal: 70, Best: unit.DB(math.Inf(-1)), Signal: unit.Missing(),
		Start: 1e3, Min: 1, Points: 10001, Left: -1, MostLooks: 128,
		Law:  ladder.Law{Kind: detect.SweptFilter, K: 2.5, Least: time.Millisecond, Settle: 5 * time.Millisecond},
		Rule: detect.DefaultRule(200),
	}
}

func TestSteps(t *testing.T) {
	got := ladder.Steps(1e3, 1)
	want := []unit.Hz{1000, 300, 100, 30, 10, 3, 1}
	if len(got) != len(want) {
		t.Fatalf("%v, want %v", got, want)
	}
	for i := range want {
		if math.Abs(float64(got[i]/want[i]-1)) > 1e-9 {
			t.Errorf("%v, want %v", got, want)
		}
	}
	if got := ladder.Steps(50, 100); len(got) != 1 || got[0] != 50 {
		t.Errorf("a least above the start gives %v", got)
	}
}

// Sweep times by the two laws: k·span/RBW² (2.5 s for 100 Hz at 10 Hz) and
// k/RBW whatever the span.
func TestLaw(t *testing.T) {
	l := modest().Law
	if got := l.Sweep(100, 10); got != 2500*time.Millisecond {
		t.Errorf("swept: %v, want 2.5 s", got)
	}
	if got := l.Sweep(0, 10); got != 250*time.Millisecond {
		t.Errorf("zero span: %v, want 0.25 s", got)
	}
	l.Kind = detect.BlockFFT
	if got := l.Sweep(5000, 10); got != 250*time.Millisecond {
		t.Errorf("block: %v, want 0.25 s", got)
	}
}

func TestTheGoalIsReachedAtLeastCost(t *testing.T) {
	r := modest()
	r.Carrier = 4
	c := ladder.Choose(r)
	if !c.More || c.Reach < r.Goal || c.Span < 2*r.Carrier {
		t.Fatalf("%+v", c)
	}
	// −140 dBm are 70 dB down; less 1 dB of loss, ten looks make about the noise
	// in RBW of it: 10 Hz or less.
	if c.RBW > 10 || c.RBW < 3 {
		t.Errorf("RBW %v, want 3 or 10 Hz", c.RBW)
	}
	dear := r
	dear.Goal = 80
	if d := ladder.Choose(dear); !d.More || d.Cost <= c.Cost {
		t.Errorf("80 dB cost %v, 70 dB %v", d.Cost, c.Cost)
	}
}

// A carrier that is known well enough is stood upon: all the time goes to it.
func TestZeroSpanPays(t *testing.T) {
	r := modest()
	r.Goal = 80
	swept := ladder.Choose(r)
	r.ZeroSpan = true
	stood := ladder.Choose(r)
	if !stood.More || stood.Span != 0 || stood.SweepTime <= 0 {
		t.Fatalf("%+v", stood)
	}
	if stood.Cost > swept.Cost/3 {
		t.Errorf("zero span takes %v, sweeping %v", stood.Cost, swept.Cost)
	}
	r.Carrier = 50
	if c := ladder.Choose(r); c.Span == 0 && c.RBW < 400 {
		t.Errorf("stands in RBW %v on a carrier known to 50 Hz only", c.RBW)
	}
}

func TestLooksHadCount(t *testing.T) {
	r := modest()
	r.ZeroSpan, r.Goal = true, 82
	first := ladder.Choose(r)
	r.Best, r.Have, r.HaveRBW, r.Failed = 81, first.Looks, first.RBW, 1
	next := ladder.Choose(r)
	if !next.More || next.RBW != first.RBW || next.Looks <= first.Looks {
		t.Fatalf("%+v after %+v", next, first)
	}
	if alone := time.Duration(2 * float64(time.Second) * next.Looks / (1.505 * float64(next.RBW))); next.Cost >= alone {
		t.Errorf("%v for looks of which %.0f were had; all of them take %v", next.Cost, first.Looks, alone)
	}
}

func TestASignalIsRead(t *testing.T) {
	r := modest()
	r.Signal, r.Seen = -120, true
	c := ladder.Choose(r)
	if !c.More || !strings.Contains(c.Reason, "level") {
		t.Fatalf("%+v", c)
	}
	if s := r.Signal.Sub(r.Density.Add(unit.PowerRatio(float64(c.RBW)))); s < 7 {
		t.Errorf("RBW %v leaves it %v over the noise", c.RBW, s)
	}
	r.Again = 2
	if d := ladder.Choose(r); !d.More || d.Cost <= c.Cost {
		t.Errorf("after two tries without a level it takes %v, at first %v", d.Cost, c.Cost)
	}
}

func TestWhenToStop(t *testing.T) {
	for _, c := range []struct {
		name string
		edit func(*ladder.Request)
		want string
	}{
		{"proven", func(r *ladder.Request) { r.Best = 71 }, "71.0 dB proven"},
		{"spent", func(r *ladder.Request) { r.Left = 0 }, "the time for this point is spent"},
		{"too short", func(r *ladder.Request) { r.Left = time.Microsecond }, "the time left is too short for another rung"},
		{"no gain", func(r *ladder.Request) { r.Goal, r.Best, r.Left = unit.DB(math.Inf(1)), 65, 3*time.Second }, "nothing at hand proves much more than 65.0 dB"},
		{"unreadable", func(r *ladder.Request) { r.Signal, r.Seen = -170, true }, "a signal is there, but no RBW, looks and time at hand make a level of it"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := modest()
			c.edit(&r)
			if got := ladder.Choose(r); got.More || got.Reason != c.want {
				t.Errorf("more %v (RBW %v, reach %.1f), %q, want %q", got.More, got.RBW, float64(got.Reach), got.Reason, c.want)
			}
		})
	}
}

// With a budget the time is not overrun, and more of it proves more.
func TestBudgetIsKept(t *testing.T) {
	before := unit.DB(0)
	for _, left := range []time.Duration{300 * time.Millisecond, 3 * time.Second, 30 * time.Second} {
		r := modest()
		r.Goal, r.Left, r.Carrier = unit.DB(math.Inf(1)), left, 5
		c := ladder.Choose(r)
		if !c.More || c.Cost > left {
			t.Errorf("%v: more %v at %v: %s", left, c.More, c.Cost, c.Reason)
		}
		if c.Reach <= before {
			t.Errorf("%v prove %v, less time %v", left, c.Reach, before)
		}
		before = c.Reach
	}
}

// TestDriftBoundsTheRung: a rung is no longer than the carrier stays where it is
// averaged: half an RBW in sweeps (0.75 dB of a Gaussian filter at either end,
// 3.0103·(2δ/RBW)²), a fifth where a level is read finely, an eighth with the way to
// it in zero span. Without drift nothing changes, with more the RBW is wider.
func TestDriftBoundsTheRung(t *testing.T) {
	still := modest()
	still.Carrier, still.Goal = 4, 75
	before := ladder.Choose(still)
	last := unit.Hz(0)
	for _, drift := range []unit.Hz{1e-6, 0.02, 0.2, 2} {
		r := still
		r.Drift = drift
		c := ladder.Choose(r)
		if !c.More {
			t.Errorf("drift %v: none, %s", drift, c.Reason)
			continue
		}
		if moved := drift * unit.Hz(c.Cost.Seconds()); moved > c.RBW/2 {
			t.Errorf("drift %v: the carrier crosses %.2f Hz of an RBW of %v", drift, float64(moved), c.RBW)
		}
		if c.RBW < last {
			t.Errorf("drift %v: RBW %v, with less drift %v", drift, c.RBW, last)
		}
		if drift < 1e-3 && (c.RBW != before.RBW || c.On != before.On) {
			t.Errorf("no drift to speak of: %+v, without any %+v", c.Rung, before.Rung)
		}
		last = c.RBW
	}
	if last <= before.RBW {
		t.Errorf("RBW %v with a great drift, %v without: the test shows nothing", last, before.RBW)
	}
	fine := still
	fine.Signal, fine.Seen, fine.Fine, fine.Drift = -120, true, 0.1, 0.05
	if c := ladder.Choose(fine); !c.More || fine.Drift*unit.Hz(c.Cost.Seconds()) > c.RBW/5 {
		t.Errorf("a fine level: %+v, the carrier crosses %.2f Hz", c.Rung, float64(fine.Drift)*c.Cost.Seconds())
	}
	stand := still
	stand.ZeroSpan, stand.Carrier, stand.Goal = true, 0.02, 80
	free := ladder.Choose(stand)
	stand.Drift = 0.01
	if c := ladder.Choose(stand); free.Span != 0 || c.More && c.Span == 0 && stand.Carrier+stand.Drift*unit.Hz(c.Cost.Seconds()) > c.RBW/8 {
		t.Errorf("standing: %+v, without drift %+v", c.Rung, free.Rung)
	}
}

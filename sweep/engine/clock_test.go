package engine_test

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"
	"unsafe"

	"lidded/sweep"
	"lidded/sweep/engine"
)

// set gives a time as it would read had the wall's clock been set by d: another
// date and time of day, the same monotonic reading. Package time has no way to
// make one: its seconds since 1885 stand in bits 30 to 62 of the first word while
// there is a monotonic reading (time.Time, comment on wall).
func set(t time.Time, d time.Duration) time.Time {
	if !strings.Contains(t.String(), " m=") {
		panic("no monotonic reading to keep")
	}
	wall := (*uint64)(unsafe.Pointer(&t))
	*wall += uint64(int64(d/time.Second) << 30)
	return t
}

func TestSetKeepsTheMonotonicReading(t *testing.T) {
	now := time.Now()
	back := set(now, -3*time.Hour)
	if back.Sub(now) != 0 || back.Round(0).Sub(now.Round(0)) != -3*time.Hour {
		t.Errorf("%v became %v", now, back)
	}
}

// setClock is a clock that is set back by three hours whenever it is told so.
type setClock struct {
	*world
	mu  sync.Mutex
	off time.Duration
}

func (c *setClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return set(c.world.Now(), c.off)
}

func (c *setClock) back() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.off -= 3 * time.Hour
}

// TestTheClockIsSetBack, and again with every keying: what took how long is told
// all the same, in captures and in the ledger, and the limit of on-time per hour
// holds, without a wait for hours.
func TestTheClockIsSetBack(t *testing.T) {
	w := newWorld()
	w.now = time.Now() // with a monotonic reading, as the real clock gives
	c := &setClock{world: w}
	s := w.setup()
	s.Clock = c
	s.Rules.MaxKeyedPerHour = 100 * time.Millisecond // three looks of 30 ms
	var truth []sweep.Keying                         // by the world's own clock
	w.onCall = func(_ int, name string) {
		switch name {
		case "source.SetOutput(on)":
			c.back()
			truth = append(truth, sweep.Keying{On: w.now})
		case "source.SetOutput(off)":
			if n := len(truth); n > 0 && truth[n-1].Off.IsZero() {
				truth[n-1].Off = w.now
			}
		}
	}
	begun := w.now
	d := serve(t, s)
	r := d.end(t, d.begin(t, request(plan(t, sweep.Linked, 100e6, 300e6))))
	if r.State != sweep.Completed {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	w.safe(t)
	w.whole(t, r)
	ledger := w.journal.keyings()
	if len(ledger) < 6 {
		t.Fatalf("keyed %d times", len(ledger))
	}
	for _, k := range ledger {
		// As stored, by the wall's clock alone.
		if on := k.Off.Round(0).Sub(k.On.Round(0)); on < 30*time.Millisecond || on > time.Second {
			t.Errorf("the ledger has the source on for %v", on)
		}
	}
	if got := perHour(truth); got > s.Rules.MaxKeyedPerHour {
		t.Errorf("on for %v within an hour", got)
	}
	for _, x := range w.journal.caps(r.ID) {
		if x.Took < 0 || x.Took > 2*time.Hour {
			t.Errorf("capture %d took %v", x.Seq, x.Took)
		}
	}
	if took := w.Now().Sub(begun); took > 24*time.Hour {
		t.Errorf("the run took %v", took)
	}
}

// TestTheClockWasSetBackBeforeARestart: keyings that the clock has yet to come to
// count as just ended.
func TestTheClockWasSetBackBeforeARestart(t *testing.T) {
	for name, on := range map[string]time.Duration{"later today": 2 * time.Hour, "a year on": 365 * 24 * time.Hour} {
		t.Run(name, func(t *testing.T) {
			w := newWorld()
			s := w.setup()
			s.Rules.MaxKeyedPerHour = 100 * time.Millisecond
			from := w.now
			s.KeyedSince = func(_ context.Context, at time.Time) ([]sweep.Keying, error) {
				return []sweep.Keying{{On: from.Add(on), Off: from.Add(on + 75*time.Millisecond)}}, nil
			}
			d := serve(t, s)
			if r := d.end(t, d.begin(t, request(plan(t, sweep.Linked, 100e6)))); r.State != sweep.Completed {
				t.Fatalf("ended %v: %s", r.State, r.Reason)
			}
			ledger := append([]sweep.Keying{{On: from.Add(-75 * time.Millisecond), Off: from}}, w.journal.keyings()...)
			if got := perHour(ledger); got > s.Rules.MaxKeyedPerHour {
				t.Errorf("on for %v within an hour", got)
			}
		})
	}
}

// TestClocksAreMonotonic: differences of the real clocks do not follow the wall's.
func TestClocksAreMonotonic(t *testing.T) {
	for name, c := range map[string]engine.Clock{"real": engine.RealClock(), "scaled": engine.ScaledClock(50)} {
		if now := c.Now(); !strings.Contains(now.String(), " m=") {
			t.Errorf("%s clock: %v has no monotonic reading", name, now)
		}
	}
}

package engine_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"lidded/sweep"
	"lidded/sweep/engine"
)

// perHour is the most that any hour of a ledger has.
func perHour(ledger []sweep.Keying) time.Duration {
	var most time.Duration
	for _, last := range ledger {
		var sum time.Duration
		begin := last.Off.Add(-time.Hour)
		for _, k := range ledger {
			from, to := k.On, k.Off
			if from.Before(begin) {
				from = begin
			}
			if to.After(last.Off) {
				to = last.Off
			}
			sum += max(0, to.Sub(from))
		}
		most = max(most, sum)
	}
	return most
}

// TestOnTimePerHourIsLimited: a run that has used its hour waits, source off,
// and then completes with every point.
func TestOnTimePerHourIsLimited(t *testing.T) {
	for _, mode := range []sweep.CaptureMode{sweep.Linked, sweep.Sealed} {
		t.Run(mode.String(), func(t *testing.T) {
			w := newWorld()
			s := w.setup()
			limit := 100 * time.Millisecond // three looks of 30 ms
			if mode == sweep.Sealed {
				limit = 40 * time.Second // two steps and a bit
			}
			s.Rules.MaxKeyedPerHour = limit
			var waits []string
			s.Observer = observer(func(p sweep.Progress) {
				if p.Kind == "state" && p.State == sweep.Suspended {
					waits = append(waits, p.Text)
					if p.SourceOn {
						waits = append(waits, "source on")
					}
				}
			})
			d := serve(t, s)
			r := d.end(t, d.begin(t, request(plan(t, mode, 100e6, 300e6))))
			if r.State != sweep.Completed {
				t.Fatalf("ended %v: %s", r.State, r.Reason)
			}
			w.safe(t)
			w.whole(t, r)
			if got := perHour(w.journal.keyings()); got > limit {
				t.Errorf("on for %v within an hour, %v are allowed", got, limit)
			}
			if len(waits) == 0 || slices.Contains(waits, "source on") || !strings.Contains(waits[0], "on-time of "+limit.String()+" per hour is used up until") {
				t.Errorf("waited: %q", waits)
			}
		})
	}
}

// TestAStopEndsTheWaitForOnTime: nobody has to wait out the hour.
func TestAStopEndsTheWaitForOnTime(t *testing.T) {
	w := newWorld()
	s := w.setup()
	s.Rules.MaxKeyedPerHour = 40 * time.Millisecond
	waiting := make(chan struct{}, 1)
	s.Observer = observer(func(p sweep.Progress) {
		if p.Kind == "state" && p.State == sweep.Suspended {
			select {
			case waiting <- struct{}{}:
			default:
			}
		}
	})
	s.Clock = endless{w}
	d := serve(t, s)
	id := d.begin(t, request(plan(t, sweep.Linked, 100e6, 300e6)))
	<-waiting
	if err := d.Stop(context.Background(), id, "Mara"); err != nil {
		t.Fatal(err)
	}
	if r := d.end(t, id); r.State != sweep.Stopped {
		t.Errorf("ended %v: %s", r.State, r.Reason)
	}
	w.safe(t)
}

// endless is a clock on which a wait of more than a minute does not end.
type endless struct{ *world }

func (e endless) Sleep(ctx context.Context, d time.Duration) error {
	if d > time.Minute {
		<-ctx.Done()
		return context.Cause(ctx)
	}
	return e.world.Sleep(ctx, d)
}

// TestOnTimePerHourHoldsAcrossARestart: what the ledger has counts, and an entry
// left open by a kill counts as on for as long as it may have been.
func TestOnTimePerHourHoldsAcrossARestart(t *testing.T) {
	w := newWorld()
	s := w.setup()
	s.Rules.MaxKeyed, s.Rules.MaxKeyedPerHour = 50*time.Millisecond, 100*time.Millisecond
	// The watch over a keying, a wait of its own beside the work, never wakes: on
	// the world's clock it would pass time that only the work may pass.
	s.Clock = &sometimes{Clock: w, d: 55 * time.Millisecond}
	before := []sweep.Keying{
		{On: w.now.Add(-30 * time.Minute), Off: w.now.Add(-30*time.Minute + 45*time.Millisecond)},
		{On: w.now.Add(-10 * time.Minute)}, // killed
	}
	var since time.Time
	s.KeyedSince = func(_ context.Context, at time.Time) ([]sweep.Keying, error) { since = at; return before, nil }
	d := serve(t, s)
	r := d.end(t, d.begin(t, request(plan(t, sweep.Linked, 100e6))))
	if r.State != sweep.Completed {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	if want := w.journal.keyings()[0].On.Add(-time.Hour); since.After(want) {
		t.Errorf("the ledger was asked from %v", since)
	}
	before[1].Off = before[1].On.Add(50 * time.Millisecond)
	if got := perHour(append(before, w.journal.keyings()...)); got > 100*time.Millisecond {
		t.Errorf("on for %v within an hour across the restart", got)
	}
}

func TestAnUnreadableLedgerEndsServing(t *testing.T) {
	w := newWorld()
	s := w.setup()
	s.Rules.MaxKeyedPerHour = time.Minute
	s.KeyedSince = func(context.Context, time.Time) ([]sweep.Keying, error) { return nil, errors.New("disk is gone") }
	if err := engine.New(s).Serve(t.Context()); err == nil || !strings.Contains(err.Error(), "look up on-time in the ledger: disk is gone") {
		t.Error(err)
	}
}

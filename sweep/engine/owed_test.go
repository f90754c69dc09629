package engine_test

import (
	"errors"
	"strings"
	"sync/atomic"
	"testing"

	"lidded/sweep"
	"lidded/sweep/engine"
)

// TestEndThatTheJournalDoesNotTake: the state that cannot be written is the one
// that is told, orders go by it, and it is written when there is room.
func TestEndThatTheJournalDoesNotTake(t *testing.T) {
	full := errors.New("no space left")
	for _, c := range []struct {
		name  string
		order func(daemon, sweep.RunID) error // meanwhile
		wrong bool                            // it is refused
		want  sweep.State
	}{
		{"nothing meanwhile", nil, false, sweep.Failed},
		{"abort", func(d daemon, id sweep.RunID) error { return d.Abort(ctx, id, "Mara") }, true, sweep.Failed},
		{"resume", func(d daemon, id sweep.RunID) error { _, err := d.Resume(ctx, id, "Mara"); return err }, true, sweep.Failed},
		{"source off", func(d daemon, _ sweep.RunID) error { return d.SourceOff(ctx, "Mara") }, false, sweep.Failed},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			w := newWorld()
			var room atomic.Bool
			w.fail = func(_ int, name string) failure {
				// Full from the third keying on.
				if !room.Load() && strings.HasPrefix(name, "journal.") && len(w.keyings) > 2 {
					return failure{err: full}
				}
				return failure{}
			}
			d := serve(t, w.setup())
			q := request(plan(t, sweep.Linked, 100e6, 300e6))
			id := d.begin(t, q)
			r := d.end(t, id)
			if r.State != sweep.Failed || !strings.Contains(r.Reason, "the journal cannot be written") {
				t.Fatalf("ended %v: %s", r.State, r.Reason)
			}
			stored := w.journal.run(t, id)
			if stored.State != sweep.Running {
				t.Fatalf("the journal has %v: nothing is owed", stored.State)
			}
			owed := d.Owed()
			if len(owed) != 1 || owed[0].Run != id || !errors.Is(owed[0].Err, full) {
				t.Fatalf("owed: %+v", owed)
			}
			if d.Told(&stored); stored.State != r.State || stored.Reason != r.Reason || stored.Ended == nil {
				t.Errorf("told %v: %s", stored.State, stored.Reason)
			}
			if c.order != nil {
				err := c.order(d, id)
				var illegal *engine.StateError
				if c.wrong != (err != nil) || c.wrong && (!errors.As(err, &illegal) || illegal.State != sweep.Failed) {
					t.Errorf("meanwhile: %v", err)
				}
			}
			room.Store(true)
			waitWithin(t, within, func() bool { return len(d.Owed()) == 0 })
			if got := w.journal.run(t, id); got.State != c.want || got.Reason != r.Reason || got.Ended == nil || !got.Ended.Equal(*r.Ended) {
				t.Errorf("written: %v at %v: %s", got.State, got.Ended, got.Reason)
			}
			if err := d.stop(); err != nil {
				t.Error(err)
			}
			w.safe(t)
		})
	}
}

// What is owed is written when the daemon ends, at the latest.
func TestEndIsWrittenAtTheLatestWhenTheDaemonEnds(t *testing.T) {
	w := newWorld()
	var room atomic.Bool
	w.fail = func(_ int, name string) failure {
		if !room.Load() && strings.HasPrefix(name, "journal.") && len(w.keyings) > 2 {
			return failure{err: errors.New("no space left")}
		}
		return failure{}
	}
	d := serve(t, w.setup())
	id := d.begin(t, request(plan(t, sweep.Linked, 100e6, 300e6)))
	r := d.end(t, id)
	room.Store(true)
	if err := d.stop(); err != nil {
		t.Fatal(err)
	}
	if got := w.journal.run(t, id); got.State != r.State {
		t.Errorf("written: %v, told: %v", got.State, r.State)
	}
}

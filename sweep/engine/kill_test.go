package engine_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// life serves a bench, starts or resumes its one run, and kills the daemon at
// its n-th call (none: 0). A hard kill lets no later call work, not even the
// one that would put the source off; a soft one is the end of the context.
func life(t testing.TB, w *world, q engine.Request, n int, hard bool) {
	t.Helper()
	w.mu.Lock()
	w.dead, w.calls, w.log = false, 0, w.log[:0]
	w.mu.Unlock()
	sctx, cancel := context.WithCancel(ctx)
	defer cancel()
	w.onCall = func(k int, _ string) {
		if k == n {
			w.dead = hard
			cancel()
		}
	}
	setup, opening := w.setup(), make(chan struct{})
	tellOpening(&setup, opening)
	b := engine.New(setup)
	done := make(chan error, 1)
	go func() { done <- b.Serve(sctx) }()
	<-opening
	id := sweep.RunID("")
	w.journal.mu.Lock()
	if len(w.journal.order) > 0 {
		id = w.journal.order[0]
	}
	w.journal.mu.Unlock()
	var err error
	if id == "" {
		var s engine.Started
		s, err = b.Start(sctx, q)
		id = s.ID
	} else if w.journal.run(t, id).State != sweep.Completed {
		_, err = b.Resume(sctx, id, "Mara")
	}
	if err == nil {
		// A context of its own: the run ends with the daemon.
		if _, err := b.Wait(ctx, id); err != nil && !w.dead {
			t.Fatal(err)
		}
	}
	cancel()
	<-done
	w.mu.Lock()
	defer w.mu.Unlock()
	if !hard && w.on {
		t.Fatalf("the source is on after the daemon ended at call %d", n)
	}
	// Whatever an earlier daemon left, the source is safe before anything else.
	first := slices.IndexFunc(w.log, func(name string) bool { return name != "open" })
	if first >= 0 && (n == 0 || n > first+3) && (w.log[first] != "source.Halt" || w.log[first+1] != "source.SetOutput(off)") {
		t.Fatalf("a daemon began with %q, want the source made safe", w.log[:min(len(w.log), 4)])
	}
}

// undisturbed is what a run commits when nothing happens, and its calls.
func undisturbed(t testing.TB, q engine.Request) ([]string, int) {
	w := newWorld()
	life(t, w, q, 0, false)
	r := w.journal.order[0]
	if s := w.journal.run(t, r); s.State != sweep.Completed {
		t.Fatalf("undisturbed, it ended %v: %s", s.State, s.Reason)
	}
	return points(w.journal.caps(r)), w.calls
}

// finish lets the last daemon bring the run to its end and checks what came of all.
func finish(t testing.TB, w *world, q engine.Request, want []string) {
	t.Helper()
	life(t, w, q, 0, false)
	w.safe(t)
	r := w.journal.run(t, w.journal.order[0])
	w.truthful(t, r)
	if r.State != sweep.Completed {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	if got := points(w.journal.caps(r.ID)); !slices.Equal(got, want) {
		t.Fatalf("committed\n%s\nundisturbed\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	for _, c := range w.journal.caps(r.ID) {
		if c.Void != "" {
			t.Errorf("step %d point %d is void: %s", c.Step, c.Point, c.Void)
		}
	}
}

func killRequest(t testing.TB, mode sweep.CaptureMode, points, specimens int) engine.Request {
	freqs := []unit.Hz{100e6, 300e6, 500e6, 700e6}
	q := request(plan(t, mode, freqs[:points]...))
	q.Specimens = lockers[:specimens]
	return q
}

// TestKilledAtAnyCallTheRunGoesOn: once, at every call there is.
func TestKilledAtAnyCallTheRunGoesOn(t *testing.T) {
	for _, mode := range []sweep.CaptureMode{sweep.Linked, sweep.Sealed} {
		for _, hard := range []bool{false, true} {
			t.Run(fmt.Sprintf("%v hard %v", mode, hard), func(t *testing.T) {
				t.Parallel()
				q := killRequest(t, mode, 2, 1)
				want, calls := undisturbed(t, q)
				for n := 1; n <= calls; n++ {
					w := newWorld()
					life(t, w, q, n, hard)
					w.lid, w.box = false, "" // somebody opened the box meanwhile
					finish(t, w, q, want)
					if t.Failed() {
						t.Fatalf("killed at call %d of %d", n, calls)
					}
				}
			})
		}
	}
}

// TestKilledAgainAndAgainTheRunGoesOn: any plan, any number of kills, anywhere.
func TestKilledAgainAndAgainTheRunGoesOn(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		mode := rapid.SampledFrom([]sweep.CaptureMode{sweep.Linked, sweep.Sealed}).Draw(rt, "mode")
		q := killRequest(t, mode, rapid.IntRange(1, 4).Draw(rt, "points"), rapid.IntRange(1, 2).Draw(rt, "specimens"))
		want, calls := undisturbed(t, q)
		w := newWorld()
		kills := rapid.IntRange(1, 5).Draw(rt, "kills")
		for i := range kills {
			n := rapid.IntRange(1, calls).Draw(rt, fmt.Sprintf("kill %d at call", i))
			life(t, w, q, n, rapid.Bool().Draw(rt, "hard"))
			w.lid, w.box = false, ""
		}
		finish(t, w, q, want)
		if t.Failed() {
			rt.FailNow()
		}
	})
}

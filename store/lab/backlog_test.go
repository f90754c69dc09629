package lab_test

import (
	"context"
	"runtime/debug"
	"runtime/metrics"
	"testing"
	"time"

	"lidded/store"
	"lidded/store/lab"
	"lidded/store/lab/labtest"
	"lidded/store/storetest"
	"lidded/sweep"
)

// weighed is a journal whose batches are looked at on their way to the lab.
type weighed struct {
	*store.Store
	batches, events, bytes int // the largest
	heap                   uint64
}

func (w *weighed) After(ctx context.Context, from store.Position, l store.Limits) (store.Batch, error) {
	b, err := w.Store.After(ctx, from, l)
	w.batches++
	w.events, w.bytes = max(w.events, len(b.Events)), max(w.bytes, b.Bytes)
	w.heap = max(w.heap, heap())
	return b, err
}

// heap is how much memory the process holds for objects, dead ones included.
func heap() uint64 {
	s := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	metrics.Read(s)
	return s[0].Value.Uint64()
}

// TestBacklog: the lab was away for long (LIDDED_BACKLOG captures, 2,000), some
// of the traces in archives meanwhile. Catching up goes in batches of bounded
// size, in memory that does not grow with the backlog; the lag falls all the way
// and what is shipped grows; in the end the lab has everything once.
//
// A week of nights: LIDDED_BACKLOG=100000 go test -run TestBacklog -v -timeout 1h ./store/lab
func TestBacklog(t *testing.T) {
	const perEvent, eventsOfRun = 5, 40
	captures := number(t, "LIDDED_BACKLOG", 2000)
	s, archives := opened(t), t.TempDir()
	ctx := t.Context()
	for left := captures; left > 0; {
		r := storetest.ARun("bench-1", "night")
		err := s.Create(ctx, r)
		for i := 0; i < eventsOfRun && left > 0 && err == nil; i++ {
			var list []sweep.Capture
			for j := range min(perEvent, left) {
				list = append(list, trace(r.ID, i*perEvent+j))
			}
			left -= len(list)
			err = s.Commit(ctx, r.ID, sweep.Checkpoint{Point: i}, list...)
		}
		if err == nil {
			err = s.Transition(ctx, r.ID, time.Now(), sweep.Completed, "", "")
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	candidates, err := s.Prunable(ctx)
	if err != nil {
		t.Fatal(err)
	}
	pruned := 0
	for i, c := range candidates {
		if i%5 == 1 {
			if _, err := s.Archive(ctx, c.Run.ID, archives); err != nil {
				t.Fatal(err)
			}
			if err := s.Prune(ctx, c.Run.ID, store.Pruned{Rule: "old", Who: "test", Software: "1.0", Evaluation: []byte("{}")}); err != nil {
				t.Fatal(err)
			}
			pruned++
		}
	}
	if pruned == 0 {
		t.Fatal("no traces in archives")
	}
	db := labtest.Shared(t).Migrated(t)
	w := &weighed{Store: s}
	limits := store.Limits{Events: 100, Bytes: 1 << 20}
	if captures > 20_000 {
		limits = store.Limits{}.Filled()
	}
	ship := lab.NewShipper(lab.Options{DSN: db.Ship, Source: w, Limits: limits})
	before := ship.Status(ctx)
	if before.Lag < int64(captures/perEvent) || before.Since.IsZero() || before.Up {
		t.Errorf("before, the metrics say %+v", before)
	}
	debug.FreeOSMemory() // what is dead is not counted
	empty := heap()
	rctx, stop := context.WithCancel(ctx)
	done := make(chan error, 1)
	begun := time.Now()
	go func() { done <- ship.Run(rctx) }()
	seen, last := 0, before
	within(t, time.Minute+time.Duration(captures)*20*time.Millisecond, "catching up", func() bool {
		st := ship.Status(ctx)
		if st.Lag > last.Lag || st.Records < last.Records || st.Bytes < last.Bytes || st.Since.Before(last.Since) && !st.Since.IsZero() {
			t.Errorf("from %+v to %+v", last, st)
		}
		if st.Lag < last.Lag && st.Lag > 0 {
			seen++
		}
		last = st
		return st.Up && st.Lag == 0
	})
	took := time.Since(begun)
	stop()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if seen < 2 {
		t.Errorf("progress was seen %d times", seen)
	}
	if last.Away != 0 {
		t.Errorf("%d captures came without traces", last.Away)
	}
	const event = perEvent * 1001 * 4
	if w.events > limits.Events || w.bytes > limits.Bytes+2*event {
		t.Errorf("a batch of %d events, %d bytes of traces", w.events, w.bytes)
	}
	grown := int64(w.heap) - int64(empty)
	if most := int64(24 * limits.Bytes); grown > most {
		t.Errorf("the heap grew by %d bytes, a batch has %d at most", grown, limits.Bytes)
	}
	t.Logf("%d captures, %d records, %d MB of traces in %v: %.0f captures/s in %d batches, %d runs of %d from archives; the heap grew from %.1f MB to %.1f MB at most",
		captures, last.Records, last.Bytes>>20, took.Round(10*time.Millisecond), float64(captures)/took.Seconds(), w.batches, pruned, len(candidates), float64(empty)/1e6, float64(w.heap)/1e6)
	reader, err := lab.Open(ctx, db.Read)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	if err := labtest.Equal(ctx, reader, s); err != nil {
		t.Error(err)
	}
}

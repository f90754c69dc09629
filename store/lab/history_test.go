package lab_test

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lidded/store"
	"lidded/store/lab"
	"lidded/store/lab/labtest"
	"lidded/store/storetest"
	"lidded/sweep"
)

// world is a bench with its journal, and a lab that things happen to.
type world struct {
	*rapid.T
	db      labtest.Database
	journal *store.Store
	id      string
	runs    []sweep.RunID // that have not ended
	last    sweep.RunID
	open    []int64
	w       *lab.Writer // nil: not connected
	old     []store.Batch
	backup  string
}

func (w *world) must(err error) {
	w.Helper()
	if err != nil {
		w.Fatal(err)
	}
}

// TestAnyInterleavingEndsEqual lets any sequence of writes, shipping, crashes on
// both sides, duplicate deliveries, outages and restores of the lab from an older
// backup happen. In the end both sides are equal, nothing lost, nothing doubled.
func TestAnyInterleavingEndsEqual(t *testing.T) {
	server := labtest.Shared(t)
	db := server.Migrated(t)
	storetest.Fewer(t, "4")
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		n++
		w := &world{T: rt, db: db, backup: fmt.Sprintf("%s_old", db.Name)}
		path := filepath.Join(t.TempDir(), "lidded.db")
		ctx := t.Context()
		var err error
		w.journal, err = store.Open(ctx, path, store.Options{})
		w.must(err)
		defer func() { w.journal.Close() }()
		h, err := w.journal.Head(ctx, store.Position{})
		w.must(err)
		w.id = h.Journal
		backed := false
		defer w.outage()
		rt.Repeat(map[string]func(*rapid.T){
			"write":       func(*rapid.T) { w.write(ctx) },
			"write a lot": func(*rapid.T) { w.write(ctx); w.write(ctx); w.write(ctx) },
			"ship":        func(*rapid.T) { w.ship(ctx) },
			"ship on":     func(*rapid.T) { w.ship(ctx); w.ship(ctx) },
			"deliver again": func(*rapid.T) {
				if w.connect(ctx); len(w.old) > 0 {
					_, err := w.w.Apply(ctx, rapid.SampledFrom(w.old).Draw(rt, "old batch"))
					w.must(err)
				}
			},
			"crash while shipping": func(*rapid.T) { w.crash(ctx) },
			"outage":               func(*rapid.T) { w.outage() },
			"restart of the bench": func(*rapid.T) {
				w.outage()
				w.must(w.journal.Close())
				w.journal, err = store.Open(ctx, path, store.Options{})
				w.must(err)
			},
			"backup of the lab": func(rt *rapid.T) {
				if backed && rapid.IntRange(0, 3).Draw(rt, "skip") > 0 {
					rt.Skip("often enough")
				}
				w.outage()
				server.Copy(t, db.Name, w.backup)
				backed = true
			},
			"restore of the lab": func(rt *rapid.T) {
				if !backed || rapid.IntRange(0, 3).Draw(rt, "skip") > 0 {
					rt.Skip("nothing to restore")
				}
				w.outage()
				server.Copy(t, w.backup, db.Name)
			},
		})
		w.connect(ctx)
		w.must(drain(ctx, w.journal, w.w))
		w.equal(ctx)
	})
	if n == 0 {
		t.Fatal("nothing was tried")
	}
}

// connect dials, as a bench does that finds itself without a connection.
func (w *world) connect(ctx context.Context) {
	if w.w == nil {
		var err error
		w.w, err = lab.Dial(ctx, w.db.Ship, w.id)
		w.must(err)
	}
}

func (w *world) outage() {
	if w.w != nil {
		w.must(w.w.Close())
		w.w = nil
	}
}

func (w *world) batch(ctx context.Context) store.Batch {
	w.connect(ctx)
	at, err := w.w.Position(ctx)
	w.must(err)
	b, err := w.journal.After(ctx, at, store.Limits{Events: rapid.IntRange(1, 5).Draw(w.T, "events"), Bytes: 300})
	w.must(err)
	return b
}

func (w *world) ship(ctx context.Context) {
	b := w.batch(ctx)
	at, err := w.w.Apply(ctx, b)
	w.must(err)
	if at.Event != b.To.Event || at.Entry != b.To.Entry {
		w.Fatalf("the lab stands at %+v after a batch to %+v", at, b.To)
	}
	w.old = append(w.old, b)
}

// crash ends the connection at some moment of a delivery.
func (w *world) crash(ctx context.Context) {
	b := w.batch(ctx)
	ctx, cancel := context.WithTimeout(ctx, time.Duration(rapid.IntRange(0, 20000).Draw(w.T, "µs until the crash"))*time.Microsecond)
	defer cancel()
	if _, err := w.w.Apply(ctx, b); err != nil && ctx.Err() == nil {
		w.Fatal(err)
	}
	w.old = append(w.old, b) // it may have arrived, or not
	w.outage()
}

// write does one thing that a bench does.
func (w *world) write(ctx context.Context) {
	if len(w.runs) == 0 || rapid.IntRange(0, 9).Draw(w.T, "new run") == 0 {
		r := storetest.ARun("bench-1", "night")
		w.must(w.journal.Create(ctx, r))
		w.runs = append(w.runs, r.ID)
		return
	}
	i := rapid.IntRange(0, len(w.runs)-1).Draw(w.T, "run")
	id := w.runs[i]
	switch rapid.IntRange(0, 6).Draw(w.T, "kind") {
	case 0:
		r, err := w.journal.Run(ctx, id)
		w.must(err)
		r.Analyzer.Model = rapid.String().Draw(w.T, "model")
		w.must(w.journal.Begin(ctx, r))
	case 1:
		to := rapid.SampledFrom([]sweep.State{sweep.Running, sweep.Holding, sweep.Interrupted, sweep.Completed, sweep.Failed}).Draw(w.T, "state")
		w.must(w.journal.Transition(ctx, id, time.Now(), to, rapid.String().Draw(w.T, "reason"), "somebody"))
		if to.Final() {
			w.runs = append(w.runs[:i:i], w.runs[i+1:]...)
		}
	case 2:
		w.must(w.journal.Note(ctx, sweep.Event{Run: id, Time: time.Now(), Kind: "point", Text: rapid.String().Draw(w.T, "text")}))
	case 3:
		w.must(w.journal.Note(ctx, sweep.Event{Time: time.Now(), Kind: "note", Text: "of no run"}))
	case 4:
		n, err := w.journal.KeyOn(ctx, sweep.Keying{Run: id, Freq: 30e6, Level: -10, On: time.Now()})
		w.must(err)
		w.open = append(w.open, n)
	case 5:
		if len(w.open) > 0 {
			j := rapid.IntRange(0, len(w.open)-1).Draw(w.T, "entry")
			w.must(w.journal.KeyOff(ctx, w.open[j], time.Now(), ""))
			w.open = append(w.open[:j:j], w.open[j+1:]...)
		}
	default:
		var list []sweep.Capture
		for range rapid.IntRange(0, 3).Draw(w.T, "captures") {
			list = append(list, storetest.ACapture(id, 0))
		}
		w.must(w.journal.Commit(ctx, id, sweep.Checkpoint{Step: 1, Point: rapid.IntRange(0, 9).Draw(w.T, "point")}, list...))
	}
}

// equal compares everything that both sides hold.
func (w *world) equal(ctx context.Context) {
	all, err := lab.Open(ctx, w.db.Read)
	w.must(err)
	defer all.Close()
	w.must(labtest.Equal(ctx, all, w.journal))
}

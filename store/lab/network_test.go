package lab_test

import (
	"context"
	"net/url"
	"path/filepath"
	"testing"
	"time"

	"lidded/store"
	"lidded/store/lab"
	"lidded/store/lab/labtest"
	"lidded/store/storetest"
	"lidded/sweep"
)

// proxied puts a proxy before a lab and gives the way through it.
func proxied(t *testing.T, db labtest.Database) (*labtest.Proxy, string) {
	t.Helper()
	u, err := url.Parse(db.Ship)
	if err != nil {
		t.Fatal(err)
	}
	p := labtest.NewProxy(t, u.Host)
	u.Host = p.Addr()
	return p, u.String()
}

// TestNobodyThereAnyMore: a shipper whose network dies within a transaction keeps
// the lab's row of its journal locked, as far as the server knows; the next one
// is not held up by it for long.
func TestNobodyThereAnyMore(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	db := labtest.Shared(t).Migrated(t)
	s := opened(t)
	ended(t, s, "locker-a")
	h, err := s.Head(ctx, store.Position{})
	if err != nil {
		t.Fatal(err)
	}
	b, err := s.After(ctx, store.Position{}, store.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	p, dsn := proxied(t, db)
	gone, err := lab.Dial(ctx, dsn, h.Journal)
	if err != nil {
		t.Fatal(err)
	}
	gone.SetSilence(time.Second)
	p.StopAfter(`"lidded"."runs"`) // the lock is taken by then
	short, cancel := context.WithCancel(ctx)
	applied := make(chan error, 1)
	go func() { _, err := gone.Apply(short, b); applied <- err }()
	until(t, "the dead network", p.Stopped)
	cancel()
	if err := <-applied; err == nil {
		t.Fatal("a batch came through a dead network")
	}
	gone.Close()
	w, err := lab.Dial(ctx, db.Ship, h.Journal)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	long, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	if at, err := w.Apply(long, b); err != nil || at.Event != h.At.Event {
		t.Errorf("the next one got to %+v, %v", at, err)
	}
}

// TestSlowNetwork: a backlog whose batches are too large to come through in time
// comes through in smaller ones.
func TestSlowNetwork(t *testing.T) {
	t.Parallel()
	db := labtest.Shared(t).Migrated(t)
	s := opened(t)
	r := storetest.ARun("bench-1", "night")
	if err := s.Create(t.Context(), r); err != nil {
		t.Fatal(err)
	}
	for i := range 25 {
		if err := s.Commit(t.Context(), r.ID, sweep.Checkpoint{Point: i}, trace(r.ID, i), trace(r.ID, i)); err != nil {
			t.Fatal(err)
		}
	}
	p, dsn := proxied(t, db)
	p.Slow(500_000) // some 200 kB in all
	ship := lab.NewShipper(lab.Options{DSN: dsn, Source: s, Every: time.Millisecond, Patience: 10 * time.Millisecond, Deadline: 400 * time.Millisecond})
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- ship.Run(ctx) }()
	until(t, "the backlog's end", func() bool { st := ship.Status(ctx); return st.Up && st.Lag == 0 })
	stop()
	if err := <-done; err != nil {
		t.Error(err)
	}
	reader, err := lab.Open(t.Context(), db.Read)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	if err := labtest.Equal(t.Context(), reader, s); err != nil {
		t.Error(err)
	}
}

// opened is a new journal.
func opened(t testing.TB) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "lidded.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

package storetest

import (
	"context"
	"io"
	"testing"
	"time"

	"lidded/sweep"
)

// Store is what is tested.
type Store interface {
	sweep.Journal
	sweep.Archive
	io.Closer
}

// Place is where one store lives. Open opens it, again and again with the same
// contents; at most one at a time is open. The store's own events get their
// time from now.
type Place interface {
	Open(ctx context.Context, now func() time.Time) (Store, error)
}

// Run runs the suite. Each call of fresh gives an empty place; t is only used
// for its folders and clean-ups. Deface tries to change and to delete a row of
// each kind that must stay, behind the store's back, and returns a description
// of each attempt that succeeded.
func Run(t *testing.T, fresh func(t testing.TB) Place, deface func(t testing.TB, p Place) []string) {
	for _, c := range []struct {
		name string
		test func(*testing.T, func(testing.TB) Place)
	}{
		{"every field comes back", testEveryField},
		{"a run's life", testLife},
		{"no run", testNoRun},
		{"conflicts", testConflicts},
		{"what ended stays ended", testEnded},
		{"a commit is whole or nothing", testAtomic},
		{"bad input leaves nothing", testBadInput},
		{"order is the order of storing", testClockBackwards},
		{"lists of runs", testRuns},
		{"latest runs of specimens", testLatest},
		{"last success", testLastSuccess},
		{"lists of captures", testCaptureLists},
		{"events", testEvents},
		{"ledger", testLedger},
		{"readers beside a writer", testReaders},
		{"any history reads back", testHistory},
	} {
		t.Run(c.name, func(t *testing.T) { c.test(t, fresh) })
	}
	t.Run("what was written stays", func(t *testing.T) {
		p := fresh(t)
		s := open(t, p)
		r := begun(t, s, aRun("bench-1", "night"))
		must(t, s.Commit(t.Context(), r.ID, sweep.Checkpoint{Point: 1}, aCapture(r.ID, 0)))
		k, err := s.KeyOn(t.Context(), sweep.Keying{Run: r.ID, Freq: 30e6, Level: -10, On: noon})
		must(t, err)
		must(t, s.KeyOff(t.Context(), k, noon.Add(time.Second), ""))
		must(t, s.Close())
		for _, done := range deface(t, p) {
			t.Errorf("this was possible: %s", done)
		}
	})
}

// open opens the place and closes it when the test ends.
func open(t testing.TB, p Place) Store {
	t.Helper()
	s, err := p.Open(context.Background(), func() time.Time { return noon })
	must(t, err)
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return s
}

// reopen closes the store and opens it again.
func reopen(t testing.TB, p Place, s Store) Store {
	t.Helper()
	must(t, s.Close())
	return open(t, p)
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

package daemon_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"lidded/sweep"
)

// TestBriefsOfARunThatGoesOn: what is remembered of an interrupted run is worked
// out again once there is more of it, and what a run found when it ended stays.
func TestBriefsOfARunThatGoesOn(t *testing.T) {
	l := startLab(t, labSpec{
		analyzerDialect: "analyzer-opc", analyzerTraits: "modern-opc", sourceDialect: "source-scpi", sourceTraits: "source-scpi",
		world: "depot", seed: 4, scale: 20, plans: viewsPlan,
	})
	s := l.daemon.Store()
	run, captures := aNight(rand.New(rand.NewPCG(3, 4)), 0, 3)
	keep(t, s, run, captures[:2], sweep.Running, sweep.Interrupted)
	claims := func() (n int) {
		t.Helper()
		var b briefsOnWire
		l.ask(t, "GET", "/v1/specimens/otter/results", "", &b)
		if b.Pending != 0 || len(b.Runs) != 1 {
			t.Fatalf("%+v", b)
		}
		for _, r := range b.Runs[0].Relation {
			if r != "" {
				n++
			}
		}
		return n
	}
	for range 2 {
		if n := claims(); n != 1 {
			t.Errorf("%d claims of the first point", n)
		}
	}
	if err := s.Commit(t.Context(), run.ID, sweep.Checkpoint{}, captures[2:4]...); err != nil {
		t.Fatal(err)
	}
	if n := claims(); n != 2 {
		t.Errorf("%d claims of two points", n)
	}
	if err := s.Commit(t.Context(), run.ID, sweep.Checkpoint{}, captures[4:]...); err != nil {
		t.Fatal(err)
	}
	for _, to := range []sweep.State{sweep.Running, sweep.Completed} {
		if err := s.Transition(t.Context(), run.ID, time.Now().UTC(), to, "", "test"); err != nil {
			t.Fatal(err)
		}
	}
	for range 2 {
		if n := claims(); n != 3 {
			t.Errorf("%d claims of the whole run", n)
		}
	}
}

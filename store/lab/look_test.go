package lab_test

import (
	"errors"
	"slices"
	"testing"

	"github.com/jackc/pgx/v5"

	"lidded/store/lab"
	"lidded/store/lab/labtest"
	"lidded/sweep"
)

// What a lab server looks at besides the records: benches, specimens, whose a run
// is; and that captures which are not kept any more are no run without captures.
func TestLooks(t *testing.T) {
	ctx := t.Context()
	db := labtest.Shared(t).Migrated(t)
	r, err := lab.Open(ctx, db.Read)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if b, err := r.Benches(ctx); err != nil || len(b) != 0 {
		t.Errorf("benches of an empty lab: %v, %v", b, err)
	}
	s := opened(t)
	var ids []sweep.RunID
	for _, specimen := range []string{"otter", "heron", "otter"} {
		ids = append(ids, ended(t, s, specimen))
	}
	_, h := shipped(t, s, db)
	run, err := s.Run(ctx, ids[2])
	if err != nil {
		t.Fatal(err)
	}
	benches, err := r.Benches(ctx)
	if err != nil || len(benches) != 1 || benches[0].Name != run.Bench.Name || benches[0].Newest != ids[2] || benches[0].Journal != h.Journal || benches[0].Shipped.IsZero() {
		t.Errorf("benches %+v, %v; want %s with %s", benches, err, run.Bench.Name, ids[2])
	}
	if names, err := r.Specimens(ctx); err != nil || !slices.Equal(names, []string{"heron", "otter"}) {
		t.Errorf("specimens %q, %v", names, err)
	}
	if bench, state, err := r.Standing(ctx, ids[0]); err != nil || bench != run.Bench.Name || state != run.State {
		t.Errorf("run %s: %s, %v, %v", ids[0], bench, state, err)
	}
	for _, id := range []sweep.RunID{"nonsense", "0190a000-0000-7000-8000-000000000009"} {
		if _, _, err := r.Standing(ctx, id); !errors.Is(err, sweep.ErrNoRun) {
			t.Errorf("run %s: %v", id, err)
		}
	}
	if list, err := r.Captures(ctx, ids[0]); err != nil || len(list) == 0 {
		t.Fatalf("%d captures, %v", len(list), err)
	}
	c, err := pgx.Connect(ctx, db.Owner)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close(ctx)
	if _, err := c.Exec(ctx, `TRUNCATE lidded.captures`); err != nil { // as dropped partitions leave it
		t.Fatal(err)
	}
	if _, err := r.Captures(ctx, ids[0]); lab.KindOf(err) != lab.KindDropped {
		t.Errorf("captures that were dropped: %v", err)
	}
}

// A reader of a lab that is away says so, and reads once it is there.
func TestOpenLater(t *testing.T) {
	pg := labtest.Own(t, "127.0.0.1", "fsync=off")
	db := pg.Migrated(t)
	pg.Kill()
	r, err := lab.OpenLater(db.Read)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if _, err := r.Runs(t.Context(), sweep.RunFilter{}); lab.KindOf(err) != lab.KindAway {
		t.Errorf("while it is away: %v", err)
	}
	if err := pg.Start(); err != nil {
		t.Fatal(err)
	}
	if _, err := r.Runs(t.Context(), sweep.RunFilter{}); err != nil {
		t.Errorf("when it is back: %v", err)
	}
	empty, err := lab.OpenLater(pg.DSN("postgres", "postgres"))
	if err != nil {
		t.Fatal(err)
	}
	defer empty.Close()
	if err := empty.Check(t.Context()); lab.KindOf(err) != lab.KindAway {
		t.Errorf("a database without the schema: %v", err)
	}
}

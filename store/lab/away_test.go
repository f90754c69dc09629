package lab_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"lidded/store"
	"lidded/store/lab"
	"lidded/store/lab/labtest"
	"lidded/sweep"
)

// TestTracesThatLeftBefore: what left the journal for archives before it was
// shipped is read from there. Where an archive is away the rest comes, and the
// traces come once the run is brought back.
func TestTracesThatLeftBefore(t *testing.T) {
	ctx := t.Context()
	db := labtest.Shared(t).Migrated(t)
	s, folder := opened(t), t.TempDir()
	var files []string
	var ids []sweep.RunID
	for range 4 { // the newest stays
		ids = append(ids, ended(t, s, "locker-a"))
	}
	for _, id := range ids[:3] {
		a, err := s.Archive(ctx, id, folder)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, a.Path)
		if err := s.Prune(ctx, id, store.Pruned{Rule: "old", Who: "test", Software: "1.0", Evaluation: []byte("{}")}); err != nil {
			t.Fatal(err)
		}
	}
	elsewhere := filepath.Join(t.TempDir(), filepath.Base(files[1]))
	if err := os.Rename(files[1], elsewhere); err != nil {
		t.Fatal(err)
	}
	w, _ := shipped(t, s, db)
	reader, err := lab.Open(ctx, db.Read)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	for i, want := range []int{2, 0, 2, 2} {
		captures, err := reader.Captures(ctx, ids[i])
		if err != nil || len(captures) != 1 || len(captures[0].Looks) != want {
			t.Errorf("run %d: %+v, %v; want a capture with %d looks", i, captures, err, want)
		}
	}
	if err := labtest.Equal(ctx, reader, s); err == nil || !strings.Contains(err.Error(), "the file is not there") {
		t.Errorf("the journal reads what is away: %v", err)
	}
	for _, f := range []string{elsewhere, files[2]} { // what is in the lab already does not come twice
		if _, err := s.BringBack(ctx, f); err != nil {
			t.Fatal(err)
		}
	}
	c, err := pgx.Connect(ctx, db.Read)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close(context.Background())
	if tally, err := labtest.Rows(ctx, c, s); err == nil {
		t.Errorf("the lab is taken for even with %+v", tally)
	}
	if err := drain(ctx, s, w); err != nil {
		t.Fatal(err)
	}
	if err := labtest.Equal(ctx, reader, s); err != nil {
		t.Error(err)
	}
	if _, err := labtest.Rows(ctx, c, s); err != nil {
		t.Error(err)
	}
}

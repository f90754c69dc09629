package lab_test

import (
	"testing"

	"github.com/jackc/pgx/v5"

	"lidded/store/lab"
	"lidded/store/lab/labtest"
)

// Months count as made ahead only with the partitions of every table.
func TestMonthsAhead(t *testing.T) {
	ctx := t.Context()
	db := labtest.Shared(t).Migrated(t)
	r, err := lab.Open(ctx, db.Read)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	ahead := func(want int) {
		t.Helper()
		if got, err := r.MonthsAhead(ctx); err != nil || got != want {
			t.Errorf("%d months ahead, %v; want %d", got, err, want)
		}
	}
	ahead(0)
	a, err := lab.NewAdmin(db.Owner)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.Partitions(ctx, 3); err != nil {
		t.Fatal(err)
	}
	ahead(3)
	c, err := pgx.Connect(ctx, db.Owner)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close(ctx)
	if _, err := c.Exec(ctx, `DO $$ BEGIN EXECUTE 'DROP TABLE lidded.looks' || to_char(date_trunc('month', now() AT TIME ZONE 'UTC') + interval '2 months', '_YYYY_MM'); END $$`); err != nil {
		t.Fatal(err)
	}
	ahead(2)
}

// Who reads the lab is spared the compiling of queries over many partitions.
func TestNotCompiled(t *testing.T) {
	c, err := pgx.Connect(t.Context(), labtest.Shared(t).Migrated(t).Read)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close(t.Context())
	var jit string
	if err := c.QueryRow(t.Context(), `SHOW jit`).Scan(&jit); err != nil || jit != "off" {
		t.Errorf("jit is %q, %v", jit, err)
	}
}

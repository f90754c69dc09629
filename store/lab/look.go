package lab

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"lidded/store"
	"lidded/sweep"
)

// Bench is a bench that shipped something.
type Bench struct {
	Name    string
	Newest  sweep.RunID
	Journal string    // that the newest run is kept in
	Shipped time.Time // when that journal last shipped; zero: not known
}

// Benches lists the benches that shipped something, by name.
func (r *Reader) Benches(ctx context.Context) (list []Bench, err error) {
	err = r.each(ctx, "list benches", func(scan store.Scan) error {
		var b Bench
		var at *time.Time
		err := scan(&b.Name, &b.Newest, &b.Journal, &at)
		if at != nil {
			b.Shipped = at.UTC()
		}
		list = append(list, b)
		return err
	}, names("lidded.runs", "bench")+` SELECT names.bench, r.id::text, j.id::text, j.shipped_at FROM names
		CROSS JOIN LATERAL (SELECT id, journal FROM lidded.runs WHERE bench = names.bench ORDER BY id DESC LIMIT 1) r
		JOIN lidded.journals j ON j.n = r.journal ORDER BY names.bench COLLATE "C"`)
	return list, err
}

// names begins a query with the distinct values of an indexed column: it steps
// from one to the next, as they are few and their rows many.
func names(table, column string) string {
	return strings.NewReplacer("@t", table, "@c", column).Replace(`WITH RECURSIVE names AS (
		(SELECT @c FROM @t ORDER BY @c LIMIT 1)
		UNION ALL
		SELECT (SELECT n.@c FROM @t n WHERE n.@c > names.@c ORDER BY n.@c LIMIT 1) FROM names WHERE names.@c IS NOT NULL)`)
}

// Specimens lists the names of all specimens that stand in runs.
func (r *Reader) Specimens(ctx context.Context) (list []string, err error) {
	err = r.each(ctx, "list specimens", func(scan store.Scan) error {
		var name string
		err := scan(&name)
		list = append(list, name)
		return err
	}, names("lidded.run_specimens", "specimen")+` SELECT specimen FROM names WHERE specimen IS NOT NULL ORDER BY specimen COLLATE "C"`)
	return list, err
}

// MonthsAhead tells how many of the coming months have all their partitions.
// Records of a month without one are kept all the same: the shipper makes it.
func (r *Reader) MonthsAhead(ctx context.Context) (months int, err error) {
	err = r.one(ctx, "count partitions", nil, func(scan store.Scan) error { return scan(&months) }, `SELECT count(*) FROM generate_series(1, 13) m
		WHERE NOT EXISTS (SELECT FROM lidded.partitioned t
			WHERE to_regclass('lidded.' || t.name || to_char(date_trunc('month', now() AT TIME ZONE 'UTC') + make_interval(months => m), '_YYYY_MM')) IS NULL)`)
	return months, err
}

// Standing tells which bench a run is of, and the state in which the lab has it;
// sweep.ErrNoRun if the lab does not have it.
func (r *Reader) Standing(ctx context.Context, id sweep.RunID) (bench string, state sweep.State, err error) {
	none := fmt.Errorf("run %s: %w", id, sweep.ErrNoRun)
	if _, err := uuid.Parse(string(id)); err != nil {
		return "", state, none
	}
	var t terms
	t.and("id = ?::uuid", string(id))
	r.mine(&t, "journal")
	var word string
	err = r.one(ctx, "find run", none, func(scan store.Scan) error { return scan(&bench, &word) }, `SELECT bench, state FROM lidded.runs`+t.String(), t.args...)
	if err == nil {
		err = state.UnmarshalText([]byte(word))
	}
	return bench, state, err
}

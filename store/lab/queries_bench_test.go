package lab_test

import (
	"context"
	_ "embed"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lidded/store/lab"
	"lidded/store/storetest"
	"lidded/sweep"
)

// madeHistory makes the function that fills a lab, bench by bench, with three
// years of nights.
//
//go:embed testdata/history.sql
var madeHistory string

// histories gives labs with so many benches, each of about a million results of
// points. LIDDED_LAB_HISTORY names a server whose owner may make databases there:
// they stay, and are found again. Else the server is gone with the benchmark.
func histories(b *testing.B) func(benches int) (owner, reader string) {
	b.Helper()
	ctx := b.Context()
	server, kept := os.LookupEnv("LIDDED_LAB_HISTORY")
	if !kept {
		server = durable(b).DSN("postgres", "postgres")
	}
	at := func(database, user string) string {
		u, err := url.Parse(server)
		if err != nil {
			b.Fatal(err)
		}
		u.Path = "/" + database
		if user != "" {
			u.User = url.User(user)
		}
		return u.String()
	}
	do := func(dsn string, f func(*pgx.Conn) error) {
		b.Helper()
		c, err := pgx.Connect(ctx, dsn)
		if err != nil {
			b.Fatal(err)
		}
		defer c.Close(ctx)
		if err := f(c); err != nil {
			b.Fatal(err)
		}
	}
	return func(benches int) (owner, reader string) {
		b.Helper()
		name := fmt.Sprintf("queries_%d", benches)
		do(at("postgres", ""), func(c *pgx.Conn) error {
			var there bool
			err := c.QueryRow(ctx, `SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)`, name).Scan(&there)
			if err == nil && !there {
				_, err = c.Exec(ctx, `CREATE DATABASE `+name)
			}
			return err
		})
		owner, reader = at(name, ""), at(name, "history_reader")
		a, err := lab.NewAdmin(owner)
		if err == nil {
			_, err = a.Migrate(ctx)
		}
		if err != nil {
			b.Fatal(err)
		}
		do(owner, func(c *pgx.Conn) error {
			_, err := c.Exec(ctx, `DO $$ BEGIN CREATE ROLE history_reader LOGIN; EXCEPTION WHEN duplicate_object THEN NULL; END $$;
				SELECT count(lidded.make_month(m)) FROM generate_series('2023-07-01 00:00+00'::timestamptz, '2026-06-01', interval '1 month') m;`+madeHistory)
			if err != nil {
				return err
			}
			if err := a.Allow(ctx, "history_reader", false); err != nil {
				return err
			}
			var have int
			if err := c.QueryRow(ctx, `SELECT count(*) FROM lidded.journals`).Scan(&have); err != nil || have == benches {
				return err
			}
			for have++; have <= benches; have++ {
				if _, err := c.Exec(ctx, `SELECT make_history($1)`, have); err != nil {
					return err
				}
			}
			_, err = c.Exec(ctx, `VACUUM ANALYZE`)
			return err
		})
		return owner, reader
	}
}

// question is what people ask a lab; it gives the number of rows of the answer.
type question struct {
	name string
	sql  string // through the views that people read
	args []any
	ask  func(context.Context, *lab.Reader) (int, error) // as the program itself asks
}

var questions = []question{
	{name: "specimen over a year", sql: `SELECT run_utc, position, polarization, freq_hz, relation, se_db FROM lidded.v_point_results
		WHERE specimen = $1 AND run_utc >= $2 AND run_utc < $3 ORDER BY run_utc`, args: aYear},
	{name: "specimen over a year, night by night", sql: `SELECT run_utc, verdict, lowest_relation, lowest_se_db, worst_headroom_db FROM lidded.v_specimen_results
		WHERE specimen = $1 AND run_utc >= $2 AND run_utc < $3 ORDER BY run_utc`, args: aYear},
	{name: "every specimen now", sql: `SELECT specimen, bench, run_utc, verdict, worst_headroom_db FROM lidded.v_specimens_now ORDER BY worst_headroom_db`},
	{name: "nights of a bench", sql: `SELECT * FROM lidded.v_runs WHERE bench = $1 ORDER BY run_utc DESC`, args: []any{"bench-001"}},
	{name: "reader, runs of a specimen", ask: func(ctx context.Context, r *lab.Reader) (int, error) {
		list, err := r.Runs(ctx, sweep.RunFilter{Specimen: "box-0002"})
		return len(list), err
	}},
	{name: "reader, newest run of every specimen", ask: func(ctx context.Context, r *lab.Reader) (int, error) {
		list, err := r.LatestRuns(ctx, "", "")
		return len(list), err
	}},
	{name: "reader, nights of a bench", ask: func(ctx context.Context, r *lab.Reader) (int, error) {
		list, err := r.Runs(ctx, sweep.RunFilter{Bench: "bench-001"})
		return len(list), err
	}},
}

var aYear = []any{"box-0002", time.Date(2025, 7, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)}

// rows asks and reads the whole answer.
func (q question) rows(ctx context.Context, c *pgx.Conn, r *lab.Reader) (n int, err error) {
	if q.ask != nil {
		return q.ask(ctx, r)
	}
	// Planned for these arguments each time, as a query typed by hand is.
	rows, err := c.Query(ctx, q.sql, append([]any{pgx.QueryExecModeCacheDescribe}, q.args...)...)
	if err != nil {
		return 0, err
	}
	for rows.Next() {
		n += min(1, len(rows.RawValues())) // as they came: what a reader makes of them is his own time
	}
	return n, rows.Err()
}

// plan is how PostgreSQL answers.
func (q question) plan(ctx context.Context, c *pgx.Conn) (string, error) {
	rows, err := c.Query(ctx, `EXPLAIN (ANALYZE, BUFFERS) `+q.sql, q.args...)
	if err != nil {
		return "", err
	}
	lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return strings.Join(lines, "\n"), err
}

// BenchmarkQueries asks labs of growing size, in millions of results of points
// (LIDDED_LAB_MILLIONS, "1"; "1 10 100" takes half an hour to make and 36 GB),
// what people ask them, as a login that may read and no more. A million is a
// bench of four specimens, measured for three years. LIDDED_LAB_PLANS names a
// folder for the plans.
func BenchmarkQueries(b *testing.B) {
	ctx := b.Context()
	grown := histories(b)
	smallest := make([]float64, len(questions))
	for _, n := range storetest.Millions(b, "LIDDED_LAB_MILLIONS") {
		_, dsn := grown(n)
		c, err := pgx.Connect(ctx, dsn)
		if err != nil {
			b.Fatal(err)
		}
		defer c.Close(ctx)
		r, err := lab.Open(ctx, dsn)
		if err != nil {
			b.Fatal(err)
		}
		defer r.Close()
		for i, q := range questions {
			b.Run(fmt.Sprintf("%s/%dM", q.name, n), func(b *testing.B) {
				storetest.Asked(b, &smallest[i], func() (int, error) { return q.rows(ctx, c, r) })
				if dir := os.Getenv("LIDDED_LAB_PLANS"); dir != "" && q.sql != "" {
					text, err := q.plan(ctx, c)
					if err == nil {
						err = os.WriteFile(filepath.Join(dir, fmt.Sprintf("%s.%dM.txt", strings.NewReplacer(" ", "-", ",", "").Replace(q.name), n)), []byte(q.sql+"\n\n"+text+"\n"), 0o644)
					}
					if err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}

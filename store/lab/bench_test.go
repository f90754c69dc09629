package lab_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/store"
	"lidded/store/lab"
	"lidded/store/lab/labtest"
	"lidded/store/storetest"
	"lidded/sweep"
)

// number is a size from the environment.
func number(b testing.TB, name string, def int) int {
	b.Helper()
	v := os.Getenv(name)
	if v == "" {
		return def
	}
	n, err := strconv.Atoi(v)
	if err != nil || n < 1 {
		b.Fatalf("%s=%q: need a number above 0", name, v)
	}
	return n
}

// durable is a server whose commits are on disk, as a lab's are.
func durable(b testing.TB) *labtest.Server {
	return labtest.Own(b, "127.0.0.1", "shared_buffers=256MB", "max_wal_size=4GB")
}

// trace is a capture of one look of 1,001 points in single precision, as a
// binary reply gives.
func trace(run sweep.RunID, point int) sweep.Capture {
	c := storetest.ACapture(run, point)
	t := driver.Trace{Start: 30e6, Stop: 31e6, Levels: make([]unit.DBm, 1001)}
	for i := range t.Levels {
		t.Levels[i] = unit.DBm(float32(-110 + float32((i*7919+point)%4001)/1000))
	}
	c.Looks = []sweep.Look{{SourceOn: true, Trace: t}}
	return c
}

// BenchmarkShipping is one second of so many benches (LIDDED_LAB_BENCHES, 50)
// that take one trace of 1,001 points each: every bench ships its own trace over
// its own connection, durably. Beside it, in the same rounds, every connection
// gives the same rows of traces to a bare COPY. Shipping keeps up while s/round
// stays below 1.
func BenchmarkShipping(b *testing.B) {
	ctx := b.Context()
	db := durable(b).Migrated(b)
	n := number(b, "LIDDED_LAB_BENCHES", 50)
	type bench struct {
		s    *store.Store
		w    *lab.Writer
		bare *pgx.Conn
		run  sweep.RunID
		at   store.Position
	}
	owner, err := pgx.Connect(ctx, db.Owner)
	if err != nil {
		b.Fatal(err)
	}
	defer owner.Close(ctx)
	if _, err := owner.Exec(ctx, `CREATE TABLE public.bare AS SELECT `+strings.Join(store.LookColumns, ", ")+` FROM lidded.looks WITH NO DATA;
		ALTER TABLE public.bare ALTER COLUMN levels_dbm SET STORAGE EXTERNAL`); err != nil {
		b.Fatal(err)
	}
	benches := make([]*bench, n)
	for i := range benches {
		x := &bench{}
		benches[i] = x
		if x.s, err = store.Open(ctx, filepath.Join(b.TempDir(), "lidded.db"), store.Options{}); err != nil {
			b.Fatal(err)
		}
		defer x.s.Close()
		r := storetest.ARun(fmt.Sprintf("bench-%d", i), "night")
		x.run = r.ID
		if err := x.s.Create(ctx, r); err != nil {
			b.Fatal(err)
		}
		h, err := x.s.Head(ctx, store.Position{})
		if err != nil {
			b.Fatal(err)
		}
		if x.w, err = lab.Dial(ctx, db.Ship, h.Journal); err != nil {
			b.Fatal(err)
		}
		defer x.w.Close()
		if x.bare, err = pgx.Connect(ctx, db.Owner); err != nil {
			b.Fatal(err)
		}
		defer x.bare.Close(ctx)
		if err := drain(ctx, x.s, x.w); err != nil {
			b.Fatal(err)
		}
		if x.at, err = x.w.Position(ctx); err != nil {
			b.Fatal(err)
		}
	}
	// all runs f for every bench at once and tells how long it took.
	all := func(f func(*bench) error) time.Duration {
		begun := time.Now()
		var wg sync.WaitGroup
		errs := make(chan error, n)
		for _, x := range benches {
			wg.Go(func() { errs <- f(x) })
		}
		wg.Wait()
		took := time.Since(begun)
		close(errs)
		for err := range errs {
			if err != nil {
				b.Fatal(err)
			}
		}
		return took
	}
	var ship, bare time.Duration
	rounds := 0
	for b.Loop() {
		for _, x := range benches {
			if err := x.s.Commit(ctx, x.run, sweep.Checkpoint{Point: rounds}, trace(x.run, rounds)); err != nil {
				b.Fatal(err)
			}
		}
		rounds++
		copies := make(map[*bench][][]any, n)
		var mu sync.Mutex
		ship += all(func(x *bench) error {
			batch, err := x.s.After(ctx, x.at, store.Limits{})
			if err != nil {
				return err
			}
			if len(batch.Looks) != 1 {
				return fmt.Errorf("%d traces in a batch", len(batch.Looks))
			}
			mu.Lock()
			copies[x] = batch.Looks
			mu.Unlock()
			x.at, err = x.w.Apply(ctx, batch)
			return err
		})
		bare += all(func(x *bench) error {
			_, err := x.bare.CopyFrom(ctx, pgx.Identifier{"public", "bare"}, store.LookColumns, pgx.CopyFromRows(copies[x]))
			return err
		})
	}
	b.ReportMetric(ship.Seconds()/float64(rounds), "s/round")
	b.ReportMetric(float64(n*rounds)/ship.Seconds(), "traces/s")
	b.ReportMetric(ship.Seconds()/bare.Seconds(), "×COPY")
}

// BenchmarkCatchUp is a bench that was cut off: a night of 500 captures with six
// traces each, shipped in large batches, against a bare COPY of the same rows.
func BenchmarkCatchUp(b *testing.B) {
	ctx := b.Context()
	db := durable(b).Migrated(b)
	s, err := store.Open(ctx, filepath.Join(b.TempDir(), "lidded.db"), store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	owner, err := pgx.Connect(ctx, db.Owner)
	if err != nil {
		b.Fatal(err)
	}
	defer owner.Close(context.Background())
	if _, err := owner.Exec(ctx, `CREATE TABLE public.bare AS SELECT `+strings.Join(store.LookColumns, ", ")+` FROM lidded.looks WITH NO DATA;
		ALTER TABLE public.bare ALTER COLUMN levels_dbm SET STORAGE EXTERNAL`); err != nil {
		b.Fatal(err)
	}
	h, err := s.Head(ctx, store.Position{})
	if err != nil {
		b.Fatal(err)
	}
	w, err := lab.Dial(ctx, db.Ship, h.Journal)
	if err != nil {
		b.Fatal(err)
	}
	defer w.Close()
	at, err := w.Position(ctx)
	if err != nil {
		b.Fatal(err)
	}
	var ship, bare time.Duration
	traces, bytes := 0, 0
	for b.Loop() {
		r := storetest.ARun("bench-1", "night")
		if err := s.Create(ctx, r); err != nil {
			b.Fatal(err)
		}
		for i := range 50 {
			var list []sweep.Capture
			for j := range 10 {
				c := trace(r.ID, 10*i+j)
				for range 5 {
					c.Looks = append(c.Looks, c.Looks[0])
				}
				list = append(list, c)
			}
			if err := s.Commit(ctx, r.ID, sweep.Checkpoint{Point: 10 * i}, list...); err != nil {
				b.Fatal(err)
			}
		}
		for {
			begun := time.Now()
			batch, err := s.After(ctx, at, store.Limits{})
			if err != nil {
				b.Fatal(err)
			}
			if batch.Records == 0 {
				break
			}
			if at, err = w.Apply(ctx, batch); err != nil {
				b.Fatal(err)
			}
			ship += time.Since(begun)
			traces, bytes = traces+len(batch.Looks), bytes+batch.Bytes
			begun = time.Now()
			if _, err := owner.CopyFrom(ctx, pgx.Identifier{"public", "bare"}, store.LookColumns, pgx.CopyFromRows(batch.Looks)); err != nil {
				b.Fatal(err)
			}
			bare += time.Since(begun)
		}
	}
	b.ReportMetric(float64(traces)/ship.Seconds(), "traces/s")
	b.ReportMetric(float64(bytes)/1e6/ship.Seconds(), "MB/s")
	b.ReportMetric(ship.Seconds()/bare.Seconds(), "×COPY")
}

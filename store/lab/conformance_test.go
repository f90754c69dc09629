package lab_test

import (
	"context"
	"fmt"
	"iter"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lidded/store"
	"lidded/store/lab"
	"lidded/store/lab/labtest"
	"lidded/store/storetest"
	"lidded/sweep"
)

func TestMain(m *testing.M) { labtest.Main(m) }

// place is a journal that ships to a lab.
type place struct {
	path string
	db   labtest.Database
	all  *lab.Reader
}

func (p place) Open(ctx context.Context, now func() time.Time) (storetest.Store, error) {
	s, err := store.Open(ctx, p.path, store.Options{Now: now})
	if err != nil {
		return nil, err
	}
	h, err := s.Head(ctx, store.Position{})
	if err != nil {
		return nil, err
	}
	return &both{Journal: s, journal: s, lab: p.all.Of(h.Journal), id: h.Journal, dsn: p.db.Ship}, nil
}

// drain ships all there is, in batches too small for it.
func drain(ctx context.Context, s *store.Store, w *lab.Writer) error {
	at, err := w.Position(ctx)
	for err == nil {
		var b store.Batch
		b, err = s.After(ctx, at, store.Limits{Events: 31, Bytes: 2000})
		if err != nil || b.Records == 0 {
			return err
		}
		at, err = w.Apply(ctx, b)
	}
	return err
}

// shipped gives the lab all that a journal has; the writer is closed with the test.
func shipped(t *testing.T, s *store.Store, db labtest.Database) (*lab.Writer, store.Head) {
	t.Helper()
	h, err := s.Head(t.Context(), store.Position{})
	if err != nil {
		t.Fatal(err)
	}
	w, err := lab.Dial(t.Context(), db.Ship, h.Journal)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = w.Close() })
	if err := drain(t.Context(), s, w); err != nil {
		t.Fatal(err)
	}
	return w, h
}

// both writes to the journal and reads from the lab what was shipped by then.
type both struct {
	sweep.Journal
	journal *store.Store
	lab     *lab.Reader
	id, dsn string

	mu sync.Mutex
	w  *lab.Writer
}

func (b *both) Close() error {
	if b.w != nil {
		if err := b.w.Close(); err != nil {
			return err
		}
	}
	return b.journal.Close()
}

// shipped is the lab, with everything in it.
func (b *both) shipped() *lab.Reader {
	b.mu.Lock()
	defer b.mu.Unlock()
	ctx := context.Background()
	var err error
	if b.w == nil {
		b.w, err = lab.Dial(ctx, b.dsn, b.id)
	}
	if err == nil {
		err = drain(ctx, b.journal, b.w)
	}
	if err != nil {
		panic(err) // shipping has no part in the error of a read
	}
	return b.lab
}

func (b *both) Run(ctx context.Context, id sweep.RunID) (sweep.Run, error) {
	return b.shipped().Run(ctx, id)
}
func (b *both) RunByKey(ctx context.Context, bench, key string) (sweep.Run, error) {
	return b.shipped().RunByKey(ctx, bench, key)
}
func (b *both) Runs(ctx context.Context, f sweep.RunFilter) ([]sweep.RunInfo, error) {
	return b.shipped().Runs(ctx, f)
}
func (b *both) LatestRuns(ctx context.Context, bench, specimen string) ([]sweep.SpecimenRun, error) {
	return b.shipped().LatestRuns(ctx, bench, specimen)
}
func (b *both) LastSuccess(ctx context.Context, bench, plan string) (sweep.RunInfo, error) {
	return b.shipped().LastSuccess(ctx, bench, plan)
}
func (b *both) Captures(ctx context.Context, id sweep.RunID) ([]sweep.Capture, error) {
	return b.shipped().Captures(ctx, id)
}
func (b *both) EachCapture(ctx context.Context, id sweep.RunID) iter.Seq2[sweep.Capture, error] {
	return b.shipped().EachCapture(ctx, id)
}
func (b *both) CaptureList(ctx context.Context, id sweep.RunID, f sweep.CaptureFilter) ([]sweep.Capture, error) {
	return b.shipped().CaptureList(ctx, id, f)
}
func (b *both) Capture(ctx context.Context, id string) (sweep.Capture, error) {
	return b.shipped().Capture(ctx, id)
}
func (b *both) Events(ctx context.Context, run sweep.RunID, after int64, limit int) ([]sweep.Event, error) {
	return b.shipped().Events(ctx, run, after, limit)
}
func (b *both) Keyings(ctx context.Context, f sweep.KeyingFilter) ([]sweep.Keying, error) {
	return b.shipped().Keyings(ctx, f)
}

func TestConformance(t *testing.T) {
	db := labtest.Shared(t).Migrated(t)
	all, err := lab.Open(t.Context(), db.Read)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { all.Close() })
	fresh := func(t testing.TB) storetest.Place {
		return place{filepath.Join(t.TempDir(), "lidded.db"), db, all}
	}
	storetest.Run(t, fresh, deface)
}

// deface goes at the rows as the shipper and as a reader.
func deface(t testing.TB, p storetest.Place) (done []string) {
	db := p.(place).db
	for _, dsn := range []string{db.Ship, db.Read} {
		c, err := pgx.Connect(t.Context(), dsn)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close(context.Background())
		for table, column := range map[string]string{
			"captures": "void", "looks": "source_on", "events": "text", "keyings": "freq_hz", "keying_ends": "not_confirmed",
			"runs": "snapshot", "run_specimens": "specimen", "evaluations": "software", "point_results": "se_db", "specimen_results": "verdict",
		} {
			var rows int
			if err := c.QueryRow(t.Context(), `SELECT count(*) FROM lidded.`+table).Scan(&rows); err != nil {
				t.Fatal(err)
			}
			for _, attempt := range []string{
				fmt.Sprintf(`UPDATE lidded.%s SET %s = %s`, table, column, column),
				fmt.Sprintf(`DELETE FROM lidded.%s`, table),
				fmt.Sprintf(`TRUNCATE lidded.%s`, table),
				`SELECT lidded.drop_partitions(0, 0)`,
			} {
				if _, err := c.Exec(t.Context(), attempt); err == nil {
					done = append(done, attempt)
				}
			}
		}
	}
	return done
}

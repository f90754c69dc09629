package recall

import (
	"database/sql"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"lidded/store"
	"lidded/store/storetest"
	"lidded/sweep"
)

// tenYears fills the file with ten years of a bench whose specimens, from the
// first number to the last, are measured once a week at 480 points: a quarter of
// a million points each.
const tenYears = `
WITH RECURSIVE box (s) AS (SELECT ?1 UNION ALL SELECT s + 1 FROM box WHERE s < ?2),
	week (w) AS (SELECT 0 UNION ALL SELECT w + 1 FROM week WHERE w < 519)
INSERT INTO found (n, run, specimen, run_ms, verdict, sentence, measured, at_least, ambient, void, missing, worst_headroom_db)
SELECT w * 1000 + s, printf('%012x-%04d', 1467331200000 + w * 604800000 + s * 60000, s), printf('box-%04d', s), 1467331200000 + w * 604800000 + s * 60000,
	1, '', 400, 80, 0, 0, 0, 3 + (s * 7 + w) % 11 FROM week, box;
WITH RECURSIVE place (i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM place WHERE i < 479)
INSERT INTO points
SELECT n, i, i, 30e6 + i * 2e6, 1 + (i % 6 = 5), 70 + (n + i * 7919) % 2500 / 100.0, 68, 72, 2, -30, 40, 60, 1, 1 FROM found, place WHERE n % 1000 BETWEEN ?1 AND ?2 ORDER BY n, i;
INSERT INTO runs SELECT run FROM found WHERE n % 1000 BETWEEN ?1 AND ?2;`

// BenchmarkQuestions asks a bench's own SQLite files of growing size, in millions
// of points (LIDDED_RECALL_MILLIONS, "1"; "1 10" takes some minutes to make and
// 1.5 GB), what people ask. The program reads, run by run, everything that was
// found. Nights are read from a journal with a run a night for ten years.
func BenchmarkQuestions(b *testing.B) {
	ctx := b.Context()
	journal, err := store.Open(ctx, filepath.Join(b.TempDir(), "lidded.db"), store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer journal.Close()
	for range 3650 {
		if err := journal.Create(ctx, storetest.ARun("bench-1", "night")); err != nil {
			b.Fatal(err)
		}
	}
	f, err := openAs(ctx, filepath.Join(b.TempDir(), "lidded.db.briefs"), "benchmark")
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	count := func(query string, columns int, args ...any) func() (int, error) {
		return func() (n int, err error) {
			to := make([]any, columns)
			for i := range to {
				to[i] = new(sql.RawBytes)
			}
			err = each(ctx, f.db, func(scan func(...any) error) error { n++; return scan(to...) }, query, args...)
			return n, err
		}
	}
	from, until := time.Date(2025, 7, 1, 0, 0, 0, 0, time.UTC).UnixMilli(), time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC).UnixMilli()
	const year = ` FROM found f CROSS JOIN points p ON p.found = f.n WHERE f.specimen = ? AND f.run_ms >= ? AND f.run_ms < ? ORDER BY f.run_ms, p.place`
	questions := []struct {
		name string
		ask  func() (int, error)
	}{
		{"specimen over a year", count(`SELECT f.run_ms, p.freq_hz, p.relation, p.se_db`+year, 4, "box-0002", from, until)},
		{"specimen over a year, as the program reads it", func() (n int, err error) {
			var runs []string
			if err := each(ctx, f.db, func(scan func(...any) error) error {
				var id string
				err := scan(&id)
				runs = append(runs, id)
				return err
			}, `SELECT run FROM found WHERE specimen = 'box-0002' AND run_ms >= ? AND run_ms < ?`, from, until); err != nil {
				return 0, err
			}
			for _, id := range runs {
				found, _, err := f.Find(ctx, sweep.RunID(id))
				if err != nil {
					return 0, err
				}
				n += len(found["box-0002"].Rows)
			}
			return n, nil
		}},
		{"every specimen now", count(`SELECT specimen, max(run_ms), worst_headroom_db FROM found GROUP BY specimen ORDER BY 3`, 3)},
		{"nights of a bench", func() (int, error) {
			list, err := journal.Runs(ctx, sweep.RunFilter{Bench: "bench-1"})
			return len(list), err
		}},
	}
	smallest := make([]float64, len(questions))
	boxes := 0
	for _, millions := range storetest.Millions(b, "LIDDED_RECALL_MILLIONS") {
		if _, err := f.db.ExecContext(ctx, tenYears+`ANALYZE`, boxes+1, millions*4); err != nil {
			b.Fatal(err)
		}
		boxes = millions * 4
		var points int
		if err := f.db.QueryRowContext(ctx, `SELECT count(*) FROM points`).Scan(&points); err != nil || points != boxes*520*480 {
			b.Fatalf("%d points, %v", points, err)
		}
		for i, q := range questions {
			b.Run(fmt.Sprintf("%s/%dM", q.name, millions), func(b *testing.B) { storetest.Asked(b, &smallest[i], q.ask) })
		}
	}
}

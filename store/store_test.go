package store_test

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"lidded/store"
	"lidded/store/storetest"
)

// file is a place on disk.
type file string

func (f file) Open(ctx context.Context, now func() time.Time) (storetest.Store, error) {
	s, err := store.Open(ctx, string(f), store.Options{Now: now})
	if err != nil {
		return nil, err
	}
	return s, nil
}

func fresh(t testing.TB) storetest.Place {
	dir := t.TempDir()
	return file(filepath.Join(dir, "lidded.db"))
}

func TestConformance(t *testing.T) { storetest.Run(t, fresh, deface) }

// deface goes at the rows with a plain connection.
func deface(t testing.TB, p storetest.Place) (done []string) {
	db := raw(t, string(p.(file)))
	for table, column := range map[string]string{
		"captures": "void", "looks": "source_on", "events": "text", "keyings": "freq_hz", "keying_ends": "not_confirmed",
		"runs": "snapshot", "run_specimens": "specimen",
	} {
		var n int
		if err := db.QueryRow(`SELECT count(*) FROM ` + table).Scan(&n); err != nil || n == 0 {
			t.Fatalf("%s: %d rows to go at, %v", table, n, err)
		}
		for _, attempt := range []string{
			fmt.Sprintf(`UPDATE %s SET %s = %s`, table, column, column),
			fmt.Sprintf(`DELETE FROM %s`, table),
			fmt.Sprintf(`INSERT OR REPLACE INTO %s SELECT * FROM %s`, table, table),
		} {
			if _, err := db.Exec(attempt); err == nil {
				done = append(done, attempt)
			}
		}
	}
	return done
}

// raw opens the file as any program would, with the one setting that makes
// REPLACE delete by the rules.
func raw(t testing.TB, path string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=recursive_triggers(1)")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	return db
}

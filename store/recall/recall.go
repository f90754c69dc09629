package recall

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"net/url"
	"os"
	"strings"
	"sync"

	_ "modernc.org/sqlite" // the driver

	"lidded/driver/unit"
	"lidded/store"
	"lidded/sweep"
)

// schema of the file. A row of found is a specimen of a run; its points lie
// together, in the order in which runs were kept.
const schema = `
CREATE TABLE made (by TEXT NOT NULL);
CREATE TABLE runs (id TEXT PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE found (
	n                 INTEGER PRIMARY KEY,
	run               TEXT    NOT NULL,
	specimen          TEXT    NOT NULL,
	run_ms            INTEGER NOT NULL, -- Unix time in the run's identifier
	verdict           INTEGER NOT NULL, -- numbers of this program
	sentence          TEXT    NOT NULL,
	measured          INTEGER NOT NULL,
	at_least          INTEGER NOT NULL,
	ambient           INTEGER NOT NULL,
	void              INTEGER NOT NULL,
	missing           INTEGER NOT NULL,
	worst_headroom_db REAL             -- NULL: nothing is required, or nothing is claimed
);
CREATE INDEX found_run      ON found (run);
CREATE INDEX found_specimen ON found (specimen, run_ms, worst_headroom_db);
CREATE TABLE points (
	found         INTEGER NOT NULL,
	place         INTEGER NOT NULL,
	point         INTEGER NOT NULL,
	freq_hz       REAL    NOT NULL,
	relation      INTEGER NOT NULL,
	se_db         REAL,               -- NULL: not a number, here and below
	se_low_db     REAL,
	se_high_db    REAL,
	expanded_u_db REAL,
	reference_dbm REAL,
	margin_db     REAL,
	required_db   REAL,
	outcome       INTEGER NOT NULL,
	verdict       INTEGER NOT NULL,
	PRIMARY KEY (found, place)
) WITHOUT ROWID;`

// File keeps what ended runs found. Its methods may be called at once; a nil File
// keeps nothing.
type File struct {
	path, by string

	mu sync.Mutex
	db *sql.DB // nil: closed
}

// program names this program byte for byte.
var program = sync.OnceValues(func() (string, error) {
	path, err := os.Executable()
	if err != nil {
		return "", err
	}
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
})

// Open opens the file at a path, or makes it. One that another program made, or
// that cannot be read, is replaced by an empty one. Nobody else may have it open.
func Open(ctx context.Context, path string) (*File, error) {
	by, err := program()
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	return openAs(ctx, path, by)
}

func openAs(ctx context.Context, path, by string) (*File, error) {
	f := &File{path: path, by: by}
	db, err := f.connect()
	if err != nil {
		return nil, err
	}
	var made string
	if err := db.QueryRowContext(ctx, `SELECT by FROM made`).Scan(&made); err == nil && made == by {
		f.db = db
		return f, nil
	}
	f.db = db
	if err := f.renew(ctx); err != nil {
		return nil, err
	}
	return f, nil
}

func (f *File) connect() (*sql.DB, error) {
	q := url.Values{"_pragma": {"busy_timeout(5000)", "journal_mode(wal)", "synchronous(normal)", "journal_size_limit(16777216)"}, "_txlock": {"immediate"}}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: f.path}).EscapedPath()+"?"+q.Encode())
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", f.path, err)
	}
	db.SetMaxOpenConns(1)
	return db, nil
}

// renew puts an empty file in the place of this one.
func (f *File) renew(ctx context.Context) error {
	_ = f.db.Close() // whatever it was
	f.db = nil
	for _, part := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(f.path + part); err != nil && !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("throw away %s: %w", f.path, err)
		}
	}
	db, err := f.connect()
	if err == nil {
		if _, err = db.ExecContext(ctx, schema); err == nil {
			_, err = db.ExecContext(ctx, `INSERT INTO made VALUES (?)`, f.by)
		}
		if err != nil {
			err = errors.Join(fmt.Errorf("make %s: %w", f.path, err), db.Close())
		}
	}
	if err == nil {
		f.db = db
	}
	return err
}

// Close closes the file.
func (f *File) Close() error {
	if f == nil {
		return nil
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.db == nil {
		return nil
	}
	db := f.db
	f.db = nil
	return db.Close()
}

// do works on the file. One that turns out to be broken is thrown away, and the
// error told: what was asked for is then not known.
func (f *File) do(ctx context.Context, work func(*sql.DB) error) error {
	if f == nil {
		return nil
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.db == nil {
		return nil
	}
	err := work(f.db)
	if err == nil || ctx.Err() != nil {
		return err
	}
	return errors.Join(fmt.Errorf("%s: %w; it is begun afresh", f.path, err), f.renew(context.WithoutCancel(ctx)))
}

// Find gives what a run found, by specimen; false: it is not known here.
func (f *File) Find(ctx context.Context, run sweep.RunID) (found map[string]*sweep.Brief, known bool, err error) {
	err = f.do(ctx, func(db *sql.DB) error {
		var id string
		if err := db.QueryRowContext(ctx, `SELECT id FROM runs WHERE id = ?`, string(run)).Scan(&id); err != nil {
			if errors.Is(err, sql.ErrNoRows) {
				return nil
			}
			return err
		}
		got := map[string]*sweep.Brief{}
		by := map[int64]*sweep.Brief{}
		if err := each(ctx, db, func(scan func(...any) error) error {
			var n int64
			b := &sweep.Brief{Rows: []sweep.BriefRow{}}
			c := &b.Counts
			err := scan(&n, &b.Specimen, &b.Verdict, &b.Sentence, &c.Measured, &c.AtLeast, &c.Ambient, &c.Void, &c.Missing)
			got[b.Specimen], by[n] = b, b
			return err
		}, `SELECT n, specimen, verdict, sentence, measured, at_least, ambient, void, missing FROM found WHERE run = ?`, string(run)); err != nil {
			return err
		}
		if err := each(ctx, db, func(scan func(...any) error) error {
			var n int64
			var r sweep.BriefRow
			var value, low, high, u, reference, margin, required sql.NullFloat64
			err := scan(&n, &r.Point, &r.Freq, &r.SE.Relation, &value, &low, &high, &u, &reference, &margin, &required, &r.Outcome, &r.Verdict)
			r.SE.Value, r.SE.Low, r.SE.High, r.SE.U = number[unit.DB](value), number[unit.DB](low), number[unit.DB](high), number[unit.DB](u)
			r.Reference, r.Margin = number[unit.DBm](reference), number[unit.DB](margin)
			if required.Valid {
				v := unit.DB(required.Float64)
				r.Required = &v
			}
			if b := by[n]; b != nil {
				b.Rows = append(b.Rows, r)
			}
			return err
		}, `SELECT p.found, p.point, p.freq_hz, p.relation, p.se_db, p.se_low_db, p.se_high_db, p.expanded_u_db, p.reference_dbm, p.margin_db, p.required_db, p.outcome, p.verdict
			FROM found f CROSS JOIN points p ON p.found = f.n WHERE f.run = ? ORDER BY p.found, p.place`, string(run)); err != nil {
			return err
		}
		found, known = got, true
		return nil
	})
	return found, known, err
}

func each(ctx context.Context, db *sql.DB, row func(scan func(...any) error) error, query string, args ...any) error {
	rows, err := db.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := row(rows.Scan); err != nil {
			return err
		}
	}
	return rows.Err()
}

// number is what SQLite gives back: it keeps no NaN.
func number[T ~float64](v sql.NullFloat64) T {
	if !v.Valid {
		return T(math.NaN())
	}
	return T(v.Float64)
}

const pointColumns = 14

// Keep keeps what a run found that has ended for good. What is kept of it already
// is replaced.
func (f *File) Keep(ctx context.Context, run sweep.RunID, found map[string]*sweep.Brief) error {
	return f.do(ctx, func(db *sql.DB) error {
		tx, err := db.BeginTx(ctx, nil)
		if err != nil {
			return err
		}
		defer func() { _ = tx.Rollback() }()
		for _, q := range []string{`DELETE FROM points WHERE found IN (SELECT n FROM found WHERE run = ?)`, `DELETE FROM found WHERE run = ?`, `INSERT OR IGNORE INTO runs VALUES (?)`} {
			if _, err := tx.ExecContext(ctx, q, string(run)); err != nil {
				return err
			}
		}
		point, err := tx.PrepareContext(ctx, `INSERT INTO points VALUES (?`+strings.Repeat(", ?", pointColumns-1)+`)`)
		if err != nil {
			return err
		}
		defer point.Close()
		for specimen, b := range found {
			c := b.Counts
			res, err := tx.ExecContext(ctx, `INSERT INTO found (run, specimen, run_ms, verdict, sentence, measured, at_least, ambient, void, missing, worst_headroom_db) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
				string(run), specimen, store.TimeOf(string(run)).UnixMilli(), int(b.Verdict), b.Sentence, c.Measured, c.AtLeast, c.Ambient, c.Void, c.Missing, worstHeadroom(b))
			if err != nil {
				return err
			}
			n, err := res.LastInsertId()
			if err != nil {
				return err
			}
			for i, r := range b.Rows {
				var required any
				if r.Required != nil {
					required = float64(*r.Required)
				}
				if _, err := point.ExecContext(ctx, n, i, r.Point, float64(r.Freq), int(r.SE.Relation), float64(r.SE.Value), float64(r.SE.Low), float64(r.SE.High), float64(r.SE.U),
					float64(r.Reference), float64(r.Margin), required, int(r.Outcome), int(r.Verdict)); err != nil {
					return err
				}
			}
		}
		return tx.Commit()
	})
}

// worstHeadroom is the lowest of a specimen's points; nil: none has one.
func worstHeadroom(b *sweep.Brief) any {
	var worst any
	for _, r := range b.Rows {
		if r.Required == nil || r.SE.Relation == sweep.RelationUnknown {
			continue
		}
		h := float64(r.SE.Low - *r.Required)
		if w, has := worst.(float64); !math.IsNaN(h) && (!has || h < w) {
			worst = h
		}
	}
	return worst
}

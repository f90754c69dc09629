package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"lidded/sweep"
)

// RunArchive is a copy of one run in a file of its own: a journal that holds
// that run alone, with its traces, events and keyings.
type RunArchive struct {
	Run    sweep.RunID
	Path   string // absolute, as it was made
	SHA256 string // of the file, hexadecimal
	Bytes  int64  // of the file
	Looks  int    // traces in it
	Made   time.Time
}

// archiveName is a free name for a run's archive file. What stands under the
// usual name without being recorded may be whole or not, of a process that was
// killed between the two; it is left alone.
func archiveName(folder string, id sweep.RunID) string {
	name := filepath.Join(folder, "run-"+string(id))
	for n := 1; ; n++ {
		path := name + ".db"
		if n > 1 {
			path = fmt.Sprintf("%s-%d.db", name, n)
		}
		if !exists(path) {
			return path
		}
	}
}

// Archive copies a run that has ended to a file in the folder, checks the copy
// row by row against the journal, and records path and digest there. An archive
// of the run that is there already, and still what was recorded, is given back
// instead. No file is ever overwritten.
func (s *Store) Archive(ctx context.Context, id sweep.RunID, folder string) (a RunArchive, err error) {
	if s.w == nil {
		return a, s.write(ctx, "archive run", nil)
	}
	n, err := s.endedRow(ctx, id)
	if err != nil {
		return a, err
	}
	if a, err = s.lastArchive(ctx, n, id); err == nil {
		if _, err := s.locate(ctx, a); err == nil {
			return a, nil
		}
	} else if !errors.Is(err, sql.ErrNoRows) {
		return a, err
	}
	folder, err = filepath.Abs(folder)
	if err != nil {
		return a, explain("archive run", s.path, err)
	}
	a = RunArchive{Run: id, Path: archiveName(folder, id), Made: s.now().UTC()}
	err = newFile("archive run", a.Path, func(part string) (err error) {
		if a.Looks, err = s.copyRun(ctx, n, part); err != nil {
			return err
		}
		a.SHA256, a.Bytes, err = digest(part)
		return err
	})
	if err != nil {
		return a, err
	}
	return a, s.write(ctx, "record archive", func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO archives (run_n, path, sha256, bytes, looks, made_ns) VALUES (?, ?, ?, ?, ?, ?)`,
			n, a.Path, a.SHA256, a.Bytes, a.Looks, a.Made.UnixNano())
		if err != nil {
			return err
		}
		return insertKeeping(ctx, tx, id, sweep.Event{Time: a.Made, Kind: "archive", Text: fmt.Sprintf("copied to %s, SHA-256 %s", a.Path, a.SHA256)})
	})
}

// insertKeeping notes what was done with a run's data. It is no event of the run
// itself: the run's own log, and what is made of it, stay as they were.
func insertKeeping(ctx context.Context, tx *sql.Tx, id sweep.RunID, e sweep.Event) error {
	e.Text = fmt.Sprintf("run %s: %s", id, e.Text)
	if e.Extra == nil {
		e.Extra = map[string]any{"run": id}
	}
	return insertEvent(ctx, tx, nil, e)
}

// endedRow is rowOf for a run that has ended for good and has its traces here.
func (s *Store) endedRow(ctx context.Context, id sweep.RunID) (n int64, err error) {
	err = s.read(ctx, "read run", func(tx *sql.Tx) error {
		var state sweep.State
		if n, state, err = rowOf(ctx, tx, id); err != nil {
			return err
		}
		if !state.Final() {
			return fmt.Errorf("run %s has not ended (%s): let it end, or abort it, first: %w", id, state, sweep.ErrConflict)
		}
		_, pruned, err := prunedTo(ctx, tx, n)
		if pruned {
			return fmt.Errorf("the traces of run %s lie in its archive already: %w", id, sweep.ErrConflict)
		}
		return err
	})
	return n, err
}

const archiveColumns = `a.path, a.sha256, a.bytes, a.looks, a.made_ns`

func scanArchive(scan func(...any) error, id sweep.RunID, more ...any) (RunArchive, error) {
	a := RunArchive{Run: id}
	var made sql.NullInt64
	err := scan(append(more, &a.Path, &a.SHA256, &a.Bytes, &a.Looks, &made)...)
	a.Made = moment(made)
	return a, err
}

// lastArchive is the newest archive of a run; sql.ErrNoRows if there is none.
func (s *Store) lastArchive(ctx context.Context, n int64, id sweep.RunID) (a RunArchive, err error) {
	err = s.read(ctx, "find archive", func(tx *sql.Tx) error {
		a, err = scanArchive(tx.QueryRowContext(ctx, `SELECT `+archiveColumns+` FROM archives a WHERE a.run_n = ? ORDER BY a.n DESC LIMIT 1`, n).Scan, id)
		return err
	})
	return a, err
}

// runTables are the tables with rows of a run, in the order in which they can
// be filled, and how a row is told to be of run ?; @ stands for the schema.
var runTables = []struct{ name, term string }{
	{"runs", "n = ?"},
	{"run_specimens", "run_n = ?"},
	{"captures", "run_n = ?"},
	{"looks", "capture_n IN (SELECT n FROM @captures WHERE run_n = ?)"},
	{"events", "run_n = ?"},
	{"keyings", "run_n = ?"},
	{"keying_ends", "entry IN (SELECT entry FROM @keyings WHERE run_n = ?)"},
}

// rowsOf is a query of a table's rows of run ? in a schema ("main", "src").
func rowsOf(schema, table, term string) string {
	return "SELECT * FROM " + schema + "." + table + " WHERE " + strings.ReplaceAll(term, "@", schema+".")
}

// copyRun makes a journal at path that holds one run of this one, row numbers
// included, and compares what came to lie there with what was to be copied.
func (s *Store) copyRun(ctx context.Context, n int64, path string) (looks int, err error) {
	w, err := connect(path, false, false)
	if err != nil {
		return 0, err
	}
	w.SetMaxOpenConns(1)
	defer func() { err = errors.Join(err, w.Close()) }()
	if err := migrate(ctx, w, path, s.now()); err != nil {
		return 0, err
	}
	src := "file:" + (&url.URL{Path: s.path}).EscapedPath() + "?mode=ro"
	if _, err := w.ExecContext(ctx, `ATTACH ? AS src`, src); err != nil {
		return 0, err
	}
	err = transaction(ctx, w, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `UPDATE journal SET id = (SELECT id FROM src.journal), created_ns = (SELECT created_ns FROM src.journal)`); err != nil {
			return err
		}
		for _, t := range runTables {
			if _, err := tx.ExecContext(ctx, `INSERT INTO main.`+t.name+` `+rowsOf("src", t.name, t.term), n); err != nil {
				return fmt.Errorf("copy %s: %w", t.name, err)
			}
		}
		for _, t := range runTables {
			there, here := rowsOf("src", t.name, t.term), rowsOf("main", t.name, t.term)
			var a, b, differ int
			err := tx.QueryRowContext(ctx, `SELECT (SELECT count(*) FROM (`+there+`)), (SELECT count(*) FROM (`+here+`)), (SELECT count(*) FROM (`+there+` EXCEPT `+here+`))`, n, n, n, n).Scan(&a, &b, &differ)
			if err != nil {
				return fmt.Errorf("compare %s: %w", t.name, err)
			}
			if a != b || differ > 0 {
				return fmt.Errorf("the copy has %d rows of %s, the journal %d, and %d differ", b, t.name, a, differ)
			}
			if t.name == "looks" {
				looks = b
			}
		}
		return nil
	})
	if err != nil {
		return 0, err
	}
	// One file, that can be read from a medium that cannot be written.
	for _, q := range []string{`DETACH src`, `PRAGMA journal_mode = delete`} {
		if _, err := w.ExecContext(ctx, q); err != nil {
			return 0, err
		}
	}
	return looks, check(ctx, w, path, "integrity_check", "foreign_key_check")
}

// newFile makes a file whole or not at all: make fills one of another name
// beside it, which gets the name when it is on disk. What stands at path is
// never overwritten.
func newFile(op, path string, make func(part string) error) (err error) {
	if exists(path) {
		return &Error{Op: op, Path: path, Kind: KindUnknown, Err: errors.New("the file exists already"), Hint: "name a file that does not exist"}
	}
	part := path + ".part"
	if err := discard(part); err != nil {
		return explain(op, part, err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, discard(part))
		}
	}()
	if err := make(part); err != nil {
		return explain(op, part, err)
	}
	if err := syncFile(part); err != nil {
		return explain(op, part, err)
	}
	// A link, unlike a rename, takes no name that somebody else took meanwhile.
	switch err := os.Link(part, path); {
	case errors.Is(err, os.ErrExist):
		return explain(op, path, err)
	case err != nil: // a file system without links
		if err := os.Rename(part, path); err != nil {
			return explain(op, path, err)
		}
	default:
		if err := os.Remove(part); err != nil {
			return explain(op, part, err)
		}
	}
	return explain(op, path, syncFile(filepath.Dir(path)))
}

// discard removes an unfinished file with what the database keeps beside it.
func discard(path string) error {
	for _, suffix := range []string{"", "-wal", "-shm", "-journal"} {
		if err := os.Remove(path + suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("remove unfinished file: %w", err)
		}
	}
	return nil
}

func syncFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// digest reads a whole file and gives its SHA-256 and length.
func digest(path string) (sum string, bytes int64, err error) {
	f, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	h := sha256.New()
	bytes, err = io.Copy(h, f)
	return hex.EncodeToString(h.Sum(nil)), bytes, err
}

package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"lidded/sweep"
)

// Options say how to open a store.
type Options struct {
	// ReadOnly opens for reading alone, beside a daemon that writes, without a
	// lock and without migrating. Writes then fail with KindReadOnly.
	ReadOnly bool
	// Archives is a folder where archives of runs are looked for that are not
	// where they were made; empty: beside the store alone.
	Archives string
	// Now is the clock of events the store writes by itself; nil: time.Now.
	Now func() time.Time
}

// Store is an open journal. Its methods may be called from any goroutine.
type Store struct {
	path  string
	w     *sql.DB // one connection: writes queue here; nil when read-only
	r     *sql.DB // a pool for reading
	lock  *lock
	older bool // may be of an older version: it is only copied
	now   func() time.Time

	archives string
	sound    sync.Map // paths, with the digest, of archives that were read whole

	closed atomic.Bool
}

var (
	_ sweep.Journal = (*Store)(nil)
	_ sweep.Archive = (*Store)(nil)
)

const (
	readers     = 4     // connections of the reading pool
	busyTimeout = 10000 // ms to wait for another program's lock
	walLimit    = 64 << 20
)

// Open opens the journal at path, making it if it is not there, and brings it
// to this program's version. The folder must exist. A store that another
// process writes, a damaged or foreign file, a file of a newer version and a
// place that cannot be written are each an *Error with the cure.
func Open(ctx context.Context, path string, o Options) (*Store, error) {
	path, err := resolve(path)
	if err != nil {
		return nil, err
	}
	s := &Store{path: path, now: o.clock(), archives: o.Archives}
	open := s.openWriter
	if o.ReadOnly {
		open = s.openReader
	}
	if err := open(ctx); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

func (o Options) clock() func() time.Time {
	if o.Now == nil {
		return time.Now
	}
	return o.Now
}

// Path returns the absolute path of the database file.
func (s *Store) Path() string { return s.path }

// Close ends all connections and lets go of the lock. Closing twice is harmless.
func (s *Store) Close() error {
	if s.closed.Swap(true) {
		return nil
	}
	var errs []error
	if s.r != nil {
		errs = append(errs, s.r.Close())
	}
	if s.w != nil {
		errs = append(errs, s.w.Close())
	}
	errs = append(errs, s.lock.release())
	return explain("close", s.path, errors.Join(errs...))
}

func (s *Store) openWriter(ctx context.Context) (err error) {
	if s.lock, err = takeLock(s.path); err != nil {
		return err
	}
	return s.openLocked(ctx)
}

// openLocked opens for writing a store whose lock is held.
func (s *Store) openLocked(ctx context.Context) (err error) {
	// Whose file it is is found out before anything is written to it.
	if err := peek(s.path); err == nil {
		r, err := connect(s.path, true, false)
		if err == nil {
			_, _, err = versions(ctx, r, s.path)
			err = errors.Join(err, r.Close())
		}
		if err != nil {
			return explain("open", s.path, err)
		}
	} else if KindOf(err) != KindNotFound {
		return err
	} else if st, err := os.Stat(s.path + "-wal"); err == nil && st.Size() > 0 {
		// The log of another file would be played into the new one.
		return &Error{Op: "open", Path: s.path, Kind: KindCorrupt, Err: errors.New("the database is gone, its log is still there"), Hint: hint(KindCorrupt, s.path)}
	}
	if s.w, err = connect(s.path, false, false); err != nil {
		return explain("open", s.path, err)
	}
	s.w.SetMaxOpenConns(1)
	if err := check(ctx, s.w, s.path, "quick_check"); err != nil {
		return err
	}
	if err := migrate(ctx, s.w, s.path, s.now()); err != nil {
		return err
	}
	s.r, err = connect(s.path, true, false)
	return explain("open", s.path, err)
}

func (s *Store) openReader(ctx context.Context) (err error) {
	if err := peek(s.path); err != nil {
		return err
	}
	if s.r, err = connect(s.path, true, false); err != nil {
		return explain("open", s.path, err)
	}
	have, ours, err := versions(ctx, s.r, s.path)
	if k := KindOf(err); (k == KindIO || k == KindReadOnly) && !exists(s.path+"-wal") {
		// A folder that cannot be written has no place for the files that
		// readers and the writer share; without a log there is no writer.
		err = s.r.Close()
		if s.r, err = connect(s.path, true, true); err != nil {
			return explain("open", s.path, err)
		}
		have, ours, err = versions(ctx, s.r, s.path)
	}
	if err != nil {
		return err
	}
	if have < ours && !s.older {
		return &Error{Op: "open", Path: s.path, Kind: KindOlder,
			Err:  fmt.Errorf("the database has version %d, this program needs version %d", have, ours),
			Hint: "start the daemon on it once: it brings the database up to date"}
	}
	return nil
}

// connect makes a pool. All pragmas are in the data source name, so that every
// connection has them.
func connect(path string, readOnly, immutable bool) (*sql.DB, error) {
	q := url.Values{}
	pragma := func(name string, value any) { q.Add("_pragma", fmt.Sprintf("%s(%v)", name, value)) }
	pragma("busy_timeout", busyTimeout)
	pragma("foreign_keys", 1)
	if readOnly {
		q.Set("mode", "ro")
		if immutable {
			q.Set("immutable", "1")
		}
	} else {
		q.Set("mode", "rwc")
		q.Set("_txlock", "immediate")
		pragma("auto_vacuum", "incremental") // of a new file: what is freed can be given back
		pragma("journal_mode", "wal")
		pragma("synchronous", "full")
		pragma("journal_size_limit", walLimit)
		pragma("recursive_triggers", 1) // REPLACE fires the triggers that keep rows
	}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: path}).EscapedPath()+"?"+q.Encode())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(readers)
	db.SetMaxIdleConns(readers)
	return db, nil
}

// resolve makes the path absolute and follows links, so that one file has one
// lock whatever it is called.
func resolve(path string) (string, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return "", explain("open", path, err)
	}
	if real, err := filepath.EvalSymlinks(abs); err == nil {
		return real, nil
	}
	dir, err := filepath.EvalSymlinks(filepath.Dir(abs))
	if err != nil {
		return "", explain("open", abs, err)
	}
	return filepath.Join(dir, filepath.Base(abs)), nil
}

// magic begins every SQLite database (SQLite "Database File Format" 1.3.1).
const magic = "SQLite format 3\x00"

// peek looks at the head of the file, before anything is written beside it.
func peek(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return explain("open", path, err)
	}
	defer f.Close()
	if st, err := f.Stat(); err != nil || st.IsDir() {
		return &Error{Op: "open", Path: path, Kind: KindNotDatabase, Err: errors.Join(errors.New("it is a folder"), err), Hint: "name a file in it"}
	}
	head := make([]byte, len(magic))
	n, err := io.ReadFull(f, head)
	if err == io.EOF {
		return nil // empty: a database that nothing was written to
	}
	if err != nil && err != io.ErrUnexpectedEOF {
		return explain("open", path, err)
	}
	if string(head[:n]) != magic {
		return &Error{Op: "open", Path: path, Kind: KindNotDatabase, Err: errors.New("the file is not an SQLite database"), Hint: hint(KindNotDatabase, path)}
	}
	return nil
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

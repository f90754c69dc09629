package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"lidded/sweep"
)

// sumSuffix names the file with a backup's digest, as sha256sum(1) writes it.
const sumSuffix = ".sha256"

// Restore makes a store at a path of a backup. The backup is checked first: its
// digest where a file beside it tells one, every page, index and reference, and
// that this program knows its version; and the copy again. The store must not
// exist, nor be in use; nothing is overwritten. It returns when the last event
// in it happened: what came later is not in the backup.
func Restore(ctx context.Context, backup, to string, o Options) (last sweep.Event, err error) {
	const op = "restore"
	if to, err = resolve(to); err != nil {
		return last, err
	}
	var there, aside []string
	for _, suffix := range []string{"", "-wal", "-shm"} {
		if f := to + suffix; exists(f) {
			there, aside = append(there, f), append(aside, fmt.Sprintf("mv %s %s.damaged", f, f))
		}
	}
	if len(there) > 0 {
		return last, &Error{Op: op, Path: there[0], Kind: KindUnknown, Err: errors.New("the file exists already"),
			Hint: "stop the daemon and move aside what is there: " + strings.Join(aside, "; ")}
	}
	lock, err := takeLock(to)
	if err != nil {
		return last, err
	}
	defer func() { err = errors.Join(err, lock.release()) }()
	if err := checkSum(backup); err != nil {
		return last, err
	}
	from, err := openToCopy(ctx, backup)
	if err == nil {
		defer func() { err = errors.Join(err, from.Close()) }()
		err = from.Check(ctx)
	}
	if bad := new(Error); errors.As(err, &bad) && bad.Kind == KindCorrupt {
		bad.Hint = "take another backup; what can still be read of this one is saved by: lidded doctor --salvage NEW.db --store " + backup
	}
	if err != nil {
		return last, err
	}
	err = newFile(op, to, func(part string) error {
		if _, err := from.r.ExecContext(ctx, `VACUUM INTO ?`, part); err != nil {
			return interrupted(ctx, err)
		}
		w, err := connect(part, false, false)
		if err != nil {
			return err
		}
		w.SetMaxOpenConns(1)
		err = check(ctx, w, part, "integrity_check", "foreign_key_check")
		return errors.Join(err, w.Close())
	})
	if err != nil {
		return last, err
	}
	if last, err = from.lastEvent(ctx); err != nil {
		return last, err
	}
	// Bring it up to date and say in it where it came from.
	s := &Store{path: to, now: o.clock(), lock: lock}
	lock = nil
	if err := s.openLocked(ctx); err != nil {
		return last, errors.Join(err, s.Close())
	}
	sum, _, err := digest(from.path)
	if err == nil {
		err = s.Note(ctx, sweep.Event{Time: s.now(), Kind: "restore", Text: fmt.Sprintf("restored from %s, SHA-256 %s", from.path, sum)})
	}
	return last, errors.Join(err, s.Close())
}

// lastEvent is the newest event, the zero Event if there is none.
func (s *Store) lastEvent(ctx context.Context) (e sweep.Event, err error) {
	seq := int64(0)
	if err := s.r.QueryRowContext(ctx, `SELECT coalesce(max(seq), 0) FROM events`).Scan(&seq); err != nil {
		return e, explain("read events", s.path, err)
	}
	list, err := s.Events(ctx, "", seq-1, 1)
	if err != nil || len(list) == 0 {
		return e, err
	}
	return list[0], nil
}

// openToCopy opens a journal of this or an older version for reading.
func openToCopy(ctx context.Context, path string) (*Store, error) {
	path, err := resolve(path)
	if err != nil {
		return nil, err
	}
	s := &Store{path: path, now: Options{}.clock(), older: true}
	if err := s.openReader(ctx); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// writeSum writes the digest of a file beside it.
func writeSum(path string) error {
	sum, _, err := digest(path)
	if err != nil {
		return explain("back up", path, err)
	}
	text := fmt.Sprintf("%s  %s\n", sum, filepath.Base(path))
	return newFile("back up", path+sumSuffix, func(part string) error { return os.WriteFile(part, []byte(text), 0o644) })
}

// checkSum compares a file with the digest beside it, if there is one.
func checkSum(path string) error {
	text, err := os.ReadFile(path + sumSuffix)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return explain("restore", path+sumSuffix, err)
	}
	want, _, _ := strings.Cut(string(text), " ")
	got, _, err := digest(path)
	if err != nil {
		return explain("restore", path, err)
	}
	if want != got {
		return &Error{Op: "restore", Path: path, Kind: KindCorrupt, Err: fmt.Errorf("its SHA-256 is %s, %s says %s", got, filepath.Base(path)+sumSuffix, want),
			Hint: "take another backup, or fetch this one again; without the .sha256 file the backup is checked by its contents alone"}
	}
	return nil
}

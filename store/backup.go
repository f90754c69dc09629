package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// Backup writes a whole, consistent copy of the store to a new file while runs
// go on. The copy appears under its name only when it is complete and on disk;
// an existing file is never overwritten. It may be made from a store opened for
// reading only.
func (s *Store) Backup(ctx context.Context, to string) (err error) {
	if err := s.open("back up"); err != nil {
		return err
	}
	to, err = filepath.Abs(to)
	if err != nil {
		return explain("back up", s.path, err)
	}
	if exists(to) {
		return &Error{Op: "back up", Path: to, Kind: KindUnknown, Err: errors.New("the file exists already"), Hint: "name a file that does not exist"}
	}
	part := to + ".part"
	if err := os.Remove(part); err != nil && !errors.Is(err, os.ErrNotExist) {
		return explain("back up", part, err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, discard(part))
		}
	}()
	if _, err := s.r.ExecContext(ctx, `VACUUM INTO ?`, part); err != nil {
		return explain("back up", part, interrupted(ctx, err))
	}
	if err := syncFile(part); err != nil {
		return explain("back up", part, err)
	}
	if err := os.Rename(part, to); err != nil {
		return explain("back up", to, err)
	}
	return explain("back up", to, syncFile(filepath.Dir(to)))
}

func discard(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("remove unfinished backup: %w", err)
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

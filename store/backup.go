package store

import (
	"context"
	"path/filepath"
)

// Backup writes a whole, consistent copy of the store to a new file while runs
// go on. The copy appears under its name only when it is complete and on disk;
// an existing file is never overwritten. Its SHA-256 is written
// beside it as sha256sum(1) does, for Restore to compare. It may be made from a
// store opened for reading only.
func (s *Store) Backup(ctx context.Context, to string) (err error) {
	if err := s.open("back up"); err != nil {
		return err
	}
	to, err = filepath.Abs(to)
	if err != nil {
		return explain("back up", s.path, err)
	}
	err = newFile("back up", to, func(part string) error {
		_, err := s.r.ExecContext(ctx, `VACUUM INTO ?`, part)
		return interrupted(ctx, err)
	})
	if err != nil {
		return err
	}
	return writeSum(to)
}

package store

import (
	"errors"
	"io/fs"
	"os"
)

// Size returns how many bytes the store takes on disk, with its log.
func (s *Store) Size() (int64, error) {
	var sum int64
	for _, suffix := range []string{"", "-wal", "-shm"} {
		info, err := os.Stat(s.path + suffix)
		switch {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return 0, err
		default:
			sum += info.Size()
		}
	}
	return sum, nil
}

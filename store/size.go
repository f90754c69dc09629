package store

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"syscall"
)

// DiskFree returns how many bytes are left for this user on the store's file
// system.
func (s *Store) DiskFree() (int64, error) {
	var fs syscall.Statfs_t
	if err := syscall.Statfs(filepath.Dir(s.path), &fs); err != nil {
		return 0, fmt.Errorf("free space beside the store: %w", err)
	}
	return int64(min(fs.Bavail*uint64(fs.Bsize), math.MaxInt64)), nil
}

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

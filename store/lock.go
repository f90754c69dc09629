package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"syscall"
)

// lock is held by the one process that writes: an exclusive flock(2) on a file
// beside the database, which the system lets go of when the process ends,
// however it ends. The file holds the holder's process number and stays.
type lock struct{ file *os.File }

func takeLock(path string) (*lock, error) {
	name := path + ".lock"
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, explain("lock", path, err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		defer f.Close()
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, explain("lock", path, err)
		}
		who := "another process"
		if b, err := io.ReadAll(io.LimitReader(f, 20)); err == nil {
			if pid, err := strconv.Atoi(strings.TrimSpace(string(b))); err == nil {
				who = fmt.Sprintf("process %d", pid)
			}
		}
		return nil, &Error{Op: "lock", Path: path, Kind: KindLocked, Err: fmt.Errorf("%s is running on this store", who),
			Hint: "stop it first, or give each bench's daemon a store of its own; lists, exports and reports can be read meanwhile"}
	}
	l := &lock{file: f}
	if err := f.Truncate(0); err != nil {
		return nil, errors.Join(explain("lock", path, err), l.release())
	}
	if _, err := f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0); err != nil {
		return nil, errors.Join(explain("lock", path, err), l.release())
	}
	return l, nil
}

// release lets go. The file is left behind: removing it would let two
// processes lock two files of the same name.
func (l *lock) release() error {
	if l == nil {
		return nil
	}
	return l.file.Close()
}

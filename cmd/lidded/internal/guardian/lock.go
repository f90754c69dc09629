package guardian

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// LockFile is the file that the one guardian of a source holds, in a folder that
// belongs to this user alone: the service manager's runtime folder, the
// session's, or one under the temporary folder.
func LockFile(address string) (string, error) {
	dir := ""
	for _, name := range []string{"RUNTIME_DIRECTORY", "XDG_RUNTIME_DIR"} {
		first, _, _ := strings.Cut(os.Getenv(name), ":")
		if info, err := os.Stat(first); first != "" && err == nil && info.IsDir() {
			dir = first
			break
		}
	}
	if dir == "" {
		dir = filepath.Join(os.TempDir(), "lidded-"+strconv.Itoa(os.Getuid()))
		if err := os.Mkdir(dir, 0o700); err != nil && !errors.Is(err, os.ErrExist) {
			return "", fmt.Errorf("folder for the guardian's lock: %w", err)
		}
		info, err := os.Lstat(dir)
		if err != nil {
			return "", fmt.Errorf("folder for the guardian's lock: %w", err)
		}
		if owner, ok := info.Sys().(*syscall.Stat_t); !info.IsDir() || ok && int(owner.Uid) != os.Getuid() {
			return "", fmt.Errorf("%s is not a folder of this user: remove it, or set XDG_RUNTIME_DIR", dir)
		}
	}
	h := fnv.New64a()
	io.WriteString(h, address)
	return filepath.Join(dir, fmt.Sprintf("lidded-source-%016x.lock", h.Sum64())), nil
}

// handover is the signal with which a new guardian asks one whose daemon is gone
// to leave the source to it.
const handover = syscall.SIGUSR1

const lockEvery = 20 * time.Millisecond

// takeLock waits until the file is ours. A guardian whose daemon is gone is asked
// to hand over; one whose daemon lives does not, and is an error.
func takeLock(ctx context.Context, file, address string, patience time.Duration) (*os.File, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	f, err := os.OpenFile(file, os.O_RDWR|os.O_CREATE|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return nil, fmt.Errorf("guardian's lock: %w", err)
	}
	tick := time.NewTicker(lockEvery)
	defer tick.Stop()
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err == nil {
			break
		}
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			f.Close()
			return nil, fmt.Errorf("guardian's lock %s: %w", file, err)
		}
		holder := holderOf(f)
		if holder > 0 {
			_ = syscall.Kill(holder, handover) // gone meanwhile: the next try gets it
		}
		select {
		case <-ctx.Done():
			f.Close()
			return nil, &HeldError{address, holder}
		case <-tick.C:
		}
	}
	if err := errors.Join(f.Truncate(0), writeAt(f, strconv.Itoa(os.Getpid()))); err != nil {
		f.Close()
		return nil, fmt.Errorf("guardian's lock %s: %w", file, err)
	}
	return f, nil
}

func writeAt(f *os.File, text string) error {
	_, err := f.WriteAt([]byte(text), 0)
	return err
}

// holderOf is the process that holds the lock, 0 if it cannot be told. The lock
// is held, so the number is not that of a process long gone.
func holderOf(f *os.File) int {
	b := make([]byte, 20)
	n, _ := f.ReadAt(b, 0)
	pid, err := strconv.Atoi(strings.TrimSpace(string(b[:n])))
	if err != nil || pid <= 1 {
		return 0
	}
	return pid
}

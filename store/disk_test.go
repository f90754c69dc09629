package store_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"lidded/store"
	"lidded/sweep"
)

// untried skips a test that wants more rights than there are, or fails it where
// everything is to be tried.
func untried(t *testing.T, format string, args ...any) {
	t.Helper()
	if os.Getenv("LIDDED_PEERS") == "required" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}

// mounted gives a small file system of its own.
func mounted(t *testing.T, options string) string {
	t.Helper()
	if os.Geteuid() != 0 {
		untried(t, "only root may mount a small file system to fill")
	}
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, options); err != nil {
		untried(t, "a small file system cannot be mounted here: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Errorf("unmount: %v", err)
		}
	})
	return dir
}

// TestDiskFull fills a real file system under a running store.
func TestDiskFull(t *testing.T) {
	dir := mounted(t, "size=4m")
	path := filepath.Join(dir, "lidded.db")
	s := openFile(t, path, store.Options{})
	r := benchRun(3)
	if err := s.Create(t.Context(), r); err != nil {
		t.Fatal(err)
	}
	commit := func(i int) error {
		return s.Commit(t.Context(), r.ID, sweep.Checkpoint{Point: i + 1}, benchCapture(r, i, true))
	}
	if err := commit(0); err != nil {
		t.Fatal(err)
	}
	ballast := filepath.Join(dir, "ballast")
	if err := os.WriteFile(ballast, make([]byte, 2<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	stored := 1
	var err error
	for err = error(nil); err == nil && stored < 1000; {
		if err = commit(stored); err == nil {
			stored++
		}
	}
	if store.KindOf(err) != store.KindFull {
		t.Fatalf("after %d captures: got %v, want the disk to be full", stored, err)
	}
	if want := "free space on the file system of " + dir + "; what was stored before is safe"; !strings.Contains(err.Error(), want) {
		t.Errorf("%q does not say %q", err, want)
	}
	// Nothing is lost, reading goes on, a copy says why it cannot be made.
	holds := func(want int) {
		t.Helper()
		captures, err := s.Captures(t.Context(), r.ID)
		if err != nil || len(captures) != want {
			t.Fatalf("%d captures, %v; want %d", len(captures), err, want)
		}
		now, err := s.Run(t.Context(), r.ID)
		if err != nil || now.Checkpoint.Point != want {
			t.Fatalf("checkpoint %d, %v; want %d", now.Checkpoint.Point, err, want)
		}
	}
	holds(stored)
	if err := s.Backup(t.Context(), filepath.Join(dir, "copy.db")); store.KindOf(err) != store.KindFull {
		t.Errorf("backup: got %v, want the disk to be full", err)
	}
	// A start on the full disk: either it works or it says what is wrong.
	if err := s.Close(); err != nil && store.KindOf(err) != store.KindFull {
		t.Errorf("close: %v", err)
	}
	if s, err = store.Open(t.Context(), path, store.Options{}); err != nil && store.KindOf(err) != store.KindFull {
		t.Errorf("open on a full disk: %v", err)
	}
	if err == nil {
		if err := s.Close(); err != nil && store.KindOf(err) != store.KindFull {
			t.Errorf("close: %v", err)
		}
	}
	// With space again it goes on.
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	s = openFile(t, path, store.Options{})
	holds(stored)
	if err := commit(stored); err != nil {
		t.Fatal(err)
	}
	holds(stored + 1)
	if err := errors.Join(s.Check(t.Context()), s.Close()); err != nil {
		t.Error(err)
	}
}

// TestOpenOnFullDisk makes a new store where there is no room for one.
func TestOpenOnFullDisk(t *testing.T) {
	dir := mounted(t, "size=64k")
	if err := os.WriteFile(filepath.Join(dir, "ballast"), make([]byte, 56<<10), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := store.Open(t.Context(), filepath.Join(dir, "lidded.db"), store.Options{})
	if store.KindOf(err) != store.KindFull {
		t.Errorf("got %v, want the disk to be full", err)
	}
}

// TestReadOnlyFileSystem mounts a store for reading only.
func TestReadOnlyFileSystem(t *testing.T) {
	dir := mounted(t, "size=8m")
	path := filepath.Join(dir, "lidded.db")
	s := openFile(t, path, store.Options{})
	r := benchRun(3)
	if err := errors.Join(s.Create(t.Context(), r), s.Commit(t.Context(), r.ID, sweep.Checkpoint{Point: 1}, benchCapture(r, 0, true)), s.Close()); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("", dir, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""); err != nil {
		t.Fatal(err)
	}
	_, err := store.Open(t.Context(), path, store.Options{})
	want := "make the folder " + dir + " and the file writable for this user, or mount its file system for writing"
	if store.KindOf(err) != store.KindReadOnly || !strings.Contains(err.Error(), want) {
		t.Errorf("got %v, want it to be read-only and to say %q", err, want)
	}
	s, err = store.Open(t.Context(), path, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	captures, err := s.Captures(t.Context(), r.ID)
	if err != nil || len(captures) != 1 {
		t.Errorf("%d captures, %v; want 1", len(captures), err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

// TestReadOnlyFor lets a user without the right to write open a store: the
// file, the folder, or both may be closed to them.
func TestReadOnlyFor(t *testing.T) {
	if os.Geteuid() != 0 {
		untried(t, "only root can become another user")
	}
	for _, c := range []struct {
		name        string
		dir, file   os.FileMode
		write, read store.Kind
	}{
		{"file", 0o777, 0o444, store.KindReadOnly, store.KindUnknown},
		{"folder", 0o755, 0o666, store.KindReadOnly, store.KindUnknown},
		{"both", 0o755, 0o444, store.KindReadOnly, store.KindUnknown},
		{"not even readable", 0o777, 0o600, store.KindReadOnly, store.KindReadOnly},
	} {
		t.Run(c.name, func(t *testing.T) {
			path, _ := filled(t, 1)
			dir := filepath.Dir(path)
			for name, mode := range map[string]os.FileMode{filepath.Dir(dir): 0o755, dir: c.dir, path: c.file} {
				if err := os.Chmod(name, mode); err != nil {
					t.Fatal(err)
				}
			}
			if err := os.Remove(path + ".lock"); err != nil {
				t.Fatal(err)
			}
			for _, o := range []struct {
				readOnly string
				want     store.Kind
			}{{"no", c.write}, {"yes", c.read}} {
				cmd := exec.CommandContext(t.Context(), os.Args[0])
				cmd.Env = append(os.Environ(), "LIDDED_TEST_OPEN="+path, "LIDDED_TEST_READ_ONLY="+o.readOnly)
				out, err := cmd.CombinedOutput()
				if got := string(out); err != nil || !strings.HasPrefix(got, o.want.String()+"\n") {
					t.Errorf("read-only %s: got %q, %v; want %s", o.readOnly, got, err, o.want)
				} else if o.want == store.KindReadOnly && !strings.Contains(got, "writable for this user") {
					t.Errorf("read-only %s: %q has no cure", o.readOnly, got)
				}
			}
		})
	}
}

// openAsNobody opens the store as a user with no rights of its own, counts what
// is in it, and prints the kind of error.
func openAsNobody(path string, readOnly bool) error {
	const nobody = 65534
	if err := errors.Join(syscall.Setgroups(nil), syscall.Setgid(nobody), syscall.Setuid(nobody)); err != nil {
		return err
	}
	s, err := store.Open(context.Background(), path, store.Options{ReadOnly: readOnly})
	if err == nil {
		var list []sweep.RunInfo
		if list, err = s.Runs(context.Background(), sweep.RunFilter{}); err == nil && len(list) != 1 {
			err = fmt.Errorf("%d runs", len(list))
		}
		err = errors.Join(err, s.Close())
	}
	fmt.Printf("%s\n%v\n", store.KindOf(err), err)
	return nil
}

// TestNoRoomForAnArchive: nothing leaves the store, and nothing half is left.
func TestNoRoomForAnArchive(t *testing.T) {
	dir := mounted(t, "size=1m")
	s := openFile(t, filepath.Join(t.TempDir(), "lidded.db"), store.Options{})
	old := endedRun(t, s, 40, sweep.Completed) // about 2 MB
	endedRun(t, s, 1, sweep.Completed)
	_, err := s.Archive(t.Context(), old, dir)
	if store.KindOf(err) != store.KindFull || !strings.Contains(err.Error(), "free space on the file system of "+dir) {
		t.Errorf("got %v, want the disk to be full", err)
	}
	if left, err := filepath.Glob(filepath.Join(dir, "*")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	if err := s.Prune(t.Context(), old, asItStood); !errors.Is(err, sweep.ErrConflict) {
		t.Errorf("pruned without an archive: %v", err)
	}
	if list, err := s.Prunable(t.Context()); err != nil || len(list) != 1 {
		t.Errorf("%d runs to prune, %v", len(list), err)
	}
}

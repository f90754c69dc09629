package store_test

import (
	"context"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"lidded/store"
	"lidded/sweep"
)

// TestBackupWhileRunning makes a backup while captures are committed, puts it
// where a store is looked for, and compares.
func TestBackupWhileRunning(t *testing.T) {
	path, id := filled(t, 20)
	s := openFile(t, path, store.Options{})
	before, err := s.Captures(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	started, done := make(chan struct{}), make(chan error, 1)
	go func() {
		for i := 0; ctx.Err() == nil; i++ {
			if err := s.Commit(t.Context(), id, sweep.Checkpoint{Point: 21 + i}, benchCapture(sweep.Run{ID: id}, 20+i, true)); err != nil {
				done <- err
				return
			}
			if i == 0 {
				close(started)
			}
		}
		done <- nil
	}()
	<-started
	to := filepath.Join(t.TempDir(), "backup.db")
	err = s.Backup(t.Context(), to)
	cancel()
	if e := <-done; e != nil {
		t.Fatal(e)
	}
	if err != nil {
		t.Fatal(err)
	}
	back := openFile(t, to, store.Options{})
	if err := back.Check(t.Context()); err != nil {
		t.Fatal(err)
	}
	got, err := back.Captures(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	if len(got) <= len(before) || !reflect.DeepEqual(got[:len(before)], before) {
		t.Errorf("the backup has %d captures, want all %d of before and at least one more", len(got), len(before))
	}
	r, err := back.Run(t.Context(), id)
	if err != nil || r.Checkpoint.Point != len(got) {
		t.Errorf("checkpoint %d with %d captures, %v", r.Checkpoint.Point, len(got), err)
	}
	// A run goes on in the restored store.
	if err := back.Commit(t.Context(), id, sweep.Checkpoint{Point: len(got) + 1}, benchCapture(r, 0, true)); err != nil {
		t.Error(err)
	}
}

func TestBackupRefuses(t *testing.T) {
	path, _ := filled(t, 1)
	s := openFile(t, path, store.Options{ReadOnly: true}) // reading is enough
	to := filepath.Join(t.TempDir(), "backup.db")
	if err := s.Backup(t.Context(), to); err != nil {
		t.Fatal(err)
	}
	first, err := os.ReadFile(to)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Backup(t.Context(), to); err == nil || !strings.Contains(err.Error(), "the file exists already; name a file that does not exist") {
		t.Errorf("over an existing file: %v", err)
	}
	if now, err := os.ReadFile(to); err != nil || string(now) != string(first) {
		t.Errorf("the first backup changed: %v", err)
	}
	nowhere := filepath.Join(t.TempDir(), "none", "backup.db")
	if err := s.Backup(t.Context(), nowhere); store.KindOf(err) != store.KindNotFound {
		t.Errorf("into a folder that is not there: %v", err)
	}
}

package store_test

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"lidded/store"
	"lidded/sweep"
)

// damages are ways to lose a store, and as what opening it sees them.
var damages = []struct {
	name string
	do   func(path string, size int64) error
	kind store.Kind // zero: a new store is made
}{
	{"cut off", func(path string, size int64) error { return os.Truncate(path, size/2) }, store.KindCorrupt},
	{"empty", func(path string, _ int64) error { return os.Truncate(path, 0) }, 0},
	{"pages of zeros", func(path string, size int64) error { return overwrite(path, size/2, make([]byte, 16384)) }, store.KindCorrupt},
	{"junk", func(path string, size int64) error {
		return overwrite(path, size/2, []byte(strings.Repeat("junk", 4096)))
	}, store.KindCorrupt},
	{"no head", func(path string, _ int64) error { return overwrite(path, 0, make([]byte, 100)) }, store.KindNotDatabase},
	{"deleted", func(path string, _ int64) error { return os.Remove(path) }, 0},
}

func overwrite(path string, at int64, with []byte) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	_, err = f.WriteAt(with, at)
	return err
}

// TestRestore loses a store in several ways and has it back from a backup.
func TestRestore(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	whole, backup := filepath.Join(dir, "lidded.db"), filepath.Join(dir, "backup.db")
	s := openFile(t, whole, store.Options{})
	id := endedRun(t, s, 4, sweep.Completed)
	going := endedRun(t, s, 2, sweep.StateUnknown)
	if err := s.Backup(t.Context(), backup); err != nil {
		t.Fatal(err)
	}
	want, unfinished := everything(t, s, id), everything(t, s, going)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for _, d := range damages {
		t.Run(d.name, func(t *testing.T) {
			path := damagedCopy(t, whole, d.do)
			if d.kind != 0 {
				if _, err := store.Open(t.Context(), path, store.Options{}); store.KindOf(err) != d.kind {
					t.Errorf("opened: %v, want it to be %v", err, d.kind)
				}
				_, err := store.Restore(t.Context(), backup, path, store.Options{})
				if err == nil || !strings.Contains(err.Error(), "the file exists already; stop the daemon and move aside what is there: mv "+path+" "+path+".damaged") {
					t.Errorf("restored over the damaged file: %v", err)
				}
			}
			for _, suffix := range []string{"", "-wal", "-shm"} {
				if err := os.Rename(path+suffix, path+suffix+".damaged"); err != nil && !os.IsNotExist(err) {
					t.Fatal(err)
				}
			}
			last, err := store.Restore(t.Context(), backup, path, store.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if last.Kind != "point" || last.Run != going {
				t.Errorf("the last event before the backup is %+v", last)
			}
			s := openFile(t, path, store.Options{})
			if got := everything(t, s, id); !reflect.DeepEqual(got, want) {
				t.Error("what was restored differs")
			}
			if got := everything(t, s, going); !reflect.DeepEqual(got, unfinished) {
				t.Error("the run that went on differs")
			}
			// It goes on from its checkpoint.
			r, err := s.Run(t.Context(), going)
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Commit(t.Context(), going, sweep.Checkpoint{Point: r.Checkpoint.Point + 1}, benchCapture(r, 1, true)); err != nil {
				t.Error(err)
			}
			events, err := s.Events(t.Context(), "", 0, 0)
			if err != nil || !containsEvent(events, "restore", "restored from "+backup+", SHA-256 ") {
				t.Errorf("no event says so, %v", err)
			}
		})
	}
}

// damagedCopy makes a copy of a closed store and damages it.
func damagedCopy(t *testing.T, whole string, damage func(path string, size int64) error) (path string) {
	t.Helper()
	data, err := os.ReadFile(whole)
	if err != nil {
		t.Fatal(err)
	}
	path = filepath.Join(t.TempDir(), "lidded.db")
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := damage(path, int64(len(data))); err != nil {
		t.Fatal(err)
	}
	return path
}

func containsEvent(list []sweep.Event, kind, text string) bool {
	for _, e := range list {
		if e.Kind == kind && strings.HasPrefix(e.Text, text) {
			return true
		}
	}
	return false
}

func TestRestoreRefuses(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path, backup := filepath.Join(dir, "lidded.db"), filepath.Join(dir, "backup.db")
	s := openFile(t, path, store.Options{})
	endedRun(t, s, 2, sweep.Completed)
	if err := s.Backup(t.Context(), backup); err != nil {
		t.Fatal(err)
	}
	to := filepath.Join(dir, "new.db")
	refused := func(from, to string, kind store.Kind, says string) {
		t.Helper()
		_, err := store.Restore(t.Context(), from, to, store.Options{})
		if err == nil || store.KindOf(err) != kind || !strings.Contains(err.Error(), says) {
			t.Errorf("%s to %s: %v, want %v: %q", from, to, err, kind, says)
		}
		if _, err := os.Stat(filepath.Join(dir, "new.db")); err == nil {
			t.Error("something was made")
		}
	}
	refused(filepath.Join(dir, "none.db"), to, store.KindNotFound, "no such file")
	refused(backup, path, store.KindUnknown, "the file exists already")
	// A daemon that still has the deleted file open.
	for _, suffix := range []string{"", "-wal", "-shm"} {
		if err := os.Rename(path+suffix, path+suffix+".gone"); err != nil {
			t.Fatal(err)
		}
	}
	refused(backup, path, store.KindLocked, fmt.Sprintf("process %d is running on this store; stop it first", os.Getpid()))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	// A log that is left would be played into the new file.
	if err := os.WriteFile(path+"-wal", []byte("log"), 0o600); err != nil {
		t.Fatal(err)
	}
	refused(backup, path, store.KindUnknown, path+"-wal: restore: the file exists already")
	if _, err := store.Open(t.Context(), path, store.Options{}); store.KindOf(err) != store.KindCorrupt || !strings.Contains(err.Error(), "the database is gone, its log is still there") {
		t.Errorf("opened beside a log: %v", err)
	}
	// Backups that are none.
	whole, err := os.ReadFile(backup)
	if err != nil {
		t.Fatal(err)
	}
	if err := overwrite(backup, int64(len(whole))/2, make([]byte, 8192)); err != nil {
		t.Fatal(err)
	}
	refused(backup, to, store.KindCorrupt, "backup.db.sha256 says")
	if err := os.Remove(backup + ".sha256"); err != nil {
		t.Fatal(err)
	}
	refused(backup, to, store.KindCorrupt, "; take another backup")
	late := filepath.Join(dir, "late.db")
	newer(t, late)
	refused(late, to, store.KindNewer, "version 99")
	text := filepath.Join(dir, "levels.csv")
	if err := os.WriteFile(text, []byte("freq_hz,level_dbm\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	refused(text, to, store.KindNotDatabase, "not an SQLite database")
}

// TestSalvage damages a store in the middle and saves what can be read.
func TestSalvage(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	whole := filepath.Join(dir, "lidded.db")
	s := openFile(t, whole, store.Options{})
	pruned := endedRun(t, s, 2, sweep.Completed)
	first := endedRun(t, s, 12, sweep.Completed)
	if _, err := s.Archive(t.Context(), pruned, dir); err != nil {
		t.Fatal(err)
	}
	if err := s.Prune(t.Context(), pruned, asItStood); err != nil {
		t.Fatal(err)
	}
	want, err := s.Captures(t.Context(), first)
	if err != nil {
		t.Fatal(err)
	}
	gone := everything(t, s, pruned)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for _, d := range damages {
		t.Run(d.name, func(t *testing.T) {
			path := damagedCopy(t, whole, d.do)
			to := filepath.Join(filepath.Dir(path), "new.db")
			before, _ := os.ReadFile(path)
			counts, err := store.Salvage(t.Context(), path, to, store.Options{})
			if after, _ := os.ReadFile(path); string(after) != string(before) {
				t.Error("the damaged file was changed")
			}
			if d.kind != store.KindCorrupt {
				if err == nil {
					t.Errorf("salvaged %v of nothing", counts)
				}
				if _, err := os.Stat(to); err == nil {
					t.Error("something was made of nothing")
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			s := openFile(t, to, store.Options{})
			if err := s.Check(t.Context()); err != nil {
				t.Fatal(err)
			}
			var lost int64
			for _, c := range counts {
				lost += c.Lost
			}
			got, err := s.Captures(t.Context(), first)
			if err != nil {
				t.Fatal(err)
			}
			looks := 0
			for i, c := range got {
				have := map[time.Time]bool{}
				for _, l := range c.Looks {
					have[l.Trace.Begun] = true
					looks++
					found := false
					for _, w := range want[c.Seq-1].Looks {
						found = found || reflect.DeepEqual(w, l)
					}
					if !found {
						t.Errorf("capture %d has a look that it never had", i)
					}
				}
			}
			if lost == 0 || looks == 72 || looks < 20 {
				t.Errorf("%d rows lost, %d looks of 72 saved; %v", lost, looks, counts)
			}
			if now := everything(t, s, pruned); !reflect.DeepEqual(now, gone) {
				t.Error("the pruned run differs")
			}
			events, err := s.Events(t.Context(), "", 0, 0)
			if err != nil || !containsEvent(events, "salvage", "salvaged from "+path+", not read: ") {
				t.Errorf("no event says so, %v", err)
			}
		})
	}
}

package store_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lidded/store"
	"lidded/sweep"
)

func openFile(t testing.TB, path string, o store.Options) *store.Store {
	t.Helper()
	s, err := store.Open(context.Background(), path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// filled makes a store with one run of so many captures and closes it.
func filled(t testing.TB, captures int) (path string, run sweep.RunID) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "lidded.db")
	s := openFile(t, path, store.Options{})
	r := benchRun(captures)
	if err := s.Create(t.Context(), r); err != nil {
		t.Fatal(err)
	}
	for i := range captures {
		if err := s.Commit(t.Context(), r.ID, sweep.Checkpoint{Point: i + 1}, benchCapture(r, i, true)); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return path, r.ID
}

// TestEveryConnectionIsSafe asks each connection of both pools for its pragmas.
func TestEveryConnectionIsSafe(t *testing.T) {
	s := openFile(t, filepath.Join(t.TempDir(), "a b?c#d%e.db"), store.Options{})
	w, r := s.Pools()
	ask := func(db *sql.DB, connections int, want map[string]string) {
		for range connections {
			c, err := db.Conn(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close() // held, so that the next is another one
			for pragma, value := range want {
				var got string
				if err := c.QueryRowContext(t.Context(), "PRAGMA "+pragma).Scan(&got); err != nil || got != value {
					t.Errorf("%s is %q (%v), want %q", pragma, got, err, value)
				}
			}
		}
	}
	ask(w, 1, map[string]string{"journal_mode": "wal", "synchronous": "2", "foreign_keys": "1", "busy_timeout": "10000", "recursive_triggers": "1"})
	ask(r, 4, map[string]string{"journal_mode": "wal", "foreign_keys": "1", "busy_timeout": "10000"})
	if _, err := r.Exec(`DELETE FROM runs`); err == nil {
		t.Error("a reading connection could write")
	}
}

// TestOpenRefuses is the table of what cannot be opened, with the messages.
func TestOpenRefuses(t *testing.T) {
	write := func(t *testing.T, path, content string) {
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		name     string
		prepare  func(t *testing.T, path string) // makes what stands at path
		readOnly bool
		kind     store.Kind
		says     string // "FILE" and "DIR" stand for the path and its folder
	}{
		{"a folder that is not there", func(t *testing.T, path string) { os.Remove(filepath.Dir(path)) }, false, store.KindNotFound,
			"FILE: open: not found: lstat DIR: no such file or directory; check the path, or make the folder: mkdir -p DIR"},
		{"nothing to read", func(*testing.T, string) {}, true, store.KindNotFound,
			"FILE: open: not found: open FILE: no such file or directory; check the path, or make the folder: mkdir -p DIR"},
		{"a text file", func(t *testing.T, path string) { write(t, path, "freq_hz,level_dbm\n30e6,-40\n") }, false, store.KindNotDatabase,
			"FILE: open: not a database: the file is not an SQLite database; name another file, or move this one aside"},
		{"a short file", func(t *testing.T, path string) { write(t, path, "SQLite") }, true, store.KindNotDatabase,
			"FILE: open: not a database: the file is not an SQLite database; name another file, or move this one aside"},
		{"a folder", func(t *testing.T, path string) { os.Mkdir(path, 0o700) }, false, store.KindNotDatabase,
			"FILE: open: not a database: it is a folder; name a file in it"},
		{"another program's database", func(t *testing.T, path string) {
			if _, err := raw(t, path).Exec(`CREATE TABLE songs (title TEXT)`); err != nil {
				t.Fatal(err)
			}
		}, false, store.KindNotDatabase,
			"FILE: open: not a database: the database belongs to another program; name another file, or move this one aside"},
		{"a newer version", newer, false, store.KindNewer,
			"FILE: open: newer version: the database has version 99, this program knows versions up to 3; use the newer program that made it, or put the backup from before the update in its place"},
		{"a newer version, to read", newer, true, store.KindNewer,
			"FILE: open: newer version: the database has version 99, this program knows versions up to 3; use the newer program that made it, or put the backup from before the update in its place"},
		{"not migrated yet, to read", func(t *testing.T, path string) { write(t, path, "") }, true, store.KindOlder,
			"FILE: open: older version: the database has version 0, this program needs version 3; start the daemon on it once: it brings the database up to date"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "d", "lidded.db")
			if err := os.Mkdir(filepath.Dir(path), 0o700); err != nil {
				t.Fatal(err)
			}
			c.prepare(t, path)
			before, _ := os.ReadFile(path)
			s, err := store.Open(t.Context(), path, store.Options{ReadOnly: c.readOnly})
			if err == nil {
				s.Close()
				t.Fatal("opened")
			}
			want := strings.NewReplacer("FILE", path, "DIR", filepath.Dir(path)).Replace(c.says)
			if err.Error() != want || store.KindOf(err) != c.kind {
				t.Errorf("got  %v (%v)\nwant %v (%v)", err, store.KindOf(err), want, c.kind)
			}
			if after, _ := os.ReadFile(path); string(after) != string(before) {
				t.Error("the file was changed")
			}
		})
	}
}

func newer(t *testing.T, path string) {
	openFile(t, path, store.Options{}).Close()
	if _, err := raw(t, path).Exec(`INSERT INTO goose_db_version (version_id, is_applied) VALUES (99, 1)`); err != nil {
		t.Fatal(err)
	}
}

// TestDamage overwrites pages in the middle of the file.
func TestDamage(t *testing.T) {
	path, _ := filled(t, 5)
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	st, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	junk := []byte(strings.Repeat("junk", 4096))
	if _, err := f.WriteAt(junk, st.Size()/2); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	_, err = store.Open(t.Context(), path, store.Options{})
	if store.KindOf(err) != store.KindCorrupt {
		t.Fatalf("got %v, want it to be corrupt", err)
	}
	for _, word := range []string{path, "newest backup", "lidded restore BACKUP --to " + path, "lidded doctor --salvage"} {
		if !strings.Contains(err.Error(), word) {
			t.Errorf("%q does not say %q", err, word)
		}
	}
	// For reading it opens without the check; the check finds it then.
	s := openFile(t, path, store.Options{ReadOnly: true})
	if err := s.Check(t.Context()); store.KindOf(err) != store.KindCorrupt {
		t.Errorf("check: got %v, want it to be corrupt", err)
	}
}

// TestTruncated cuts the file off, as a bad copy does.
func TestTruncated(t *testing.T) {
	path, _ := filled(t, 2)
	if err := os.Truncate(path, 40960); err != nil {
		t.Fatal(err)
	}
	_, err := store.Open(t.Context(), path, store.Options{})
	if store.KindOf(err) != store.KindCorrupt {
		t.Errorf("got %v, want it to be corrupt", err)
	}
}

func TestOneWriter(t *testing.T) {
	path, id := filled(t, 1)
	first := openFile(t, path, store.Options{})
	link := filepath.Join(t.TempDir(), "other-name.db")
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{path, link} {
		_, err := store.Open(t.Context(), name, store.Options{})
		want := fmt.Sprintf("%s: lock: in use: process %d is running on this store; stop it first, or give each bench's daemon a store of its own; lists, exports and reports can be read meanwhile", path, os.Getpid())
		if err == nil || err.Error() != want || store.KindOf(err) != store.KindLocked {
			t.Errorf("got  %v\nwant %s", err, want)
		}
	}
	// Reading is allowed beside it, and sees what is written meanwhile.
	reader := openFile(t, path, store.Options{ReadOnly: true})
	if err := first.Commit(t.Context(), id, sweep.Checkpoint{Point: 2}, benchCapture(sweep.Run{ID: id}, 1, false)); err != nil {
		t.Fatal(err)
	}
	captures, err := reader.Captures(t.Context(), id)
	if err != nil || len(captures) != 2 {
		t.Errorf("read %d captures, %v; want 2", len(captures), err)
	}
	err = reader.Transition(t.Context(), id, time.Now(), sweep.Aborted, "", "")
	if store.KindOf(err) != store.KindReadOnly || !strings.Contains(err.Error(), "opened for reading only") {
		t.Errorf("a write through the reader: %v", err)
	}
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	if err := openFile(t, path, store.Options{}).Close(); err != nil {
		t.Errorf("after the first let go: %v", err)
	}
}

func TestClosed(t *testing.T) {
	path, id := filled(t, 1)
	s := openFile(t, path, store.Options{})
	for range 2 {
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	_, readErr := s.Run(t.Context(), id)
	for _, err := range []error{readErr, s.Note(t.Context(), sweep.Event{}), s.Check(t.Context()), s.Backup(t.Context(), path+".bak")} {
		if store.KindOf(err) != store.KindClosed {
			t.Errorf("got %v, want it to be closed", err)
		}
	}
}

func TestCancelled(t *testing.T) {
	path, id := filled(t, 1)
	s := openFile(t, path, store.Options{})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, readErr := s.Run(ctx, id)
	for _, err := range []error{readErr, s.Note(ctx, sweep.Event{}), s.Check(ctx), s.Backup(ctx, path+".bak")} {
		if !errors.Is(err, context.Canceled) {
			t.Errorf("got %v, want %v", err, context.Canceled)
		}
	}
	if left, err := filepath.Glob(path + ".bak*"); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

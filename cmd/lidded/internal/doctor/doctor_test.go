package doctor_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/google/uuid"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/doctor"
	"lidded/cmd/lidded/internal/rest"
	"lidded/driver"
	"lidded/driver/unit"
	"lidded/store"
	"lidded/sweep"
)

const bench = `daemon: {listen: "127.0.0.1:7460", store: %q}
benches:
  - name: depot
    analyzer: {address: %q, dialect: analyzer-opc}
    source: {address: %q, dialect: source-scpi, max_level: 0 dBm}
`

var errNone = errors.New("none there")

func absent(context.Context, string, any) error { return errNone }

// present is a daemon that tells of these benches.
func present(benches ...rest.Bench) doctor.Daemon {
	return func(_ context.Context, path string, out any) error {
		var v any = rest.Health{Status: "alive", Version: "1.2.3"}
		if path == "/v1/benches" {
			v = map[string]any{"benches": benches}
		}
		b, err := json.Marshal(v)
		if err != nil {
			return err
		}
		return json.Unmarshal(b, out)
	}
}

func examine(t *testing.T, ask doctor.Daemon, storePath, analyzer, source string) []doctor.Finding {
	t.Helper()
	cfg, err := config.Parse("lidded.yaml", fmt.Appendf(nil, bench, storePath, analyzer, source), nil)
	if err != nil {
		t.Fatal(err)
	}
	return doctor.Examine(t.Context(), doctor.Case{Config: cfg, Ask: ask, Path: "lidded.yaml"})
}

// want checks that a finding is there; a fault must say what to do.
func want(t *testing.T, found []doctor.Finding, about string, state doctor.State, says, do string) {
	t.Helper()
	for _, f := range found {
		if f.About == about && f.State == state && strings.Contains(f.Found, says) && strings.Contains(f.Do, do) {
			return
		}
	}
	t.Errorf("no %v %q that says %q and to do %q in", state, about, says, do)
	for _, f := range found {
		t.Logf("%v %s: %s -> %s", f.State, f.About, f.Found, f.Do)
	}
}

// listener takes connections until the test ends.
func listener(t *testing.T) string {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			c.Close()
		}
	}()
	t.Cleanup(func() { ln.Close(); <-done })
	return ln.Addr().String()
}

// refusing is an address that nobody listens on.
func refusing(t *testing.T) string {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}

func TestNothingRuns(t *testing.T) {
	dir := t.TempDir()
	found := examine(t, absent, filepath.Join(dir, "lidded.db"), "tcp://"+refusing(t), "tcp://"+listener(t))
	want(t, found, "config", doctor.Well, "1 benches", "")
	want(t, found, "daemon", doctor.Note, "none answers at http://127.0.0.1:7460", "lidded serve -c lidded.yaml")
	want(t, found, "store", doctor.Note, "is not there yet", "")
	want(t, found, "depot/analyzer", doctor.Fault, "refuses connections", "remote socket")
	want(t, found, "depot/source", doctor.Well, "takes connections", "")
	for _, f := range found {
		if f.State == doctor.Fault && f.Do == "" {
			t.Errorf("%s: a fault without what to do", f.About)
		}
	}
}

func TestStore(t *testing.T) {
	dir := t.TempDir()
	missing := filepath.Join(dir, "not", "there", "lidded.db")
	want(t, examine(t, absent, missing, "tcp://127.0.0.1:1", "tcp://127.0.0.1:2"), "store", doctor.Fault, "cannot be written", "make the folder")

	other := filepath.Join(dir, "other.db")
	if err := os.WriteFile(other, []byte("a diary, and no database at all"), 0o600); err != nil {
		t.Fatal(err)
	}
	want(t, examine(t, absent, other, "tcp://127.0.0.1:1", "tcp://127.0.0.1:2"), "store", doctor.Fault, "not an SQLite database", "")
}

// TestStoreLost: each way to lose a store is told, with the way back.
func TestStoreLost(t *testing.T) {
	for name, lose := range map[string]func(path string, size int64) error{
		"deleted": func(path string, _ int64) error { return os.Remove(path) },
		"cut off": func(path string, size int64) error { return os.Truncate(path, size/2) },
		"zeros in it": func(path string, size int64) error {
			f, err := os.OpenFile(path, os.O_RDWR, 0)
			if err != nil {
				return err
			}
			_, err = f.WriteAt(make([]byte, 8192), size/2)
			return errors.Join(err, f.Close())
		},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "lidded.db")
			s, err := store.Open(t.Context(), path, store.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			st, err := os.Stat(path)
			if err != nil {
				t.Fatal(err)
			}
			if err := lose(path, st.Size()); err != nil {
				t.Fatal(err)
			}
			want(t, examine(t, absent, path, "tcp://127.0.0.1:1", "tcp://127.0.0.1:2"), "store", doctor.Fault, "", "lidded restore BACKUP --to "+path)
		})
	}
}

// TestKeep: archives that are away, their folder, a store above its rule.
func TestKeep(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "lidded.db")
	s, err := store.Open(t.Context(), path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var ids []sweep.RunID
	for range 2 {
		id := sweep.RunID(uuid.Must(uuid.NewV7()).String())
		ids = append(ids, id)
		c := sweep.Capture{Kind: sweep.Enclosed, At: sweep.Setting{Specimen: "heron"}}
		for range 80 {
			c.Looks = append(c.Looks, sweep.Look{Trace: driver.Trace{Levels: make([]unit.DBm, 10001)}})
		}
		err := errors.Join(
			s.Create(t.Context(), sweep.Run{ID: id, Bench: sweep.Bench{Name: "depot"}, Plan: sweep.Plan{Name: "night"}, Specimens: []sweep.Specimen{{Name: "heron"}}, State: sweep.Pending}),
			s.Commit(t.Context(), id, sweep.Checkpoint{}, c), s.Transition(t.Context(), id, time.Now(), sweep.Completed, "", ""))
		if err != nil {
			t.Fatal(err)
		}
	}
	look := func(keep string) []doctor.Finding {
		t.Helper()
		text := strings.Replace(fmt.Sprintf(bench, path, "tcp://127.0.0.1:1", "tcp://127.0.0.1:2"), "daemon: {", "daemon: {keep: {"+keep+"}, ", 1)
		cfg, err := config.Parse("lidded.yaml", []byte(text), nil)
		if err != nil {
			t.Fatal(err)
		}
		return doctor.Examine(t.Context(), doctor.Case{Config: cfg, Ask: absent, Path: "lidded.yaml"})
	}
	want(t, look("largest: 1 MB, archive: "+filepath.Join(dir, "none")), "archives", doctor.Fault, "nothing can leave the store", "mount its disk")
	want(t, look("largest: 1 MB, archive: "+dir), "store", doctor.Note, "keep.largest is 1 MB", "allow more")
	a, err := s.Archive(t.Context(), ids[0], dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Prune(t.Context(), ids[0], store.Pruned{Rule: "by hand", Evaluation: json.RawMessage("{}")}); err != nil {
		t.Fatal(err)
	}
	want(t, look("largest: 1 GB, archive: "+dir), "archives", doctor.Well, "the traces of 1 runs lie in archive files, all there", "")
	if err := os.Remove(a.Path); err != nil {
		t.Fatal(err)
	}
	want(t, look("largest: 1 GB, archive: "+dir), "archives", doctor.Note, "the traces of 1 of 1 runs are not to be found, first of run "+string(ids[0])+": "+a.Path, "put the files back")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestLeftOver: a daemon that went away while its source was on.
func TestLeftOver(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lidded.db")
	ctx := t.Context()
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	now := time.Now()
	id := sweep.RunID(uuid.Must(uuid.NewV7()).String())
	steps := []error{
		s.Create(ctx, sweep.Run{ID: id, Bench: sweep.Bench{Name: "depot"}, Plan: sweep.Plan{Name: "night"}, Created: now, State: sweep.Pending}),
		s.Transition(ctx, id, now, sweep.Running, "", ""),
	}
	_, err = s.KeyOn(ctx, sweep.Keying{Run: id, Freq: 433.92e6, Level: -10, On: now})
	if err := errors.Join(append(steps, err)...); err != nil {
		t.Fatal(err)
	}
	found := examine(t, absent, path, "tcp://127.0.0.1:1", "tcp://127.0.0.1:2")
	want(t, found, "store", doctor.Well, "is sound", "")
	want(t, found, "store lock", doctor.Fault, fmt.Sprintf("process %d", os.Getpid()), "kill")
	want(t, found, "run "+string(id), doctor.Note, "was running when its daemon went away", "lidded resume")
	want(t, found, "ledger", doctor.Fault, "433.92 MHz, has no end", "lidded off")
	want(t, examine(t, present(), path, "tcp://127.0.0.1:1", "tcp://127.0.0.1:2"), "store lock", doctor.Well, "held by", "")

	if err := s.Transition(ctx, id, now, sweep.Interrupted, "the daemon was killed", ""); err != nil {
		t.Fatal(err)
	}
	want(t, examine(t, present(), path, "tcp://127.0.0.1:1", "tcp://127.0.0.1:2"), "run "+string(id), doctor.Note, "the daemon was killed", "lidded abort")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for _, f := range examine(t, absent, path, "tcp://127.0.0.1:1", "tcp://127.0.0.1:2") {
		if f.About == "store lock" {
			t.Errorf("the lock was let go, but %s", f.Found)
		}
	}
}

func TestDaemonTells(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lidded.db")
	up, on := rest.Instrument{Up: true, Identity: &rest.Identity{Maker: "Alder", Model: "A1", Serial: "7"}}, true
	down := rest.Instrument{Fault: "the link was lost"}
	ask := func(b rest.Bench) []doctor.Finding {
		return examine(t, present(b), path, "tcp://"+refusing(t), "tcp://"+refusing(t))
	}
	found := ask(rest.Bench{Name: "depot", State: "idle", SourceOn: new(bool), Analyzer: up, Source: up})
	want(t, found, "daemon", doctor.Well, "version 1.2.3", "")
	want(t, found, "depot/analyzer", doctor.Well, "Alder A1, serial 7", "")
	want(t, found, "bench depot", doctor.Well, "source off", "")
	found = ask(rest.Bench{Name: "depot", State: "idle", Analyzer: down, Source: down})
	want(t, found, "depot/source", doctor.Fault, "the link was lost", "bench view")
	want(t, found, "depot/source", doctor.Fault, "refuses connections", "")
	want(t, found, "bench depot", doctor.Fault, "not known", "at the source itself")
	want(t, found[3:], "bench depot", doctor.Fault, "not known", "")
	want(t, ask(rest.Bench{Name: "depot", SourceOn: &on, Analyzer: up, Source: up}), "bench depot", doctor.Fault, "on without a run", "lidded off")
	want(t, ask(rest.Bench{Name: "boathouse"}), "bench depot", doctor.Fault, "does not know it", "restart")
}

func TestSerial(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "lidded.db")
	plain := filepath.Join(dir, "plain")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	found := examine(t, absent, path, "serial://"+filepath.Join(dir, "none")+"?baud=9600", "serial://"+plain+"?baud=9600")
	want(t, found, "depot/analyzer", doctor.Fault, "is not there", "/dev/serial/by-id")
	want(t, found, "depot/source", doctor.Fault, "is no serial device", "")
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer slave.Close()
	want(t, examine(t, absent, path, "serial://"+slave.Name()+"?baud=9600", "tcp://127.0.0.1:1"), "depot/analyzer", doctor.Well, "is there", "")
}

// TestConnections: the kernel's own table names a connection of ours.
func TestConnections(t *testing.T) {
	for _, host := range []string{"127.0.0.1", "::1"} {
		t.Run(host, func(t *testing.T) {
			ln, err := net.Listen("tcp", net.JoinHostPort(host, "0"))
			if err != nil {
				t.Skip("no such address here: ", err)
			}
			defer ln.Close()
			c, err := net.Dial("tcp", ln.Addr().String())
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close()
			name := "/proc/net/tcp"
			if strings.Contains(host, ":") {
				name += "6"
			}
			table, err := os.ReadFile(name)
			if err != nil {
				t.Skip("no such table here: ", err)
			}
			at := ln.Addr().(*net.TCPAddr)
			if got := doctor.Connections(string(table), []net.IP{at.IP}, at.Port); len(got) != 1 {
				t.Errorf("%d connections to %v", len(got), at)
			}
			if got := doctor.Connections(string(table), []net.IP{net.IPv4(192, 0, 2, 1)}, at.Port); len(got) != 0 {
				t.Errorf("%d connections to another address", len(got))
			}
		})
	}
}

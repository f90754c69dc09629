package guardian_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/guardian"
)

// TestMain lets the test binary be a guardian's process, whose source is a file
// that it writes a line into.
func TestMain(m *testing.M) {
	if len(os.Args) == 2 && os.Args[1] == "stand-by" {
		err := guardian.Serve(context.Background(), os.Stdin, os.Stdout, guardian.Means{
			Source: func(j guardian.Job) (func(context.Context) error, error) {
				if j.Dialect == "" {
					return nil, fmt.Errorf("unknown dialect\n%q", j.Dialect)
				}
				return func(context.Context) error {
					return os.WriteFile(j.Address, []byte("safe\n"), 0o600)
				}, nil
			},
			Logger: func(guardian.Job) *zap.Logger { return zap.NewNop() },
		})
		if err != nil {
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

func options(t *testing.T) guardian.Options {
	t.Helper()
	dir := t.TempDir()
	return guardian.Options{
		Command: []string{os.Args[0], "stand-by"},
		Job:     guardian.Job{Bench: "depot", Address: filepath.Join(dir, "source"), Dialect: "d", Lock: filepath.Join(dir, "lock"), Timing: guardian.Timing{Lock: 100 * time.Millisecond}},
	}
}

func start(t *testing.T, o guardian.Options) *guardian.Guardian {
	t.Helper()
	g := guardian.New(o)
	if err := g.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		g.Off()
		if err := g.Close(); err != nil {
			t.Error(err)
		}
	})
	return g
}

func touched(o guardian.Options) bool {
	_, err := os.Stat(o.Job.Address)
	return err == nil
}

func TestAWholeRunWithTheProcess(t *testing.T) {
	o := options(t)
	g := start(t, o)
	g.Off()
	for range 50 {
		if err := g.Keying(t.Context(), time.Minute); err != nil {
			t.Fatal(err)
		}
		g.Off()
	}
	pid := g.Process()
	if !g.StandsBy() {
		t.Error("it does not stand by")
	}
	if err := g.Close(); err != nil {
		t.Fatal(err)
	}
	if g.StandsBy() {
		t.Error("it stands by after its end")
	}
	if err := syscall.Kill(pid, 0); err == nil {
		t.Error("the process is still there")
	}
	if touched(o) {
		t.Error("it touched the source")
	}
	if err := g.Keying(t.Context(), time.Minute); err == nil {
		t.Error("keying without a guardian is allowed")
	}
}

// What ends a daemon must not end its guardian with it.
func TestSignalsDoNotEndIt(t *testing.T) {
	g := start(t, options(t))
	pid := g.Process()
	if sid, err := syscall.Getpgid(pid); err != nil || sid != pid {
		t.Errorf("it is in process group %d, want its own", sid)
	}
	for _, s := range []syscall.Signal{syscall.SIGTERM, syscall.SIGINT, syscall.SIGHUP, syscall.SIGPIPE, syscall.SIGQUIT, syscall.SIGUSR1} {
		if err := syscall.Kill(pid, s); err != nil {
			t.Fatal(err)
		}
		if err := g.Keying(t.Context(), time.Minute); err != nil {
			t.Fatalf("after %v: %v", s, err)
		}
	}
	if g.Process() != pid {
		t.Error("it was replaced")
	}
}

// A process that was killed, or hangs, is replaced before anything is keyed.
func TestAProcessThatIsOfNoUseIsReplaced(t *testing.T) {
	for _, s := range []syscall.Signal{syscall.SIGKILL, syscall.SIGSTOP} {
		t.Run(s.String(), func(t *testing.T) {
			t.Parallel()
			g := start(t, options(t))
			pid := g.Process()
			if err := syscall.Kill(pid, s); err != nil {
				t.Fatal(err)
			}
			for s == syscall.SIGSTOP && stateOf(t, pid) != "T" { // each of its threads has to stop
				runtime.Gosched()
			}
			if err := g.Keying(t.Context(), time.Minute); err != nil {
				t.Fatal(err)
			}
			if g.Process() == pid {
				t.Error("the same process answers")
			}
		})
	}
}

func TestOneGuardianForASource(t *testing.T) {
	o := options(t)
	first := start(t, o)
	err := guardian.New(o).Start(t.Context())
	want := fmt.Sprintf("guardian: the source at %s is guarded for another daemon (process %d): one daemon at a time may use a source; stop the other first", o.Job.Address, first.Process())
	if err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
	if err := first.Keying(t.Context(), time.Minute); err != nil {
		t.Errorf("the first was disturbed: %v", err)
	}
}

func TestStartSaysWhatIsWrong(t *testing.T) {
	o := options(t)
	o.Job.Dialect = ""
	if err := guardian.New(o).Start(t.Context()); err == nil || err.Error() != `guardian: unknown dialect ""` {
		t.Error(err)
	}
	o = options(t)
	o.Command = []string{"/bin/true"}
	if err := guardian.New(o).Start(t.Context()); err == nil || !strings.Contains(err.Error(), "guardian: ") {
		t.Error(err)
	}
	t.Setenv("LIDDED_GUARDIAN", "1")
	if err := guardian.New(options(t)).Start(t.Context()); err == nil || !strings.Contains(err.Error(), "a guardian does not start another") {
		t.Error(err)
	}
}

// The daemon's end with the source on leaves the process to switch it off.
func TestCloseWithTheSourceOn(t *testing.T) {
	o := options(t)
	g := guardian.New(o)
	if err := g.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := g.Keying(t.Context(), time.Minute); err != nil {
		t.Fatal(err)
	}
	pid := g.Process()
	if err := g.Close(); err != nil {
		t.Fatal(err)
	}
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.Now().Add(10 * time.Second); syscall.Kill(pid, 0) == nil; <-tick.C {
		if time.Now().After(deadline) {
			t.Fatal("the process does not end")
		}
	}
	if !touched(o) {
		t.Error("the source was not made safe")
	}
}

// stateOf is the state of a process as the kernel gives it, such as T for
// stopped.
func stateOf(t *testing.T, pid int) string {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		t.Fatal(err)
	}
	_, after, _ := strings.Cut(string(text), ") ")
	return after[:1]
}

// A process that was killed is replaced at once, asked for or not, and the new one
// knows what the one before knew.
func TestTheNextKnowsWhatTheOneBeforeKnew(t *testing.T) {
	for _, c := range []struct {
		name string
		tell func(*guardian.Guardian)
		want bool // the source is made safe at the daemon's end
	}{
		{"keyed", func(g *guardian.Guardian) {}, true},
		{"keyed and off", (*guardian.Guardian).Off, false},
		{"off and keyed again", func(g *guardian.Guardian) {
			g.Off()
			if err := g.Keying(context.Background(), time.Minute); err != nil {
				panic(err)
			}
		}, true},
		{"off and lost again", func(g *guardian.Guardian) { g.Off(); g.Lost() }, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			o := options(t)
			o.Job.Timing.Grace = time.Hour
			g := guardian.New(o)
			if err := g.Start(t.Context()); err != nil {
				t.Fatal(err)
			}
			if err := g.Keying(t.Context(), time.Minute); err != nil {
				t.Fatal(err)
			}
			c.tell(g)
			pid := g.Process()
			if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
				t.Fatal(err)
			}
			tick := time.NewTicker(5 * time.Millisecond)
			defer tick.Stop()
			for deadline := time.Now().Add(time.Minute); g.Process() == pid || !g.StandsBy(); <-tick.C {
				if time.Now().After(deadline) {
					t.Fatal("it is not replaced")
				}
			}
			pid = g.Process()
			if err := g.Close(); err != nil {
				t.Fatal(err)
			}
			for deadline := time.Now().Add(time.Minute); syscall.Kill(pid, 0) == nil; <-tick.C {
				if time.Now().After(deadline) {
					t.Fatal("the process does not end")
				}
			}
			if touched(o) != c.want {
				t.Errorf("made safe: %v, want %v", touched(o), c.want)
			}
		})
	}
}

package store_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"testing"

	"lidded/store"
	"lidded/sweep"
)

// commitForever commits two captures at a time and says so after each commit.
func commitForever(path string, id sweep.RunID) error {
	ctx := context.Background()
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		return err
	}
	r, err := s.Run(ctx, id)
	if err != nil {
		return err
	}
	for point := r.Checkpoint.Point; ; point++ {
		if err := s.Commit(ctx, id, sweep.Checkpoint{Point: point + 1}, benchCapture(r, point, true), benchCapture(r, point, false)); err != nil {
			return err
		}
		fmt.Println(point + 1)
	}
}

// TestKilled kills a process with SIGKILL while it commits, several times over:
// what it said it committed is there, every commit is whole, and the next one
// goes on from the checkpoint.
func TestKilled(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lidded.db")
	s := openFile(t, path, store.Options{})
	r := benchRun(3)
	if err := s.Create(t.Context(), r); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	said := 0
	for kill := range 8 {
		cmd := exec.CommandContext(t.Context(), os.Args[0])
		cmd.Env = append(os.Environ(), "LIDDED_TEST_COMMIT="+path, "LIDDED_TEST_RUN="+string(r.ID))
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for n := 0; lines.Scan(); n++ {
			var point int
			if _, err := fmt.Sscan(lines.Text(), &point); err != nil || point != said+1 {
				t.Fatalf("kill %d: it went on with %q after %d", kill, lines.Text(), said)
			}
			said = point
			if n == kill {
				if err := cmd.Process.Kill(); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := cmd.Wait(); err == nil {
			t.Fatal("the process ended by itself")
		}
		s := openFile(t, path, store.Options{})
		if err := s.Check(t.Context()); err != nil {
			t.Fatal(err)
		}
		captures, err := s.Captures(t.Context(), r.ID)
		if err != nil {
			t.Fatal(err)
		}
		now, err := s.Run(t.Context(), r.ID)
		if err != nil {
			t.Fatal(err)
		}
		// One more may have been committed that it could not tell any more.
		if now.Checkpoint.Point < said || now.Checkpoint.Point > said+1 || len(captures) != 2*now.Checkpoint.Point {
			t.Fatalf("kill %d: it said %d, the checkpoint is %d with %d captures", kill, said, now.Checkpoint.Point, len(captures))
		}
		for i, c := range captures {
			if c.Seq != i+1 || c.Point != i/2 || len(c.Looks) != 6 || len(c.Looks[5].Trace.Levels) != 1001 {
				t.Fatalf("kill %d: capture %d is %d of point %d with %d looks", kill, i+1, c.Seq, c.Point, len(c.Looks))
			}
		}
		said = now.Checkpoint.Point
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// pruneAll lets the traces of every run go that may, and says so at each step.
func pruneAll(path string) error {
	ctx := context.Background()
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		return err
	}
	list, err := s.Prunable(ctx)
	if err != nil {
		return err
	}
	for _, c := range list {
		fmt.Println("archive")
		if _, err := s.Archive(ctx, c.Run.ID, filepath.Dir(path)); err != nil {
			return err
		}
		fmt.Println("prune")
		if err := s.Prune(ctx, c.Run.ID, asItStood); err != nil {
			return err
		}
		fmt.Println("shrink")
		if err := s.Shrink(ctx); err != nil {
			return err
		}
	}
	return s.Close()
}

// TestKilledWhilePruning kills a process with SIGKILL while it lets traces go, at
// each of its steps: every trace can still be read, and the next one finishes.
func TestKilledWhilePruning(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "lidded.db")
	s := openFile(t, path, store.Options{})
	want := map[sweep.RunID][]any{}
	for range 4 {
		id := endedRun(t, s, 2, sweep.Completed)
		want[id] = everything(t, s, id)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	finished := false
	for kill := 0; !finished; kill++ {
		cmd := exec.CommandContext(t.Context(), os.Args[0])
		cmd.Env = append(os.Environ(), "LIDDED_TEST_PRUNE="+path)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for n := 0; lines.Scan(); n++ {
			if n == kill%4 {
				// Some way into the step: the more often it is tried, the further.
				for range kill * 200 {
					if _, err := os.Stat(path); err != nil {
						t.Fatal(err)
					}
				}
				if err := cmd.Process.Kill(); err != nil && !errors.Is(err, os.ErrProcessDone) {
					t.Fatal(err)
				}
			}
		}
		finished = cmd.Wait() == nil
		s := openFile(t, path, store.Options{})
		if err := s.Check(t.Context()); err != nil {
			t.Fatal(err)
		}
		for id, whole := range want {
			if got := everything(t, s, id); !reflect.DeepEqual(got, whole) {
				t.Fatalf("kill %d: run %s reads differently", kill, id)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if kill > 60 {
			t.Fatal("it never finishes")
		}
	}
	s = openFile(t, path, store.Options{})
	_, all, err := s.Away(t.Context())
	if left, lerr := s.Prunable(t.Context()); err != nil || lerr != nil || all != 3 || len(left) != 0 {
		t.Errorf("%d runs pruned, %d left, %v, %v", all, len(left), err, lerr)
	}
}

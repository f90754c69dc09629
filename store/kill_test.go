package store_test

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
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

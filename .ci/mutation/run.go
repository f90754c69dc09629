package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"
)

// suite is the tests of a package, built once with all mutants in it.
type suite struct {
	bin, dir, tmp string
	tests         []test
	reach         map[int][]int // by mutant: tests that run through it, quickest first
}

type test struct {
	name string
	took time.Duration
}

// fate of a mutant.
type fate int

const (
	lived  fate = iota
	killed      // a test failed
	hung        // a test did not end in ten times its time and ten seconds more
	unseen      // no test runs through it
	unsure      // time was up
)

func compile(p listed, overlay, bin string) error {
	_, err := output("go", "test", "-c", "-vet=off", "-overlay", overlay, "-o", bin, p.ImportPath)
	return err
}

// build compiles the tests, runs each by itself and notes what it runs through.
func build(ctx context.Context, p listed, overlay, tmp string, short bool, skip string, workers int) (*suite, error) {
	s := &suite{bin: filepath.Join(tmp, "tests"), dir: p.Dir, tmp: tmp, reach: map[int][]int{}}
	if err := compile(p, overlay, s.bin); err != nil {
		return nil, err
	}
	c := exec.CommandContext(ctx, s.bin, "-test.list", ".")
	c.Dir = p.Dir
	names, err := c.Output()
	if err != nil {
		return nil, err
	}
	for _, name := range strings.Fields(string(names)) {
		if strings.HasPrefix(name, "Benchmark") || skip != "" && slices.Contains(strings.Split(skip, ","), name) {
			continue
		}
		s.tests = append(s.tests, test{name: name})
	}
	if len(s.tests) == 0 {
		return nil, fmt.Errorf("%s has no tests", p.ImportPath)
	}
	through := make([][]int, len(s.tests))
	err = parallel(workers, len(s.tests), func(i int) error {
		seen := filepath.Join(tmp, fmt.Sprintf("reach%d", i))
		began := time.Now()
		out, err := s.run(ctx, i, 5*time.Minute, short, "MUTANT_REACH="+seen)
		if err != nil {
			return fmt.Errorf("%s fails with every mutant asleep: %w\n%s", s.tests[i].name, err, out)
		}
		s.tests[i].took = time.Since(began)
		text, err := os.ReadFile(seen)
		if err != nil {
			return err
		}
		for _, line := range strings.Fields(string(text)) {
			if n, err := strconv.Atoi(line); err == nil {
				through[i] = append(through[i], n)
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	for i, list := range through {
		slices.Sort(list)
		for _, n := range slices.Compact(list) {
			s.reach[n] = append(s.reach[n], i)
		}
	}
	for _, list := range s.reach {
		slices.SortStableFunc(list, func(a, b int) int { return int(s.tests[a].took - s.tests[b].took) })
	}
	return s, nil
}

// try wakes a mutant and runs the tests that run through it until one notices.
func (s *suite) try(ctx context.Context, n int, short bool) (fate, string) {
	if len(s.reach[n]) == 0 {
		return unseen, ""
	}
	for _, i := range s.reach[n] {
		limit := 10*s.tests[i].took + 10*time.Second
		_, err := s.run(ctx, i, limit, short, "MUTANT="+strconv.Itoa(n))
		switch {
		case ctx.Err() != nil:
			return unsure, ""
		case errors.Is(err, context.DeadlineExceeded):
			return hung, s.tests[i].name
		case err != nil:
			return killed, s.tests[i].name
		}
	}
	return lived, ""
}

// run runs one test with limits on memory and files, since a mutant may want all
// there is, and ends whatever it started.
func (s *suite) run(ctx context.Context, i int, limit time.Duration, short bool, env string) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	args := []string{"-c", `ulimit -v 8000000; ulimit -f 4000000; exec "$@"`, "sh", s.bin, "-test.run", "^" + s.tests[i].name + "$", "-test.failfast", "-test.count=1"}
	if short {
		args = append(args, "-test.short")
	}
	c := exec.CommandContext(ctx, "sh", args...)
	c.Dir, c.Env = s.dir, append(os.Environ(), env, "GOMAXPROCS=2")
	c.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	c.Cancel = func() error { return syscall.Kill(-c.Process.Pid, syscall.SIGKILL) }
	c.WaitDelay = 5 * time.Second
	var out tail
	c.Stdout, c.Stderr = &out, &out
	err := c.Run()
	if c.Process != nil {
		_ = syscall.Kill(-c.Process.Pid, syscall.SIGKILL) // what it left behind
	}
	if ctx.Err() != nil {
		return out.Bytes(), ctx.Err()
	}
	return out.Bytes(), err
}

// tail keeps the beginning of what is written, which names the failure.
type tail struct{ bytes.Buffer }

func (t *tail) Write(p []byte) (int, error) {
	if t.Len() < 4000 {
		t.Buffer.Write(p)
	}
	return len(p), nil
}

// parallel calls do for 0 to n-1 and returns the first error.
func parallel(workers, n int, do func(int) error) error {
	var wg sync.WaitGroup
	var mu sync.Mutex
	var first error
	next := 0
	for range workers {
		wg.Go(func() {
			for {
				mu.Lock()
				i := next
				next++
				stop := first != nil || i >= n
				mu.Unlock()
				if stop {
					return
				}
				if err := do(i); err != nil {
					mu.Lock()
					if first == nil {
						first = err
					}
					mu.Unlock()
				}
			}
		})
	}
	wg.Wait()
	return first
}

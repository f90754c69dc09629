// Command mutation changes one package in small ways, one change at a time, and asks
// its tests whether they notice.
//
//	.ci/mutate ./sweep/detect          as much as nine minutes allow
//	.ci/mutate ./sweep/engine 3/10     the third of ten seeded slices
//	.ci/mutate -files budget.go ./sweep
//
// All mutants are built into one test binary, asleep, and woken by their number, so
// that a package is compiled once and not once for each. Each test is first run by
// itself to learn what it runs through; a mutant is then tried by those tests alone,
// the quickest first. What lived must be killed by a test or explained in MUTANTS.md
// beside the code, or the command fails. Lines there read
//
//   - `file.go Type.function KIND source text`: why it cannot matter
//
// and hold for that text in that function, on whatever line it stands.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code, err := mutate(ctx, os.Args[1:], os.Stdout)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
	}
	os.Exit(code)
}

// leastScore is the share of mutants that must die.
const leastScore = 0.90

func mutate(ctx context.Context, args []string, w io.Writer) (int, error) {
	set := flag.NewFlagSet("mutate", flag.ContinueOnError)
	minutes := set.Float64("minutes", 9, "most minutes to take")
	workers := set.Int("workers", 2, "mutants tried at a time")
	short := set.Bool("short", false, "run the tests with -short")
	skip := set.String("skip", "", "tests not to run, separated by commas")
	only := set.String("files", "", "only mutants of these files, separated by commas")
	seed := set.Uint64("seed", 1, "of the order in which mutants are tried")
	list := set.Bool("list", false, "name the mutants and build them, try none")
	verbose := set.Bool("v", false, "say of each mutant what became of it")
	if err := set.Parse(args); err != nil {
		return 2, err
	}
	if set.NArg() < 1 || set.NArg() > 2 {
		return 2, errors.New("name one package, and a slice such as 3/10 if you like: .ci/mutate ./sweep/detect 3/10")
	}
	slice, of := 1, 1
	if set.NArg() == 2 {
		if n, err := fmt.Sscanf(set.Arg(1), "%d/%d", &slice, &of); n != 2 || err != nil || slice < 1 || slice > of {
			return 2, fmt.Errorf("slice %q: write the third of ten as 3/10", set.Arg(1))
		}
	}
	began := time.Now()
	ctx, cancel := context.WithTimeout(ctx, time.Duration(*minutes*float64(time.Minute)))
	defer cancel()
	tmp, err := os.MkdirTemp("", "mutants")
	if err != nil {
		return 2, err
	}
	defer os.RemoveAll(tmp)
	p, all, overlay, err := load(set.Arg(0), tmp)
	if err != nil {
		return 2, err
	}
	known, stale, err := explained(filepath.Join(p.Dir, "MUTANTS.md"), all)
	if err != nil {
		return 2, err
	}
	mine := choose(all, *only, *seed, slice, of)
	if *list {
		for _, m := range mine {
			fmt.Fprintf(w, "%s:%d %s (%s)\n", m.file, m.line, m.key(), m.to)
		}
		return 0, compile(p, overlay, filepath.Join(tmp, "tests"))
	}
	if len(mine) == 0 {
		return report(w, p, nil, nil, known, stale, len(all), slice, of, *only, began), nil
	}
	s, err := build(ctx, p, overlay, tmp, *short, *skip, *workers)
	if err != nil {
		return 2, err
	}
	fates, by := make([]fate, len(mine)), make([]string, len(mine))
	for i := range fates {
		fates[i] = unsure
	}
	fmt.Fprintf(w, "%s: %d mutants, %d to try, %d tests, ready after %v\n", p.ImportPath, len(all), len(mine), len(s.tests), time.Since(began).Round(time.Second))
	var mu sync.Mutex
	_ = parallel(*workers, len(mine), func(i int) error {
		m := mine[i]
		if known[m.key()] || ctx.Err() != nil {
			return nil
		}
		f, name := s.try(ctx, m.n, *short)
		mu.Lock()
		defer mu.Unlock()
		fates[i], by[i] = f, name
		if *verbose {
			fmt.Fprintf(w, "%v %s:%d %s (%s) %s\n", []string{"lived", "killed", "hung", "unseen", "unsure"}[f], m.file, m.line, m.key(), m.to, name)
		}
		return nil
	})
	return report(w, p, mine, fates, known, stale, len(all), slice, of, *only, began), nil
}

// choose puts the mutants in a seeded order and takes a slice.
func choose(all []mutant, only string, seed uint64, slice, of int) []mutant {
	order := rand.New(rand.NewPCG(seed, 0)).Perm(len(all))
	var out []mutant
	for i, at := range order {
		if i%of == slice-1 && (only == "" || slices.Contains(strings.Split(only, ","), all[at].file)) {
			out = append(out, all[at])
		}
	}
	return out
}

func report(w io.Writer, p listed, mine []mutant, fates []fate, known map[string]bool, stale []string, all, slice, of int, only string, began time.Time) int {
	var count [5]int
	told := 0
	var left []mutant
	for i, m := range mine {
		if known[m.key()] {
			told++
			continue
		}
		count[fates[i]]++
		if fates[i] == lived || fates[i] == unseen {
			left = append(left, m)
		}
	}
	slices.SortStableFunc(left, func(a, b mutant) int {
		if c := strings.Compare(a.file, b.file); c != 0 {
			return c
		}
		return a.line - b.line
	})
	for _, m := range left {
		fmt.Fprintf(w, "%s:%d: %s, and no test fails\n\t- `%s`: \n", filepath.Join(p.Dir, m.file), m.line, m.to, m.key())
	}
	for _, line := range stale {
		fmt.Fprintf(w, "%s: names no mutant any more, take it out: %s\n", filepath.Join(p.Dir, "MUTANTS.md"), line)
	}
	died, tried := count[killed]+count[hung], len(mine)-count[unsure]
	score := 0.0
	if tried > 0 {
		score = float64(died) / float64(tried)
	}
	fmt.Fprintf(w, "%s: %d of %d died (%.1f %%): killed %d, hung %d; lived %d, run by no test %d, explained %d\n", p.ImportPath, died, tried, 100*score, count[killed], count[hung], count[lived], count[unseen], told)
	which := fmt.Sprintf("slice %d of %d", slice, of)
	if only != "" {
		which += " of " + only
	}
	fmt.Fprintf(w, "tried %d of the package's %d mutants (%s), not reached in time %d; %s; took %v\n", tried, all, which, count[unsure], notTried, time.Since(began).Round(time.Second))
	switch {
	case tried == 0:
		fmt.Fprintln(w, "nothing was tried")
		return 1
	case len(left) > 0 || len(stale) > 0 || score < leastScore:
		return 1
	}
	return 0
}

// explained reads the mutants that cannot matter, and the lines that name none.
func explained(file string, all []mutant) (known map[string]bool, stale []string, err error) {
	text, err := os.ReadFile(file)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil, nil
	}
	if err != nil {
		return nil, nil, err
	}
	there := map[string]bool{}
	for _, m := range all {
		there[m.key()] = true
	}
	known = map[string]bool{}
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(line)
		rest, ok := strings.CutPrefix(line, "- `")
		if !ok {
			continue
		}
		key, why, ok := strings.Cut(rest, "`: ")
		if !ok || strings.TrimSpace(why) == "" {
			return nil, nil, fmt.Errorf("%s: %s: say why it cannot matter, after a colon", file, line)
		}
		if !there[key] {
			stale = append(stale, line)
			continue
		}
		known[key] = true
	}
	return known, stale, nil
}

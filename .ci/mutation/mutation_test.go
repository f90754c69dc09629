package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const shop = `package shop

import "math"

type price float64

// Due is what is left to pay, never less than nothing.
func Due(all, paid price) price { return max(all-paid, 0) }

// Enough reports whether a sum will do.
func Enough(have, need price) bool {
	ok := have >= need &&
		// a line of its own
		!math.IsNaN(float64(have))
	if ok {
		return true
	}
	return false
}

// Far is what nobody asks for.
func Far(n int) int {
	for i := 0; i < 3; i++ {
		n += i
	}
	n--
	return -n
}

// Quick has a way out that changes nothing.
func Quick(list []int) (sum int) {
	if len(list) == 0 {
		return 0
	}
	for _, n := range list {
		sum += n
	}
	return sum
}
`

const shopTest = `package shop

import (
	"math"
	"testing"
)

func TestDue(t *testing.T) {
	if Due(10, 4) != 6 || Due(4, 10) != 0 {
		t.Error(Due(10, 4), Due(4, 10))
	}
}

func TestEnough(t *testing.T) {
	if !Enough(2, 1) || Enough(1, 2) || Enough(price(math.NaN()), 1) {
		t.Error("enough")
	}
}

func TestQuick(t *testing.T) {
	if Quick(nil) != 0 || Quick([]int{1, 2}) != 3 {
		t.Error("quick")
	}
}
`

// tried runs the command over a package of its own and returns what it said.
func tried(t *testing.T, explained string, args ...string) (int, string) {
	t.Helper()
	dir := t.TempDir()
	for name, text := range map[string]string{"go.mod": "module shop\n\ngo 1.26\n", "shop.go": shop, "shop_test.go": shopTest, "MUTANTS.md": explained} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	t.Chdir(dir)
	var out bytes.Buffer
	code, err := mutate(context.Background(), append(args, "."), &out)
	if err != nil {
		return code, err.Error()
	}
	return code, out.String()
}

// TestWhatLives: what no test notices is named so that it can be explained, with a
// place; what is noticed is not.
func TestWhatLives(t *testing.T) {
	code, said := tried(t, "")
	if code != 1 {
		t.Errorf("code %d", code)
	}
	for _, lived := range []string{
		"shop.go:12: >= became >, and no test fails\n\t- `shop.go Enough BOUNDARY have >= need`: ",
		"- `shop.go Far ARITHMETIC n += i`: ", "- `shop.go Far STEP n--`: ", "- `shop.go Far SIGN -n`: ",
		"not tried at all: ", "run by no test 5",
	} {
		if !strings.Contains(said, lived) {
			t.Errorf("want %q in\n%s", lived, said)
		}
	}
	for _, killed := range []string{"EXTREME", "all-paid", "NEGATION have >= need", "`shop.go Enough NEGATION ok`", "LOGICAL", "sum += n"} {
		if strings.Contains(said, killed) {
			t.Errorf("%q is said to live:\n%s", killed, said)
		}
	}
	if strings.Contains(said, "i++") {
		t.Error("the step of a loop was changed")
	}
}

const reasons = `# Changes that no test can notice

- ` + "`shop.go Enough BOUNDARY have >= need`: a test for a test" + `
- ` + "`shop.go Quick NEGATION len(list) == 0`: a quick way out" + `
`

// TestWhatIsExplained: an explained mutant is not asked about again; a reason is
// needed, and a line that names nothing any more is refused.
func TestWhatIsExplained(t *testing.T) {
	code, said := tried(t, reasons)
	if strings.Contains(said, "have >= need") || !strings.Contains(said, "explained 2") || code != 1 {
		t.Errorf("code %d\n%s", code, said)
	}
	if _, said := tried(t, "- `shop.go Enough BOUNDARY have >= need`: \n"); !strings.Contains(said, "say why it cannot matter") {
		t.Errorf("%s", said)
	}
	code, said = tried(t, "- `shop.go Gone BOUNDARY have >= need`: it was there\n", "-files", "none.go")
	if code != 1 || !strings.Contains(said, "names no mutant any more") || !strings.Contains(said, "nothing was tried") {
		t.Errorf("code %d\n%s", code, said)
	}
}

// TestSlicesAreTheWhole: each mutant is in one slice, in an order of its own.
func TestSlicesAreTheWhole(t *testing.T) {
	all := make([]mutant, 37)
	for i := range all {
		all[i].n = i
	}
	seen := map[int]int{}
	for slice := 1; slice <= 5; slice++ {
		for _, m := range choose(all, "", 1, slice, 5) {
			seen[m.n]++
		}
	}
	for n := range all {
		if seen[n] != 1 {
			t.Errorf("mutant %d is in %d slices", n, seen[n])
		}
	}
	for _, bad := range []string{"0/3", "4/3", "x"} {
		if _, err := mutate(context.Background(), []string{".", bad}, &bytes.Buffer{}); err == nil {
			t.Errorf("slice %s was accepted", bad)
		}
	}
}

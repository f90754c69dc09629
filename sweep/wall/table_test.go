package wall_test

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"lidded/driver/unit"
)

// row is one check value of a table in testdata/physics; every row carries its
// wanted value, its tolerance and its source.
type row struct {
	t    *testing.T
	name map[string]int
	cell []string
	line int
	used map[string]bool
}

func (r row) text(col string) string {
	i, ok := r.name[col]
	if !ok {
		r.t.Fatalf("no column %q", col)
	}
	r.used[col] = true
	return r.cell[i]
}

func (r row) num(col string) float64 {
	s := r.text(col)
	if s == "" {
		return 0
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		r.t.Fatalf("line %d, column %s: %v", r.line, col, err)
	}
	return v
}

func (r row) hz(col string) unit.Hz { return unit.Hz(r.num(col)) }

// table runs a check over every row of a file.
func table(t *testing.T, file string, check func(r row) (got, want, tolerance float64)) {
	t.Helper()
	fh, err := os.Open(filepath.Join("..", "..", "testdata", "physics", file))
	if err != nil {
		t.Fatal(err)
	}
	defer fh.Close()
	all, err := csv.NewReader(fh).ReadAll()
	if err != nil || len(all) < 2 {
		t.Fatalf("%s: %d rows, %v", file, len(all), err)
	}
	name, used := map[string]int{}, map[string]bool{"source": true}
	for i, h := range all[0] {
		name[h] = i
	}
	for i, cell := range all[1:] {
		r := row{t: t, name: name, cell: cell, line: i + 2, used: used}
		got, want, tol := check(r)
		if r.text("source") == "" {
			t.Errorf("%s:%d has no source", file, r.line)
		}
		if !(math.Abs(got-want) <= tol) {
			t.Errorf("%s:%d %v: got %.7g, want %.7g ± %.2g", file, r.line, cell, got, want, tol)
		}
	}
	for _, h := range all[0] {
		if !used[h] && h != "metal" && h != "material" && h != "mesh" {
			t.Errorf("%s: column %q is not used by the check", file, h)
		}
	}
}

// rel is a relative tolerance.
func rel(want, tol float64) float64 { return math.Abs(want) * tol }

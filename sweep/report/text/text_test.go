package text_test

import (
	"bytes"
	"errors"
	"flag"
	"os"
	"strings"
	"testing"

	"lidded/sweep"
	"lidded/sweep/report/reporttest"
	"lidded/sweep/report/text"
)

var update = flag.Bool("update", false, "write the golden files anew")

func TestGolden(t *testing.T) {
	one := reporttest.Depot()
	one.Plan.Positions, one.Line, one.HandRead = one.Plan.Positions[:1], nil, true
	many := reporttest.Depot()
	many.Plan.Polarizations, many.Plan.Repeats = []sweep.Polarization{"vertical", "horizontal"}, 2
	for _, c := range []struct {
		name  string
		run   sweep.Run
		style text.Style
	}{
		{"depot", reporttest.Depot(), text.Style{}},
		{"ascii", reporttest.Depot(), text.Style{ASCII: true}},
		{"one-position", one, text.Style{}},
		{"many-settings", many, text.Style{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var b bytes.Buffer
			if err := text.Results(&b, c.run, reporttest.Evaluation(), c.style); err != nil {
				t.Fatal(err)
			}
			golden := "testdata/" + c.name + ".txt"
			if *update {
				if err := os.WriteFile(golden, b.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if b.String() != string(want) {
				t.Errorf("got\n%s\nwant\n%s", b.String(), want)
			}
			if c.style.ASCII && strings.ContainsFunc(b.String(), func(r rune) bool { return r > 126 }) {
				t.Error("not ASCII")
			}
			if strings.Contains(b.String(), "\x1b") {
				t.Error("coloured")
			}
		})
	}
}

// TestRelation: no SE stands without its relation.
func TestRelation(t *testing.T) {
	for _, r := range reporttest.Evaluation().Results {
		got := text.SE(r.SE)
		switch r.SE.Relation {
		case sweep.Equal:
			if !strings.HasPrefix(got, "= ") || !strings.Contains(got, " ± ") {
				t.Errorf("value %q", got)
			}
		case sweep.AtLeastRelation:
			if !strings.HasPrefix(got, "≥ ") {
				t.Errorf("bound %q", got)
			}
		default:
			if got != "-" {
				t.Errorf("no claim, but %q", got)
			}
		}
	}
}

func TestWriteErrors(t *testing.T) {
	var b bytes.Buffer
	if err := text.Results(&b, reporttest.Depot(), reporttest.Evaluation(), text.Style{}); err != nil {
		t.Fatal(err)
	}
	for n := range b.Len() {
		err := text.Results(&narrow{left: n}, reporttest.Depot(), reporttest.Evaluation(), text.Style{})
		if !errors.Is(err, errFull) {
			t.Fatalf("%d bytes taken: %v", n, err)
		}
	}
}

var errFull = errors.New("no room")

// narrow takes so many bytes.
type narrow struct{ left int }

func (n *narrow) Write(b []byte) (int, error) {
	if len(b) > n.left {
		return n.left, errFull
	}
	n.left -= len(b)
	return len(b), nil
}

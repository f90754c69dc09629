package export

import (
	"encoding/csv"
	"fmt"
	"io"
	"iter"

	"lidded/sweep"
)

// Bundle is what is exported of a run.
type Bundle struct {
	Run        sweep.Run
	Evaluation sweep.Evaluation
	// Captures gives the run's captures in order, with their traces, each time
	// it is looped over; nil leaves out the tables made of them.
	Captures iter.Seq2[sweep.Capture, error]
	// Traces adds the table of all trace points, which may be large.
	Traces bool
}

// Field describes a column (Table Schema: "fields").
type Field struct {
	Name        string       `json:"name"`
	Type        string       `json:"type"` // string, number, integer, boolean, datetime
	Format      string       `json:"format,omitempty"`
	Unit        string       `json:"unit,omitempty"`
	Description string       `json:"description"`
	Constraints *Constraints `json:"constraints,omitempty"`
}

// Constraints of a column (Table Schema: "constraints").
type Constraints struct {
	Required bool     `json:"required,omitempty"`
	Enum     []string `json:"enum,omitempty"`
}

// Table is one CSV file: how its columns are described and how it is written.
type Table struct {
	Name        string
	Title       string
	Description string
	Key         []string // columns that together name a row
	Fields      []Field
	rows        func(b Bundle, put func([]string) error) error
}

// File is the name of the table's file.
func (t Table) File() string { return t.Name + ".csv" }

// Write writes the table, first the names of the columns.
func (t Table) Write(w io.Writer, b Bundle) error {
	out := csv.NewWriter(w)
	names := make([]string, len(t.Fields))
	for i, f := range t.Fields {
		names[i] = f.Name
	}
	if err := out.Write(names); err != nil {
		return fmt.Errorf("write %s: %w", t.File(), err)
	}
	if err := t.rows(b, out.Write); err != nil {
		return fmt.Errorf("write %s: %w", t.File(), err)
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return fmt.Errorf("write %s: %w", t.File(), err)
	}
	return nil
}

// Tables lists the tables of a bundle in the order of the package.
func Tables(b Bundle) []Table {
	list := []Table{results, worst, specimens}
	if b.Captures != nil {
		list = append(list, captures)
		if b.Traces {
			list = append(list, traces)
		}
	}
	return list
}

// column is a field and how a row fills it.
type column[R any] struct {
	Field
	cell func(R) string
}

// define makes a table of rows of one kind.
func define[R any](t Table, rows func(Bundle) iter.Seq2[R, error], columns ...column[R]) Table {
	for _, c := range columns {
		if c.Type == "datetime" {
			c.Format = "any" // readers of version 1 know no fractions of a second otherwise
		}
		t.Fields = append(t.Fields, c.Field)
	}
	t.rows = func(b Bundle, put func([]string) error) error {
		cells := make([]string, len(columns))
		for row, err := range rows(b) {
			if err != nil {
				return err
			}
			for i, c := range columns {
				if cells[i] = c.cell(row); c.Type == "string" && !c.ownWords() {
					cells[i] = Text(cells[i])
				}
			}
			if err := put(cells); err != nil {
				return err
			}
		}
		return nil
	}
	return t
}

func col[R any](name, kind, unitName, description string, cell func(R) string) column[R] {
	return column[R]{Field{Name: name, Type: kind, Unit: unitName, Description: description}, cell}
}

// always says that no cell of the column is empty.
func (c column[R]) always() column[R] {
	c.constraints().Required = true
	return c
}

// of says which words the column can hold.
func (c column[R]) of(words ...string) column[R] {
	c.constraints().Enum = words
	return c
}

// ownWords reports whether the column holds words of ours alone.
func (c column[R]) ownWords() bool { return c.Constraints != nil && c.Constraints.Enum != nil }

func (c *column[R]) constraints() *Constraints {
	if c.Constraints == nil {
		c.Constraints = new(Constraints)
	}
	return c.Constraints
}

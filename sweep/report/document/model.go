package document

import (
	"time"

	"lidded/sweep/report/drawing"
)

// Document is a report ready to be written: sections of blocks, in order.
type Document struct {
	Title    string
	Subtitle string
	Language string
	Footer   string    // at the bottom of every page
	Made     time.Time // the run's own time, for the file's metadata
	OnePage  bool      // the abbreviated form: the PDF must fit one page
	Sections []Section
}

// Section is a part of the report with a heading.
type Section struct {
	Title  string
	Blocks []Block
}

// Block is a Text, a List, Pairs, a Table, a Figure or Lines.
type Block interface{ block() }

// Tone says what a text is, for its looks; it is never the only sign.
type Tone uint8

// The tones.
const (
	Plain   Tone = iota
	Strong       // a verdict
	Caution      // what somebody must heed
	Missing      // what nobody stated
	Note         // beside the matter
)

// Text is a paragraph.
type Text struct {
	Tone Tone
	Text string
}

// List is a list of short texts.
type List struct {
	Tone  Tone
	Items []string
}

// Pairs are names and what stands for them.
type Pairs []Pair

// Pair is a name and its value. A missing one is shown as such.
type Pair struct {
	Name, Value string
	Missing     bool
}

// Table is a table with a caption. Every row has a cell for each column.
type Table struct {
	Caption string
	Columns []Column
	Rows    [][]string
}

// Column is a column's title, its unit, and where its cells stand.
type Column struct {
	Title string
	Unit  string
	Right bool // numbers
}

// Figure is a drawing with a title and a sentence that says what it shows.
type Figure struct {
	Drawing *drawing.Drawing
	Caption string
	Says    string
}

// Lines are lines to sign on.
type Lines []string

func (Text) block()   {}
func (List) block()   {}
func (Pairs) block()  {}
func (Table) block()  {}
func (Figure) block() {}
func (Lines) block()  {}

package handread

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"lidded/driver/strict"
	"lidded/driver/unit"
	"lidded/sweep"
)

// mostProblems is how many problems of one file are reported.
const mostProblems = 20

// mostBytes is how long a file may be; nobody types more.
const mostBytes = 16 << 20

// Parse reads a file. All problems found are reported, joined, each a
// *strict.Problem with the file's name, line, column and the cure.
func Parse(name string, r io.Reader) (*Sheet, error) {
	data, err := io.ReadAll(io.LimitReader(r, mostBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", name, err)
	}
	p := parser{name: name, data: data}
	if p.encoding() && p.header() {
		p.rows()
		p.references()
	}
	if len(p.problems) > 0 {
		return nil, errors.Join(p.problems...)
	}
	return &p.sheet, nil
}

type parser struct {
	name     string
	data     []byte
	csv      *csv.Reader
	columns  []column
	sheet    Sheet
	freqs    []cursor // where the frequency of each row of the sheet stands
	seen     map[spot]int
	problems []error
}

// column is a header of the file at hand.
type column struct {
	header
	shown string // as the file writes it
}

// cursor is a place in the file, from 1.
type cursor struct{ line, column int }

func (p *parser) fail(at cursor, column, format string, args ...any) {
	p.problems = append(p.problems, &strict.Problem{File: p.name, Line: at.line, Column: at.column, Path: column, Message: fmt.Sprintf(format, args...)})
}

// enough reports whether no more problems should be looked for.
func (p *parser) enough() bool { return len(p.problems) >= mostProblems }

var utf8BOM = []byte("\xef\xbb\xbf")

// encoding checks what can be told before the text is looked at.
func (p *parser) encoding() bool {
	start := cursor{1, 1}
	switch {
	case len(p.data) > mostBytes:
		p.fail(cursor{}, "", "longer than %d MiB: this is no file of hand-read levels; split it", mostBytes>>20)
	case bytes.HasPrefix(p.data, []byte("\xff\xfe")), bytes.HasPrefix(p.data, []byte("\xfe\xff")):
		p.fail(start, "", "the file is UTF-16: save it as CSV in UTF-8")
	}
	p.data = bytes.TrimPrefix(p.data, utf8BOM)
	if len(bytes.TrimSpace(p.data)) == 0 {
		p.fail(start, "", "the file is empty: the first line names the columns, such as freq_mhz,state,level_dbm,noise_floor_dbm")
	}
	if i := firstInvalid(p.data); i >= 0 && len(p.problems) == 0 {
		line := 1 + bytes.Count(p.data[:i], []byte("\n"))
		p.fail(cursor{line, i - bytes.LastIndexByte(p.data[:i], '\n')}, "", "byte %#02x is not UTF-8: save the file as CSV in UTF-8", p.data[i])
	}
	return len(p.problems) == 0
}

func firstInvalid(b []byte) int {
	for i := 0; i < len(b); {
		r, n := utf8.DecodeRune(b[i:])
		if (r == utf8.RuneError && n == 1) || r == 0 {
			return i
		}
		i += n
	}
	return -1
}

// next reads one record; false at the end or where the text is not CSV.
func (p *parser) next() ([]string, bool) {
	cells, err := p.csv.Read()
	var bad *csv.ParseError
	switch {
	case err == nil:
		return cells, true
	case errors.As(err, &bad):
		p.fail(cursor{bad.Line, bad.Column}, "", "%v: write a quote inside a quoted cell twice, and quote no cell that does not need it", bad.Err)
	case err != io.EOF:
		p.fail(cursor{}, "", "%v", err)
	}
	return nil, false
}

func (p *parser) at(cell int) cursor {
	line, col := p.csv.FieldPos(cell)
	return cursor{line, col}
}

// header reads the first line. Its problems are reported alone, for the rows
// mean nothing without it.
func (p *parser) header() bool {
	p.csv = csv.NewReader(bytes.NewReader(p.data))
	p.csv.FieldsPerRecord = -1
	cells, ok := p.next()
	if !ok {
		return false
	}
	if len(cells) == 1 {
		for _, sep := range []struct{ char, name string }{{";", "semicolons"}, {"\t", "tabs"}} {
			if strings.Contains(cells[0], sep.char) {
				p.fail(p.at(0), "", "the cells are separated by %s: save the file with commas between cells and decimal points", sep.name)
				return false
			}
		}
	}
	for i, cell := range cells {
		h, err := findHeader(cell)
		if err != nil {
			p.fail(p.at(i), "", "%v", err)
			continue
		}
		if j := slices.IndexFunc(p.columns, func(c column) bool { return c.what == h.what }); j >= 0 {
			p.fail(p.at(i), "", "column %q says the same as column %q: keep one", cell, p.columns[j].shown)
			continue
		}
		p.columns = append(p.columns, column{h, strings.TrimSpace(cell)})
	}
	for _, need := range required {
		if len(p.problems) == 0 && p.column(need.what) < 0 {
			p.fail(p.at(0), "", "there is no column %s: add one", need.name)
		}
	}
	return len(p.problems) == 0
}

// column gives the place of a quantity among the columns, or -1.
func (p *parser) column(q quantity) int {
	return slices.IndexFunc(p.columns, func(c column) bool { return c.what == q })
}

func (p *parser) rows() {
	p.seen = map[spot]int{}
	for !p.enough() {
		cells, ok := p.next()
		if !ok {
			break
		}
		if len(cells) == 1 && strings.TrimSpace(cells[0]) == "" {
			continue
		}
		p.row(cells)
	}
	p.sheet.Name = p.name
	if len(p.problems) == 0 && len(p.sheet.Rows) == 0 {
		p.fail(cursor{1, 1}, "", "there are no levels: add a line for each reading below the names of the columns")
	}
}

func (p *parser) row(cells []string) {
	if len(cells) != len(p.columns) {
		at := p.at(min(len(cells), len(p.columns)+1) - 1)
		cure := "write one cell for each column, empty where there is nothing to say"
		if len(cells) > len(p.columns) {
			cure += "; a decimal comma (30,5) makes two cells of one: write 30.5"
		}
		p.fail(at, "", "%d cells under %d columns: %s", len(cells), len(p.columns), cure)
		return
	}
	before := len(p.problems)
	row := Row{At: sweep.Setting{Position: "center", Polarization: "vertical", Repeat: 1}}
	row.Line, _ = p.csv.FieldPos(0)
	for i, c := range p.columns {
		cell := strings.TrimSpace(cells[i])
		var err error
		switch c.what {
		case frequency:
			row.Freq, err = c.parseFreq(cell)
		case state:
			row.Kind, err = parseState(cell)
		case level:
			row.Level, err = c.parseLevel(cell)
		case noiseFloor:
			if cell != "" {
				var floor unit.DBm
				floor, err = c.parseLevel(cell)
				row.Noise = &floor
			}
		case specimen:
			row.At.Specimen = cell
		case position:
			row.At.Position, err = cell, nonEmpty(cell)
		case polarization:
			row.At.Polarization, err = sweep.Polarization(cell), nonEmpty(cell)
		}
		if err != nil {
			p.fail(p.at(i), c.shown, "%v", err)
		}
	}
	if len(p.problems) > before {
		return
	}
	p.sound(row)
}

func nonEmpty(cell string) error {
	if cell == "" {
		return errors.New("empty: write it in every line, or leave the column out")
	}
	return nil
}

// sound checks what a row says as a whole, and takes it.
func (p *parser) sound(row Row) {
	cell := func(q quantity) (cursor, string) {
		i := p.column(q)
		if i < 0 {
			return p.at(0), ""
		}
		return p.at(i), p.columns[i].shown
	}
	if row.Noise == nil && row.Kind != sweep.Ambient {
		at, name := cell(noiseFloor)
		p.fail(at, name, "empty: without the noise floor nothing can be claimed; write the marker's reading with the source off and the same settings")
		return
	}
	switch {
	case row.Kind != sweep.Enclosed && row.At.Specimen != "":
		at, name := cell(specimen)
		p.fail(at, name, "%q on a line of state %s, which has no shield: leave the specimen empty there", row.At.Specimen, row.Kind)
		return
	case row.Kind == sweep.Enclosed && row.At.Specimen == "" && p.column(specimen) >= 0:
		at, name := cell(specimen)
		p.fail(at, name, "empty on an enclosed line: name the specimen")
		return
	}
	if row.Kind == sweep.Enclosed && row.At.Specimen == "" {
		row.At.Specimen = OnlySpecimen
	}
	if first, twice := p.seen[row.spot()]; twice {
		p.fail(p.at(0), "", "%s stands in line %d already: keep one of the two", row, first)
		return
	}
	p.seen[row.spot()] = row.Line
	freq, _ := cell(frequency)
	p.sheet.Rows = append(p.sheet.Rows, row)
	p.freqs = append(p.freqs, freq)
}

// OnlySpecimen is the name of the specimen of a file without that column.
const OnlySpecimen = "specimen"

// references checks that nothing lacks what it is compared with.
func (p *parser) references() {
	if len(p.problems) > 0 {
		return
	}
	enclosed := false
	for i, row := range p.sheet.Rows {
		if row.Kind == sweep.Enclosed {
			enclosed = true
		}
		if row.Kind != sweep.Enclosed && row.Kind != sweep.Closing {
			continue
		}
		if _, ok := p.seen[row.reference()]; !ok && !p.enough() {
			p.fail(p.freqs[i], "", "%s has no reference: add a line of state reference at %v, position %s, %s", row, row.Freq, row.At.Position, row.At.Polarization)
		}
	}
	if !enclosed && len(p.problems) == 0 {
		p.fail(cursor{1, 1}, "", "no line has the state enclosed: there is nothing to compare with the reference")
	}
}

package requirement

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"lidded/driver/unit"
)

// Field is the kind of field a requirement speaks of.
type Field int

// The fields of the trade.
const (
	FieldUnknown Field = iota
	Magnetic
	Electric
	PlaneWave
)

var fieldNames = []string{"unknown", "magnetic", "electric", "plane wave"}

// String gives the field's name as the files write it.
func (f Field) String() string { return nameOf(fieldNames, int(f)) }

// MarshalText writes what UnmarshalText reads.
func (f Field) MarshalText() ([]byte, error) { return []byte(f.String()), nil }

// UnmarshalText reads "magnetic", "electric" or "plane wave".
func (f *Field) UnmarshalText(b []byte) error {
	return choose((*int)(f), "field", fieldNames, string(b))
}

// Mark says where a value comes from.
type Mark int

// The marks.
const (
	MarkUnknown Mark = iota
	Seen             // read in a published source
	Memory           // written from memory: check against your copy
	Computed         // computed from other values
	Chosen           // set by a client or by us; no publication stands behind it
)

var markNames = []string{"unknown", "seen", "memory", "computed", "chosen"}

// String gives the mark's name as the files write it.
func (m Mark) String() string { return nameOf(markNames, int(m)) }

// MarshalText writes what UnmarshalText reads.
func (m Mark) MarshalText() ([]byte, error) { return []byte(m.String()), nil }

// UnmarshalText reads "seen", "memory", "computed" or "chosen".
func (m *Mark) UnmarshalText(b []byte) error {
	return choose((*int)(m), "mark", markNames, string(b))
}

// CheckYourCopy is the note that goes with every value from memory.
const CheckYourCopy = "values from memory: check against your copy"

// Line is one requirement: per field, the least SE allowed at each frequency.
// It is data; build one with Load, or check one made by hand with Validate.
type Line struct {
	Name     string  `yaml:"name"`     // short key, such as "mil-std-188-125-1"
	Title    string  `yaml:"title"`    // for people
	Standard string  `yaml:"standard"` // the document it stands in
	Edition  string  `yaml:"edition"`  // its edition or date
	Mark     Mark    `yaml:"mark"`     // where the values come from, unless a point says otherwise
	Note     string  `yaml:"note"`
	Curves   []Curve `yaml:"curves"`
}

// Curve is the line for one or more fields.
type Curve struct {
	Fields   []Field   `yaml:"fields"`
	Segments []Segment `yaml:"segments"`
}

// Segment is an unbroken stretch of the line, straight in dB against the
// logarithm of frequency between its points. A single point asks for an SE at
// that frequency alone. Where two segments meet, the higher SE holds.
type Segment struct {
	Points []Point `yaml:"points"`
}

// Point is a corner of a segment.
type Point struct {
	Freq unit.Hz `yaml:"freq"`
	SE   unit.DB `yaml:"se"`
	Mark Mark    `yaml:"mark"`
}

// sameFreq is the relative difference up to which two frequencies are one.
const sameFreq = 1e-9

// At returns the SE required at a frequency for a field, in dB, and whether
// the line says anything there.
func (l *Line) At(field Field, f unit.Hz) (unit.DB, bool) {
	se, _, ok := l.at(field, f)
	return se, ok
}

// MarkAt returns the mark of the value that At gives: memory as soon as one
// of the corners it stands on is from memory.
func (l *Line) MarkAt(field Field, f unit.Hz) Mark {
	_, m, _ := l.at(field, f)
	return m
}

func (l *Line) at(field Field, f unit.Hz) (se unit.DB, mark Mark, ok bool) {
	for s := range l.segments(field) {
		v, m, in := s.at(f)
		if in && (!ok || v > se) {
			se, mark, ok = v, m, true
		}
	}
	return se, mark, ok
}

func (l *Line) segments(field Field) func(yield func(Segment) bool) {
	return func(yield func(Segment) bool) {
		for _, c := range l.Curves {
			if !slices.Contains(c.Fields, field) {
				continue
			}
			for _, s := range c.Segments {
				if !yield(s) {
					return
				}
			}
		}
	}
}

func (s Segment) at(f unit.Hz) (unit.DB, Mark, bool) {
	n := len(s.Points)
	if n == 0 || !(f > 0) {
		return 0, MarkUnknown, false
	}
	for _, p := range s.Points {
		if near(f, p.Freq) {
			return p.SE, p.Mark, true
		}
	}
	for i := 1; i < n; i++ {
		a, b := s.Points[i-1], s.Points[i]
		if f < a.Freq || f > b.Freq {
			continue
		}
		t := math.Log(float64(f/a.Freq)) / math.Log(float64(b.Freq/a.Freq))
		return a.SE + unit.DB(t)*(b.SE-a.SE), weaker(a.Mark, b.Mark), true
	}
	return 0, MarkUnknown, false
}

func near(a, b unit.Hz) bool { return math.Abs(float64(a-b)) <= sameFreq*float64(b) }

// weaker returns the mark that deserves less trust.
func weaker(a, b Mark) Mark {
	if a == Memory || b == Memory {
		return Memory
	}
	return max(a, b)
}

// Fields lists the fields the line speaks of, in the order of the constants.
func (l *Line) Fields() []Field {
	var out []Field
	for _, c := range l.Curves {
		for _, f := range c.Fields {
			if !slices.Contains(out, f) {
				out = append(out, f)
			}
		}
	}
	slices.Sort(out)
	return out
}

// Range returns the lowest and highest frequency the line speaks of for a
// field. There may be gaps between: only At knows.
func (l *Line) Range(field Field) (lo, hi unit.Hz, ok bool) {
	for s := range l.segments(field) {
		a, b := s.Points[0].Freq, s.Points[len(s.Points)-1].Freq
		if !ok {
			lo, hi, ok = a, b, true
			continue
		}
		lo, hi = min(lo, a), max(hi, b)
	}
	return lo, hi, ok
}

// Polylines returns the line's stretches for a field, for drawing.
func (l *Line) Polylines(field Field) [][]Point {
	var out [][]Point
	for s := range l.segments(field) {
		out = append(out, slices.Clone(s.Points))
	}
	return out
}

// Caution returns CheckYourCopy when any value is from memory, or "".
func (l *Line) Caution() string {
	for _, c := range l.Curves {
		for _, s := range c.Segments {
			for _, p := range s.Points {
				if p.Mark == Memory {
					return CheckYourCopy
				}
			}
		}
	}
	return ""
}

// Source names the document and its edition, or the title where there is no document.
func (l *Line) Source() string {
	switch {
	case l.Standard == "":
		return l.Title
	case l.Edition == "":
		return l.Standard
	}
	return l.Standard + ", " + l.Edition
}

func nameOf(names []string, i int) string {
	if i < 0 || i >= len(names) {
		return names[0]
	}
	return names[i]
}

func choose(to *int, what string, names []string, text string) error {
	i := slices.Index(names, strings.ToLower(strings.TrimSpace(text)))
	if i <= 0 {
		return fmt.Errorf("unknown %s %q: use one of %s", what, text, strings.Join(names[1:], ", "))
	}
	*to = i
	return nil
}

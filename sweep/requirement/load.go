package requirement

import (
	"errors"
	"fmt"
	"math"
	"regexp"

	"lidded/driver/strict"
)

// Load reads one line from YAML. The file name is for the errors, which give
// file, line, column and the cure.
func Load(file string, data []byte) (*Line, error) {
	var l Line
	doc, err := strict.Read(file, data, &l)
	if err != nil {
		return nil, err
	}
	l.fillMarks()
	if err := l.check(doc.Errorf); err != nil {
		return nil, err
	}
	return &l, nil
}

// Validate checks a line made by hand; every fault found is reported, joined.
func (l *Line) Validate() error {
	return l.check(func(path, format string, args ...any) error {
		return fmt.Errorf("requirement line %q: %s: %s", l.Name, path, fmt.Sprintf(format, args...))
	})
}

func (l *Line) fillMarks() {
	for i := range l.Curves {
		for j := range l.Curves[i].Segments {
			pts := l.Curves[i].Segments[j].Points
			for k := range pts {
				if pts[k].Mark == MarkUnknown {
					pts[k].Mark = l.Mark
				}
			}
		}
	}
}

// nameForm is what a name may look like.
var nameForm = regexp.MustCompile(`^[a-z0-9]+([.-][a-z0-9]+)*$`)

type complain func(path, format string, args ...any) error

func (l *Line) check(at complain) error {
	var errs []error
	bad := func(path, format string, args ...any) { errs = append(errs, at(path, format, args...)) }
	if !nameForm.MatchString(l.Name) {
		bad("name", "need a name of lower-case letters, digits and hyphens such as \"depot-spare-radio\", have %q", l.Name)
	}
	if l.Title == "" {
		bad("title", "need a title: one line that tells a person what the line is")
	}
	if len(l.Curves) == 0 {
		bad("curves", "need at least one curve with its fields and segments")
	}
	for i, c := range l.Curves {
		path := fmt.Sprintf("curves[%d]", i)
		if len(c.Fields) == 0 {
			bad(path+".fields", "need at least one of magnetic, electric, plane wave")
		}
		for j, f := range c.Fields {
			if f <= FieldUnknown || int(f) >= len(fieldNames) {
				bad(fmt.Sprintf("%s.fields[%d]", path, j), "unknown field: use magnetic, electric or plane wave")
			}
		}
		if len(c.Segments) == 0 {
			bad(path+".segments", "need at least one segment with its points")
		}
		for j, s := range c.Segments {
			s.check(fmt.Sprintf("%s.segments[%d]", path, j), bad)
		}
	}
	return errors.Join(errs...)
}

func (s Segment) check(path string, bad func(path, format string, args ...any)) {
	if len(s.Points) == 0 {
		bad(path+".points", "need at least one point {freq, se}")
	}
	for k, p := range s.Points {
		at := fmt.Sprintf("%s.points[%d]", path, k)
		if !(p.Freq > 0) || math.IsInf(float64(p.Freq), 0) {
			bad(at+".freq", "need a frequency above zero such as \"30 MHz\", have %v", p.Freq)
		} else if k > 0 && p.Freq <= s.Points[k-1].Freq {
			bad(at+".freq", "%v does not rise above the point before it (%v): put the points in rising order, and a step in a segment of its own", p.Freq, s.Points[k-1].Freq)
		}
		if !(p.SE >= 0) || p.SE > 300 {
			bad(at+".se", "need an SE from 0 dB to 300 dB, have %v", p.SE)
		}
		if p.Mark == MarkUnknown {
			bad(at+".mark", "need a mark for the line or for this point: seen, memory, computed or chosen")
		}
	}
}

package practice

import (
	"fmt"

	"lidded/driver/unit"
	"lidded/sweep/requirement"
	"lidded/sweep/wall"
)

// Practice says what a document asks of a measurement beside the frequencies.
type Practice struct {
	Standard        string           `yaml:"standard"`
	Edition         string           `yaml:"edition"`
	Mark            requirement.Mark `yaml:"mark"` // of the bands, unless one says otherwise
	Note            string           `yaml:"note"`
	Size            Size             `yaml:"size"`             // of specimens it is for
	ReferenceRepeat string           `yaml:"reference_repeat"` // when the reference is taken again
	Reported        string           `yaml:"reported"`         // what counts as the result
	Bands           []Band           `yaml:"bands"`
}

// Band is a stretch of frequencies and how it is measured. A plan after the
// practice has at least one frequency in each.
type Band struct {
	Name     string            `yaml:"name"` // that of the plan's band
	From     unit.Hz           `yaml:"from"`
	To       unit.Hz           `yaml:"to"`
	Antenna  string            `yaml:"antenna"`
	Field    requirement.Field `yaml:"field"` // component that is measured
	Geometry string            `yaml:"geometry"`
	Mark     requirement.Mark  `yaml:"mark"`
}

// Size is the range of inner dimensions a practice is for; zero: no limit.
type Size struct {
	From wall.Metre `yaml:"from"`
	To   wall.Metre `yaml:"to"`
}

// Known reports whether there is any limit.
func (s Size) Known() bool { return s.From > 0 || s.To > 0 }

// Fits reports whether all dimensions of a cavity lie in the range.
func (s Size) Fits(c wall.Cavity) bool {
	lo, hi := extent(c)
	return lo >= s.From && (s.To == 0 || hi <= s.To)
}

// String gives the range in words.
func (s Size) String() string {
	switch {
	case !s.Known():
		return "any size"
	case s.To == 0:
		return fmt.Sprintf("all dimensions %v or more", s.From)
	case s.From == 0:
		return fmt.Sprintf("all dimensions up to %v", s.To)
	}
	return fmt.Sprintf("all dimensions from %v to %v", s.From, s.To)
}

// extent returns the smallest and the largest dimension of a cavity.
func extent(c wall.Cavity) (lo, hi wall.Metre) {
	if c.Diameter > 0 {
		return min(c.Diameter, c.Length), max(c.Diameter, c.Length)
	}
	return min(c.Width, c.Height, c.Depth), max(c.Width, c.Height, c.Depth)
}

// Source names the document and its edition.
func (p Practice) Source() string {
	if p.Edition == "" {
		return p.Standard
	}
	return p.Standard + ", " + p.Edition
}

// Caution returns requirement.CheckYourCopy when anything is from memory, or "".
func (p Practice) Caution() string {
	if p.Mark == requirement.Memory {
		return requirement.CheckYourCopy
	}
	for _, b := range p.Bands {
		if b.Mark == requirement.Memory {
			return requirement.CheckYourCopy
		}
	}
	return ""
}

func (p *Practice) fillMarks() {
	for i := range p.Bands {
		if p.Bands[i].Mark == requirement.MarkUnknown {
			p.Bands[i].Mark = p.Mark
		}
	}
}

// check reports what is wrong with an annotation; at is the path it stands at.
func (p Practice) check(at string, bad func(path, format string, args ...any)) {
	if p.Standard == "" {
		bad(at+".standard", "need the document that the practice stands in")
	}
	if p.Mark == requirement.MarkUnknown {
		bad(at+".mark", "need a mark: seen, memory, computed or chosen")
	}
	if p.Size.From < 0 || p.Size.To < 0 || (p.Size.To > 0 && p.Size.To < p.Size.From) {
		bad(at+".size", "need from below to, have %v to %v", p.Size.From, p.Size.To)
	}
	for i, b := range p.Bands {
		path := fmt.Sprintf("%s.bands[%d]", at, i)
		if b.Name == "" {
			bad(path+".name", "need the name of the plan's band")
		}
		if !(b.From > 0) || b.To < b.From {
			bad(path+".from", "need from above zero and to at or above from, have %v to %v", b.From, b.To)
		}
	}
}

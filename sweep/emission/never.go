package emission

import (
	"fmt"
	"slices"
	"strings"

	"lidded/driver/unit"
	"lidded/sweep/requirement"
)

// Entry is one range of the never-transmit table, both ends included.
type Entry struct {
	Name   string           `json:"name" yaml:"name"` // short key, such as "airband-voice"
	From   unit.Hz          `json:"from_hz" yaml:"from"`
	To     unit.Hz          `json:"to_hz" yaml:"to"`
	Why    string           `json:"why" yaml:"why"`
	Source string           `json:"source" yaml:"source"`
	Region string           `json:"region" yaml:"region"`
	Mark   requirement.Mark `json:"mark" yaml:"mark"` // where the limits come from
}

// String gives the entry in a few words.
func (e Entry) String() string {
	return fmt.Sprintf("%s, %v to %v (entry %s)", e.Why, e.From, e.To, e.Name)
}

// Override takes one entry out of force at a site, on the site's own basis.
type Override struct {
	Entry string `json:"entry" yaml:"entry"`
	Basis string `json:"basis" yaml:"basis"`
}

// Never is the never-transmit table with what a site overrides of it. The zero
// value forbids nothing.
type Never struct {
	Entries   []Entry    `json:"entries,omitempty"`
	Overrides []Override `json:"overrides,omitempty"`
}

// With returns the table with a site's overrides. An override must name an
// entry, once, and give a basis; the error's index is the override's, -1 never.
func (n Never) With(overrides []Override) (Never, error) {
	names := make([]string, len(n.Entries))
	for i, e := range n.Entries {
		names[i] = e.Name
	}
	for i, o := range overrides {
		bad := func(format string, args ...any) (Never, error) {
			return n, &OverrideError{i, fmt.Sprintf(format, args...)}
		}
		switch {
		case o.Entry == "":
			return bad("no entry: name one of the never-transmit table, such as %s", names[0])
		case !slices.Contains(names, o.Entry):
			return bad("%s", unknown("never-transmit entry", o.Entry, names))
		case strings.TrimSpace(o.Basis) == "":
			return bad("no basis: say in your own words what gives you the right to transmit on %s", o.Entry)
		case slices.ContainsFunc(overrides[:i], func(p Override) bool { return p.Entry == o.Entry }):
			return bad("entry %s is overridden twice: keep one", o.Entry)
		}
	}
	n.Overrides = slices.Clone(overrides)
	return n, nil
}

// OverrideError is a wrong override.
type OverrideError struct {
	Index   int // of the override
	Message string
}

func (e *OverrideError) Error() string { return e.Message }

// Forbids returns the first entry in force that a carrier at f touches, given
// how far off frequency it may be, in parts per million.
func (n Never) Forbids(f unit.Hz, ppm float64) (Entry, bool) {
	off := f * unit.Hz(ppm) * 1e-6
	for _, e := range n.Entries {
		if f+off >= e.From && f-off <= e.To && !n.overridden(e.Name) {
			return e, true
		}
	}
	return Entry{}, false
}

// Overridden returns the overrides that let a carrier at f pass, where no other
// entry forbids it.
func (n Never) Overridden(f unit.Hz, ppm float64) []Override {
	off := f * unit.Hz(ppm) * 1e-6
	var out []Override
	for _, e := range n.Entries {
		if f+off < e.From || f-off > e.To {
			continue
		}
		for _, o := range n.Overrides {
			if o.Entry == e.Name {
				out = append(out, o)
			}
		}
	}
	return out
}

func (n Never) overridden(name string) bool {
	return slices.ContainsFunc(n.Overrides, func(o Override) bool { return o.Entry == name })
}

// Free returns the ends of the unbroken stretch of forbidden frequencies around
// f: below the first and above the second the table says nothing. Where f is
// free both are f.
func (n Never) Free(f unit.Hz) (below, above unit.Hz) {
	below, above = f, f
	for grown := true; grown; {
		grown = false
		for _, e := range n.Entries {
			if n.overridden(e.Name) || e.From > above || e.To < below {
				continue
			}
			if e.From < below || e.To > above {
				below, above, grown = min(below, e.From), max(above, e.To), true
			}
		}
	}
	return below, above
}

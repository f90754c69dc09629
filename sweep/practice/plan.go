package practice

import (
	"fmt"
	"slices"
	"strings"

	"lidded/driver/strict"
	"lidded/driver/unit"
	"lidded/driver/word"
	"lidded/sweep"
)

// Plan is a plan of a config: one of its own, or a preset with what belongs to
// the bench.
type Plan struct {
	sweep.PlanSpec `yaml:",inline"`

	Preset   string    `yaml:"preset"` // take over this preset; what the plan says itself wins
	Only     []string  `yaml:"only"`   // of the preset, only these bands
	Level    *unit.DBm `yaml:"level"`  // for all bands that say no other
	RBW      unit.Hz   `yaml:"rbw"`    // likewise
	Modes    ModeRule  `yaml:"modes"`  // what to do about resonances of the specimens
	Practice *Practice `yaml:"practice"`
}

// ModeRule says what a plan does about the resonances of a specimen's cavity.
type ModeRule uint8

// The rules.
const (
	ModesKept     ModeRule = iota // the frequencies stay; the caution is shown
	ModesAvoided                  // frequencies near a mode move beside it
	ModesFollowed                 // frequencies are added across each of the first modes
)

var ruleNames = word.List{"keep", "avoid", "densify"}

// String gives the rule's name as the files write it.
func (r ModeRule) String() string { return ruleNames.Of(int(r)) }

// MarshalText writes the name.
func (r ModeRule) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText reads "keep", "avoid" or "densify".
func (r *ModeRule) UnmarshalText(text []byte) error {
	i := slices.Index(ruleNames, strings.ToLower(strings.TrimSpace(string(text))))
	if i < 0 {
		return fmt.Errorf("unknown rule for modes %q: use %s", text, strings.Join(ruleNames, ", "))
	}
	*r = ModeRule(i)
	return nil
}

// Resolved is a plan with its preset taken over.
type Resolved struct {
	Spec     sweep.PlanSpec
	Practice *Practice // nil: the plan follows none
	Modes    ModeRule

	own    []int // index in the config's own list of each band; -1: of the preset
	preset string
	broken bool
}

// Unusable reports whether Resolve found problems: the plan is not to be
// compiled.
func (r Resolved) Unusable() bool { return r.broken }

// Resolve takes the preset over and fills levels and bandwidths. Paths of the
// problems are those of the plan as written.
func (p Plan) Resolve(l *Library) (Resolved, []sweep.Problem) {
	var bad []sweep.Problem
	fail := func(path, format string, args ...any) {
		bad = append(bad, sweep.Problem{Path: path, Message: fmt.Sprintf(format, args...)})
	}
	r := Resolved{Spec: p.PlanSpec, Practice: p.Practice, Modes: p.Modes, preset: p.Preset}
	if p.Practice != nil {
		p.Practice.fillMarks()
		p.Practice.check("practice", fail)
	}
	r.Spec.Bands, r.own = slices.Clone(p.Bands), make([]int, len(p.Bands))
	for i := range r.own {
		r.own[i] = i
	}
	switch {
	case p.Preset != "":
		preset, err := l.Get(p.Preset)
		if err != nil {
			fail("preset", "%v", err)
			break
		}
		r.takeOver(p, preset, fail)
	case len(p.Only) > 0:
		fail("only", "only chooses bands of a preset, and the plan names none: take it out, or name a preset")
	}
	for i := range r.Spec.Bands {
		b := &r.Spec.Bands[i]
		if b.Level == nil {
			b.Level = p.Level
		}
		if b.RBW == 0 {
			b.RBW = p.RBW
		}
	}
	if p.Preset != "" && len(bad) == 0 {
		r.missing(fail)
	}
	r.broken = len(bad) > 0
	return r, bad
}

// missing asks once for what the preset leaves to the bench.
func (r Resolved) missing(fail func(path, format string, args ...any)) {
	for _, b := range r.Spec.Bands {
		if b.Level == nil {
			fail("level", "preset %s leaves the source level to you: write level: 0 dBm for all its bands, or set it under bands for %q", r.preset, b.Name)
			break
		}
	}
	for _, b := range r.Spec.Bands {
		if b.RBW == 0 {
			fail("rbw", "preset %s leaves the resolution bandwidth to you: write rbw: 1 kHz for all its bands, or set it under bands for %q", r.preset, b.Name)
			break
		}
	}
}

// takeOver puts the preset under what the plan says itself.
func (r *Resolved) takeOver(p Plan, preset *Preset, fail func(path, format string, args ...any)) {
	if r.Practice == nil {
		annotation := preset.Practice
		r.Practice = &annotation
	}
	s, d := &r.Spec, preset.PlanSpec
	orString(&s.Name, d.Name)
	orString(&s.About, d.About)
	orString(&s.Requirement, d.Requirement)
	if s.Headroom == nil {
		s.Headroom = d.Headroom
	}
	if s.DriftLimit == nil {
		s.DriftLimit = d.DriftLimit
	}
	if len(s.Polarizations) == 0 {
		s.Polarizations = slices.Clone(d.Polarizations)
	}
	if len(s.Positions) == 0 {
		s.Positions = slices.Clone(d.Positions)
	}
	names := make([]string, len(d.Bands))
	for i, b := range d.Bands {
		names[i] = b.Name
	}
	for i, n := range p.Only {
		if !slices.Contains(names, n) {
			fail(fmt.Sprintf("only[%d]", i), "preset %s has no band %q%s", preset.Name, n, nearOrAll(n, names))
		}
	}
	var bands []sweep.BandSpec
	var own []int
	used := map[int]bool{}
	for _, b := range d.Bands {
		if len(p.Only) > 0 && !slices.Contains(p.Only, b.Name) {
			continue
		}
		from := -1
		for i, o := range p.Bands {
			if o.Name == b.Name {
				b, from, used[i] = overlaid(b, o), i, true
			}
		}
		bands, own = append(bands, b), append(own, from)
	}
	for i, o := range p.Bands {
		if !used[i] {
			bands, own = append(bands, o), append(own, i)
		}
	}
	s.Bands, r.own = bands, own
}

func nearOrAll(name string, names []string) string {
	if near := strict.Nearest(name, names); near != "" {
		return fmt.Sprintf(": did you mean %q?", near)
	}
	return ": it has " + strings.Join(names, ", ")
}

// overlaid is a preset's band with what the plan's own band of that name says.
func overlaid(b, own sweep.BandSpec) sweep.BandSpec {
	if len(own.Freqs) > 0 || own.From > 0 || own.To > 0 {
		own.Field = orField(own.Field, b.Field)
		return own
	}
	if own.Level != nil {
		b.Level = own.Level
	}
	if own.RBW > 0 {
		b.RBW = own.RBW
	}
	if own.Span > 0 {
		b.Span = own.Span
	}
	if own.Dwell > 0 {
		b.Dwell = own.Dwell
	}
	if own.Detector > 0 {
		b.Detector = own.Detector
	}
	if own.Attenuation != nil {
		b.Attenuation = own.Attenuation
	}
	if own.RefLevel != nil {
		b.RefLevel = own.RefLevel
	}
	b.Field = orField(own.Field, b.Field)
	return b
}

func orField[T ~int](a, b T) T {
	if a != 0 {
		return a
	}
	return b
}

func orString(s *string, def string) {
	if *s == "" {
		*s = def
	}
}

// Path turns the path of a problem in the resolved plan into one of the plan
// as written.
func (r Resolved) Path(path string) string {
	var i int
	if n, _ := fmt.Sscanf(path, "bands[%d]", &i); n != 1 || i < 0 || i >= len(r.own) {
		return path
	}
	if r.own[i] < 0 {
		return "preset"
	}
	_, rest, _ := strings.Cut(path, "]")
	return fmt.Sprintf("bands[%d]%s", r.own[i], rest)
}

package practice

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"lidded/configs"
	"lidded/driver/strict"
	"lidded/driver/unit"
	"lidded/sweep"
)

// Preset is a plan after a practice: all but source levels, bandwidths and
// whatever else belongs to a bench.
type Preset struct {
	sweep.PlanSpec `yaml:",inline"`
	Practice       Practice `yaml:"practice"`

	Text string `yaml:"-"` // as the file has it
}

// Load reads a preset from YAML; the errors give file, line, column and the cure.
func Load(file string, data []byte) (*Preset, error) {
	p := Preset{Text: string(data)}
	doc, err := strict.Read(file, data, &p)
	if err != nil {
		return nil, err
	}
	var errs []error
	bad := func(path, format string, args ...any) { errs = append(errs, doc.Errorf(path, format, args...)) }
	p.Practice.check("practice", bad)
	p.Practice.fillMarks()
	for i, b := range p.Bands {
		if b.Name == "" {
			bad(fmt.Sprintf("bands[%d]", i), "need a name, so that a plan can change the band")
		}
		if !slices.ContainsFunc(p.Practice.Bands, func(a Band) bool { return a.Name == b.Name }) {
			bad(fmt.Sprintf("bands[%d].name", i), "practice.bands has no %q: say how it is measured", b.Name)
		}
	}
	if _, problems := sweep.Compile(filled(p.PlanSpec), sweep.Bench{}); len(problems) > 0 {
		for _, q := range problems {
			bad(q.Path, "%s", q.Message)
		}
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	return &p, nil
}

// filled is the plan with a level and a bandwidth wherever one is missing, to
// check the rest of it.
func filled(s sweep.PlanSpec) sweep.PlanSpec {
	s.Bands = slices.Clone(s.Bands)
	level := unit.DBm(0)
	for i := range s.Bands {
		if s.Bands[i].Level == nil {
			s.Bands[i].Level = &level
		}
		if s.Bands[i].RBW == 0 {
			s.Bands[i].RBW = 1
		}
	}
	return s
}

// Library is the set of presets known by name.
type Library struct{ presets []*Preset }

// Builtin returns the presets that ship with the program.
func Builtin() (*Library, error) {
	files, err := fs.Glob(configs.FS, "plans/*.yaml")
	if err != nil {
		return nil, fmt.Errorf("list built-in plans: %w", err)
	}
	l := &Library{}
	for _, f := range files {
		data, err := configs.FS.ReadFile(f)
		if err != nil {
			return nil, fmt.Errorf("read built-in plan: %w", err)
		}
		p, err := Load(path.Base(f), data)
		if err != nil {
			return nil, err
		}
		l.presets = append(l.presets, p)
	}
	slices.SortFunc(l.presets, func(a, b *Preset) int { return strings.Compare(a.Name, b.Name) })
	return l, nil
}

// Get returns the preset with a name; the error for an unknown one names the nearest.
func (l *Library) Get(name string) (*Preset, error) {
	for _, p := range l.presets {
		if p.Name == name {
			return p, nil
		}
	}
	names := l.Names()
	if near := strict.Nearest(name, names); near != "" {
		return nil, fmt.Errorf("unknown preset %q: did you mean %q?", name, near)
	}
	return nil, fmt.Errorf("unknown preset %q: known are %s", name, strings.Join(names, ", "))
}

// Names lists the known names, sorted.
func (l *Library) Names() []string {
	out := make([]string, len(l.presets))
	for i, p := range l.presets {
		out[i] = p.Name
	}
	return out
}

// Presets lists the presets, sorted by name.
func (l *Library) Presets() []*Preset { return slices.Clone(l.presets) }

// Item prints the preset as an entry under "plans:" of a config, with what a
// bench must add.
func (p *Preset) Item() string {
	var s strings.Builder
	s.WriteString("plans:\n")
	lead := "  - "
	for line := range strings.Lines(p.Text) {
		line = strings.TrimRight(line, "\n")
		switch {
		case line == "":
			s.WriteString("\n")
			continue
		case lead == "  - " && strings.HasPrefix(line, "#"):
			s.WriteString("  " + line + "\n")
			continue
		}
		s.WriteString(lead + line + "\n")
		if lead == "  - " {
			lead = "    "
			s.WriteString("    level: 0 dBm    # yours: of the source, for all bands that say no other\n")
			s.WriteString("    rbw: 1 kHz      # yours: of the analyzer, likewise\n")
		}
	}
	return s.String()
}

package daemon

import (
	"context"
	"fmt"
	"os"
	"path"
	"regexp"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/specimens"
	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/instrument"
	"lidded/driver/link"
	"lidded/sweep"
	"lidded/sweep/engine"
	"lidded/sweep/practice"
	"lidded/sweep/requirement"
)

// Lab is a config with everything looked up that it names: dialects,
// requirement lines, compiled plans. It needs no hardware and opens no store.
type Lab struct {
	Config   *config.Config
	Dialects *dialect.Library
	Lines    *requirement.Library
	Presets  *practice.Library
	Shelf    *specimens.Shelf // how the specimens are made, as far as the config says
	benches  map[string]*Bench
}

// Bench is a bench of the config with its dialects and what the domain knows.
type Bench struct {
	Config           config.Bench
	Facts            sweep.Bench
	Analyzer, Source *dialect.Dialect
}

// inOrder lists the benches in the order of the config.
func (l *Lab) inOrder() []*Bench {
	list := make([]*Bench, len(l.Config.Benches))
	for i, b := range l.Config.Benches {
		list[i] = l.benches[b.Name]
	}
	return list
}

// NewLab looks everything up that the config names. Errors name file, line and
// column.
func NewLab(c *config.Config) (*Lab, error) {
	l := &Lab{Config: c, benches: map[string]*Bench{}}
	var err error
	if l.Dialects, err = Dialects(c.Daemon.Dialects); err != nil {
		return nil, err
	}
	if l.Lines, err = requirement.Builtin(); err != nil {
		return nil, err
	}
	if dir := c.Daemon.Requirements; dir != "" {
		if err := l.Lines.Add(os.DirFS(dir)); err != nil {
			return nil, c.Errorf("daemon.requirements", "%v", err)
		}
	}
	if l.Presets, err = practice.Builtin(); err != nil {
		return nil, err
	}
	if l.Shelf, err = specimens.Of(c); err != nil {
		return nil, err
	}
	for i := range c.Specimens { // a run keeps how its specimens were made
		known, _ := l.Shelf.Get(c.Specimens[i].Name)
		c.Specimens[i].Made = known.Text
	}
	for i, b := range c.Benches {
		if err := l.add(b, fmt.Sprintf("benches[%d]", i)); err != nil {
			return nil, err
		}
	}
	for i, p := range c.Plans {
		if p.Requirement == "" {
			continue
		}
		if _, err := l.Lines.Get(p.Requirement); err != nil {
			return nil, c.Errorf(fmt.Sprintf("plans[%d].requirement", i), "%v", err)
		}
	}
	return l, nil
}

// Dialects are the shipped ones and those of a folder, which win; the folder
// may be "".
func Dialects(folder string) (*dialect.Library, error) {
	lib, err := dialect.Builtin()
	if err != nil {
		return nil, err
	}
	if folder != "" {
		if _, err := os.Stat(folder); err != nil {
			return nil, fmt.Errorf("dialects folder: %w", err)
		}
		if err := lib.Add(folder, os.DirFS(folder)); err != nil {
			return nil, err
		}
	}
	return lib, nil
}

func (l *Lab) add(c config.Bench, at string) error {
	b := &Bench{Config: c, Facts: c.Facts()}
	for _, d := range []struct {
		key  string
		name string
		role dialect.Role
		to   **dialect.Dialect
	}{{"analyzer", c.Analyzer.Dialect, dialect.Analyzer, &b.Analyzer}, {"source", c.Source.Dialect, dialect.Source, &b.Source}} {
		found, err := l.Dialects.Get(d.name)
		if err != nil {
			return l.Config.Errorf(at+"."+d.key+".dialect", "%v", err)
		}
		if found.Role != d.role {
			return l.Config.Errorf(at+"."+d.key+".dialect", "dialect %s drives a %v, and this is the bench's %s: 'lidded dialects' lists both kinds", d.name, found.Role, d.key)
		}
		*d.to = found
	}
	b.Facts.AnalyzerRange = narrowed(instrument.RangesOf(b.Analyzer), b.Facts.AnalyzerRange)
	b.Facts.AnalyzerRange.Detectors = instrument.Detectors(b.Analyzer)
	b.Facts.SourceRange = narrowed(instrument.RangesOf(b.Source), b.Facts.SourceRange)
	l.benches[c.Name] = b
	return nil
}

// narrowed is what both the dialect and the config allow.
func narrowed(r driver.Range, l sweep.Limits) sweep.Limits {
	out := sweep.Limits{FreqMin: max(r.FreqMin, l.FreqMin), FreqMax: r.FreqMax, RBWMin: r.RBWMin, RBWMax: r.RBWMax}
	if l.FreqMax > 0 && (out.FreqMax == 0 || l.FreqMax < out.FreqMax) {
		out.FreqMax = l.FreqMax
	}
	return out
}

// Bench finds a bench; with one bench in the config, "" means that one.
func (l *Lab) Bench(name string) (*Bench, error) {
	if name == "" && len(l.Config.Benches) == 1 {
		name = l.Config.Benches[0].Name
	}
	if b, ok := l.benches[name]; ok {
		return b, nil
	}
	return nil, &rest.NotFoundError{What: "bench", Name: name, Known: l.Config.BenchNames()}
}

// On compiles a plan for a bench. Refusals are in the answer; an error means
// that something named does not exist or the plan itself is wrong. No
// specimens means all of the config.
func (l *Lab) On(plan, bench string, specimens []string) (rest.PlanOn, error) {
	b, err := l.Bench(bench)
	if err != nil {
		return rest.PlanOn{}, err
	}
	spec, ok := l.Config.Plan(plan)
	if !ok && plan == "" && len(l.Config.Plans) == 1 {
		spec, ok = l.Config.Plans[0], true
	}
	if !ok {
		return rest.PlanOn{}, &rest.NotFoundError{What: "plan", Name: plan, Known: l.Config.PlanNames()}
	}
	return l.on(spec, b, specimens)
}

func (l *Lab) on(spec sweep.PlanSpec, b *Bench, specimens []string) (rest.PlanOn, error) {
	boxes, err := l.Specimens(specimens)
	if err != nil {
		return rest.PlanOn{}, err
	}
	spec, changes := l.fit(spec, b, boxes)
	compiled, bad := sweep.Compile(spec, b.Facts)
	if len(bad) > 0 {
		return rest.PlanOn{}, &engine.RefusedError{What: fmt.Sprintf("plan %s on bench %s", spec.Name, b.Facts.Name), Problems: bad}
	}
	out := rest.PlanOn{Plan: compiled, Bench: b.Facts.Name, Steps: sweep.Steps(compiled, b.Facts, boxes)}
	for _, s := range boxes {
		out.Specimens = append(out.Specimens, s.Name)
	}
	if compiled.Requirement != "" {
		if out.Line, err = l.Lines.Get(compiled.Requirement); err != nil {
			return rest.PlanOn{}, err
		}
		if c := out.Line.Caution(); c != "" {
			out.Warnings = append(out.Warnings, "requirement "+compiled.Requirement+": "+c)
		}
	}
	out.Estimate = sweep.Predict(compiled, b.Facts, out.Line, boxes)
	out.Warnings = append(out.Warnings, out.Estimate.Notes...)
	out.Warnings = append(out.Warnings, changes...)
	out.Warnings = append(out.Warnings, l.cautions(compiled, boxes)...)
	out.Refusals = sweep.CheckOn(compiled, b.Facts)
	return out, nil
}

// Specimens finds specimens by name; none means all of the config.
func (l *Lab) Specimens(names []string) ([]sweep.Specimen, error) {
	if len(names) == 0 {
		names = l.Config.SpecimenNames()
	}
	out := make([]sweep.Specimen, 0, len(names))
	for i, n := range names {
		s, ok := l.Config.Specimen(n)
		if !ok {
			return nil, &rest.NotFoundError{What: "specimen", Name: n, Known: l.Config.SpecimenNames()}
		}
		for _, before := range names[:i] {
			if before == n {
				return nil, &engine.RefusedError{What: "the list of specimens", Problems: []sweep.Problem{{Path: "specimens", Message: fmt.Sprintf("specimen %q stands twice: keep one", n)}}}
			}
		}
		out = append(out, s)
	}
	return out, nil
}

// Spec says how to open one of the bench's instruments.
func (b *Bench) Spec(role dialect.Role) (instrument.Spec, error) {
	in, d, name := b.Config.Analyzer, b.Analyzer, "analyzer"
	if role == dialect.Source {
		in, d, name = b.Config.Source.Instrument, b.Source, "source"
	}
	addr, err := link.Parse(in.Address)
	if err != nil {
		return instrument.Spec{}, err
	}
	return instrument.Spec{Name: path.Join(b.Config.Name, name), Address: addr, Dialect: d, FastClock: b.Config.TimeScale > 1}, nil
}

// Open opens both instruments of the bench; an error is an *OpenError, beside
// which the one that could be opened is returned.
func (b *Bench) Open(ctx context.Context, analyzer, source func(*instrument.Spec)) (driver.Analyzer, driver.Source, error) {
	type opened struct {
		a   driver.Analyzer
		err error
	}
	as, err := b.Spec(dialect.Analyzer)
	if err != nil {
		return nil, nil, err
	}
	ss, err := b.Spec(dialect.Source)
	if err != nil {
		return nil, nil, err
	}
	analyzer(&as)
	source(&ss)
	done := make(chan opened, 1)
	go func() {
		a, err := instrument.OpenAnalyzer(ctx, as)
		if err == nil {
			if err = expected(a, as.Name, b.Config.Analyzer.Expect); err == nil {
				done <- opened{a, nil}
				return
			}
			a.Close()
		}
		done <- opened{nil, err}
	}()
	s, serr := instrument.OpenSource(ctx, ss)
	if serr == nil {
		if serr = expected(s, ss.Name, b.Config.Source.Expect); serr != nil {
			s.Close()
		}
	}
	o := <-done
	if serr != nil {
		return o.a, nil, &OpenError{Analyzer: o.err, Source: serr}
	}
	if o.err != nil {
		return nil, s, &OpenError{Analyzer: o.err}
	}
	return o.a, s, nil
}

// safe puts the bench's source into its safe state over a connection of its own.
func (b *Bench) safe(ctx context.Context) error {
	spec, err := b.Spec(dialect.Source)
	if err != nil {
		return err
	}
	return instrument.MakeSafe(ctx, spec)
}

// OpenError says which of a bench's instruments could not be opened, and why;
// nil: that one was.
type OpenError struct{ Analyzer, Source error }

func (e *OpenError) Error() string {
	switch {
	case e.Source == nil:
		return e.Analyzer.Error()
	case e.Analyzer == nil:
		return e.Source.Error()
	}
	return e.Source.Error() + "; " + e.Analyzer.Error() // the source matters more
}

func (e *OpenError) Unwrap() []error {
	var all []error
	for _, err := range []error{e.Source, e.Analyzer} {
		if err != nil {
			all = append(all, err)
		}
	}
	return all
}

// expected compares who answered with the config's expect.
func expected(in driver.Instrument, name, pattern string) error {
	if pattern == "" {
		return nil
	}
	re, err := regexp.Compile(pattern)
	if err != nil {
		return err
	}
	if id := in.Identity(); !re.MatchString(id.Raw) {
		return &driver.Error{Op: "identify", Instrument: name, Reply: id.Raw, Kind: driver.KindIdentity, Hint: fmt.Sprintf("the config expects an identity like %q: connect that instrument, or correct expect or address", pattern)}
	}
	return nil
}

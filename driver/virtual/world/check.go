package world

import (
	"fmt"
	"time"

	"lidded/driver/unit"
)

// Complete returns a copy in which what a description may leave out is set.
func (w *World) Complete() *World {
	c := *w
	c.Ambient = append([]Carrier(nil), w.Ambient...)
	c.fill()
	return &c
}

func (w *World) fill() {
	set := func(p *unit.Hz, v unit.Hz) {
		if *p == 0 {
			*p = v
		}
	}
	set(&w.Source.MinFreq, 100e3)
	set(&w.Source.MaxFreq, 6e9)
	set(&w.Analyzer.MinFreq, 9e3)
	set(&w.Analyzer.MaxFreq, 6e9)
	s, a := &w.Source, &w.Analyzer
	if s.MinLevel == 0 && s.MaxLevel == 0 {
		s.MinLevel, s.MaxLevel = -110, 20
	}
	if s.Settle == 0 {
		s.Settle = 5 * time.Millisecond
	}
	if a.NoiseFigure == 0 {
		a.NoiseFigure = 24
	}
	if a.PreampGain == 0 {
		a.PreampGain = 20
	}
	if a.PreampNoiseFigure == 0 {
		a.PreampNoiseFigure = 8
	}
	if a.Compression == 0 {
		a.Compression = 3
	}
	if a.Overload == 0 {
		a.Overload = -3
	}
	if a.Headroom == 0 {
		a.Headroom = 10
	}
	for i := range w.Ambient {
		c := &w.Ambient[i]
		if c.Kind == "" {
			c.Kind = "steady"
		}
	}
}

// Check reports the first thing that is wrong, naming the place.
func (w *World) Check() error {
	c := checker{w: w}
	if w.Name == "" {
		c.fail("name", "is missing: give the world a name")
	}
	c.band("source", w.Source.MinFreq, w.Source.MaxFreq)
	c.band("analyzer", w.Analyzer.MinFreq, w.Analyzer.MaxFreq)
	if !(w.Source.MinLevel < w.Source.MaxLevel) {
		c.fail("source.max_level", "must be above min_level")
	}
	if w.Source.Settle < 0 {
		c.fail("source.settle", "must not be negative")
	}
	if w.Analyzer.NoiseFigure < 0 {
		c.fail("analyzer.noise_figure", "must not be negative")
	}
	c.rising("path", len(w.Path), func(i int) unit.Hz { return w.Path[i].Freq })
	c.rising("source.flatness", len(w.Source.Flatness), func(i int) unit.Hz { return w.Source.Flatness[i].Freq })
	c.names("positions", len(w.Positions), func(i int) string { return w.Positions[i].Name })
	c.names("polarizations", len(w.Polarizations), func(i int) string { return w.Polarizations[i].Name })
	c.names("enclosures", len(w.Enclosures), func(i int) string { return w.Enclosures[i].Name })
	for i, a := range w.Ambient {
		at := fmt.Sprintf("ambient[%d]", i)
		if a.Freq <= 0 {
			c.fail(at+".freq", "must be above 0 Hz")
		}
		switch a.Kind {
		case "steady":
		case "modulated":
			if a.Width <= 0 {
				c.fail(at+".width", "must be above 0 Hz for a modulated carrier")
			}
		case "intermittent":
			if a.Period <= 0 {
				c.fail(at+".period", "must be above zero for an intermittent carrier")
			}
			if !(a.Duty > 0 && a.Duty < 1) {
				c.fail(at+".duty", "must lie between 0 and 1 for an intermittent carrier")
			}
		default:
			c.fail(at+".kind", fmt.Sprintf("%q is unknown: use steady, modulated or intermittent", a.Kind))
		}
	}
	for i, e := range w.Enclosures {
		at := fmt.Sprintf("enclosures[%d]", i)
		if len(e.Curve) == 0 {
			c.fail(at+".curve", "is missing: give at least one point {freq, se}")
		}
		c.rising(at+".curve", len(e.Curve), func(k int) unit.Hz { return e.Curve[k].Freq })
		for k, r := range e.Resonances {
			if r.Freq <= 0 || r.Width <= 0 {
				c.fail(fmt.Sprintf("%s.resonances[%d]", at, k), "needs freq and width above 0 Hz")
			}
		}
		for k, o := range e.Offsets {
			if err := w.CheckPlace(o.Position, o.Polarization); err != nil {
				c.fail(fmt.Sprintf("%s.offsets[%d]", at, k), err.Error())
			}
		}
	}
	return c.err
}

type checker struct {
	w   *World
	err error
}

func (c *checker) fail(path, text string) {
	if c.err != nil {
		return
	}
	c.err = &Fault{Path: path, Line: c.line(path), Text: text}
}

// line returns the line of the path or of the nearest field above it.
func (c *checker) line(path string) int {
	for path != "" {
		if n, ok := c.w.lines[path]; ok {
			return n
		}
		i := len(path) - 1
		for i > 0 && path[i] != '.' && path[i] != '[' {
			i--
		}
		path = path[:i]
	}
	return 0
}

func (c *checker) band(at string, lo, hi unit.Hz) {
	if !(lo > 0 && lo < hi) {
		c.fail(at+".max_freq", "must be above min_freq, and both above 0 Hz")
	}
}

func (c *checker) rising(at string, n int, f func(int) unit.Hz) {
	for i := range n {
		if f(i) <= 0 || i > 0 && f(i) <= f(i-1) {
			c.fail(fmt.Sprintf("%s[%d].freq", at, i), "must be above 0 Hz and above the point before it")
		}
	}
}

func (c *checker) names(at string, n int, name func(int) string) {
	seen := map[string]bool{}
	for i := range n {
		where := fmt.Sprintf("%s[%d].name", at, i)
		switch {
		case name(i) == "":
			c.fail(where, "is missing")
		case seen[name(i)]:
			c.fail(where, fmt.Sprintf("%q is used twice", name(i)))
		}
		seen[name(i)] = true
	}
}

// Fault is one mistake in a description.
type Fault struct {
	File string
	Line int // 0 if not known
	Path string
	Text string
}

func (f *Fault) Error() string {
	s := ""
	if f.File != "" {
		s = f.File + ":"
		if f.Line > 0 {
			s += fmt.Sprintf("%d:", f.Line)
		}
		s += " "
	}
	if f.Path != "" {
		s += f.Path + " "
	}
	return s + f.Text
}

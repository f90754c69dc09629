package practice

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/wall"
)

// Box is a specimen whose inner size is known.
type Box struct {
	Name   string
	Cavity wall.Cavity
}

// How a plan deals with resonances. Antennas, shelves and the receiver shift
// those of the empty cavity, mostly down, by several per cent; loaded they are
// about a fiftieth of their frequency wide (common practice, no source).
const (
	modeReach  = 0.06  // relative distance within which a mode may turn up
	modeStep   = 0.015 // relative distance of added points: they cannot miss it
	modesShown = 3     // per specimen, in cautions
	modesDense = 4     // per specimen, that a plan follows
	caution    = 0.7   // of the first mode: from here on one place tells little
)

// Fit changes the frequencies of a plan as its rule for modes says, for the
// boxes whose size is known, on a bench that may not transmit everywhere. It
// returns the plan and what it did, in sentences.
func (r Resolved) Fit(boxes []Box, b sweep.Bench) (sweep.PlanSpec, []string) {
	spec := r.Spec
	if r.Modes == ModesKept {
		return spec, nil
	}
	if len(boxes) == 0 {
		return spec, []string{fmt.Sprintf("modes: %v does nothing: the size of no specimen is known; give made_of or inner", r.Modes)}
	}
	spec.Bands = slices.Clone(spec.Bands)
	var done []string
	for i := range spec.Bands {
		freqs, ok := frequencies(spec.Bands[i], b)
		if !ok {
			continue // whoever compiles the plan says what is wrong with it
		}
		edit := bandEdit{r: r, spec: spec.Bands[i], bench: b, freqs: freqs}
		edit.lo, edit.hi = r.limits(spec.Bands[i], freqs)
		for _, box := range boxes {
			for k, m := range box.Cavity.Modes(edit.hi * (1 + modeReach)) {
				switch {
				case r.Modes == ModesAvoided && box.Cavity.ModeCount(m.Freq) < crowded:
					edit.avoid(box, m)
				case r.Modes == ModesFollowed && k < modesDense:
					edit.follow(box, m)
				}
			}
		}
		if len(edit.done) > 0 {
			slices.Sort(edit.freqs)
			spec.Bands[i].Freqs = edit.freqs
			spec.Bands[i].From, spec.Bands[i].To, spec.Bands[i].Count, spec.Bands[i].Step, spec.Bands[i].PerDecade = 0, 0, 0, 0, 0
			done = append(done, edit.done...)
		}
	}
	if r.Modes == ModesAvoided && len(done) > 0 {
		done = append(done, "modes: avoid keeps the plan off resonances; it does not make them harmless: nothing is shown where the box resonates")
	}
	return spec, done
}

// crowded is the number of modes from which none can be avoided.
const crowded = 10

// frequencies lists those of one band, as the plan would be compiled.
func frequencies(band sweep.BandSpec, b sweep.Bench) ([]unit.Hz, bool) {
	p, bad := sweep.Compile(sweep.PlanSpec{Name: "band", Bands: []sweep.BandSpec{band}}, b)
	if len(bad) > 0 || len(p.Points) == 0 {
		return nil, false
	}
	out := make([]unit.Hz, len(p.Points))
	for i, q := range p.Points {
		out[i] = q.Freq
	}
	return out, true
}

// limits are where frequencies of a band may move: its annotation's edges, or
// its own ends.
func (r Resolved) limits(band sweep.BandSpec, freqs []unit.Hz) (lo, hi unit.Hz) {
	if r.Practice != nil {
		for _, a := range r.Practice.Bands {
			if a.Name == band.Name {
				return a.From, a.To
			}
		}
	}
	return slices.Min(freqs), slices.Max(freqs)
}

// bandEdit is a band whose frequencies change.
type bandEdit struct {
	r      Resolved
	spec   sweep.BandSpec
	bench  sweep.Bench
	freqs  []unit.Hz
	lo, hi unit.Hz
	done   []string
}

func (e *bandEdit) say(format string, args ...any) {
	e.done = append(e.done, fmt.Sprintf("modes: "+format, args...))
}

// may reports whether a frequency can join the band.
func (e *bandEdit) may(f unit.Hz) bool {
	if f < e.lo || f > e.hi || slices.ContainsFunc(e.freqs, func(g unit.Hz) bool { return math.Abs(float64(f/g)-1) < modeStep/4 }) {
		return false
	}
	if len(e.bench.MayTransmit) == 0 || e.spec.Level == nil {
		return true
	}
	ok, _ := sweep.Permitted(e.bench, f, *e.spec.Level)
	return ok
}

// avoid moves the frequencies near a mode just beside it.
func (e *bandEdit) avoid(box Box, m wall.Mode) {
	for i, f := range e.freqs {
		if math.Abs(float64(f/m.Freq)-1) >= modeReach {
			continue
		}
		below, above := round(m.Freq*(1-1.1*modeReach)), round(m.Freq*(1+1.1*modeReach))
		first, second := below, above
		if f > m.Freq {
			first, second = above, below
		}
		for _, g := range []unit.Hz{first, second} {
			if e.may(g) && !e.near(box, g) {
				e.freqs[i] = g
				break
			}
		}
		if e.freqs[i] == f {
			e.say("%v stays, though it is near %s of %s (%v): there is no room beside it", f, m.Name, box.Name, round(m.Freq))
			continue
		}
		e.say("%v moved to %v, off %s of %s (%v)", f, e.freqs[i], m.Name, box.Name, round(m.Freq))
	}
}

// near reports whether a frequency is near any mode of the box.
func (e *bandEdit) near(box Box, f unit.Hz) bool {
	return slices.ContainsFunc(box.Cavity.Modes(f*(1+2*modeReach)), func(m wall.Mode) bool { return math.Abs(float64(f/m.Freq)-1) < modeReach })
}

// follow adds frequencies across a mode, close enough that it cannot be missed.
func (e *bandEdit) follow(box Box, m wall.Mode) {
	n, barred := 0, 0
	steps := int(math.Round(modeReach / modeStep))
	for k := -steps; k <= steps; k++ {
		f := round(m.Freq * unit.Hz(1+modeStep*float64(k)))
		switch {
		case e.may(f):
			e.freqs = append(e.freqs, f)
			n++
		case f >= e.lo && f <= e.hi && e.spec.Level != nil:
			if ok, _ := sweep.Permitted(e.bench, f, *e.spec.Level); !ok && len(e.bench.MayTransmit) > 0 {
				barred++
			}
		}
	}
	if n > 0 {
		e.say("%d frequencies added across %s of %s (%v)", n, m.Name, box.Name, round(m.Freq))
	}
	if barred > 0 {
		e.say("%d frequencies across %s of %s (%v) left out: the bench may not transmit there", barred, m.Name, box.Name, round(m.Freq))
	}
}

// round keeps four digits: a source sets such a frequency exactly.
func round(f unit.Hz) unit.Hz {
	if !(f > 0) {
		return f
	}
	p := math.Pow(10, math.Floor(math.Log10(float64(f)))-3)
	return unit.Hz(math.Round(float64(f)/p) * p)
}

// Cautions says what is to be thought of before a compiled plan is run on
// specimens: the size the practice is for, the resonances, bands without a
// frequency, antennas. known are the boxes whose size is known; unknown the
// names of the others.
func Cautions(p sweep.Plan, pr *Practice, known []Box, unknown []string, l *Library) []string {
	var out []string
	if pr != nil {
		out = append(out, pr.cautions(p, known, unknown, l)...)
	}
	for _, box := range known {
		if s := resonances(p, box); s != "" {
			out = append(out, s)
		}
	}
	return out
}

func (pr *Practice) cautions(p sweep.Plan, known []Box, unknown []string, l *Library) []string {
	var out []string
	if c := pr.Caution(); c != "" {
		out = append(out, fmt.Sprintf("%s: %s", pr.Source(), c))
	}
	for _, box := range known {
		if pr.Size.Fits(box.Cavity) {
			continue
		}
		lo, hi := extent(box.Cavity)
		s := fmt.Sprintf("%s is for specimens with %v; %s measures %v to %v inside", pr.Source(), pr.Size, box.Name, lo, hi)
		if other := l.fitting(box.Cavity); len(other) > 0 {
			s += ": consider " + strings.Join(other, " or ")
		}
		out = append(out, s)
	}
	if len(unknown) > 0 && pr.Size.Known() {
		out = append(out, fmt.Sprintf("%s is for specimens with %v, and the size of %s is not known: give made_of or inner", pr.Source(), pr.Size, strings.Join(unknown, ", ")))
	}
	if pr.ReferenceRepeat != "" && !p.Closing {
		out = append(out, fmt.Sprintf("%s asks for the reference %s, and the plan has no_closing_reference", pr.Source(), pr.ReferenceRepeat))
	}
	return append(out, pr.coverage(p)...)
}

// coverage tells bands without a frequency, antennas and distances.
func (pr *Practice) coverage(p sweep.Plan) []string {
	var out, antennas, hints, missing []string
	for _, b := range pr.Bands {
		n := 0
		for _, q := range p.Points {
			if q.Freq >= b.From && q.Freq <= b.To && (b.Field == 0 || q.Field == b.Field) {
				n++
			}
		}
		if n == 0 {
			missing = append(missing, fmt.Sprintf("%v to %v (%v)", b.From, b.To, b.Field))
			continue
		}
		if b.Antenna != "" && !slices.Contains(antennas, b.Antenna) {
			antennas = append(antennas, b.Antenna)
		}
		hints = append(hints, fmt.Sprintf("%v to %v: %s, %v field; %s", b.From, b.To, b.Antenna, b.Field, b.Geometry))
	}
	if len(missing) > 0 {
		out = append(out, fmt.Sprintf("%s: the plan has no frequency in %d of its %d bands: %s", pr.Source(), len(missing), len(pr.Bands), strings.Join(missing, ", ")))
	}
	if len(antennas) > 1 {
		out = append(out, fmt.Sprintf("the plan needs %d kinds of antenna (%s), and a run does not stop to change them: make one plan for each with only", len(antennas), strings.Join(antennas, ", ")))
	}
	return append(out, hints...)
}

// fitting lists presets with a size limit that a cavity fits.
func (l *Library) fitting(c wall.Cavity) []string {
	var out []string
	if l == nil {
		return nil
	}
	for _, p := range l.presets {
		if p.Practice.Size.Known() && p.Practice.Size.Fits(c) {
			out = append(out, p.Name)
		}
	}
	return out
}

// resonances names the first modes of a box where the plan comes near them.
func resonances(p sweep.Plan, box Box) string {
	first := box.Cavity.FirstMode().Freq
	if !(first > 0) {
		return ""
	}
	high := 0
	for _, q := range p.Points {
		if q.Freq >= caution*first {
			high++
		}
	}
	if high == 0 {
		return ""
	}
	var names []string
	for _, m := range box.Cavity.Modes(3 * first) {
		if len(names) == modesShown {
			break
		}
		names = append(names, fmt.Sprintf("%s at %v", m.Name, round(m.Freq)))
	}
	return fmt.Sprintf("%s resonates when empty: %s, …; at %d of %d frequencies (from %v up) the SE depends on the place and may be low or negative: use several positions, and see modes: avoid or densify",
		box.Name, strings.Join(names, ", "), high, len(p.Points), round(caution*first))
}

package wall

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"lidded/driver/unit"
)

// Basis is what an inferred value stands on.
type Basis int

// The bases.
const (
	BasisUnknown Basis = iota
	AsMeasured         // a point stands here
	Between            // interpolated between two measured points
	Physics            // beyond the measured range, bounded by physics
	Nothing            // nothing may be said
)

var basisNames = []string{"unknown", "measured", "interpolated", "bounded by physics", "nothing"}

// String gives the basis's name.
func (b Basis) String() string { return choice(basisNames, int(b)) }

// Inference is what may be said of the SE at a frequency, measured or not.
type Inference struct {
	Freq      unit.Hz
	Field     Field
	Basis     Basis
	Low, High unit.DB // between; minus or plus infinity where nothing bounds it
	// Risk is the chance from 0 to 1 that a resonance between the neighbouring
	// measured points went unseen; zero unless interpolated.
	Risk  float64
	Modes []Mode // of the empty cavity, between the neighbours
	Text  string // what it stands on and what it assumes
}

// Inferer says what may be inferred from measured points of one field.
type Inferer struct {
	field Field
	s     []sample
	model *Model
}

// loadedQ is the quality assumed for a resonance of a furnished enclosure when
// the risk of an unseen one is worked out (common practice, no source).
const loadedQ = 50

// Infer prepares inference from measured points of a field; at each frequency
// the lowest counts. A model is optional: with it the cavity's modes are known
// and openings bound the SE from above.
func Infer(field Field, points []Point, m *Model) (*Inferer, error) {
	byFreq := map[unit.Hz][]Point{}
	for _, p := range points {
		if p.Field == field && p.Freq > 0 && math.Abs(float64(p.SE)) < 1000 {
			byFreq[p.Freq] = append(byFreq[p.Freq], p)
		}
	}
	if len(byFreq) == 0 {
		return nil, errors.New("nothing was measured in the " + field.String() + " field: nothing can be inferred")
	}
	in := &Inferer{field: field, model: m}
	for f, ps := range byFreq {
		s := lowest(ps)
		s.f = f
		in.s = append(in.s, s)
	}
	slices.SortFunc(in.s, func(a, b sample) int { return cmp.Compare(a.f, b.f) })
	return in, nil
}

// interval returns what a sample itself leaves open.
func (s sample) interval() (lo, hi unit.DB) {
	if s.bound {
		return s.se, unit.DB(math.Inf(1))
	}
	return s.se - s.u, s.se + s.u
}

// At returns what may be said at a frequency.
func (in *Inferer) At(f unit.Hz) Inference {
	i, exact := slices.BinarySearchFunc(in.s, f, func(s sample, f unit.Hz) int { return cmp.Compare(s.f, f) })
	switch {
	case exact:
		lo, hi := in.s[i].interval()
		return Inference{Freq: f, Field: in.field, Basis: AsMeasured, Low: lo, High: hi, Text: "measured here"}
	case !(f > 0):
		return in.nothing(f, "a frequency must be above zero")
	case i == 0:
		return in.below(f)
	case i == len(in.s):
		return in.above(f)
	}
	return in.between(f, in.s[i-1], in.s[i])
}

func (in *Inferer) nothing(f unit.Hz, why string) Inference {
	inf := unit.DB(math.Inf(1))
	return Inference{Freq: f, Field: in.field, Basis: Nothing, Low: -inf, High: inf, Text: why}
}

// between interpolates in dB against log frequency.
func (in *Inferer) between(f unit.Hz, a, b sample) Inference {
	t := unit.DB(math.Log(float64(f/a.f)) / math.Log(float64(b.f/a.f)))
	aLo, aHi := a.interval()
	bLo, bHi := b.interval()
	out := Inference{Freq: f, Field: in.field, Basis: Between, Low: aLo + t*(bLo-aLo), High: unit.DB(math.Inf(1))}
	if !a.bound && !b.bound {
		out.High = aHi + t*(bHi-aHi)
	}
	out.Risk, out.Modes = in.risk(a.f, b.f)
	out.Text = fmt.Sprintf("interpolated in dB against log frequency between %v and %v; %s", a.f, b.f, in.riskText(out, a.f, b.f))
	if a.bound || b.bound {
		out.Text += "; an end is only a bound, so this is the course of a bound"
	}
	return out
}

// risk is the chance that a resonance between two points went unseen. A dip of
// quality Q at f is f/Q wide; a point that falls into it sees it. With a model
// each mode of the empty cavity is a possible dip; without one, a single dip
// somewhere between is taken for granted.
func (in *Inferer) risk(a, b unit.Hz) (float64, []Mode) {
	gap := float64(b - a)
	unseen := func(f float64) float64 { return math.Max(0, 1-f/loadedQ/gap) }
	if in.model == nil {
		return unseen(math.Sqrt(float64(a) * float64(b))), nil
	}
	var modes []Mode
	seen := 1.0
	reach := unit.Hz(modeReach)
	for _, m := range in.model.Modes(b * (1 + reach)) {
		if m.Freq < a*(1-reach) {
			continue
		}
		modes = append(modes, m)
		seen *= 1 - unseen(float64(m.Freq))
	}
	return 1 - seen, modes
}

func (in *Inferer) riskText(out Inference, a, b unit.Hz) string {
	switch {
	case in.model == nil:
		return fmt.Sprintf("the enclosure's size is not known: a resonance of Q %d between the points would go unseen with a chance of %.0f %%", loadedQ, 100*out.Risk)
	case len(out.Modes) == 0 && b < in.model.first.Freq:
		return fmt.Sprintf("no cavity mode lies there (the first is %s at %v); a long slot could still resonate", in.model.first.Name, round3(in.model.first.Freq))
	case len(out.Modes) == 0:
		return "no cavity mode of the empty enclosure lies there; a slot or a loaded cavity could still resonate"
	}
	return fmt.Sprintf("%d cavity modes lie there or within %.0f %%, the lowest %s at %v: with Q %d the chance that a dip went unseen is %.0f %%",
		len(out.Modes), 100*modeReach, out.Modes[0].Name, round3(out.Modes[0].Freq), loadedQ, 100*out.Risk)
}

// below says what physics bounds under the lowest measured frequency.
//
// Magnetic: in a closed conducting shell without resonance the flux inside is
// a sum of decays, each with a positive weight, so the SE never rises as the
// frequency falls, and for a passive shell at rest it does not go below 0 dB.
//
// Electric: walls shield a slow electric field better and better, and an
// opening much shorter than the wavelength lets in a part of it that does not
// grow as the frequency falls; so the SE does not fall.
//
// Plane wave: there is no such rule, for it is one or the other.
func (in *Inferer) below(f unit.Hz) Inference {
	s := in.s[0]
	lo, hi := s.interval()
	if in.model != nil && s.f > belowModes*in.model.first.Freq {
		return in.nothing(f, fmt.Sprintf("below the measured range, and the lowest point (%v) is already near the resonances of the cavity: nothing bounds the SE", s.f))
	}
	proviso := "provided the lowest point is well below every resonance and no unfiltered conductor passes the wall"
	switch in.field {
	case Magnetic:
		return Inference{Freq: f, Field: in.field, Basis: Physics, Low: min(0, lo), High: hi,
			Text: fmt.Sprintf("below the measured range: the magnetic SE of a passive shell falls with frequency, so it is at most that at %v and at least 0 dB, %s", s.f, proviso)}
	case Electric:
		return Inference{Freq: f, Field: in.field, Basis: Physics, Low: lo, High: unit.DB(math.Inf(1)),
			Text: fmt.Sprintf("below the measured range: the electric SE does not fall with falling frequency, so it is at least that at %v, %s", s.f, proviso)}
	}
	return in.nothing(f, "below the measured range a plane wave has no simple rule: measure the magnetic or the electric field there")
}

// above says that nothing bounds the SE from below over the highest measured
// frequency; a described opening bounds it from above.
func (in *Inferer) above(f unit.Hz) Inference {
	out := in.nothing(f, fmt.Sprintf("above the measured range (%v) openings and resonances can take any SE away: measure there", in.s[len(in.s)-1].f))
	if in.model == nil {
		return out
	}
	e := in.model.At(in.field, f)
	if e.Valid && e.High < ceiling {
		out.Basis, out.High = Physics, e.High
		out.Text += fmt.Sprintf("; no more than %v can be expected, because of the %s as described", e.High, e.Paths[0].Name)
	}
	return out
}

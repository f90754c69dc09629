package wall

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"lidded/driver/unit"
)

// Point is a measured shielding effectiveness.
type Point struct {
	Freq         unit.Hz
	Field        Field
	SE           unit.DB
	U            unit.DB // half-width of the two-sided interval; ignored for a bound
	Bound        bool    // the SE is at least this
	Position     string
	Polarization string
}

// Agreement is how a stretch of measured points stands to the expectation.
type Agreement int

// The agreements.
const (
	AgreementUnknown Agreement = iota
	Agrees
	Lower  // the shield does less than it should
	Higher // it does more: the description may be too careful
	Dip    // a narrow dip
)

var agreementNames = []string{"unknown", "agrees", "lower", "higher", "dip"}

// String gives the agreement's name.
func (a Agreement) String() string { return choice(agreementNames, int(a)) }

// Cause is what may lie behind a difference.
type Cause int

// The causes.
const (
	CauseUnknown Cause = iota
	CauseSlot
	CauseLidEdge
	CauseResonance
	CausePoorBonding
	CauseCoarseMesh
	CauseThinWall
)

var causeNames = []string{"unknown", "slot", "unbonded lid edge", "cavity resonance", "poor bonding", "coarse mesh", "thin wall"}

// String gives the cause's name.
func (c Cause) String() string { return choice(causeNames, int(c)) }

// Hypothesis is one possible explanation: never more than that.
type Hypothesis struct {
	Cause    Cause
	Says     string   // one sentence
	Size     Metre    // slot length, mesh pitch or wall thickness that fits; zero where it means nothing
	Mode     Mode     // for a cavity resonance
	Slope    float64  // for poor bonding: dB per decade of frequency
	Misfit   float64  // rms of what is left, in units of the combined spread; 1 is as good as can be told
	Evidence []string // what speaks for it
	Next     string   // what to measure next to tell
}

// Finding is one stretch of frequencies in one field.
type Finding struct {
	Field      Field
	From, To   unit.Hz
	Points     int
	Agreement  Agreement
	Difference unit.DB      // largest distance outside the band, or depth of the dip; zero when it agrees
	Hypotheses []Hypothesis // the likeliest first; empty when nothing needs one or nothing fits
	Says       string
}

// NoModel is what a finding says when nothing fits.
const NoModel = "no model explains this"

// Explain compares measured points with the expectation, field by field. At
// each frequency the lowest SE over positions and polarizations counts. A
// point that is only a bound is never held against the specimen. Points that
// are not numbers are left out.
func (m *Model) Explain(points []Point) []Finding {
	var out []Finding
	for _, field := range Fields() {
		s := m.samples(field, points)
		if len(s) == 0 {
			continue
		}
		out = append(out, m.findings(field, s)...)
	}
	return out
}

// sample is the lowest SE at one frequency against its expectation.
type sample struct {
	f      unit.Hz
	se, u  unit.DB
	bound  bool
	expect Expectation
	split  unit.DB // between polarizations at the same frequency; NaN when only one
	where  string  // position of the lowest point
	places int     // how many positions there are points of
	dip    bool
}

// A sample is outside the band when it is clear of it by one and a half times
// its uncertainty (three standard deviations: there are many points, and one
// in twenty lies beyond the uncertainty by chance) and half a decibel.
const (
	clearBy = 1.5
	grace   = 0.5
)

// agreement of the sample with the band; a bound below the band says nothing against it.
func (s sample) agreement() Agreement {
	switch {
	case s.dip:
		return Dip
	case !s.bound && s.se+clearBy*s.u+grace < s.expect.Low:
		return Lower
	case s.se-clearBy*s.u-grace > s.expect.High:
		return Higher
	}
	return Agrees
}

func (m *Model) samples(field Field, points []Point) []sample {
	byFreq := map[unit.Hz][]Point{}
	for _, p := range points {
		if p.Field != field || !(p.Freq > 0) || math.IsInf(float64(p.Freq), 0) || !(math.Abs(float64(p.SE)) < 1000) {
			continue
		}
		byFreq[p.Freq] = append(byFreq[p.Freq], p)
	}
	out := make([]sample, 0, len(byFreq))
	for f, ps := range byFreq {
		s := lowest(ps)
		s.f = f
		s.expect = m.At(field, f)
		out = append(out, s)
	}
	slices.SortFunc(out, func(a, b sample) int { return cmp.Compare(a.f, b.f) })
	return out
}

// lowest takes the minimum over positions and polarizations. A minimum over
// bounds is a bound; so is one whose lowest is a bound.
func lowest(ps []Point) sample {
	low := slices.MinFunc(ps, func(a, b Point) int { return cmp.Compare(a.SE, b.SE) })
	s := sample{se: low.SE, bound: low.Bound, where: low.Position, split: unit.DB(math.NaN())}
	if u := low.U; !low.Bound && u > 0 && u < 1000 {
		s.u = u
	}
	worst, places := map[string]unit.DB{}, map[string]bool{}
	for _, p := range ps {
		places[p.Position] = true
		if v, ok := worst[p.Polarization]; p.Polarization != "" && (!ok || p.SE < v) {
			worst[p.Polarization] = p.SE
		}
	}
	s.places = len(places)
	if len(worst) > 1 {
		lo, hi := unit.DB(math.Inf(1)), unit.DB(math.Inf(-1))
		for _, v := range worst {
			lo, hi = min(lo, v), max(hi, v)
		}
		s.split = hi - lo
	}
	return s
}

func (m *Model) findings(field Field, s []sample) []Finding {
	dips := findDips(s)
	for _, d := range dips {
		for i := d.from; i <= d.to; i++ {
			s[i].dip = true
		}
	}
	var out []Finding
	var causes []Hypothesis // the same for every low stretch of a field
	fitted := false
	for from := 0; from < len(s); {
		a := s[from].agreement()
		to := from
		for to+1 < len(s) && s[to+1].agreement() == a && (a != Dip || sameDip(dips, to, to+1)) {
			to++
		}
		f := Finding{Field: field, From: s[from].f, To: s[to].f, Points: to - from + 1, Agreement: a}
		switch a {
		case Dip:
			d := dips[slices.IndexFunc(dips, func(d dip) bool { return d.from <= from && from <= d.to })]
			f.Difference = d.depth
			f.Hypotheses = m.explainDip(s, d)
		case Lower:
			if !fitted {
				causes, fitted = m.fit(field, s), true
			}
			f.Hypotheses = causes
			for _, x := range s[from : to+1] {
				f.Difference = max(f.Difference, x.expect.Low-x.se)
			}
		case Higher:
			for _, x := range s[from : to+1] {
				f.Difference = max(f.Difference, x.se-x.expect.High)
			}
		}
		f.Says = f.sentence()
		out = append(out, f)
		from = to + 1
	}
	return out
}

func (f Finding) sentence() string {
	where := fmt.Sprintf("%s field, %v to %v", f.Field, f.From, f.To)
	if f.From == f.To {
		where = fmt.Sprintf("%s field at %v", f.Field, f.From)
	}
	switch f.Agreement {
	case Agrees:
		return where + ": agrees with what the wall should do"
	case Higher:
		return fmt.Sprintf("%s: up to %v more than expected; the description may be too careful", where, f.Difference)
	}
	what := fmt.Sprintf("up to %v less than expected", f.Difference)
	if f.Agreement == Dip {
		what = fmt.Sprintf("a narrow dip of %v", f.Difference)
	}
	if len(f.Hypotheses) == 0 {
		return fmt.Sprintf("%s: %s; %s", where, what, NoModel)
	}
	return fmt.Sprintf("%s: %s; perhaps %s", where, what, f.Hypotheses[0].Says)
}

// dip is a narrow fall of the SE between neighbours on both sides.
type dip struct {
	from, at, to int // indexes of the samples
	depth        unit.DB
}

func sameDip(dips []dip, i, j int) bool {
	return slices.ContainsFunc(dips, func(d dip) bool { return d.from <= i && j <= d.to })
}

// Shape of a dip: neighbours are at least this far away in frequency, and the
// fall is at least this deep and clear of the uncertainty.
const (
	dipReach   = 1.06
	dipWidest  = 1.4
	dipMinimum = 6 // dB
)

// findDips returns the narrow dips, the deepest first where two overlap.
func findDips(s []sample) []dip {
	var out []dip
	for at := 1; at+1 < len(s); at++ {
		if s[at].bound || s[at].se > s[at-1].se || s[at].se > s[at+1].se {
			continue
		}
		left, right := shoulder(s, at, -1), shoulder(s, at, 1)
		if left < 0 || right < 0 || s[right].f > s[left].f*4 {
			continue // no neighbour near enough to call the fall narrow
		}
		u := math.Log(float64(s[at].f/s[left].f)) / math.Log(float64(s[right].f/s[left].f))
		base := s[left].se + unit.DB(u)*(s[right].se-s[left].se)
		depth := base - s[at].se
		// both shoulders must stand out, or it is a slope and not a dip
		if depth < dipMinimum+2*s[at].u || s[left].se-s[at].se < depth/2 || s[right].se-s[at].se < depth/2 {
			continue
		}
		d := dip{from: at, at: at, to: at, depth: depth}
		for d.from-1 > left && s[d.from-1].se < base-depth/3 {
			d.from--
		}
		for d.to+1 < right && s[d.to+1].se < base-depth/3 {
			d.to++
		}
		if s[d.to].f > s[d.from].f*dipWidest {
			continue
		}
		out = append(out, d)
	}
	slices.SortFunc(out, func(a, b dip) int { return cmp.Compare(b.depth, a.depth) })
	var kept []dip
	for _, d := range out {
		if !slices.ContainsFunc(kept, func(k dip) bool { return d.from <= k.to && k.from <= d.to }) {
			kept = append(kept, d)
		}
	}
	return kept
}

// shoulder returns the index of the highest sample on one side of a dip, from
// its reach to an octave away; −1 when there is none.
func shoulder(s []sample, at, step int) int {
	best := -1
	for i := at + step; i >= 0 && i < len(s); i += step {
		r := float64(s[i].f / s[at].f)
		if step < 0 {
			r = 1 / r
		}
		if r > 2 {
			break
		}
		if r >= dipReach && (best < 0 || s[i].se > s[best].se) {
			best = i
		}
	}
	return best
}

// modeReach is how far, in parts of the frequency, a measured resonance may
// lie from that of the empty cavity with perfect walls: antennas, shelves and
// the receiver inside shift it, mostly down.
const modeReach = 0.06

// explainDip names the mode of the cavity or the half-wave slot at a dip.
func (m *Model) explainDip(s []sample, d dip) []Hypothesis {
	x := s[d.at]
	var out []Hypothesis
	if mode, off, ok := m.nearestMode(x.f); ok && off <= modeReach {
		h := Hypothesis{
			Cause:  CauseResonance,
			Says:   fmt.Sprintf("a resonance of the cavity, %s, computed at %v", mode.Name, round3(mode.Freq)),
			Mode:   mode,
			Misfit: off / modeReach,
			Evidence: []string{
				fmt.Sprintf("the dip at %v lies %.1f %% from the empty cavity's %s", x.f, 100*off, mode.Name),
				fmt.Sprintf("it is %v deep and no wider than %v to %v", d.depth, s[d.from].f, s[d.to].f),
			},
			Next: "move the inner antenna by a quarter wavelength and sweep finely across the dip: a resonance changes its depth with the place and keeps its frequency; a piece of absorber inside makes it shallow",
		}
		out = append(out, h)
	}
	length := Metre(wavelength(float64(x.f)) / 2)
	if w, h, dd := m.Specimen.Cavity.box(); m.first.Freq > 0 && length <= 2*(w+max(h, dd)) && x.expect.Regime == BelowModes {
		out = append(out, m.slotHypothesis(length, 1, s[d.from:d.to+1], []string{
			fmt.Sprintf("a slot of %v is half a wavelength long at %v", length, x.f)}))
	}
	return out
}

// nearestMode returns the mode nearest to a frequency and its relative distance.
func (m *Model) nearestMode(f unit.Hz) (Mode, float64, bool) {
	if m.Specimen.Cavity.ModeCount(f) > overmodedFrom {
		return Mode{}, 0, false // so many modes that one is always near
	}
	var best Mode
	off := math.Inf(1)
	for _, mode := range m.Modes(f * 1.5) {
		if d := math.Abs(float64(mode.Freq-f)) / float64(mode.Freq); d < off {
			best, off = mode, d
		}
	}
	return best, off, !math.IsInf(off, 1)
}

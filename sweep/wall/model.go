package wall

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"lidded/driver/unit"
)

// Model is a specimen ready to be asked what it should do.
type Model struct {
	Specimen Specimen

	stack   Stack   // empty for a mesh
	mesh    *Mesh   // nil for sheets
	windows []*Mesh // per opening; nil but for mesh windows
	first   Mode
}

// ceiling is the highest SE spoken of, in dB; no measurement reaches it.
const ceiling = 200

// Spreads of the models in dB. Where a number has no reference here, it is
// common practice, no source.
const (
	sheetSpread   = 3  // tolerance of thickness and conductivity
	openingSpread = 3  // place and shape of an opening
	meshEBelow    = 3  // lowest electric SE in a mesh cube against the sphere (method of moments, 0.24 to 0.48 m cubes)
	meshEAbove    = 7  // centre of the cube against the sphere
	meshENull     = 10 // how far the null at one frequency lifts the electric SE at the centre over the static one (8 dB by the method of moments)
	meshHBelow    = 5  // lowest magnetic SE against the sphere
	meshHAbove    = 2  // centre of the cube against the sphere
	fewModesBelow = 20 // a resonance at one place
	fewModesAbove = 6
	manyModes     = 10  // aperture theory against measurement in over-moded cavities, ±10 dB usual (Hill 1994)
	wallSpread    = 12  // lowest SE in the box behind a slot that spans a wall, against the models of a slot in a wall (method of moments, cubes of mesh)
	outsideLow    = -10 // lowest SE spoken of where an opening is too large for any model here: an open box can gather a field
	gasketLow     = 60  // a gasket in order of which nothing is stated
	nearDistance  = 0.3
)

// Sizes from which an opening is no small aperture in a wall any more: by Bethe's
// theory it is small against wavelength, wall and distance. Cubes of mesh with
// openings, by the method of moments, agree up to these (cells of 1/6 of a side).
const (
	largeOpening = 1.0 / 5 // of the smallest wall's area: no model here holds
	spanningSlot = 0.6     // of the shortest side: the slot parts the wall, and the field behind it is uneven
)

// belowModes is the part of the first mode's frequency up to which a cavity
// counts as not resonant; the closed mesh box was checked up to 0.7 of it.
const belowModes = 0.7

// overmodedFrom is the smoothed number of modes from which a cavity counts as
// over-moded (common practice in reverberation chambers: 60 to 100 modes).
const overmodedFrom = 60

// Regime is how the cavity behaves at a frequency.
type Regime int

// The regimes.
const (
	RegimeUnknown Regime = iota
	BelowModes           // no resonance: the models hold
	FewModes             // single resonances: one place tells little
	ManyModes            // over-moded: the mean over places can be told
)

var regimeNames = []string{"unknown", "below the first mode", "few modes", "many modes"}

// String gives the regime's name.
func (r Regime) String() string { return choice(regimeNames, int(r)) }

// Path is one way in, with the SE it alone would leave.
type Path struct {
	Name      string
	Low, High unit.DB // High is plus infinity where a path may not matter at all
}

// Expectation is what a specimen should do at a frequency: a band, not a line.
type Expectation struct {
	Freq      unit.Hz
	Field     Field
	Low, High unit.DB // the SE should lie between
	Regime    Regime
	Valid     bool   // false where the models do not hold and the band is a guess
	Paths     []Path // the strongest way in first
}

// Validity says where the models of a specimen hold.
type Validity struct {
	From, To  unit.Hz // below the first mode
	ManyModes unit.Hz // and again from here on, as a mean over places
	FirstMode Mode
	Text      string
}

// lowestModelled is the lowest frequency of the handbook tables behind the materials.
const lowestModelled unit.Hz = 60

// Validity returns where the models hold.
func (m *Model) Validity() Validity {
	v := Validity{From: lowestModelled, To: belowModes * m.first.Freq, FirstMode: m.first}
	v.ManyModes = unit.Hz(C0 * math.Cbrt(overmodedFrom*3/(8*math.Pi*m.Specimen.Cavity.Volume())))
	v.ManyModes = max(v.ManyModes, v.To)
	if why := m.outside(); why != "" {
		v.To, v.ManyModes, v.Text = v.From, unit.Hz(math.Inf(1)), why+"; the band is a guess"
		return v
	}
	v.Text = fmt.Sprintf("the models hold from %v to %v (0.7 of the first mode, %s at %v); from there to %v single resonances make one place tell little, and the band is widened by %d dB downward; above, the band is for the mean over places",
		v.From, round3(v.To), m.first.Name, round3(m.first.Freq), round3(v.ManyModes), fewModesBelow)
	return v
}

func round3(f unit.Hz) unit.Hz {
	if !(f > 0) {
		return f
	}
	p := math.Pow(10, math.Floor(math.Log10(float64(f)))-2)
	return unit.Hz(math.Round(float64(f)/p) * p)
}

// Modes returns the resonances of the empty cavity up to a frequency.
func (m *Model) Modes(upTo unit.Hz) []Mode { return m.Specimen.Cavity.Modes(upTo) }

// Expect returns the expectation at each frequency.
func (m *Model) Expect(field Field, freqs []unit.Hz) []Expectation {
	out := make([]Expectation, len(freqs))
	for i, f := range freqs {
		out[i] = m.At(field, f)
	}
	return out
}

// At returns the expectation at one frequency. The lower end takes every way
// in at its worst and adds their amplitudes; the upper end is the strongest
// way in alone.
func (m *Model) At(field Field, f unit.Hz) Expectation {
	e := Expectation{Freq: f, Field: field, Regime: m.regime(f)}
	outside := m.outside()
	e.Valid = e.Regime != FewModes && f >= lowestModelled && outside == ""
	e.Paths = m.paths(field, f, e.Regime)
	slices.SortStableFunc(e.Paths, func(a, b Path) int { return cmp.Compare(a.Low, b.Low) })
	e.Low, e.High = combine(e.Paths)
	switch e.Regime {
	case FewModes:
		e.Low, e.High = e.Low-fewModesBelow, e.High+fewModesAbove
	case ManyModes:
		e.Low, e.High = e.Low-manyModes, e.High+manyModes
	}
	if outside != "" {
		e.Low = outsideLow
	}
	e.High = min(e.High, ceiling)
	e.Low = min(e.Low, e.High)
	return e
}

// outside says why no model here holds for the specimen, or nothing: all slots and
// holes together are a large part of a wall.
func (m *Model) outside() string {
	var area float64
	for _, o := range m.Specimen.Openings {
		switch o.Kind {
		case Slot:
			area += float64(o.Length*o.Width) * float64(max(o.Count, 1))
		case Hole:
			area += math.Pi / 4 * float64(o.Length*o.Length) * float64(max(o.Count, 1))
		}
	}
	w, h, d := m.Specimen.Cavity.box()
	if least := float64(min(w*h, h*d, d*w)); area > largeOpening*least*(1+1e-9) {
		return fmt.Sprintf("the openings are %.0f %% of the smallest wall: beyond %.0f %% they are no small apertures, and no model here holds", 100*area/least, 100*largeOpening)
	}
	return ""
}

// spans reports whether a slot parts a wall.
func (m *Model) spans(length Metre) bool {
	w, h, d := m.Specimen.Cavity.box()
	return length >= spanningSlot*min(w, h, d)
}

func combine(paths []Path) (low, high unit.DB) {
	var sum float64
	high = unit.DB(math.Inf(1))
	for _, p := range paths {
		sum += fieldRatio(-float64(p.Low))
		high = min(high, p.High)
	}
	return unit.DB(min(-db(sum), ceiling)), min(high, ceiling)
}

func (m *Model) regime(f unit.Hz) Regime {
	switch {
	case f <= belowModes*m.first.Freq:
		return BelowModes
	case m.Specimen.Cavity.ModeCount(f) < overmodedFrom:
		return FewModes
	}
	return ManyModes
}

func (m *Model) paths(field Field, f unit.Hz, r Regime) []Path {
	out := []Path{m.wallPath(field, f, r)}
	if p, ok := m.lidPath(field, f, r); ok {
		out = append(out, p)
	}
	for i, o := range m.Specimen.Openings {
		out = append(out, m.openingPath(field, f, r, o, m.windows[i]))
	}
	for _, feed := range m.Specimen.Feeds {
		out = append(out, feedPath(f, feed))
	}
	return out
}

// wallPath is the wall itself.
func (m *Model) wallPath(field Field, f unit.Hz, r Regime) Path {
	if m.mesh != nil {
		return m.meshPath(field, f, r, *m.mesh)
	}
	return m.sheetPath(field, f, m.stack)
}

func (m *Model) sheetPath(field Field, f unit.Hz, s Stack) Path {
	shell := m.shellSE(f, s)
	flat := s.SE(f, Wave{Field: PlaneWave})
	var a, b unit.DB
	switch field {
	case Magnetic:
		a, b = shell, s.SE(f, Wave{Field: Magnetic, Distance: nearDistance})
	case Electric:
		a, b = flat, s.SE(f, Wave{Field: Electric, Distance: nearDistance})
	default:
		a, b = flat, shell
	}
	return Path{Name: "wall", Low: max(0, min(a, b)-sheetSpread), High: max(a, b) + sheetSpread}
}

// shellSE takes the best single layer of the stack as a closed shell.
func (m *Model) shellSE(f unit.Hz, s Stack) unit.DB {
	c := m.Specimen.Cavity
	radius := Metre(3 * c.Volume() / c.Surface())
	var best unit.DB
	for _, l := range s {
		if l.Material.Sigma > 0 {
			best = max(best, Shell{Wall: l, Radius: radius}.SEMagnetic(f))
		}
	}
	return best
}

// meshPath takes the walls as one mesh. The wire's own skin may be plated, so
// the lower end has the wire's impedance and the upper end has not.
func (m *Model) meshPath(field Field, f unit.Hz, r Regime, mesh Mesh) Path {
	bare := Mesh{Pitch: mesh.Pitch, Wire: mesh.Wire}
	p := Path{Name: "mesh"}
	flatLow, flatHigh := mesh.SE(f), bare.SE(f)
	if float64(mesh.Pitch) > wavelength(float64(f))/4 {
		flatLow = 0 // past the range of the sheet impedance
	}
	if r != BelowModes {
		p.Low, p.High = max(0, flatLow-meshEBelow), flatHigh+meshEBelow
		return p
	}
	c := m.Specimen.Cavity
	radius := Metre(math.Cbrt(3 * c.Volume() / (4 * math.Pi)))
	eLow, hLow := mesh.SphereSE(f, radius)
	eHigh, hHigh := bare.SphereSE(f, radius)
	eLow = min(eLow, flatLow) // the sphere's own electric null is not in the box
	static, _ := bare.SphereSE(f/100, radius)
	eHigh = min(eHigh, static+meshENull)
	switch field {
	case Magnetic:
		p.Low, p.High = hLow-meshHBelow, hHigh+meshHAbove
	case Electric:
		p.Low, p.High = eLow-meshEBelow, eHigh+meshEAbove
	default:
		p.Low, p.High = min(eLow-meshEBelow, hLow-meshHBelow), eHigh+meshEAbove
	}
	p.Low = max(0, p.Low)
	p.High = max(p.High, p.Low)
	return p
}

// lidPath is the seam of the lid, if it can leak.
func (m *Model) lidPath(field Field, f unit.Hz, r Regime) (Path, bool) {
	l := m.Specimen.Lid
	switch l.Joint {
	case Gasket:
		if l.SE > 0 {
			return Path{Name: "lid gasket", Low: l.SE - openingSpread, High: l.SE + openingSpread}, true
		}
		return Path{Name: "lid gasket, nothing stated", Low: gasketLow, High: unit.DB(math.Inf(1))}, true
	case Fastened:
		// contacts within half a wavelength add up
		n := min(4*float64(l.Edge/l.Spacing), max(1, wavelength(float64(f))/2/float64(l.Spacing)))
		p := m.slotPath(field, f, r, l.Spacing, l.Gap, int(math.Ceil(n)))
		p.Name = "lid, gaps between contacts"
		return p, true
	case Loose:
		p := m.slotPath(field, f, r, l.Edge, l.Gap, 1)
		p.Name = "lid edge"
		return p, true
	}
	return Path{}, false
}

func (m *Model) openingPath(field Field, f unit.Hz, r Regime, o Opening, mesh *Mesh) Path {
	switch o.Kind {
	case MeshWindow:
		return m.windowPath(field, f, r, o, *mesh)
	case Hole:
		p := m.slotPath(field, f, r, o.Length, o.Length, o.Count)
		p.Name = "hole"
		p.High += Below{Width: o.Length, Length: m.stack.Thickness(), Round: true}.SE(f)
		return p
	}
	return m.slotPath(field, f, r, o.Length, o.Width, o.Count)
}

// behindSlot are the depths, as parts of the box's depth, over which a slot's
// SE is taken.
var behindSlot = [...]Metre{0.3, 0.5, 0.7}

// slotPath is a slot, or several equal ones close together.
func (m *Model) slotPath(field Field, f unit.Hz, r Regime, length, width Metre, n int) Path {
	one := SlotSE(f, length)
	several := unit.DB(10 * math.Log10(float64(max(n, 1))))
	lo, hi := one, one
	switch r {
	case BelowModes:
		e, h := m.slotInBox(f, length, width)
		if field == Magnetic {
			lo, hi = h[0], h[1]
		} else {
			lo, hi = min(lo, e[0]), max(hi, e[1])
		}
	case ManyModes:
		if float64(length) < wavelength(float64(f))/6 {
			p := EllipticSlot(length, min(width, length))
			hill := Overmoded{Cavity: m.Specimen.Cavity, Wall: m.innerMaterial(), OpeningSquared: p.Magnetic * p.Magnetic * float64(max(n, 1))}.SE(f)
			lo, hi = min(lo, hill+several), max(hi, hill+several)
		}
	}
	p := Path{Name: "slot", Low: max(0, lo-several-openingSpread), High: max(0, hi-several) + openingSpread}
	if m.spans(length) {
		p.Low = lo - several - openingSpread - wallSpread // at its worst a box with a parted wall lets in more than comes
		p.Low = max(p.Low, outsideLow)
	}
	return p
}

// slotInBox returns the lowest and highest electric and magnetic SE over the
// depths behind a slot.
func (m *Model) slotInBox(f unit.Hz, length, width Metre) (electric, magnetic [2]unit.DB) {
	w, h, d := m.Specimen.Cavity.box()
	b := SlottedBox{Width: w, Height: h, Depth: d, SlotLength: min(length, w), SlotWidth: min(width, h), WallThickness: m.stack.Thickness()}
	for i, part := range behindSlot {
		e, mag := b.SE(f, part*d)
		if i == 0 {
			electric, magnetic = [2]unit.DB{e, e}, [2]unit.DB{mag, mag}
			continue
		}
		electric = [2]unit.DB{min(electric[0], e), max(electric[1], e)}
		magnetic = [2]unit.DB{min(magnetic[0], mag), max(magnetic[1], mag)}
	}
	return electric, magnetic
}

func (m *Model) innerMaterial() Material {
	for _, l := range slices.Backward(m.stack) {
		if l.Material.Sigma > 0 {
			return l.Material
		}
	}
	if m.mesh != nil && m.mesh.Material.Sigma > 0 {
		return m.mesh.Material
	}
	return Metal(SigmaIACS, 1)
}

// windowPath is a part of the wall closed with mesh: the magnetic flux that
// the sheet impedance lets in, in proportion to the window's part of the
// surface; in the electric field between the whole box of mesh and that part.
func (m *Model) windowPath(field Field, f unit.Hz, r Regime, o Opening, mesh Mesh) Path {
	c := m.Specimen.Cavity
	part := float64(o.Length*o.Width) * float64(o.Count) / c.Surface()
	gain := unit.DB(-db(min(part, 1)))
	if field == Magnetic && r == BelowModes {
		vs := Metre(c.Volume() / c.Surface())
		bare := Mesh{Pitch: mesh.Pitch, Wire: mesh.Wire}
		return Path{Name: "mesh window", Low: max(0, mesh.EnclosureSE(f, vs)+gain-meshHBelow), High: bare.EnclosureSE(f, vs) + gain + meshHBelow}
	}
	p := m.meshPath(field, f, r, mesh)
	p.Name = "mesh window"
	p.High += gain
	return p
}

func feedPath(f unit.Hz, feed Feedthrough) Path {
	several := unit.DB(10 * math.Log10(float64(feed.Count)))
	switch feed.Kind {
	case Filter:
		return Path{Name: "filter", Low: feed.SE - 2*several - openingSpread, High: feed.SE - several + openingSpread}
	case BareWire:
		return Path{Name: "bare wire", Low: 0, High: unit.DB(math.Inf(1))}
	}
	se := SlotSE(f, feed.Width) + Below{Width: feed.Width, Length: feed.Length, Round: feed.Round}.SE(f)
	return Path{Name: "tube", Low: max(0, se-2*several-openingSpread), High: max(0, se-several) + openingSpread}
}

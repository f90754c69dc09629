package wall

import (
	"math"

	"gonum.org/v1/gonum/mathext"

	"lidded/driver/unit"
)

// SlotSE returns the SE that one slot of a length leaves, 20·log10(λ/2L), and
// 0 dB from half a wavelength on (Ott, Electromagnetic Compatibility
// Engineering, section 6.10). The slot's width hardly matters; its length does.
func SlotSE(f unit.Hz, length Metre) unit.DB {
	return unit.DB(max(0, db(wavelength(float64(f))/(2*float64(length)))))
}

// SlotsSE returns the SE of n equal slots or holes in a line within half a
// wavelength, 10·log10 n less than of one (Ott, section 6.10), and never below
// 0 dB.
func SlotsSE(f unit.Hz, length Metre, n int) unit.DB {
	return max(0, SlotSE(f, length)-unit.DB(10*math.Log10(float64(max(n, 1)))))
}

// SlotLength returns the length of the slot that would leave a given SE: the
// inverse of SlotSE.
func SlotLength(f unit.Hz, se unit.DB) Metre {
	return Metre(wavelength(float64(f)) / 2 / se.Field())
}

// Polarizability of an aperture much smaller than the wavelength, for moments
// on the fields of the short-circuited wall (Bethe 1944; from memory).
type Polarizability struct {
	Magnetic float64 // m³, magnetic field along the long axis
	Electric float64 // m³
}

// CircularHole returns the polarizability of a hole: 4a³/3 and 2a³/3 for the
// radius a.
func CircularHole(diameter Metre) Polarizability {
	a := float64(diameter) / 2
	return Polarizability{Magnetic: 4 * a * a * a / 3, Electric: 2 * a * a * a / 3}
}

// EllipticSlot returns the polarizability of an elliptic opening of a length
// and a width, with complete elliptic integrals of parameter 1−(w/l)²
// (McDonald 1972; from memory).
func EllipticSlot(length, width Metre) Polarizability {
	l, w := float64(length), float64(width)
	if w >= l*(1-1e-6) {
		return CircularHole(Metre(math.Sqrt(l * w)))
	}
	m := 1 - (w/l)*(w/l)
	k, e := mathext.CompleteK(m), mathext.CompleteE(m)
	return Polarizability{
		Magnetic: math.Pi / 24 * l * l * l * m / (k - e),
		Electric: math.Pi / 24 * l * w * w / e,
	}
}

// NarrowSlotMagnetic returns the narrow form of the magnetic polarizability,
// (π/24)l³/(ln(4l/w)−1), in m³.
func NarrowSlotMagnetic(length, width Metre) float64 {
	l := float64(length)
	return math.Pi / 24 * l * l * l / (math.Log(4*l/float64(width)) - 1)
}

// CrossSection returns the transmission cross-section for the magnetic moment
// alone at the best angle, (4/3π)k⁴α_m², in m².
func (p Polarizability) CrossSection(f unit.Hz) float64 {
	k := 2 * math.Pi / wavelength(float64(f))
	return 4 / (3 * math.Pi) * math.Pow(k, 4) * p.Magnetic * p.Magnetic
}

// OnAxisSE returns the SE at a distance straight behind the opening in an
// infinite wall, 20·log10[πR/(k²α_m)]; for R much above the opening and kR > 1.
func (p Polarizability) OnAxisSE(f unit.Hz, distance Metre) unit.DB {
	k := 2 * math.Pi / wavelength(float64(f))
	return unit.DB(db(math.Pi * float64(distance) / (k * k * p.Magnetic)))
}

// Below is a metal tube used below its cut-off: a vent cell or a feed-through
// for fibre.
type Below struct {
	Width  Metre // inner width, or diameter
	Length Metre
	Round  bool
}

// firstZeroJ1Prime is the first zero of the derivative of J1, for the TE11
// mode of a round guide.
const firstZeroJ1Prime = 1.8411837813406593

// Cutoff returns the cut-off frequency: c/2W, or 1.8412c/πD.
func (b Below) Cutoff() unit.Hz {
	if b.Round {
		return unit.Hz(firstZeroJ1Prime * C0 / (math.Pi * float64(b.Width)))
	}
	return unit.Hz(C0 / (2 * float64(b.Width)))
}

// SE returns the attenuation of the tube, 27.29(L/W)√(1−(f/fc)²) or
// 31.98(L/D)√(1−(f/fc)²) dB, and 0 from cut-off on (MIL-HDBK-419A section
// 8.3; constants computed).
func (b Below) SE(f unit.Hz) unit.DB {
	fc := float64(b.Cutoff())
	u := float64(f) / fc
	if u >= 1 {
		return 0
	}
	kc := 2 * math.Pi * fc / C0
	return unit.DB(neper * kc * float64(b.Length) * math.Sqrt(1-u*u))
}

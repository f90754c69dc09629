package wall

import (
	"math"
	"math/cmplx"

	"lidded/driver/unit"
)

// The forms of MIL-HDBK-419A, section 8.3, in metres and hertz. They are for
// comparison with the handbook's tables; Layer.Terms is exact and preferred.

// HandbookAbsorption returns 131.4·t·√(f·μr·g) dB for a sheet.
func HandbookAbsorption(l Layer, f unit.Hz) float64 {
	return 131.4 * float64(l.Thickness) * math.Sqrt(float64(f)*l.Material.Permeability(f)*l.Material.Relative())
}

// HandbookReflection returns the reflection loss of a good conductor, in dB;
// for a near field at the wave's distance, never past the plane-wave value
// from where the source is in the far field (distance over λ/2π).
func HandbookReflection(m Material, f unit.Hz, w Wave) float64 {
	hz, r := float64(f), float64(w.Distance)
	mu, g := m.Permeability(f), m.Relative()
	plane := 168.1 + 10*math.Log10(g/(mu*hz))
	if w.Field == PlaneWave || r >= wavelength(hz)/(2*math.Pi) {
		return plane
	}
	if w.Field == Electric {
		return 321.7 + 10*math.Log10(g/(mu*hz*hz*hz*r*r))
	}
	return db(0.0117/r*math.Sqrt(mu/(hz*g)) + 5.350*r*math.Sqrt(hz*g/mu) + 0.354)
}

// HandbookCorrection returns the re-reflection term for an absorption loss in
// dB, 20·log10|1 − Γ·10^(−A/10)·e^(−j0.23A)|; Γ is 1 for a metal in a plane or
// electric field.
func HandbookCorrection(absorption, gamma float64) float64 {
	a := cmplx.Rect(gamma*math.Pow(10, -absorption/10), -2*absorption/neper)
	return db(cmplx.Abs(1 - a))
}

// Screen is a wire screen as MIL-HDBK-419A sees it.
type Screen struct {
	Opening  Metre // clear width of one opening
	Wire     Metre // wire diameter, the depth of the opening
	PerInch  float64
	Round    bool // round openings of that diameter instead of square ones
	Material Material
}

// ScreenTerms are the handbook's six terms, in dB.
type ScreenTerms struct {
	Absorption, Reflection, ReReflection float64
	Number                               float64 // K1: openings per square inch
	Skin                                 float64 // K2: penetration of the wire
	Coupling                             float64 // K3: between close openings
}

// Sum returns the handbook's SE.
func (t ScreenTerms) Sum() unit.DB {
	return unit.DB(t.Absorption + t.Reflection + t.ReReflection + t.Number + t.Skin + t.Coupling)
}

// Terms returns the handbook's SE of a flat screen (MIL-HDBK-419A section
// 8.3, constants from memory) for a plane wave or a magnetic near field at a
// distance. Away from low frequencies it differs from measurement by up to
// 10 dB, and it is not an enclosure.
func (s Screen) Terms(f unit.Hz, w Wave) ScreenTerms {
	width, depth := float64(s.Opening), float64(s.Wire)
	a := 27.3 * depth / width
	area := width * width
	if s.Round {
		a = 32 * depth / width
		area = math.Pi * width * width / 4
	}
	var k complex128
	switch {
	case w.Field == Magnetic && s.Round:
		k = complex(width/(3.682*float64(w.Distance)), 0)
	case w.Field == Magnetic:
		k = complex(width/(math.Pi*float64(w.Distance)), 0)
	case s.Round:
		k = complex(0, 1.47e-4*float64(f)/1e6*width/metrePerIn)
	default:
		k = complex(0, 1.7e-4*float64(f)/1e6*width/metrePerIn)
	}
	back := (k - 1) / (k + 1)
	p := depth / float64(s.Material.SkinDepth(f))
	return ScreenTerms{
		Absorption:   a,
		Reflection:   -db(cmplx.Abs(4 * k / ((1 + k) * (1 + k)))),
		ReReflection: db(cmplx.Abs(1 - back*back*complex(math.Pow(10, -a/10), 0))),
		Number:       -10 * math.Log10(area/(metrePerIn*metrePerIn)*s.PerInch*s.PerInch),
		Skin:         -db(1 + 35*math.Pow(p, -2.3)),
		Coupling:     -db(math.Tanh(a / neper)),
	}
}

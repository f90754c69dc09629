package wall

import (
	"math"
	"math/cmplx"

	"lidded/driver/unit"
)

// Mesh is a square wire mesh bonded at every crossing.
type Mesh struct {
	Pitch    Metre    // from wire centre to wire centre
	Wire     Metre    // wire diameter
	Material Material // of the wire; zero conductivity means a perfect wire
}

// Inductance returns the sheet inductance L_s = (μ0a/2π)·ln[1/(1−e^(−2πr/a))]
// in henry (Casey 1988, IEEE T-EMC 30(3):298; from memory).
func (m Mesh) Inductance() float64 {
	a, r := float64(m.Pitch), float64(m.Wire)/2
	return -Mu0 * a / (2 * math.Pi) * math.Log(-math.Expm1(-2*math.Pi*r/a))
}

// wireImpedance returns the internal impedance of the wire in ohm per metre,
// q·I0(q)/(2πr²σ·I1(q)) with q = r√(jωμσ) (Casey 1988; from memory).
func (m Mesh) wireImpedance(f unit.Hz) complex128 {
	if m.Material.Sigma <= 0 {
		return 0
	}
	r := float64(m.Wire) / 2
	w := 2 * math.Pi * float64(f)
	q := complex(r, 0) * cmplx.Sqrt(complex(0, w*Mu0*m.Material.Permeability(f)*m.Material.Sigma))
	return q / (2 * besselRatio(q)) / complex(math.Pi*r*r*m.Material.Sigma, 0)
}

// SheetImpedance returns Z_w·a + jωL_s in ohm per square.
func (m Mesh) SheetImpedance(f unit.Hz) complex128 {
	return m.wireImpedance(f)*complex(float64(m.Pitch), 0) + complex(0, 2*math.Pi*float64(f)*m.Inductance())
}

// SE returns the plane-wave SE of an infinite flat mesh at normal incidence,
// valid for a pitch well below half a wavelength. A closed box of this mesh is
// up to 30 dB worse at low frequencies: see SphereSE.
func (m Mesh) SE(f unit.Hz) unit.DB {
	return unit.DB(db(cmplx.Abs(1 + Eta0/(2*m.SheetImpedance(f)))))
}

// Polarization of a plane wave at slanting incidence.
type Polarization int

// The polarizations.
const (
	PolarizationUnknown Polarization = iota
	TE                               // electric field along the sheet
	TM                               // magnetic field along the sheet
)

// SEOblique returns the plane-wave SE of an infinite flat mesh at an angle
// from the normal in radians (Casey 1988; from memory).
func (m Mesh) SEOblique(f unit.Hz, angle float64, p Polarization) unit.DB {
	zs, cos, sin := m.SheetImpedance(f), complex(math.Cos(angle), 0), math.Sin(angle)
	if p == TM {
		charge := complex(0, math.Pi*float64(f)*m.Inductance()*sin*sin)
		return unit.DB(db(cmplx.Abs(1 + Eta0*cos/(2*(zs-charge)))))
	}
	return unit.DB(db(cmplx.Abs(1 + Eta0/(2*zs*cos))))
}

// EnclosureSE returns the magnetic SE of an enclosure with walls of this mesh
// in a slowly varying field, 20·log10|1 + jωμ0(V/S)/Z_s|, from the ratio of
// volume to surface in metres. It rises with frequency and then stays at
// 20·log10(1 + μ0(V/S)/L_s).
func (m Mesh) EnclosureSE(f unit.Hz, volumeOverSurface Metre) unit.DB {
	flux := complex(0, 2*math.Pi*float64(f)*Mu0*float64(volumeOverSurface))
	return unit.DB(db(cmplx.Abs(1 + flux/m.SheetImpedance(f))))
}

// EqualVolumeRadius returns the radius of the sphere with the volume of a box.
func EqualVolumeRadius(a, b, c Metre) Metre {
	return Metre(math.Cbrt(float64(a*b*c) * 3 / (4 * math.Pi)))
}

// SphereSE returns the electric and magnetic SE at the centre of a closed
// sphere of this mesh, which stands for a closed mesh box of equal volume.
// First spherical mode with the sheet impedances of Casey for surface waves
// of that mode; derived here and compared with a method-of-moments model of a
// 0.48 m cube: magnetic about 1 dB below the centre of the cube, electric
// within about 2 dB of the lowest place in it. Valid well below the first
// cavity mode, and only with every edge bonded.
func (m Mesh) SphereSE(f unit.Hz, radius Metre) (electric, magnetic unit.DB) {
	x := 2 * math.Pi * float64(f) / C0 * float64(radius)
	w := 2 * math.Pi * float64(f)
	sin, cos := math.Sincos(x)
	psi, psi1 := sin/x-cos, cos/x-sin/(x*x)+sin
	if x < 0.02 { // the differences above cancel: use the series
		psi, psi1 = x*x/3-x*x*x*x/30, 2*x/3-2*x*x*x/15 // x·j1(x) and its derivative
	}
	y, y1 := -cos/x-sin, sin/x+cos/(x*x)-cos
	xi, xi1 := complex(psi, -y), complex(psi1, -y1)
	wire := m.wireImpedance(f) * complex(float64(m.Pitch), 0)
	ls := complex(0, w*m.Inductance())
	zH := wire + ls
	zE := wire + ls*complex(1-1/(x*x), 0)
	magnetic = unit.DB(db(cmplx.Abs(1 + Eta0*complex(psi, 0)*xi/zH)))
	electric = unit.DB(db(cmplx.Abs(1 + Eta0*complex(psi1, 0)*xi1/zE)))
	return electric, magnetic
}

// besselRatio returns I1(q)/I0(q) for Re q > 0, by Gauss's continued fraction
// (NIST DLMF 10.33.1), or its asymptotic form for a large argument.
func besselRatio(q complex128) complex128 {
	if cmplx.Abs(q) > 40 {
		// I1/I0 ~ 1 − 1/(2q) − 1/(8q²) − 1/(8q³) (NIST DLMF 10.40.1)
		return 1 - 1/(2*q) - 1/(8*q*q) - 1/(8*q*q*q)
	}
	n := 20 + 2*int(cmplx.Abs(q))
	var r complex128
	for k := n; k >= 1; k-- {
		r = 1 / (complex(2*float64(k), 0)/q + r)
	}
	return r
}

// WireGridReactance returns the reactance of a grid of parallel wires, in ohm,
// for a plane wave with its electric field along them: 376.5(d/λ)ln(d/2πa)
// with the wire radius a (MacFarlane 1946). The reflection is −1/(1+j2X/η0).
func WireGridReactance(f unit.Hz, spacing, wire Metre) float64 {
	d, a := float64(spacing), float64(wire)/2
	return 376.5 * d / wavelength(float64(f)) * math.Log(d/(2*math.Pi*a))
}

package wall

import (
	"math"
	"math/cmplx"

	"lidded/driver/unit"
)

// Layer is one homogeneous layer of a wall.
type Layer struct {
	Material  Material
	Thickness Metre
}

// Stack is a flat wall of infinite extent: layers in the order the wave meets
// them, with air on both sides. An empty stack does nothing.
type Stack []Layer

// Terms are Schelkunoff's three terms of one sheet, in dB; their sum is the SE.
type Terms struct {
	Absorption   float64 // A = 8.686 t/δ
	Reflection   float64 // R = 20·log10|(Zw+Zs)²/(4 Zw Zs)|
	ReReflection float64 // B = 20·log10|1 − Γ² e^(−2γt)|, mostly negative, 0 for a thick sheet
}

// Sum returns A + R + B, the shielding effectiveness.
func (t Terms) Sum() unit.DB { return unit.DB(t.Absorption + t.Reflection + t.ReReflection) }

// Terms returns the sheet's absorption, reflection and re-reflection, exact at
// any thickness (Schelkunoff 1943; MIL-HDBK-419A section 8.3).
func (l Layer) Terms(f unit.Hz, w Wave) Terms {
	gamma, zs := l.Material.Propagation(f)
	zw := w.Impedance(f)
	sum := zw + zs
	through := 4 * zw * zs / (sum * sum) // 1 − Γ², without cancellation
	// 1 − Γ²e^(−2γt) = (1 − Γ²) − Γ²(e^(−2γt) − 1)
	again := through - (1-through)*expm1(-2*gamma*complex(float64(l.Thickness), 0))
	return Terms{
		Absorption:   neper * real(gamma) * float64(l.Thickness),
		Reflection:   -db(cmplx.Abs(through)),
		ReReflection: db(cmplx.Abs(again)),
	}
}

// SE returns the shielding effectiveness of the stack in dB. The transmission
// (ABCD) matrices of the layers are multiplied with their growth kept apart as
// a logarithm, so no thickness overflows.
func (s Stack) SE(f unit.Hz, w Wave) unit.DB {
	m, grown := s.matrix(f)
	zw := w.Impedance(f)
	return unit.DB(grown + db(cmplx.Abs(m[0]+m[1]/zw+m[2]*zw+m[3])/2))
}

// Thickness returns the sum over the layers.
func (s Stack) Thickness() Metre {
	var t Metre
	for _, l := range s {
		t += l.Thickness
	}
	return t
}

// Reversed returns the stack as met from the other side.
func (s Stack) Reversed() Stack {
	out := make(Stack, len(s))
	for i, l := range s {
		out[len(s)-1-i] = l
	}
	return out
}

// PowerBalance returns the fractions of the power of a plane wave that the
// stack reflects, lets through and, by difference, turns to heat.
func (s Stack) PowerBalance(f unit.Hz) (reflected, through, heat float64) {
	m, grown := s.matrix(f)
	a, b, c, d := m[0], m[1]/Eta0, m[2]*Eta0, m[3]
	sum := a + b + c + d
	gamma := (a + b - c - d) / sum
	t := 2 / sum
	reflected = sqAbs(gamma)
	through = sqAbs(t) * math.Pow(10, -grown/10)
	return reflected, through, 1 - reflected - through
}

// matrix returns the product of the layers' matrices divided by e^grown, with
// grown in dB: A, B (ohm), C (siemens), D.
func (s Stack) matrix(f unit.Hz) (m [4]complex128, grown float64) {
	m = [4]complex128{1, 0, 0, 1}
	for _, l := range s {
		gamma, z := l.Material.Propagation(f)
		gt := gamma * complex(float64(l.Thickness), 0)
		grow := real(gt)
		turn := cmplx.Exp(complex(0, imag(gt)))
		fall := expm1(-2 * gt)
		ch, sh := turn*(2+fall)/2, -turn*fall/2 // cosh and sinh, divided by e^Re(γt)
		m = [4]complex128{
			m[0]*ch + m[1]*sh/z, m[0]*sh*z + m[1]*ch,
			m[2]*ch + m[3]*sh/z, m[2]*sh*z + m[3]*ch,
		}
		grown += neper * grow
	}
	return m, grown
}

// Shell is a closed thin-walled conducting shell in a slowly varying magnetic
// field, where an infinite sheet would promise far too much.
type Shell struct {
	Wall Layer
	// Radius of the equivalent sphere. For a box of volume V and inner
	// surface S it is 3V/S (BoxRadius).
	Radius Metre
}

// BoxRadius returns the radius 3V/S of the sphere with a box's ratio of volume
// to surface, for Shell.
func BoxRadius(a, b, c Metre) Metre { return 3 * a * b * c / (2 * (a*b + b*c + c*a)) }

// SEMagnetic returns the magnetic SE of the shell well below the first cavity
// mode: |cosh γt + ⅓(K+2/K) sinh γt| with K = γR/μr (Kaden 1959; from memory).
func (s Shell) SEMagnetic(f unit.Hz) unit.DB {
	gamma, _ := s.Wall.Material.Propagation(f)
	gt := gamma * complex(float64(s.Wall.Thickness), 0)
	k := gamma * complex(float64(s.Radius)/s.Wall.Material.Permeability(f), 0)
	fall := expm1(-2 * gt)
	scaled := (2+fall)/2 - (k+2/k)/3*fall/2
	return unit.DB(neper*real(gt) + db(cmplx.Abs(scaled)))
}

// ThinWall returns the plane-wave SE of a sheet much thinner than the skin
// depth: 20·log10(1 + Z_w σt/2), with the sheet resistance 1/(σt) in ohm.
func ThinWall(sheetResistance float64) unit.DB {
	return unit.DB(db(1 + Eta0/(2*sheetResistance)))
}

// expm1 returns e^z − 1 without cancellation near zero.
func expm1(z complex128) complex128 {
	sin, cos := math.Sincos(imag(z))
	half := math.Sin(imag(z) / 2)
	e := math.Expm1(real(z))
	return complex(e*cos-2*half*half, (e+1)*sin)
}

func sqAbs(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

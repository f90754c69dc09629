package wall

import (
	"math"
	"math/cmplx"

	"lidded/driver/unit"
)

// SlottedBox is a rectangular box with one slot in the middle of a face, lit
// by a plane wave with its electric field across the slot (Robinson et al.
// 1998, IEEE T-EMC 40(3):240; formulas from memory). The walls are lossless
// and only the first guide mode is kept, so it holds up to about the second
// cavity mode; the depth of a dip is not to be trusted, its frequency is.
type SlottedBox struct {
	Width, Height, Depth  Metre // the slot's face is Width by Height
	SlotLength, SlotWidth Metre // SlotLength along Width
	WallThickness         Metre
}

// SlotImpedance returns the characteristic impedance of the slot as a coplanar
// strip line, in ohm, from its effective width.
func (b SlottedBox) SlotImpedance() float64 {
	w, t := float64(b.SlotWidth), float64(b.WallThickness)
	we := w
	if t > 0 {
		we = w - 5*t/(4*math.Pi)*(1+math.Log(4*math.Pi*w/t))
	}
	// A slot much narrower than the wall is thick has no effective width left;
	// the formula is then outside its range and the narrowest sensible one is used.
	we = max(we, w/100)
	we = min(we, float64(b.Height)/math.Sqrt2)
	u := math.Pow(1-math.Pow(we/float64(b.Height), 2), 0.25)
	return 120 * math.Pi * math.Pi / math.Log(2*(1+u)/(1-u))
}

// SE returns the electric and magnetic SE at a distance behind the slot, on
// the axis of the box. Either may be negative near a resonance.
func (b SlottedBox) SE(f unit.Hz, behind Metre) (electric, magnetic unit.DB) {
	k0 := 2 * math.Pi / wavelength(float64(f))
	a, d, p := float64(b.Width), float64(b.Depth), float64(behind)
	zap := complex(0, 0.5*float64(b.SlotLength)/a*b.SlotImpedance()*math.Tan(k0*float64(b.SlotLength)/2))
	v1, z1 := zap/(Eta0+zap), Eta0*zap/(Eta0+zap)
	cut := cmplx.Sqrt(complex(1-math.Pow(wavelength(float64(f))/(2*a), 2), 0))
	zg, kg := Eta0/cut, complex(k0, 0)*cut
	kp := kg * complex(p, 0)
	den := cmplx.Cos(kp) + 1i*(z1/zg)*cmplx.Sin(kp)
	v2 := v1 / den
	tan := cmplx.Tan(kp)
	z2 := (z1 + 1i*zg*tan) / (1 + 1i*(z1/zg)*tan)
	z3 := 1i * zg * cmplx.Tan(kg*complex(d-p, 0))
	i := v2 / (z2 + z3)
	return unit.DB(-db(cmplx.Abs(2 * i * z3))), unit.DB(-db(cmplx.Abs(2 * Eta0 * i)))
}

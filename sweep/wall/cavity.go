package wall

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"lidded/driver/unit"
)

// Mode is a resonance of a cavity.
type Mode struct {
	Name string // such as "TE101", or "TE101 = TE110" where two coincide
	Freq unit.Hz
	Same int // how many modes share the frequency
}

// Cavity is the empty space inside a specimen.
type Cavity struct {
	Width    Metre `yaml:"width"` // of a box, the three in any order
	Height   Metre `yaml:"height"`
	Depth    Metre `yaml:"depth"`
	Diameter Metre `yaml:"diameter"` // of a cylinder, when set
	Length   Metre `yaml:"length"`
}

// Volume returns the volume in m³.
func (c Cavity) Volume() float64 {
	if c.Diameter > 0 {
		return math.Pi * float64(c.Diameter*c.Diameter) / 4 * float64(c.Length)
	}
	return float64(c.Width * c.Height * c.Depth)
}

// Surface returns the inner surface in m².
func (c Cavity) Surface() float64 {
	if c.Diameter > 0 {
		return math.Pi * float64(c.Diameter) * (float64(c.Diameter)/2 + float64(c.Length))
	}
	return 2 * float64(c.Width*c.Height+c.Height*c.Depth+c.Depth*c.Width)
}

// Modes returns the resonances up to a frequency, rising; modes of one
// frequency are one entry. Box: (c/2)√((m/a)²+(n/b)²+(p/d)²) with at least two
// indices above zero (three: a TE and a TM mode). Cylinder: zeros of the Bessel
// functions and their derivatives with whole half-waves along the axis.
func (c Cavity) Modes(upTo unit.Hz) []Mode {
	var all []Mode
	if c.Diameter > 0 {
		all = c.cylinderModes(float64(upTo))
	} else {
		all = c.boxModes(float64(upTo))
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].Freq < all[j].Freq })
	var out []Mode
	for _, m := range all {
		if n := len(out); n > 0 && math.Abs(float64(m.Freq-out[n-1].Freq)) < 1e-9*float64(m.Freq) {
			last := &out[n-1]
			last.Same += m.Same
			if !strings.Contains(" = "+last.Name+" = ", " = "+m.Name+" = ") {
				last.Name += " = " + m.Name
			}
			continue
		}
		out = append(out, m)
	}
	return out
}

// firstZeroJ0 is the first zero of J0, for the TM010 mode of a cylinder.
const firstZeroJ0 = 2.404825557695773

// maxModes keeps a list of modes within reason.
const maxModes = 20000

func (c Cavity) boxModes(upTo float64) []Mode {
	a, b, d := float64(c.Width), float64(c.Height), float64(c.Depth)
	if !(a > 0 && b > 0 && d > 0) {
		return nil
	}
	top := func(side float64) int { return int(2 * side * upTo / C0) }
	var out []Mode
	for m := 0; m <= top(a); m++ {
		for n := 0; n <= top(b); n++ {
			for p := 0; p <= top(d); p++ {
				f := C0 / 2 * math.Sqrt(sq(float64(m)/a)+sq(float64(n)/b)+sq(float64(p)/d))
				zeros := boolInt(m == 0) + boolInt(n == 0) + boolInt(p == 0)
				if f > upTo || zeros > 1 {
					continue
				}
				kind, same := "TE", 1
				switch {
				case zeros == 0:
					kind, same = "TE/TM", 2
				case p == 0:
					kind = "TM"
				}
				out = append(out, Mode{Name: kind + indices(m, n, p), Freq: unit.Hz(f), Same: same})
				if len(out) >= maxModes {
					return out
				}
			}
		}
	}
	return out
}

func (c Cavity) cylinderModes(upTo float64) []Mode {
	r, h := float64(c.Diameter)/2, float64(c.Length)
	if !(h > 0) {
		return nil
	}
	kTop := 2 * math.Pi * upTo / C0
	var out []Mode
	add := func(kind string, zero float64, n, s, pFirst int) {
		for p := pFirst; len(out) < maxModes; p++ {
			k := math.Hypot(zero/r, float64(p)*math.Pi/h)
			if k > kTop {
				return
			}
			out = append(out, Mode{Name: kind + indices(n, s, p), Freq: unit.Hz(k * C0 / (2 * math.Pi)), Same: 1 + boolInt(n > 0)})
		}
	}
	for n := 0; float64(n) < kTop*r; n++ {
		for s, z := range besselZeros(n, kTop*r, math.Jn) {
			add("TM", z, n, s+1, 0)
		}
		for s, z := range besselZeros(n, kTop*r, besselPrime) {
			add("TE", z, n, s+1, 1)
		}
	}
	return out
}

func besselPrime(n int, x float64) float64 {
	if n == 0 {
		return -math.J1(x)
	}
	return (math.Jn(n-1, x) - math.Jn(n+1, x)) / 2
}

// besselZeros returns the zeros above zero and up to a limit, by stepping and
// bisection; the zeros are more than 1 apart.
func besselZeros(n int, upTo float64, g func(int, float64) float64) []float64 {
	const step = 0.2
	var out []float64
	for lo := step; lo < upTo; lo += step {
		a, b := lo, lo+step
		if g(n, a)*g(n, b) > 0 {
			continue
		}
		for range 60 {
			mid := (a + b) / 2
			if g(n, a)*g(n, mid) <= 0 {
				b = mid
			} else {
				a = mid
			}
		}
		if z := (a + b) / 2; z <= upTo {
			out = append(out, z)
		}
	}
	return out
}

// FirstMode returns the lowest resonance; the zero Mode for a cavity without
// size. In a box it stands between the two longest sides.
func (c Cavity) FirstMode() Mode {
	if !(c.Volume() > 0) || !(c.Surface() > 0) {
		return Mode{}
	}
	var f float64
	if c.Diameter > 0 {
		k, h := 2/float64(c.Diameter), math.Pi/float64(c.Length)
		f = C0 / (2 * math.Pi) * min(firstZeroJ0*k, math.Hypot(firstZeroJ1Prime*k, h))
	} else {
		s := []float64{float64(c.Width), float64(c.Height), float64(c.Depth)}
		sort.Float64s(s)
		f = C0 / 2 * math.Hypot(1/s[1], 1/s[2])
	}
	for _, m := range c.Modes(unit.Hz(f * (1 + 1e-9))) {
		return m
	}
	return Mode{Name: "first mode", Freq: unit.Hz(f), Same: 1}
}

// ModeCount returns the smoothed number of modes below a frequency,
// 8πV f³/(3c³) (Weyl).
func (c Cavity) ModeCount(f unit.Hz) float64 {
	return 8 * math.Pi / 3 * c.Volume() * math.Pow(float64(f)/C0, 3)
}

// WallQ returns the quality from wall loss alone, 3V/(2Sδ); for a magnetic
// wall the losses are μr times higher. Openings, absorbers and antennas lower it.
func (c Cavity) WallQ(f unit.Hz, wall Material) float64 {
	return 3 * c.Volume() / (2 * c.Surface() * float64(wall.SkinDepth(f)) * wall.Permeability(f))
}

// Overmoded is a cavity with many modes, leaking through an opening (Hill et
// al. 1994, IEEE T-EMC 36(3):169; from memory).
type Overmoded struct {
	Cavity Cavity
	Wall   Material
	// Opening is the sum over the openings of the square of the magnetic
	// polarizability in m⁶.
	OpeningSquared float64
}

// SE returns the mean SE: 10·log10[2πV/(λQ⟨σ⟩)] with 1/Q from the walls and
// the openings, and ⟨σ⟩ = 16k⁴a⁶/9π for a hole of radius a. Between theory and
// measurement ±10 dB is usual.
func (o Overmoded) SE(f unit.Hz) unit.DB {
	lambda := wavelength(float64(f))
	k := 2 * math.Pi / lambda
	sigma := math.Pow(k, 4) * o.OpeningSquared / math.Pi
	v := o.Cavity.Volume()
	losses := 1/o.Cavity.WallQ(f, o.Wall) + lambda*sigma/(4*math.Pi*v)
	return unit.DB(10 * math.Log10(2*math.Pi*v*losses/(lambda*sigma)))
}

func indices(m, n, p int) string {
	if m > 9 || n > 9 || p > 9 {
		return fmt.Sprintf("%d,%d,%d", m, n, p)
	}
	return fmt.Sprintf("%d%d%d", m, n, p)
}

func sq(x float64) float64 { return x * x }

func boolInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

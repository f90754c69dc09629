package wall

import (
	"math"

	"gonum.org/v1/gonum/mathext"

	"lidded/driver/unit"
)

// Pulse is a double exponential E0·k·(e^(−αt) − e^(−βt)).
type Pulse struct {
	Peak0 float64 // E0 in V/m
	K     float64
	Alpha float64 // 1/s, the tail
	Beta  float64 // 1/s, the rise
}

// EarlyTime is the early-time high-altitude electromagnetic pulse of
// IEC 61000-2-9: 50 kV/m, k 1.3, α 4e7, β 6e8 (constants from memory,
// consistent with every published characteristic).
func EarlyTime() Pulse { return Pulse{Peak0: 50e3, K: 1.3, Alpha: 4e7, Beta: 6e8} }

// At returns the field at a time in V/m; zero before the start.
func (p Pulse) At(t float64) float64 {
	if t <= 0 {
		return 0
	}
	return p.Peak0 * p.K * (math.Exp(-p.Alpha*t) - math.Exp(-p.Beta*t))
}

// Spectrum returns the Fourier transform at a frequency, in V/m/Hz (two-sided,
// as in ∫E·e^(−jωt)dt).
func (p Pulse) Spectrum(f unit.Hz) complex128 {
	s := complex(0, 2*math.Pi*float64(f))
	a, b := complex(p.Alpha, 0), complex(p.Beta, 0)
	return complex(p.Peak0*p.K*(p.Beta-p.Alpha), 0) / ((s + a) * (s + b))
}

// Magnitude returns |Spectrum|.
func (p Pulse) Magnitude(f unit.Hz) float64 {
	w := 2 * math.Pi * float64(f)
	return p.Peak0 * p.K * (p.Beta - p.Alpha) / (math.Hypot(w, p.Alpha) * math.Hypot(w, p.Beta))
}

// Peak returns the highest field in V/m and its time in seconds.
func (p Pulse) Peak() (value, at float64) {
	at = math.Log(p.Beta/p.Alpha) / (p.Beta - p.Alpha)
	return p.At(at), at
}

// RiseTime returns the time from 10 % to 90 % of the peak, in seconds.
func (p Pulse) RiseTime() float64 {
	peak, at := p.Peak()
	return p.crossing(0.9*peak, 0, at) - p.crossing(0.1*peak, 0, at)
}

// HalfWidth returns the full width at half maximum, in seconds.
func (p Pulse) HalfWidth() float64 {
	peak, at := p.Peak()
	return p.crossing(0.5*peak, at, at+60/p.Alpha) - p.crossing(0.5*peak, 0, at)
}

// crossing finds where the pulse passes a level between two times, by bisection.
func (p Pulse) crossing(level, lo, hi float64) float64 {
	rising := p.At(hi) > p.At(lo)
	for range 200 {
		mid := (lo + hi) / 2
		if (p.At(mid) > level) == rising {
			hi = mid
		} else {
			lo = mid
		}
	}
	return (lo + hi) / 2
}

// Norms are what a waveform can do to different victims (Baum; from memory).
type Norms struct {
	Peak       float64 // V/m
	PeakRate   float64 // V/m/s
	Impulse    float64 // largest |∫E dt|, V·s/m
	Rectified  float64 // ∫|E| dt, V·s/m
	RootAction float64 // √∫E² dt, V·√s/m
}

// Norms returns the norms of the unshielded pulse, in closed form.
func (p Pulse) Norms() Norms {
	peak, _ := p.Peak()
	area := p.Peak0 * p.K * (1/p.Alpha - 1/p.Beta)
	return Norms{
		Peak:       peak,
		PeakRate:   p.Peak0 * p.K * (p.Beta - p.Alpha),
		Impulse:    area,
		Rectified:  area,
		RootAction: math.Sqrt(p.action()),
	}
}

// action returns ∫E² dt in V²·s/m².
func (p Pulse) action() float64 {
	a, b := p.Alpha, p.Beta
	return sq(p.Peak0*p.K) * (1/(2*a) + 1/(2*b) - 2/(a+b))
}

// Energy returns the energy in a plane wave, ∫E²dt/η0, in J/m².
func (p Pulse) Energy() float64 { return p.action() / Eta0 }

// EnergyBelow returns the fraction of the energy below a frequency, in closed form.
func (p Pulse) EnergyBelow(f unit.Hz) float64 {
	w, a, b := 2*math.Pi*float64(f), p.Alpha, p.Beta
	return (math.Atan(w/a)/a - math.Atan(w/b)/b) / (math.Pi / 2 * (1/a - 1/b))
}

// PeakBound returns 2∫|E|df over all frequencies, the highest peak that any
// phase could make of the pulse's spectrum, in V/m.
func (p Pulse) PeakBound() float64 {
	m := 1 - sq(p.Alpha/p.Beta)
	return p.K * p.Peak0 * (p.Beta - p.Alpha) * mathext.CompleteK(m) / (math.Pi * p.Beta)
}

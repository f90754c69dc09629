package wall

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/dsp/fourier"

	"lidded/driver/unit"
)

// CurvePoint is a point of a shielding curve.
type CurvePoint struct {
	Freq  unit.Hz
	SE    unit.DB
	Bound bool // the SE is at least this
}

// Residual is what is left of a pulse behind a shield of which only the
// magnitude of the transfer is known, over the measured span.
type Residual struct {
	From, To unit.Hz // the span of the curve

	// PeakBound is the highest peak that any phase of the transfer could make
	// of the content inside the span, 2∫|E||T|df, in V/m. It is rigorous for
	// that content alone: Omitted may come on top.
	PeakBound float64
	// OmittedBelow and OmittedAbove bound what the content outside the span
	// could add to the peak if the shield did nothing there, in V/m.
	OmittedBelow, OmittedAbove float64

	// Energy inside the span behind the shield, in J/m², and the fractions of
	// the incident energy that lie below and above the span.
	Energy                   float64
	EnergyBelow, EnergyAbove float64
	MinimumPhase             Norms   // of the estimate with minimum phase, over all frequencies
	MinimumPhaseAt           float64 // time of its peak in seconds
	PeakDB, BoundDB          unit.DB // unshielded peak over the estimate's peak, and over the bound
	BoundPoints, ValuePoints int     // how many points of the curve were bounds and how many values
	Notes                    []string
}

// Extrapolation says how a transfer goes on beyond the measured span, for the
// minimum-phase estimate.
type Extrapolation int

// The extrapolations.
const (
	// PowerLaw goes on with the slope between the outermost two points, at
	// most 20 dB per decade either way.
	PowerLaw Extrapolation = iota
	// Flat keeps the outermost value.
	Flat
)

// Grid of the minimum-phase reconstruction: 20 ps steps resolve the 2.5 ns
// rise and the content of a mesh's high pass, 2^20 of them span 21 µs.
const (
	phaseSteps = 1 << 20
	phaseStep  = 20e-12
)

// Behind returns what is left of the pulse behind a curve. It needs at least
// two points in rising frequency. Between points the SE runs straight in dB
// against log frequency. Where the curve holds bounds, the peak bound and the
// energy are upper limits, and the estimate is one too in spirit only.
func (p Pulse) Behind(curve []CurvePoint, beyond Extrapolation) (Residual, error) {
	r, err := p.Bounds(curve)
	if err != nil {
		return Residual{}, err
	}
	r.MinimumPhase, r.MinimumPhaseAt = p.minimumPhase(curve, beyond)
	peak, _ := p.Peak()
	r.PeakDB = unit.DB(db(peak / r.MinimumPhase.Peak))
	r.Notes = r.notes(beyond)
	return r, nil
}

// Bounds is the part of Behind that holds whatever the phase: peak bound,
// energy and what the sweep omits. It leaves the estimate and the notes out,
// and takes a thousandth of the time.
func (p Pulse) Bounds(curve []CurvePoint) (Residual, error) {
	if err := checkCurve(curve); err != nil {
		return Residual{}, err
	}
	n := len(curve)
	r := Residual{From: curve[0].Freq, To: curve[n-1].Freq}
	for _, c := range curve {
		if c.Bound {
			r.BoundPoints++
		}
	}
	r.ValuePoints = n - r.BoundPoints
	for i := 1; i < n; i++ {
		peak, energy := p.segment(curve[i-1], curve[i])
		r.PeakBound += peak
		r.Energy += energy
	}
	r.OmittedBelow = p.contentBelow(r.From)
	below := p.contentBelow(r.To)
	r.OmittedAbove = max(0, p.PeakBound()-below)
	r.EnergyBelow, r.EnergyAbove = p.EnergyBelow(r.From), 1-p.EnergyBelow(r.To)
	peak, _ := p.Peak()
	r.BoundDB = unit.DB(db(peak / r.PeakBound))
	return r, nil
}

func (r Residual) notes(beyond Extrapolation) []string {
	how := "the slope at the ends, at most 20 dB per decade"
	if beyond == Flat {
		how = "the value at the ends"
	}
	out := []string{
		fmt.Sprintf("the sweep covers %v to %v: %.2g %% of the incident energy lies below it and %.2g %% above", round3(r.From), round3(r.To), 100*r.EnergyBelow, 100*r.EnergyAbove),
		fmt.Sprintf("the peak bound holds for the content inside the sweep; with no shield at all outside it, up to %.3g V/m below and %.3g V/m above could come on top", r.OmittedBelow, r.OmittedAbove),
		"the minimum-phase estimate ignores delays and reflections inside, and beyond the sweep it goes on with " + how + ": read it together with the bound",
	}
	if r.BoundPoints > 0 {
		out = append(out, fmt.Sprintf("%d of %d points are lower bounds of the SE: bound and energy are upper limits, the true residual is smaller", r.BoundPoints, r.BoundPoints+r.ValuePoints))
	}
	return out
}

func checkCurve(curve []CurvePoint) error {
	if len(curve) < 2 {
		return errors.New("a curve needs at least two points")
	}
	for i, c := range curve {
		switch {
		case !(c.Freq > 0) || math.IsInf(float64(c.Freq), 0):
			return fmt.Errorf("point %d of the curve: need a frequency above zero, have %v", i+1, c.Freq)
		case math.IsNaN(float64(c.SE)) || math.Abs(float64(c.SE)) > 1000:
			return fmt.Errorf("point %d of the curve: the SE at %v is no usable number (%v)", i+1, c.Freq, float64(c.SE))
		case i > 0 && c.Freq <= curve[i-1].Freq:
			return fmt.Errorf("point %d of the curve: %v does not rise above %v: sort the curve and keep one point per frequency", i+1, c.Freq, curve[i-1].Freq)
		}
	}
	return nil
}

// gauss5 are the nodes and weights of five-point Gauss-Legendre on [−1, 1].
var gauss5 = [5][2]float64{
	{-0.9061798459386640, 0.2369268850561891}, {-0.5384693101056831, 0.4786286704993665},
	{0, 0.5688888888888889},
	{0.5384693101056831, 0.4786286704993665}, {0.9061798459386640, 0.2369268850561891},
}

// overLog integrates g(f) df from lo to hi in panels of a sixteenth of a decade.
func overLog(lo, hi float64, g func(f float64) float64) float64 {
	u0, u1 := math.Log(lo), math.Log(hi)
	panels := 1 + int((u1-u0)*16/math.Ln10)
	h := (u1 - u0) / float64(panels)
	var sum float64
	for i := range panels {
		mid := u0 + (float64(i)+0.5)*h
		for _, q := range gauss5 {
			f := math.Exp(mid + q[0]*h/2)
			sum += q[1] * h / 2 * f * g(f)
		}
	}
	return sum
}

// segment integrates peak content and energy between two points of a curve.
func (p Pulse) segment(a, b CurvePoint) (peak, energy float64) {
	slope := float64(b.SE-a.SE) / math.Log(float64(b.Freq/a.Freq))
	t := func(f float64) float64 {
		return fieldRatio(-float64(a.SE) - slope*math.Log(f/float64(a.Freq)))
	}
	lo, hi := float64(a.Freq), float64(b.Freq)
	peak = 2 * overLog(lo, hi, func(f float64) float64 { return p.Magnitude(unit.Hz(f)) * t(f) })
	energy = 2 / Eta0 * overLog(lo, hi, func(f float64) float64 { return sq(p.Magnitude(unit.Hz(f)) * t(f)) })
	return peak, energy
}

// contentBelow returns 2∫|E|df from 0 to f.
func (p Pulse) contentBelow(f unit.Hz) float64 {
	flat := min(float64(f), 1e-6*p.Alpha) // constant spectrum down there
	return 2*p.Magnitude(0)*flat + 2*overLog(flat, float64(f), func(x float64) float64 { return p.Magnitude(unit.Hz(x)) })
}

// minimumPhase builds the pulse behind the curve with the phase that is the
// Hilbert transform of the log magnitude, by the folded real cepstrum
// (Oppenheim and Schafer, Discrete-Time Signal Processing, section on the
// complex cepstrum; from memory).
func (p Pulse) minimumPhase(curve []CurvePoint, beyond Extrapolation) (Norms, float64) {
	const n = phaseSteps
	df := 1 / (n * phaseStep)
	logT := sampler(curve, beyond)
	fft := fourier.NewFFT(n)
	spec := make([]complex128, n/2+1)
	for k := 1; k <= n/2; k++ {
		spec[k] = complex(logT(float64(k)*df), 0)
	}
	// The grid has no zero frequency on a logarithmic axis: half a step stands for it.
	spec[0] = complex(logT(df/2), 0)
	ceps := fft.Sequence(nil, spec)
	ceps[0] /= n
	ceps[n/2] /= n
	for i := 1; i < n/2; i++ {
		ceps[i] *= 2.0 / n
		ceps[n-i] = 0
	}
	fft.Coefficients(spec, ceps)
	for k := range spec {
		sin, cos := math.Sincos(imag(spec[k]))
		spec[k] = complex(math.Exp(real(spec[k])), 0) * complex(cos, sin) * p.Spectrum(unit.Hz(float64(k)*df))
	}
	wave := fft.Sequence(ceps, spec)
	for i := range wave {
		wave[i] *= df
	}
	return norms(wave, phaseStep)
}

// sampler returns ln|T| against frequency for rising frequencies asked in order.
func sampler(curve []CurvePoint, beyond Extrapolation) func(f float64) float64 {
	n := len(curve)
	i := 1
	edge := func(a, b CurvePoint) float64 {
		if beyond == Flat {
			return 0
		}
		s := float64(b.SE-a.SE) / math.Log(float64(b.Freq/a.Freq))
		limit := 20 / math.Ln10
		return max(-limit, min(limit, s))
	}
	low, high := edge(curve[0], curve[1]), edge(curve[n-2], curve[n-1])
	return func(f float64) float64 {
		var se float64
		switch {
		case f <= float64(curve[0].Freq):
			se = float64(curve[0].SE) + low*math.Log(f/float64(curve[0].Freq))
		case f >= float64(curve[n-1].Freq):
			se = float64(curve[n-1].SE) + high*math.Log(f/float64(curve[n-1].Freq))
		default:
			for i < n-1 && f > float64(curve[i].Freq) {
				i++
			}
			for i > 1 && f < float64(curve[i-1].Freq) {
				i--
			}
			a, b := curve[i-1], curve[i]
			se = float64(a.SE) + float64(b.SE-a.SE)*math.Log(f/float64(a.Freq))/math.Log(float64(b.Freq/a.Freq))
		}
		return -se / neper
	}
}

func norms(wave []float64, dt float64) (Norms, float64) {
	var n Norms
	var at, run, action float64
	last := 0.0
	for i, v := range wave {
		if a := math.Abs(v); a > n.Peak {
			n.Peak, at = a, float64(i)*dt
		}
		n.PeakRate = max(n.PeakRate, math.Abs(v-last)/dt)
		last = v
		run += v * dt
		n.Impulse = max(n.Impulse, math.Abs(run))
		n.Rectified += math.Abs(v) * dt
		action += v * v * dt
	}
	n.RootAction = math.Sqrt(action)
	return n, at
}

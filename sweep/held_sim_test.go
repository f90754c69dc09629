package sweep_test

import (
	"math"
	"math/rand/v2"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// comb is a held sweep simulated in time: the filter runs over carrier and noise
// eight times per RBW, its noise is as correlated as a Gaussian filter makes it
// (ρ² = exp(−π²·(RBW·τ)²/(2·ln2))), and a trace point is what the detector makes
// of the moments that fall into it.
type comb struct {
	rng   *rand.Rand
	det   driver.Detector
	shape func(x float64) float64 // power gain at x RBW off the middle
	perX  float64                 // trace points per RBW
	k     float64                 // T·RBW²/span
	spans float64                 // whole sweep, in RBW
	hold  int                     // sweeps asked for at a point
	held  int                     // sweeps in all
	quick bool                    // it is back at the start within a millisecond
	off   float64                 // carrier against the nearest trace point, in trace points
}

const moments = 8 // per RBW

// capture takes one point: signal and noise in milliwatts, and other carriers at
// their distance in RBW, which stand for the whole time.
func (s *comb) capture(q sweep.Point, kind sweep.StepKind, spec string, signal, noise float64, others map[float64]float64) sweep.Capture {
	rbw := float64(q.RBW)
	sweepTime := time.Duration(s.k * s.spans / rbw * float64(time.Second))
	cycle := sweep.HeldCycle(sweepTime)
	dwell := time.Duration(s.hold+1) * cycle
	period := float64(sweepTime + time.Millisecond)
	if !s.quick { // how long the retrace takes is not known
		period = float64(sweepTime) + s.rng.Float64()*float64(cycle-sweepTime)
	}
	passes := int(float64(dwell) / period)
	if s.rng.Float64() < float64(dwell)/period-float64(passes) {
		passes++
	}
	bin := 1 / s.perX
	reach := 3 + 3*bin + 0.5 + 3.5
	half := int(reach / bin)
	levels := make([]unit.DBm, 2*half+1)
	top := make([]float64, len(levels))
	off := s.off * bin
	n := int((float64(2*half)+1)*bin*moments) + 1
	start := -(float64(half) + 0.5) * bin
	re, im := make([]float64, n), make([]float64, n)
	gain, beside := make([]float64, n), make([]float64, n)
	for i := range n {
		x := start + float64(i)/moments
		gain[i] = math.Sqrt(signal * s.shape(x-off))
		for d, p := range others {
			beside[i] += p * s.shape(x-d)
		}
		beside[i] = math.Sqrt(beside[i])
	}
	// The impulse response of the filter, in moments.
	w := 2 * math.Log(2) * moments / (math.Pi * s.k)
	taps := int(4*w) + 1
	h := make([]float64, 2*taps+1)
	var e float64
	for i := range h {
		d := float64(i-taps) / w
		h[i] = math.Exp(-d * d * math.Ln2)
		e += h[i] * h[i]
	}
	for i := range h {
		h[i] *= math.Sqrt(noise / 2 / e)
	}
	x, y := make([]float64, n+2*taps), make([]float64, n+2*taps)
	sums, counts := make([]float64, len(levels)), make([]int, len(levels))
	for sweepNo := range s.held {
		for i := range x {
			x[i], y[i] = s.rng.NormFloat64(), s.rng.NormFloat64()
		}
		for i := range n {
			var a, b float64
			for j, c := range h {
				a += c * x[i+j]
				b += c * y[i+j]
			}
			re[i], im[i] = a, b
		}
		phase := 2 * math.Pi * s.rng.Float64()
		px, py := math.Cos(phase), math.Sin(phase)
		clear(sums)
		clear(counts)
		for i := range n {
			a := re[i] + beside[i]*px
			b := im[i] + beside[i]*py
			if sweepNo < passes {
				a += gain[i]
			}
			p := a*a + b*b
			at := min(int((float64(i)/moments)/bin), len(levels)-1)
			mid := math.Abs(float64(i)/moments-(float64(at)+0.5)*bin) <= 0.5/moments
			switch s.det {
			case driver.PositivePeak:
				sums[at] = max(sums[at], p)
			case driver.Sample:
				if mid {
					sums[at] = p
				}
			default:
				sums[at] += p
				counts[at]++
			}
		}
		for i, p := range sums {
			if counts[i] > 0 {
				p /= float64(counts[i])
			}
			top[i] = max(top[i], p)
		}
	}
	for i, p := range top {
		levels[i] = unit.Watt(p / 1e3).DBm()
	}
	b := unit.Hz(bin) * q.RBW
	c := sweep.Capture{
		Kind: kind, Point: q.Index, Freq: q.Freq, SourceFreq: q.Freq, At: sweep.Setting{Specimen: spec, Position: "center", Polarization: "vertical", Repeat: 1},
		HoldSweeps: s.hold, HeldSweeps: s.held, Nominal: dwell, Took: dwell,
		Looks: []sweep.Look{{SourceOn: signal > 0, Trace: driver.Trace{Start: q.Freq - unit.Hz(half)*b, Stop: q.Freq + unit.Hz(half)*b, Levels: levels}}},
	}
	c.Settings = sweep.PointSettings(q)
	c.Settings.Detector, c.Settings.Hold, c.Settings.SweepTime = s.det, driver.MaxHold, sweepTime
	c.Settings.Span, c.Settings.Points = unit.Hz(s.spans)*q.RBW, int(s.spans*s.perX)+1
	return c
}

package detect

import (
	"fmt"
	"math"
	"time"

	"lidded/driver/unit"
)

// LooksPerBandwidthTime is the number of independent looks per RBW·time of a
// near-Gaussian filter, RBW being its 3 dB width: 1/∫|ρ|²dτ = √(π/(2·ln2)) = 1.505.
var LooksPerBandwidthTime = math.Sqrt(math.Pi / (2 * math.Ln2))

// IndependentLooks returns the number of independent looks in the time t at the
// resolution bandwidth rbw, at least one.
func IndependentLooks(rbw unit.Hz, t time.Duration) float64 {
	return math.Max(1, LooksPerBandwidthTime*float64(rbw)*t.Seconds())
}

// DwellFor is the inverse of IndependentLooks: the time for n looks.
func DwellFor(n float64, rbw unit.Hz) time.Duration {
	return seconds(n / (LooksPerBandwidthTime * float64(rbw)))
}

// EffectiveLooks returns how many independent looks the mean power of k looks
// taken every interval is worth, the noise having passed a Gaussian filter:
// k/(1 + 2·Σ(1−i/k)·ρ²(i·interval)), ρ² = exp(−π²·(rbw·τ)²/(2·ln2)).
func EffectiveLooks(k int, interval time.Duration, rbw unit.Hz) float64 {
	if k < 1 || !(rbw > 0) || interval < 0 {
		return math.NaN()
	}
	b := float64(rbw) * interval.Seconds()
	sum := 0.0
	for i := 1; i < k; i++ {
		x := float64(i) * b
		r := math.Exp(-math.Pi * math.Pi * x * x / (2 * math.Ln2))
		if r < 1e-12 {
			break
		}
		sum += (1 - float64(i)/float64(k)) * r
	}
	return float64(k) / (1 + 2*sum)
}

// NoiseBandwidthGaussian is the noise bandwidth over the 3 dB bandwidth of a
// Gaussian filter, √(π/(4·ln2)).
var NoiseBandwidthGaussian = math.Sqrt(math.Pi / (4 * math.Ln2))

// NoiseBandwidthPoles returns the noise bandwidth over the 3 dB bandwidth of n
// synchronously tuned poles: (π/2)·Π(2i−1)/(2i) for i < n, over √(2^(1/n)−1).
func NoiseBandwidthPoles(n int) float64 {
	if n < 1 {
		return math.NaN()
	}
	p := math.Pi / 2
	for i := 1; i < n; i++ {
		p *= float64(2*i-1) / float64(2*i)
	}
	return p / math.Sqrt(math.Expm1(math.Ln2/float64(n)))
}

// SweepLaw is how the sweep time follows from span and bandwidth.
type SweepLaw int

// The laws.
const (
	// SweptFilter takes k·span/RBW², and k·span/(RBW·VBW) where VBW < RBW.
	SweptFilter SweepLaw = iota + 1
	// BlockFFT takes k/RBW whatever the span (one block of samples).
	BlockFFT
)

// String returns the name, "unknown" for anything else.
func (l SweepLaw) String() string {
	switch l {
	case SweptFilter:
		return "swept filter"
	case BlockFFT:
		return "block FFT"
	}
	return "unknown"
}

// SweepTime returns the sweep time for the factor k (2 to 3 for near-Gaussian
// filters, common practice). A vbw of zero means no video filter.
func SweepTime(law SweepLaw, k float64, span, rbw, vbw unit.Hz) (time.Duration, error) {
	if !(k > 0) || !(rbw > 0) || !(span >= 0) || !(vbw >= 0) {
		return 0, fmt.Errorf("sweep time: factor %v, span %v, RBW %v, VBW %v: factor and RBW must be above zero, the others not below", k, span, rbw, vbw)
	}
	switch law {
	case BlockFFT:
		return seconds(k / float64(rbw)), nil
	case SweptFilter:
		narrow := rbw
		if vbw > 0 && vbw < rbw {
			narrow = vbw
		}
		return seconds(k * float64(span) / (float64(rbw) * float64(narrow))), nil
	}
	return 0, fmt.Errorf("sweep time: the law is %v: use swept filter or block FFT", law)
}

// SweepLoss returns the loss of a carrier's peak when a Gaussian filter is swept at
// the factor k = T·RBW²/span: 5·lg(1 + (2·ln2/π)²/k²).
func SweepLoss(k float64) unit.DB {
	c := 2 * math.Ln2 / math.Pi
	return unit.DB(5 * math.Log10(1+c*c/(k*k)))
}

// DetuningLoss returns the loss of a carrier delta away from the centre of a
// Gaussian filter: 3.0103·(2·delta/RBW)² dB.
func DetuningLoss(delta, rbw unit.Hz) unit.DB {
	x := 2 * float64(delta) / float64(rbw)
	return unit.DB(10 * math.Log10(2) * x * x)
}

// WorstBinLoss is the detuning loss half a point away: 3.0103·(spacing/RBW)² dB.
func WorstBinLoss(spacing, rbw unit.Hz) unit.DB { return DetuningLoss(spacing/2, rbw) }

// DwellForSweeps returns how long a stepped source must stay so that a free-running
// analyzer completes n whole sweeps after it has settled: a sweep is under way when
// the frequency changes, so settle + (n+1)·(sweep + retrace).
func DwellForSweeps(n int, settle, sweep, retrace time.Duration) time.Duration {
	return settle + time.Duration(n+1)*(sweep+retrace)
}

func seconds(s float64) time.Duration {
	if s > math.MaxInt64/1e9 {
		return math.MaxInt64
	}
	return time.Duration(math.Round(s * 1e9))
}

package sweep_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// Power responses at an offset of x RBW from the middle, −3 dB at x = 0.5.
var filterShapes = map[string]func(x float64) float64{
	"gaussian":              func(x float64) float64 { return math.Exp2(-4 * x * x) },
	"four-pole synchronous": func(x float64) float64 { return math.Pow(1+4*(math.Pow(2, 0.25)-1)*x*x, -4) },
	"flat-topped":           func(x float64) float64 { return 1 / (1 + math.Pow(2*x, 10)) },
}

// The place of a carrier is known as well as is said, whatever the filter: the
// response is simulated with noise, at every phase between trace points.
func TestCarrierBetweenTracePoints(t *testing.T) {
	const (
		rbw   = 10e3
		looks = 4
		tries = 400
	)
	rng := rand.New(rand.NewPCG(7, 1))
	for name, shape := range filterShapes {
		for _, perRBW := range []float64{0.7, 1, 2, 4, 8} {
			for _, sn := range []unit.DB{15, 25, 45} {
				h := rbw / perRBW
				n := 2*int(6*perRBW) + 21
				var square, worst float64
				found := 0
				for range tries {
					center := 100e6 + (rng.Float64()-0.5)*h
					axis := driver.Trace{Start: unit.Hz(100e6 - h*float64(n/2)), Stop: unit.Hz(100e6 + h*float64(n/2)), Levels: make([]unit.DBm, n)}
					mean := make([]float64, n)
					best := 0
					for i := range mean {
						a := math.Sqrt(sn.Power() * shape((float64(axis.Freq(i))-center)/rbw))
						for range looks {
							re, im := a+rng.NormFloat64()*math.Sqrt(0.5), rng.NormFloat64()*math.Sqrt(0.5)
							mean[i] += (re*re + im*im) / looks
						}
						if mean[i] > mean[best] {
							best = i
						}
					}
					at, u := sweep.VertexOf(mean, best, axis, rbw, 1, looks)
					if at == 0 {
						continue
					}
					found++
					miss := math.Abs(float64(at)-center) / float64(u)
					square += miss * miss
					worst = math.Max(worst, miss)
				}
				if found < tries*9/10 && perRBW >= 1 { // with fewer, both points beside the carrier may be in the noise
					t.Errorf("%s, %g points per RBW, S/N %v: found in %d of %d", name, perRBW, sn, found, tries)
				}
				if rms := math.Sqrt(square / float64(found)); rms > 1.3 || worst > 5.5 {
					t.Errorf("%s, %g points per RBW, S/N %v: off by %.2f standard uncertainties (root mean square), at most %.1f", name, perRBW, sn, rms, worst)
				}
			}
		}
	}
}

package detect

import (
	"math"

	"lidded/driver/unit"
)

// Capability is what a measurement can find, stated before it is made (Currie,
// Anal. Chem. 40 (1968) 586). It is no bound on anything measured: that is the
// upper limit, after the reading. Both are signal powers over the mean noise power.
type Capability struct {
	// Critical (L_C) is the net signal above which one is declared present.
	Critical float64
	// Detection (L_D) is the signal that is declared present with probability 1−beta.
	Detection float64
}

// Detectable returns the capability of k on and m off looks of mean power from the
// exact F law: false alarms alpha, missed signals beta. An infinite m means known noise.
func Detectable(alpha, beta, k, m float64) Capability {
	t := ThresholdEstimated(alpha, k, m)
	if math.IsNaN(t) || !(beta > 0 && beta < 1-alpha) {
		return Capability{math.NaN(), math.NaN()}
	}
	s := solve(func(s float64) float64 { return RatioCDF(t, s, k, m) - beta }, guess(t, k), false, 1e-11)
	return Capability{t - 1, s}
}

// DetectableNormal is Currie's approximation for equal numbers of on and off looks,
// k each, when both are normal: z_α·√(2/k) and (z_α + z_β)·√(2/k). Too hopeful
// below about 100 looks.
func DetectableNormal(alpha, beta, k float64) Capability {
	if !(alpha > 0 && alpha < 1) || !(beta > 0 && beta < 1) || !(k > 0) {
		return Capability{math.NaN(), math.NaN()}
	}
	za, zb := normQuantile(1-alpha), normQuantile(1-beta)
	sd := math.Sqrt(2 / k)
	return Capability{za * sd, (za + zb) * sd}
}

// maxLooks is where NeedLooks gives up.
const maxLooks = 1 << 20

// NeedLooks returns the smallest number of looks, the same on and off, at which the
// predicted median limit without a signal is at most target, and whether fewer
// than a million do. on and off give the detectors; their N and Mean are not used.
func NeedLooks(noise, target unit.DBm, on, off Looks, rule Rule) (int, bool) {
	reached := func(n int) bool {
		on.N, off.N = float64(n), float64(n)
		p := Predict(noise, on, off, rule)
		return !p.IsMissing() && p <= target
	}
	if reached(1) {
		return 1, true
	}
	lo, hi := 1, 2
	for !reached(hi) {
		lo, hi = hi, hi*2
		if hi > maxLooks {
			return 0, false
		}
	}
	for hi-lo > 1 {
		mid := lo + (hi-lo)/2
		if reached(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi, true
}

// NeedRBW returns the widest resolution bandwidth at which the predicted median
// limit without a signal is at most target, with the same looks, when the mean
// noise power is noise at rbw: the noise follows the bandwidth.
func NeedRBW(noise unit.DBm, rbw unit.Hz, target unit.DBm, on, off Looks, rule Rule) unit.Hz {
	p := Predict(noise, on, off, rule)
	if p.IsMissing() {
		return unit.Hz(math.NaN())
	}
	return rbw * unit.Hz(target.Sub(p).Power())
}

package detect

import (
	"math"

	"lidded/driver/unit"
)

// Excess returns how far a displayed level stands above the signal's own level
// when signal and noise are averaged together at the signal-to-noise ratio s
// (linear): 10·lg(1+1/s) for mean power, 4.343·E1(s) for a log average, and the
// Rician mean for a voltage average. NaN for a detector that keeps the largest look.
func Excess(d Detector, s float64) unit.DB {
	if !(s > 0) {
		return unit.DB(math.NaN())
	}
	switch {
	case d.IsPower():
		return unit.DB(dbPerNeper * math.Log1p(1/s))
	case d == LogAverage:
		return unit.DB(dbPerNeper * expInt1(s))
	case d == VoltageAverage:
		a := riceMean(s)
		return unit.PowerRatio(a * a / s)
	}
	return unit.DB(math.NaN())
}

// AboveFloor returns how far the displayed level stands above the displayed floor
// of the same detector at the signal-to-noise ratio s.
func AboveFloor(d Detector, s float64) unit.DB {
	return unit.PowerRatio(s/longRun(d)) + Excess(d, s)
}

// Correction returns what must be added to a displayed level to get the signal's,
// when it stands margin above the displayed floor of the same detector. For mean
// powers this is power subtraction; applied to a log average that would
// over-correct. NaN when the margin is not positive, or the detector keeps the
// largest look.
func Correction(d Detector, margin unit.DB) unit.DB {
	if !(margin > 0) {
		return unit.DB(math.NaN())
	}
	r := margin.Power()
	switch {
	case d.IsPower():
		return unit.PowerRatio(1 - 1/r)
	case d == LogAverage:
		x := r * longRun(d)
		return unit.PowerRatio(InvertLog(x) / x)
	case d == VoltageAverage:
		x := r * longRun(d)
		return unit.PowerRatio(InvertVoltage(x) / x)
	}
	return unit.DB(math.NaN())
}

// Sensitivity returns dS/dD, the decibels by which a power-subtracted level moves
// per decibel of the displayed level: 1/(1 − 10^(−margin/10)).
func Sensitivity(margin unit.DB) float64 { return 1 / (1 - 1/margin.Power()) }

// InvertLog returns the s whose log average over many looks is x, in units of the
// mean noise power: ln x = ln s + E1(s). Zero when x is at or below that of noise.
func InvertLog(x float64) float64 {
	if !(x > longRun(LogAverage)) {
		return 0
	}
	lx := math.Log(x)
	return solve(func(s float64) float64 { return math.Log(s) + expInt1(s) - lx }, x, true, 1e-12)
}

// InvertVoltage returns the s whose squared voltage average over many looks is x,
// in units of the mean noise power. Zero when x is at or below that of noise.
func InvertVoltage(x float64) float64 {
	if !(x > longRun(VoltageAverage)) {
		return 0
	}
	a := math.Sqrt(x)
	return solve(func(s float64) float64 { return riceMean(s) - a }, x, true, 1e-12)
}

// riceMean is the mean Rician amplitude in units of the root of the mean noise
// power: (√π/2)·₁F₁(−½; 1; −s) = (√π/2)·e^(−s)·₁F₁(3/2; 1; s); its asymptotic
// series above s = 40 (DLMF 13.2.39, 13.7.1).
func riceMean(s float64) float64 {
	if s > 40 {
		sum, term := 1.0, 1.0
		for n := 0.0; n < 12; n++ {
			term *= (n - 0.5) * (n - 0.5) / ((n + 1) * s)
			sum += term
		}
		return math.Sqrt(s) * sum
	}
	return math.Sqrt(math.Pi) / 2 * math.Exp(-s) * kummer1(1.5, s)
}

// riceThird is the third moment of the Rician amplitude, Γ(5/2)·₁F₁(−3/2; 1; −s).
func riceThird(s float64) float64 {
	return 0.75 * math.Sqrt(math.Pi) * math.Exp(-s) * kummer1(2.5, s)
}

// kummer1 is ₁F₁(a; 1; s) by its series, for a, s ≥ 0.
func kummer1(a, s float64) float64 {
	sum, term := 1.0, 1.0
	for n := 0.0; n < 400; n++ {
		term *= (n + a) * s / ((n + 1) * (n + 1))
		sum += term
		if term < 1e-17*sum {
			break
		}
	}
	return sum
}

// SubtractionSD returns the first-order standard deviation in dB of a
// power-subtracted level at the ratio s, from k on and m off looks:
// 4.343·√((1+2s)/k + 1/m)/s. Use it only while it is below about 2 dB.
func SubtractionSD(s, k, m float64) unit.DB {
	return unit.DB(dbPerNeper * math.Sqrt((1+2*s)/k+1/m) / s)
}

// DriftMimics returns the signal-to-noise ratio that a rise of the floor between
// off and on looks would be taken for: 10^(d/10) − 1, in dB.
func DriftMimics(d unit.DB) unit.DB {
	return unit.PowerRatio(math.Expm1(float64(d) / dbPerNeper))
}

package detect

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"

	"lidded/driver/unit"
)

// AmbientRule says what counts as ambient.
type AmbientRule struct {
	// Quantile is that of noise alone which no off reading may exceed, 0.99.
	Quantile float64
	// FloorTolerance is how far the floor may truly be above the expected one.
	FloorTolerance unit.DB
	// UnsteadyAlpha is the probability of calling steady noise unsteady, 0.01.
	UnsteadyAlpha float64
}

// DefaultAmbientRule takes the 99 % quantile, a floor known to 3 dB, and 1 % false
// alarms of unsteadiness.
func DefaultAmbientRule() AmbientRule {
	return AmbientRule{Quantile: 0.99, FloorTolerance: 3, UnsteadyAlpha: 0.01}
}

// Ambient is what the off readings show.
type Ambient struct {
	// Excess says that a reading is higher than the noise floor explains.
	Excess bool
	// Unsteady says that the readings vary more than noise of one power would.
	Unsteady bool
	// Over is the highest reading above what the expected floor allows; negative
	// when there is room.
	Over unit.DB
	// Dispersion is the test quantity of steadiness over its expectation, 1 for
	// steady noise; NaN with fewer than two readings.
	Dispersion float64
	// PValue is the probability that steady noise is as dispersed; NaN likewise.
	PValue float64
	// Reason is in words, empty when nothing was found; Err says why the input
	// could not be judged.
	Reason string
	Err    error
}

// AmbientCheck compares off readings at one frequency with the expected mean noise
// power (kTB plus noise figure, in the noise bandwidth) and with one another. An
// excess over several readings is tested so that the quantile holds for all of
// them together. Steadiness of mean powers is Bartlett's homogeneity test with the
// exact mean of its statistic under exponential looks; for other detectors it is
// the scatter of the decibel values against its theory. Missing expected skips the
// test of excess.
func AmbientCheck(off []Looks, expected unit.DBm, rule AmbientRule) Ambient {
	a := Ambient{Over: unit.DB(math.Inf(-1)), Dispersion: math.NaN(), PValue: math.NaN()}
	if a.Err = checkAmbient(off, rule); a.Err != nil {
		return a
	}
	if expected.IsFinite() {
		floor := float64(expected.Watts()) * 1e3
		q := math.Pow(rule.Quantile, 1/float64(len(off)))
		for _, l := range off {
			allowed := unit.PowerRatio(floor*quantileTo(newLaw(l), q, loose)) + rule.FloorTolerance
			if over := unit.PowerRatio(l.Mean) - allowed; over > a.Over {
				a.Over = over
			}
		}
		a.Excess = a.Over > 0
	}
	if len(off) > 1 {
		a.Dispersion, a.PValue = dispersion(off)
		a.Unsteady = a.PValue < rule.UnsteadyAlpha
	}
	switch {
	case a.Excess && a.Unsteady:
		a.Reason = fmt.Sprintf("ambient: %v above what the floor allows, and unsteady", a.Over)
	case a.Excess:
		a.Reason = fmt.Sprintf("ambient: %v above what the floor allows", a.Over)
	case a.Unsteady:
		a.Reason = fmt.Sprintf("ambient: unsteady, the off readings scatter %.1f times as much as noise", a.Dispersion)
	}
	return a
}

func checkAmbient(off []Looks, rule AmbientRule) error {
	if len(off) == 0 {
		return fmt.Errorf("ambient: no off readings: take at least one, two to see whether it is steady")
	}
	for i, l := range off {
		switch {
		case !(l.Mean > 0) || math.IsInf(l.Mean, 1):
			return fmt.Errorf("ambient: off reading %d is %v mW: give a finite power above zero", i+1, l.Mean)
		case !(l.N > 0) || math.IsInf(l.N, 1):
			return fmt.Errorf("ambient: off reading %d has %v looks: give a finite number above zero", i+1, l.N)
		case newLaw(l) == nil:
			return fmt.Errorf("ambient: off reading %d has the detector %v: state the detector", i+1, l.Detector)
		case family(l.Detector) != family(off[0].Detector) || l.Detector.IsMax() != off[0].Detector.IsMax():
			return fmt.Errorf("ambient: off readings 1 and %d have the detectors %v and %v: use one for all", i+1, off[0].Detector, l.Detector)
		}
	}
	if !(rule.Quantile > 0 && rule.Quantile < 1) || !(rule.UnsteadyAlpha > 0 && rule.UnsteadyAlpha < 1) || !(rule.FloorTolerance >= 0) {
		return fmt.Errorf("ambient: quantile %v, unsteady rate %v, floor tolerance %v: give probabilities between 0 and 1, and 0 dB or more", rule.Quantile, rule.UnsteadyAlpha, rule.FloorTolerance)
	}
	return nil
}

// dispersion returns the homogeneity statistic over its expectation and its p-value.
func dispersion(off []Looks) (ratio, p float64) {
	plain := off[0].Detector.IsPower()
	for _, l := range off {
		plain = plain && l.Bins <= 1
	}
	dof := float64(len(off) - 1)
	if plain {
		// Likelihood ratio of one noise power against one each, gamma laws of
		// known shape N (Bartlett, Proc. R. Soc. A 160 (1937) 268), scaled by
		// its exact expectation.
		var n, sum, logs, mean float64
		for _, l := range off {
			k := math.Max(1, l.N)
			d0, _, _ := polygamma(k)
			n += k
			sum += k * l.Mean
			logs += k * math.Log(l.Mean)
			mean -= k * (d0 - math.Log(k))
		}
		d0, _, _ := polygamma(n)
		mean += n * (d0 - math.Log(n))
		ratio = math.Max(0, (n*math.Log(sum/n)-logs)/mean)
		return ratio, mathext.GammaIncRegComp(dof/2, ratio*dof/2)
	}
	// Weighted scatter of the logarithms; the degrees of freedom follow from the
	// fourth moment of the law (Satterthwaite's matching of two moments).
	var w, m, q, kurt float64
	type point struct{ v, w float64 }
	pts := make([]point, len(off))
	var mu, variance, excess float64
	for i, l := range off {
		if i == 0 || newLaw(l) != newLaw(off[i-1]) {
			mu, variance, excess = logScale(newLaw(l))
		}
		pts[i] = point{math.Log(l.Mean) - mu, 1 / variance}
		w += pts[i].w
		m += pts[i].w * pts[i].v
		kurt += excess / float64(len(off))
	}
	m /= w
	for _, x := range pts {
		q += x.w * (x.v - m) * (x.v - m)
	}
	n := dof + 1
	nu := 2 * dof * dof / (2*dof + kurt*dof*dof/n)
	return q / dof, mathext.GammaIncRegComp(nu/2, q/dof*nu/2)
}

// logScale returns mean, variance and excess kurtosis of ln X on noise alone.
func logScale(l law) (mu, variance, excess float64) {
	nodes := fiducial(l, l.spread(), 1e-12)
	for _, n := range nodes {
		mu -= n.weight * math.Log(n.noise)
	}
	var m4 float64
	for _, n := range nodes {
		d := -math.Log(n.noise) - mu
		variance += n.weight * d * d
		m4 += n.weight * d * d * d * d
	}
	return mu, variance, m4/(variance*variance) - 3
}

package detect

import (
	"fmt"
	"math"

	"lidded/driver/unit"
)

// Looks is one reading and how it came about.
type Looks struct {
	// Mean is the reading in milliwatts: the mean of N independent looks as the
	// detector forms it (the power of the mean decibels for a log average, of
	// the mean voltage for a voltage average), or the largest look when the
	// detector is PositivePeak or MaxHold.
	Mean float64
	// N is the number of independent looks, effective and possibly fractional
	// where looks are correlated; values below one count as one. For a largest
	// look with the source on, N counts only looks on the signal. In a set of
	// off looks +Inf says that the noise is known.
	N float64
	// Extra counts further looks of noise alone that went into the same largest
	// look (a max hold that ran on while the source was elsewhere).
	Extra float64
	// Most is how many looks on the signal a largest look may have had, where
	// only the least, N, is known; zero where N is all. Level, Low and High take
	// every number between into account, Limit goes by N.
	Most float64
	// Each is how many independent looks were averaged in power into each of
	// the N a largest look was taken of (maximum hold over an RMS detector);
	// zero and one both mean single looks.
	Each float64
	// Flank counts, for a largest look, the independent looks per RBW by which a
	// swept filter passes the carrier: the same carrier is looked at from the
	// filter's flanks, too, once on each side per look of N. Zero: from its top
	// alone. Level, Low and High take them into account, Limit does not.
	Flank float64
	// Detector says how the looks were combined.
	Detector Detector
	// Bins is the number of bins the reading is the peak of; 0 and 1 both mean
	// the bin at a known frequency.
	Bins int
}

// Rule says how a point is judged.
type Rule struct {
	// FamilyAlpha is the probability of any false alarm over Points points.
	FamilyAlpha float64
	// Points is the number of points of the plan.
	Points int
	// Confidence is that of the upper limit (one-sided) and of the interval
	// (two-sided), for example 0.95.
	Confidence float64
	// CorrectAbove is the margin from which a level is given, with the noise
	// taken off; below it a present signal has only limits.
	CorrectAbove unit.DB
	// NoCorrectionAbove is the margin from which the reading is the level.
	NoCorrectionAbove unit.DB
	// Drift is the largest difference of the noise floor between the on and the
	// off looks, either way. The threshold rises by it and the limits widen.
	Drift unit.DB
}

// DefaultRule gives 95 % confidence and 5 % false alarms over a plan of the
// given number of points, with the zones of ISO 10140-4:2010: no correction from
// 15 dB, correction from 6 dB, a limit below.
func DefaultRule(points int) Rule {
	return Rule{FamilyAlpha: 0.05, Points: points, Confidence: 0.95, CorrectAbove: 6, NoCorrectionAbove: 15}
}

// Finding is what the looks show.
type Finding struct {
	// Present says that the margin exceeds the threshold.
	Present bool
	// Level is the signal, where it is present and a level is valid; else Missing.
	Level unit.DBm
	// Corrected says that Level differs from the reading by a correction.
	Corrected bool
	// Low and High bound the signal two-sided at Confidence. Low is −Inf when
	// the signal may be nothing; without a detection it always is.
	Low, High unit.DBm
	// Limit is the one-sided upper limit on the signal at Confidence.
	Limit unit.DBm
	// Margin is the on reading over the off reading; Threshold what noise alone
	// exceeds with probability Alpha.
	Margin, Threshold unit.DB
	// Confidence and Alpha are the stated rates; Alpha is per point.
	Confidence, Alpha float64
	// Method names the statistics used.
	Method string
	// Reason says why there is no level or, if Limit is Missing, no judgement.
	Reason string
}

// Judged reports whether a judgement was made at all.
func (f Finding) Judged() bool { return !f.Limit.IsMissing() }

// Judge compares a reading with the source on with one with the source off.
//
// The unknown noise power is averaged over what the off looks say about it (its
// fiducial law, as in Cousins & Highland, Nucl. Instrum. Meth. A 320 (1992) 331);
// with mean powers and no signal this is exactly the F law. No limit is tighter
// than the one with the noise at the end of its own interval. The upper limit is
// of the CLs form. The interval of a present signal takes into account that it
// is given only for readings above the threshold: its low end is that of the law
// truncated there, save for signals so weak that a detection would be rarer than
// Alpha. A peak over several bins is treated as the bin of the signal.
func Judge(on, off Looks, rule Rule) Finding {
	f := Finding{
		Level: unit.Missing(), Low: unit.Missing(), High: unit.Missing(), Limit: unit.Missing(),
		Margin: unit.DB(math.NaN()), Threshold: unit.DB(math.NaN()), Confidence: rule.Confidence,
	}
	if f.Reason = refuse(on, off, rule); f.Reason != "" {
		return f
	}
	f.Alpha = PerPoint(rule.FamilyAlpha, rule.Points)
	f.Margin = unit.PowerRatio(on.Mean / off.Mean)
	c := newComparison(on, off)
	t := c.threshold(f.Alpha)
	drift := rule.Drift.Power()
	f.Threshold = unit.PowerRatio(t * drift)
	f.Present = f.Margin > f.Threshold
	f.Method = method(on, off, rule)

	x, raised := c.plausible(on.Mean)
	if raised {
		f.Reason = "the on reading is lower than its own noise allows: the floor or the settings changed between off and on"
	}
	shifts := []float64{1}
	if rule.Drift > 0 {
		shifts = []float64{1 / drift, 1, drift} // the limit of a log average is highest in between
	}
	limit, high, low := 0.0, 0.0, math.Inf(1)
	beta := 1 - rule.Confidence
	for _, shift := range shifts {
		limit = math.Max(limit, c.upper(c.on.alone(), x, shift, beta))
		high = math.Max(high, c.upper(c.on.alone(), x, shift, beta/2))
	}
	f.Limit = level(limit)
	if !f.Present {
		f.High, f.Low = level(high), unit.DBm(math.Inf(-1))
		if f.Reason == "" {
			f.Reason = "no signal above the threshold"
		}
		return f
	}
	s, corrected, why := c.estimate(on, off, f.Margin, rule)
	cut := math.Max(f.Threshold.Power(), 0)
	if s > 0 {
		cut = math.Max(cut, levelFrom(on.Detector, rule).Power())
	}
	if s > 0 && on.Detector.IsMax() {
		// The signal is strong: the noise averaged over its law is exact, and
		// what the reading may have been taken of counts for both ends.
		c.strong, high = true, 0
		for _, shift := range shifts {
			high = math.Max(high, c.upper(c.carrier(), x, shift, beta/2))
		}
		if on.Most <= on.N && on.Flank == 0 && on.Each <= 1 {
			high = math.Max(high, limit) // one law for both: no end lies below the other
		}
	}
	for _, shift := range shifts {
		low = math.Min(low, c.lower(x, cut*off.Mean, shift, beta/2, f.Alpha))
	}
	if s > 0 {
		low, high = math.Min(low, s), math.Max(high, s)
		f.Level, f.Corrected = level(s), corrected
	} else {
		f.Reason = why
	}
	f.Low, f.High = level(low), level(high)
	return f
}

// Predict returns the median upper limit that Judge will give where there is no
// signal and the mean noise power is as stated; the Mean fields are not used.
// It is Missing when the looks or the rule are not valid.
func Predict(noise unit.DBm, on, off Looks, rule Rule) unit.DBm {
	n := float64(noise.Watts()) * 1e3
	lon, loff := newLaw(on), newLaw(off)
	if lon == nil || loff == nil {
		return unit.Missing()
	}
	on.Mean = n * median(lon)
	off.Mean = n * median(loff)
	if math.IsInf(off.N, 1) {
		off.Mean = n * longRun(off.Detector)
	}
	return Judge(on, off, rule).Limit
}

// levelFrom is the margin from which a detector's level is valid. The largest
// look is never corrected by subtraction, so it waits for the outer zone.
func levelFrom(d Detector, rule Rule) unit.DB {
	if d.IsMax() {
		return rule.NoCorrectionAbove
	}
	return rule.CorrectAbove
}

// level turns milliwatts into a level.
func level(mw float64) unit.DBm { return unit.Watt(mw / 1e3).DBm() }

func refuse(on, off Looks, rule Rule) string {
	finite := func(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
	switch {
	case !finite(on.Mean) || on.Mean < 0:
		return fmt.Sprintf("the on reading is %v mW: give a finite power", on.Mean)
	case !finite(off.Mean) || off.Mean <= 0:
		return fmt.Sprintf("the off reading is %v mW: give a finite power above zero", off.Mean)
	case !finite(on.N) || on.N <= 0:
		return fmt.Sprintf("the on reading has %v looks: give a finite number above zero", on.N)
	case math.IsNaN(off.N) || off.N <= 0:
		return fmt.Sprintf("the off reading has %v looks: give a number above zero", off.N)
	case !finite(on.Extra) || on.Extra < 0 || !finite(off.Extra) || off.Extra < 0:
		return "the number of extra looks is negative or not finite"
	case (on.Extra > 0 && !on.Detector.IsMax()) || (off.Extra > 0 && !off.Detector.IsMax()):
		return "extra looks belong to a largest look only: leave them out for an average"
	case !finite(on.Most) || on.Most < 0 || !finite(on.Flank) || on.Flank < 0 || !finite(on.Each) || on.Each < 0:
		return "the most looks, the looks averaged in each or those on the filter's flanks are negative or not finite"
	case !on.Detector.IsMax() && (on.Most > 0 || on.Each > 0 || on.Flank > 0) || off.Most > 0 || off.Flank > 0 || !off.Detector.IsMax() && off.Each > 0:
		return "most looks, looks averaged in each and looks on the filter's flanks belong to a largest look, the first and the last to one with the source on: leave them out"
	case newLaw(on) == nil:
		return fmt.Sprintf("the on detector is %s: state the detector", on.Detector)
	case newLaw(off) == nil:
		return fmt.Sprintf("the off detector is %s: state the detector", off.Detector)
	case math.IsInf(off.N, 1) && (off.Detector.IsMax() || off.Bins > 1):
		return "noise known for certain cannot come from a largest look: give the number of off looks"
	case family(on.Detector) != family(off.Detector):
		return fmt.Sprintf("on is %s and off is %s: use the same detector for both", on.Detector, off.Detector)
	case !(rule.FamilyAlpha > 0 && rule.FamilyAlpha < 1):
		return fmt.Sprintf("the family false-alarm rate is %v: give a probability between 0 and 1", rule.FamilyAlpha)
	case rule.Points < 1:
		return fmt.Sprintf("the plan has %d points: give at least 1", rule.Points)
	case !(rule.Confidence > 0.5 && rule.Confidence < 1):
		return fmt.Sprintf("the confidence is %v: give a probability between 0.5 and 1", rule.Confidence)
	case !(rule.CorrectAbove >= 0) || !(rule.NoCorrectionAbove >= rule.CorrectAbove) || math.IsInf(float64(rule.NoCorrectionAbove), 1):
		return fmt.Sprintf("correction starts at %v and ends at %v: give 0 or more, in rising order", rule.CorrectAbove, rule.NoCorrectionAbove)
	case !(rule.Drift >= 0) || math.IsInf(float64(rule.Drift), 1):
		return fmt.Sprintf("the drift allowance is %v: give 0 dB or more", rule.Drift)
	}
	return ""
}

// family groups the detectors whose readings may be compared with one another.
func family(d Detector) int {
	switch d {
	case LogAverage:
		return 1
	case VoltageAverage:
		return 2
	}
	return 0
}

func method(on, off Looks, rule Rule) string {
	s := describe(on) + " against "
	if math.IsInf(off.N, 1) {
		s += "known noise"
	} else {
		s += describe(off)
	}
	switch {
	case on.Detector.IsPower() && off.Detector.IsPower() && on.Bins <= 1 && off.Bins <= 1:
		if math.IsInf(off.N, 1) {
			s += "; chi-squared threshold"
		} else {
			s += "; F threshold"
		}
	default:
		s += "; numerical threshold"
	}
	s += ", CLs limit"
	if !math.IsInf(off.N, 1) {
		s += ", noise averaged over its fiducial law"
	}
	if rule.Drift > 0 {
		s += fmt.Sprintf(", floor drift up to %.2f dB allowed for", float64(rule.Drift))
	}
	return s
}

func describe(l Looks) string {
	n := fmt.Sprintf("%.4g", math.Max(1, l.N+l.Extra))
	s := l.Detector.String() + " of " + n + " looks"
	if l.Bins > 1 {
		s = fmt.Sprintf("peak over %d bins of the %s", l.Bins, s)
	}
	return s
}

package sweep

import (
	"fmt"
	"math"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep/detect"
	"lidded/sweep/ladder"
	"lidded/sweep/requirement"
)

// wouldDecide says what would decide an undecided point, with how long that
// takes, or why nothing at hand would.
func (e *Evaluator) wouldDecide(r Result, c seen, q Point) string {
	if r.Verdict != requirement.Undecided || r.Required == nil {
		return ""
	}
	required := *r.Required
	switch r.Outcome {
	case Measured:
		return e.lessUncertainty(r, required)
	case AtLeast:
		return e.moreRange(r, c, q, required)
	case AmbientHeard:
		return "a frequency beside the other signal (retry_offset), or an hour at which it is off the air, would decide"
	}
	return "the point taken again, without the fault, would decide"
}

// lessUncertainty is for a value whose interval straddles the line.
func (e *Evaluator) lessUncertainty(r Result, required unit.DB) string {
	off := math.Abs(float64(r.SE.Value - required))
	most := ""
	if rows := e.BudgetOf(r).Rows; len(rows) > 0 {
		most = fmt.Sprintf("; the largest part is %s", rows[0].Name)
	}
	if off < 0.05 {
		return "the value is at the line: no measurement decides" + most
	}
	return fmt.Sprintf("an uncertainty below %.1f dB instead of %.1f dB would decide%s", off, float64(r.SE.U), most)
}

// moreRange is for a bound below the line: the cheapest rung that should lift it
// above, and what source level would do the same.
func (e *Evaluator) moreRange(r Result, c seen, q Point, required unit.DB) string {
	lack := required - r.SE.Value
	if e.sealed() {
		return fmt.Sprintf("%.1f dB more range would decide: linked capture, a narrower rbw, or %.1f dB more source level", float64(lack), float64(lack))
	}
	p, b := e.run.Plan, e.run.Bench
	req := ladder.Request{
		Reference: r.Reference, Loss: b.allowance(false, orFloat(p.Confidence, DefaultConfidence)), Goal: required, Best: r.SE.Value,
		Signal: unit.Missing(), Start: max(q.RBW, c.Settings.RBW), Min: leastRBW(b), Points: 10001, Left: -1, MostLooks: defaultAdaptiveLooks,
		Carrier: followedError(q.Freq, b), Drift: driftOf(q.Freq, b), ZeroSpan: q.Detector == driver.PowerAverage || q.Detector == driver.Sample,
		Law: ladder.Law{Kind: detect.SweptFilter, K: orFloat(b.SweepFactor, 2.5), Least: time.Millisecond, Settle: p.Settle},
	}
	if p.MinRBW > 0 {
		req.Min = p.MinRBW
	}
	_, req.Rule = spentRule(e.rule, 1)
	if c.reading.floor > 0 && c.Settings.RBW > 0 {
		req.Density = level(c.reading.floor / float64(c.Settings.RBW))
	} else if r.NoiseFloor.IsFinite() && c.Settings.RBW > 0 {
		req.Density = r.NoiseFloor.Add(-unit.PowerRatio(float64(c.Settings.RBW)))
	} else {
		return fmt.Sprintf("%.1f dB more range would decide", float64(lack))
	}
	power := fmt.Sprintf("%.1f dB more source level", float64(lack))
	if g := ladder.Choose(req); g.More && g.Reach >= required {
		return fmt.Sprintf("%.1f dB more range would decide: RBW %v with %.0f looks (about %v), or %s", float64(lack), g.RBW, g.Looks, shortly(g.Cost), power)
	}
	return fmt.Sprintf("%.1f dB more range would decide, which no RBW from %v up gives in reasonable time: %s, or less path loss", float64(lack), req.Min, power)
}

// shortly rounds a duration to what a person needs.
func shortly(d time.Duration) time.Duration {
	switch {
	case d >= time.Hour:
		return d.Round(time.Minute)
	case d >= 10*time.Second:
		return d.Round(time.Second)
	}
	return d.Round(100 * time.Millisecond)
}

package sweep

import (
	"fmt"
	"slices"
)

// compileChecks fills in and checks what a plan asks of the sanity of its
// reference: leakage round the specimen, linearity, age.
func compileChecks(p *Plan, spec PlanSpec, fail func(path, format string, args ...any)) {
	p.LeakageCheck, p.LeakagePoints, p.LeakageMargin = spec.LeakageCheck, spec.LeakagePoints, DefaultLeakageMargin
	p.LinearityCheck, p.LinearityPoints = spec.LinearityCheck, spec.LinearityPoints
	p.ReferenceMaxAge = spec.ReferenceMaxAge
	orDefault(&p.ReferenceMaxAge, DefaultReferenceAge, func() { fail("reference_max_age", "%v: an age cannot be negative", spec.ReferenceMaxAge) })
	if m := spec.LeakageMargin; m != nil {
		if p.LeakageMargin = *m; !(*m > 0) {
			fail("leakage_margin", "%v: need more than 0 dB, for example leakage_margin: 10 dB", *m)
		}
	}
	for _, c := range []struct {
		key     string
		have    Fitting
		allowed []Fitting
		points  int
	}{
		{"leakage", p.LeakageCheck, []Fitting{ReceiverTerminated, SourceLoaded}, p.LeakagePoints},
		{"linearity", p.LinearityCheck, []Fitting{StepAttenuator, SourceLowered}, p.LinearityPoints},
	} {
		check := c.key + "_check"
		switch {
		case c.have == FittedAsUsed && (c.points != 0 || c.key == "leakage" && spec.LeakageMargin != nil):
			what := c.key + "_points"
			if c.points == 0 {
				what = "leakage_margin"
			}
			fail(check, "%s without %s: write %s: %v or %v", what, check, check, c.allowed[0], c.allowed[1])
		case c.have != FittedAsUsed && !slices.Contains(c.allowed, c.have):
			fail(check, "%v is no %s check: write %v or %v", c.have, c.key, c.allowed[0], c.allowed[1])
		case c.have != FittedAsUsed && p.Capture == Sealed:
			fail(check, "the analyzer of a sealed capture is alone in the box and held through the whole sweep, where this check has nothing to look at: take it out, or write capture: linked")
		case c.points < 0:
			fail(c.key+"_points", "%d points: need at least 1, or leave it out", c.points)
		}
	}
	if p.LeakageCheck == FittedAsUsed {
		p.LeakageMargin = 0
	}
	if p.LinearityCheck != FittedAsUsed {
		orDefault(&p.LinearityPoints, DefaultLinearityPoints, func() {})
	}
}

// KnownSteps are the steps that a plan's linearity check takes on a bench.
func (p Plan) KnownSteps(b Bench) []KnownStep {
	switch p.LinearityCheck {
	case StepAttenuator:
		return b.StepAttenuator
	case SourceLowered:
		return b.SourceSteps
	}
	return nil
}

// Check returns what is wrong with a known step, with the cure.
func (k KnownStep) Check() error {
	switch {
	case !(k.Value > 0):
		return fmt.Errorf("value: %v: need more than 0 dB, for example 20 dB", k.Value)
	case !(k.Uncertainty > 0) || k.Uncertainty >= k.Value:
		return fmt.Errorf("uncertainty: %v: need the standard uncertainty of the step, above 0 dB, for example 0.2 dB", k.Uncertainty)
	}
	return nil
}

// checkChecks refuses checks that a bench has not what it takes for.
func checkChecks(p Plan, b Bench, fail func(path, format string, args ...any)) {
	if p.ByRule && b.HandsByRule && !b.HandsFit {
		for key, f := range map[string]Fitting{"leakage_check": p.LeakageCheck, "linearity_check": p.LinearityCheck} {
			if f != FittedAsUsed && f != SourceLowered {
				fail(key, "%v is to be fitted at a hold point, and the hands of bench %s move nothing: set hold_points: operator, or take %s out", f, b.Name, key)
			}
		}
	}
	if p.LinearityCheck == FittedAsUsed || len(p.KnownSteps(b)) > 0 {
		return
	}
	key := "step_attenuator"
	if p.LinearityCheck == SourceLowered {
		key = "source_steps"
	}
	fail("linearity_check", "%v needs a known step, and bench %s states none: write %s: [{value: 20 dB, uncertainty: 0.2 dB}] there, or take linearity_check out", p.LinearityCheck, b.Name, key)
}

// spread picks n of the plan's points, evenly, the first and the last among
// them; nil for all.
func spread(p Plan, n int) []int {
	last := len(p.Points) - 1
	if n <= 0 || n > last {
		return nil
	}
	if n == 1 {
		return []int{last / 2}
	}
	out := make([]int, n)
	for i := range out {
		out[i] = (i*last + (n-1)/2) / (n - 1)
	}
	return out
}

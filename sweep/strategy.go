package sweep

import (
	"time"

	"lidded/driver/unit"
	"lidded/driver/word"
)

// Strategy says how linked points are captured.
type Strategy uint8

// The strategies.
const (
	StrategyUnknown Strategy = iota
	Fixed                    // every point with the plan's settings
	Adaptive                 // each point starts wide and quick, and narrows only while that can still change the answer
)

// Stop says when an adaptive capture of a point is at its end.
type Stop uint8

// The stop rules. With each, a point whose value was measured is at its end.
const (
	StopUnknown Stop = iota
	StopVerdict      // when the point surely meets or falls short of its requirement
	StopReach        // when the stated range is proven
	StopBudget       // when the time is spent
)

var strategyNames = word.List{"unknown", "fixed", "adaptive"}

// String gives the name used in files, in the store and over REST.
func (s Strategy) String() string { return strategyNames.Of(int(s)) }

// MarshalText writes the name.
func (s Strategy) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the name.
func (s *Strategy) UnmarshalText(text []byte) error {
	i, err := strategyNames.Find("strategy", string(text))
	*s = Strategy(i)
	return err
}

var stopNames = word.List{"unknown", "verdict", "reach", "budget"}

// String gives the name used in files, in the store and over REST.
func (s Stop) String() string { return stopNames.Of(int(s)) }

// MarshalText writes the name.
func (s Stop) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the name.
func (s *Stop) UnmarshalText(text []byte) error {
	i, err := stopNames.Find("stop rule", string(text))
	*s = Stop(i)
	return err
}

// defaultAdaptiveLooks is the most sweeps of one state in a rung where the plan
// says nothing: beyond, a narrower RBW is the better buy.
const defaultAdaptiveLooks = 128

// compileStrategy fills in and checks what an adaptive capture goes by.
func compileStrategy(p *Plan, spec PlanSpec, b Bench, fail func(path, format string, args ...any)) {
	options := []struct {
		key string
		set bool
	}{
		{"stop", spec.Stop != StopUnknown}, {"reach", spec.Reach != nil}, {"budget", spec.Budget != 0}, {"run_budget", spec.RunBudget != 0},
		{"min_rbw", spec.MinRBW != 0}, {"retry_offset", spec.RetryOffset != 0}, {"check_reference", spec.CheckReference != nil && *spec.CheckReference},
	}
	p.Strategy = spec.Strategy
	if p.Strategy == StrategyUnknown {
		p.Strategy = Fixed
		if p.Capture == Linked && (spec.Requirement != "" || spec.Stop != StopUnknown || spec.Reach != nil || spec.Budget != 0 || spec.RunBudget != 0) {
			p.Strategy = Adaptive
		}
	}
	if p.Strategy == Adaptive && p.Capture == Sealed {
		fail("strategy", "sealed capture is one wide sweep, nothing in it can be narrowed: write strategy: fixed, or capture: linked")
	}
	if p.Strategy != Adaptive {
		for _, o := range options {
			if o.set {
				fail(o.key, "%s is for strategy adaptive, and this plan's is fixed: take it out, or write strategy: adaptive", o.key)
			}
		}
		return
	}
	p.Stop, p.Budget, p.RunBudget, p.MinRBW, p.RetryOffset = spec.Stop, spec.Budget, spec.RunBudget, spec.MinRBW, spec.RetryOffset
	p.CheckReference = spec.CheckReference == nil || *spec.CheckReference
	if spec.Reach != nil {
		if p.Reach = *spec.Reach; p.Reach <= 0 {
			fail("reach", "%v: need more than 0 dB, for example reach: 70 dB", p.Reach)
		}
	}
	for _, d := range []struct {
		key string
		v   time.Duration
	}{{"budget", p.Budget}, {"run_budget", p.RunBudget}} {
		if d.v < 0 {
			fail(d.key, "%v: a time cannot be negative", d.v)
		}
	}
	switch {
	case p.Stop == StopUnknown && spec.Reach != nil:
		p.Stop = StopReach
	case p.Stop == StopUnknown && p.Requirement != "":
		p.Stop = StopVerdict
	case p.Stop == StopUnknown:
		p.Stop = StopBudget
	}
	switch {
	case p.Stop == StopReach && spec.Reach == nil:
		fail("stop", "stop: reach needs the range to be proven: write reach, for example reach: 70 dB")
	case p.Stop == StopVerdict && p.Requirement == "":
		fail("stop", "stop: verdict needs a requirement line: name one with requirement, or write stop: reach or stop: budget")
	case p.Stop == StopBudget && p.Budget == 0 && p.RunBudget == 0:
		fail("stop", "stop: budget needs the time to be spent: write budget (for each point) or run_budget, for example budget: 30s")
	}
	if p.RetryOffset < 0 {
		fail("retry_offset", "%v: an offset cannot be negative", p.RetryOffset)
	}
	if spec.Looks == 0 {
		p.Looks = quickLooks
	}
	if spec.MaxLooks == 0 {
		p.MaxLooks = max(defaultAdaptiveLooks, p.Looks)
	}
	if spec.MinRBW < 0 {
		fail("min_rbw", "%v: need more than 0 Hz", spec.MinRBW)
	}
	for i, band := range spec.Bands {
		if spec.MinRBW > band.RBW && band.RBW > 0 {
			fail("min_rbw", "%v is wider than bands[%d].rbw (%v), where the points begin: lower it", spec.MinRBW, i, band.RBW)
			break
		}
	}
	if p.MinRBW == 0 {
		p.MinRBW = leastRBW(b)
	}
}

// leastRBW is the narrowest RBW that a bench's analyzer is known to have, or
// one hertz.
func leastRBW(b Bench) unit.Hz {
	if b.AnalyzerRange.RBWMin > 0 {
		return b.AnalyzerRange.RBWMin
	}
	return 1
}

package engine

import (
	"context"
	"errors"
	"fmt"

	"lidded/driver"
)

// attempt does something that touches the instruments, again after a fault
// that may be over, up to the stated number of tries. What comes back is nil, a
// *voidError (no valid capture, and why), a *ruleError (the run fails), or the
// reason to let go.
func (c *conduct) attempt(ctx context.Context, point int, do func(context.Context) error) error {
	for try := 1; ; try++ {
		err := do(ctx)
		if err == nil {
			return nil
		}
		var rule *ruleError
		if errors.As(err, &rule) {
			return err
		}
		if stop := c.over(ctx); stop != nil {
			c.suspect(err)
			return stop
		}
		if _, ok := isVoid(err); ok {
			return err
		}
		if err := c.fault(ctx, point, err); err != nil {
			return err
		}
		if !worthAgain(err) || try >= c.b.rules.PointTries {
			return voidf("%v (tries: %d)", err, try)
		}
	}
}

// worthAgain reports whether the same may work when it is done again. What an
// instrument refuses, it would refuse again.
func worthAgain(err error) bool {
	switch driver.KindOf(err) {
	case driver.KindDeviceDialect, driver.KindDeviceSettings:
		return false
	}
	return true
}

// fault notes a fault and puts its instrument's link right again. A fault after
// which the run cannot go on comes back as a *ruleError.
func (c *conduct) fault(ctx context.Context, point int, err error) error {
	if err := c.note(ctx, "fault", point, err.Error()); err != nil {
		return err
	}
	var f *fault
	if !errors.As(err, &f) {
		return &ruleError{ruleInternal, err}
	}
	if driver.KindOf(f.err) == driver.KindIdentity {
		return &ruleError{ruleIdentity, f}
	}
	for _, cond := range conditions {
		if cond.trips != nil && cond.trips(f) {
			return c.restore(ctx, cond, f)
		}
	}
	return nil
}

// condition is a state of the bench that a run waits out, source off, rather than
// ends for. One kind trips on a fault and is over when clear succeeds and the
// settling time has passed. The other trips when what is watched after a point is
// at its rule's trip threshold, and is over when it stays under the resume
// threshold.
type condition struct {
	name  string
	about string // when it trips, for states.md

	trips    func(*fault) bool
	patience func(Rules) Patience
	clear    func(context.Context, *conduct, Role) error

	watch   func(context.Context, *conduct, standing) (watched, error)
	rule    func(*conduct) Suspension
	say     func(float64) string
	keys    bool // seen with the source on only
	resumed bool // watched when a run is taken up again, not after each point
}

// conditions are looked through in order.
var conditions = []condition{
	{
		name: "link down", about: "an instrument does not answer as it should",
		trips:    (*fault).again,
		patience: func(r Rules) Patience { return r.LinkDown },
		clear: func(ctx context.Context, c *conduct, r Role) error {
			return c.b.links.recover(ctx, r)
		},
	},
	{
		name: "overload", about: "the analyzer's input is overloaded with the source off",
		watch: watchOverload, rule: func(c *conduct) Suspension { return c.b.rules.Suspend.Overload },
		say: func(v float64) string {
			if v > 0 {
				return "overloaded with the source off"
			}
			return "not overloaded"
		},
	},
	{
		name: "floor risen", about: "the floor stands over the median of the point's own earlier floors",
		watch: watchFloor, rule: func(c *conduct) Suspension { return c.b.rules.Suspend.Floor },
		say: func(v float64) string { return fmt.Sprintf("%.1f dB over the point's earlier floors", v) },
	},
	{
		name: "temperature", about: "the analyzer's own temperature, where its dialect can ask",
		watch: watchTemperature, rule: func(c *conduct) Suspension { return c.b.rules.Suspend.Temperature },
		say: func(v float64) string { return fmt.Sprintf("%.1f °C", v) },
	},
	driftCondition,
}

const driftName = "reference drift"

var driftCondition = condition{
	name: driftName, about: "the last strong point before the checkpoint, taken again after an interruption or a wait, reads otherwise",
	watch: watchDrift, keys: true, resumed: true,
	rule: func(c *conduct) Suspension {
		s := c.b.rules.Suspend.Drift
		if s.Trip == 0 {
			s.Trip = float64(c.run.Plan.DriftLimit)
		}
		if s.Resume == 0 {
			s.Resume = s.Trip / 2
		}
		return s
	},
	say: func(v float64) string { return fmt.Sprintf("%.1f dB of change", v) },
}

// restore clears a condition at once where it can, else waits it out.
func (c *conduct) restore(ctx context.Context, cond condition, f *fault) error {
	err := cond.clear(ctx, c, f.role)
	if err == nil {
		return nil
	}
	if stop := c.over(ctx); stop != nil {
		return stop
	}
	return c.waitOut(ctx, cond, &fault{f.role, err})
}

// waitOut suspends the run and tries to clear the condition, with growing
// pauses, as long as the rules are patient. A condition that does not clear, or
// shows another instrument, ends the run.
func (c *conduct) waitOut(ctx context.Context, cond condition, f *fault) error {
	patience := cond.patience(c.b.rules)
	if err := c.fire(ctx, EventSuspend, fmt.Sprintf("%s: %v", cond.name, f), ""); err != nil {
		return err
	}
	for try := 0; ; try++ {
		if stop := c.over(ctx); stop != nil {
			return stop
		}
		if driver.KindOf(f.err) == driver.KindIdentity {
			return &ruleError{ruleIdentity, f}
		}
		if driver.KindOf(f.err) == driver.KindPowerCycled && cond.name == detachedName {
			// Back, but what it held is lost: the caller's to deal with.
			if err := c.fire(ctx, EventRestored, "the analyzer restarted", ""); err != nil {
				return err
			}
			return f
		}
		if try >= patience.Tries {
			return &ruleError{ruleLinkDown, fmt.Errorf("%w (tries: %d)", f, try)}
		}
		if err := c.b.clock.Sleep(ctx, patience.pause(try)); err != nil {
			return err
		}
		err := cond.clear(ctx, c, f.role)
		if err == nil {
			break
		}
		f = &fault{f.role, err}
	}
	if err := c.b.clock.Sleep(ctx, patience.Settle); err != nil {
		return err
	}
	c.recheck = true
	return c.fire(ctx, EventRestored, cond.name+" is over", "")
}

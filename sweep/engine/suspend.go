package engine

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// Suspension is when a run waits a condition of the bench out. It trips at one
// threshold and goes on at a lower one, so that it does not chatter.
type Suspension struct {
	Trip    float64       // suspended from here on; negative: never
	Resume  float64       // goes on from here down
	Settle  time.Duration // and only if it still holds after this
	Every   time.Duration // looked at so often meanwhile
	Longest time.Duration // then the run ends
}

// or fills in what is zero.
func (s Suspension) or(d Suspension) Suspension {
	if s.Trip == 0 {
		s.Trip = d.Trip
	}
	if s.Resume == 0 {
		if s.Resume = d.Resume; s.Trip != d.Trip {
			s.Resume = s.Trip / 2
		}
	}
	def(&s.Settle, d.Settle)
	def(&s.Every, d.Every)
	def(&s.Longest, d.Longest)
	return s
}

// Suspend are the thresholds of the conditions that are watched. A zero field
// takes its default (common practice, no source).
type Suspend struct {
	Overload    Suspension // input overloaded with the source off; trips at 1, is over at 0
	Floor       Suspension // dB over the median of the point's own earlier floors; default 6, 3
	Drift       Suspension // dB between a level and the same again after an interruption; default the plan's drift limit, half of it
	Temperature Suspension // °C of the analyzer; none by default
}

func (s Suspend) withDefaults() Suspend {
	waits := Suspension{Settle: 5 * time.Second, Every: 10 * time.Second, Longest: 30 * time.Minute}
	with := func(trip, resume float64) Suspension {
		w := waits
		w.Trip, w.Resume = trip, resume
		return w
	}
	s.Overload = s.Overload.or(with(1, 0))
	s.Floor = s.Floor.or(with(6, 3))
	s.Drift = s.Drift.or(waits)
	s.Temperature = s.Temperature.or(waits)
	return s
}

// watched is what a condition reads off the bench after a point.
type watched struct {
	value float64
	ok    bool // there is something to compare
}

// standing is the point that a condition was tripped at.
type standing struct {
	task task
	caps []sweep.Capture
}

// tripped returns the condition that a point just captured trips, if any.
func (c *conduct) tripped(ctx context.Context, at standing) (*condition, float64, error) {
	for i := range conditions {
		cond := &conditions[i]
		if cond.watch == nil || cond.resumed {
			continue
		}
		rule := cond.rule(c)
		if rule.Trip <= 0 {
			continue
		}
		w, err := cond.watch(ctx, c, at)
		if err != nil {
			return nil, 0, err
		}
		if w.ok && w.value >= rule.Trip {
			return cond, w.value, nil
		}
	}
	return nil, 0, nil
}

// waitBelow suspends the run, source off, until a condition is under its resume
// threshold and stays there for the settling time. One that is not by its longest
// wait ends the run. A condition that can only be seen with the source on is
// looked at with the run taken up for that.
func (c *conduct) waitBelow(ctx context.Context, cond *condition, value float64, at standing) error {
	rule := cond.rule(c)
	text := func(v float64) string {
		return fmt.Sprintf("%s: %s, goes on at %s or less", cond.name, cond.say(v), cond.say(rule.Resume))
	}
	suspend := func(v float64) error {
		if err := c.fire(ctx, EventSuspend, text(v), ""); err != nil {
			return err
		}
		return c.over(ctx)
	}
	if err := suspend(value); err != nil {
		return err
	}
	until := c.b.clock.Now().Add(rule.Longest)
	for settled := false; ; {
		pause := rule.Every
		if settled {
			pause = rule.Settle
		}
		if err := c.b.clock.Sleep(ctx, pause); err != nil {
			return err
		}
		if cond.keys {
			if err := c.fire(ctx, EventRestored, cond.name+": looked at again", ""); err != nil {
				return err
			}
		}
		w, err := cond.watch(ctx, c, at)
		if stop := c.over(ctx); stop != nil {
			c.suspect(err)
			return stop
		}
		var rule2 *ruleError
		var f *fault
		switch {
		case errors.As(err, &rule2):
			return err
		case errors.As(err, &f): // not known yet; the link is put right before the next look
			c.b.links.down(f.role, f.err)
			_ = c.b.links.recover(ctx, f.role)
			w.ok = false
		}
		low := err == nil && w.ok && w.value <= rule.Resume
		if err == nil && w.ok {
			value = w.value
		}
		if low && (settled || rule.Settle <= 0) {
			break
		}
		settled = low
		if !c.b.clock.Now().Before(until) {
			return &ruleError{ruleWaited, fmt.Errorf("%s, for %v", text(value), rule.Longest)}
		}
		if cond.keys {
			if err := suspend(value); err != nil {
				return err
			}
		}
	}
	c.recheck = cond.name != driftName
	if cond.keys {
		return c.note(ctx, "note", at.task.point.Index, cond.name+" is over")
	}
	return c.fire(ctx, EventRestored, cond.name+" is over", "")
}

// kept captures a point until no condition is tripped by it. What was captured
// while one was is not kept, and the journal says so.
func (c *conduct) kept(ctx context.Context, t task, take func() ([]sweep.Capture, error)) ([]sweep.Capture, error) {
	for try := 1; ; try++ {
		caps, err := take()
		if err != nil {
			return caps, err
		}
		at := standing{t, caps}
		var cond *condition
		var value float64
		err = c.attempt(ctx, t.point.Index, func(ctx context.Context) (err error) {
			cond, value, err = c.tripped(ctx, at)
			return err
		})
		if _, ok := isVoid(err); ok {
			return caps, nil
		}
		if err != nil || cond == nil {
			return caps, err
		}
		if try >= c.b.rules.PointTries {
			return caps, c.note(ctx, "note", t.point.Index, fmt.Sprintf("point %d (%v): kept all the same at try %d: %s: %s", t.point.Index, t.point.Freq, try, cond.name, cond.say(value)))
		}
		if err := c.note(ctx, "fault", t.point.Index, fmt.Sprintf("point %d (%v) is taken again: %s: %s", t.point.Index, t.point.Freq, cond.name, cond.say(value))); err != nil {
			return caps, err
		}
		if err := c.waitBelow(ctx, cond, value, at); err != nil {
			return caps, err
		}
	}
}

// widest is the capture of a point whose traces have a floor beside the carrier.
func widest(caps []sweep.Capture) (sweep.Capture, bool) {
	for _, g := range caps {
		if g.Void == "" && g.Settings.Span > 0 && len(g.Looks) > 0 {
			return g, true
		}
	}
	return sweep.Capture{}, false
}

// look sweeps with the source off, set as a capture was.
func (c *conduct) look(ctx context.Context, t task, g sweep.Capture) (sweep.Capture, error) {
	want := g.Settings
	want.SweepTime = 0
	got, err := c.rig.configure(ctx, want)
	if err != nil {
		return g, err
	}
	looks, _, err := c.rig.block(ctx, t, false, firstBlock, c.run.Plan.Settle, 0, got.SweepTime)
	g.Settings, g.Looks = got, looks
	return g, err
}

// watchOverload asks whether the input is overloaded while our own source is
// off: our own signal does not go by waiting, somebody else's may.
func watchOverload(ctx context.Context, c *conduct, at standing) (watched, error) {
	over := false
	for _, g := range at.caps {
		over = over || g.Overload
	}
	g, ok := widest(at.caps)
	if !over || !ok {
		return watched{}, nil
	}
	if _, err := c.look(ctx, at.task, g); err != nil {
		return watched{}, err
	}
	on, err := health(ctx, c.b.links.analyzer, RoleAnalyzer)
	w := watched{ok: true}
	if on {
		w.value = 1
	}
	return w, err
}

// watchFloor compares the floor with the point's own earlier ones. A run that
// waits looks at it afresh.
func watchFloor(ctx context.Context, c *conduct, at standing) (watched, error) {
	g, ok := widest(at.caps)
	if !ok {
		return watched{}, nil
	}
	was, ok := c.floors.Before(g)
	if !ok {
		return watched{}, nil
	}
	if c.snapshot().State == sweep.Suspended {
		var err error
		if g, err = c.look(ctx, at.task, g); err != nil {
			return watched{}, err
		}
	}
	now, ok := sweep.FloorDensity(g)
	return watched{float64(now.Sub(was)), ok && sweep.PlainFloor(g)}, nil // a station is no floor, and is judged as one
}

// watchTemperature asks the analyzer, where it can tell.
func watchTemperature(ctx context.Context, c *conduct, _ standing) (watched, error) {
	th, can := c.b.links.analyzer.(driver.Thermometer)
	if !can {
		return watched{}, nil
	}
	v, ok, err := th.Temperature(ctx)
	return watched{v, ok}, wrong(RoleAnalyzer, err)
}

// driftMargin is how far over the floor a level must be to tell a drift by it.
const driftMargin = unit.DB(20)

// remembered is the last strong capture of a step with the source on.
type remembered struct {
	capture sweep.Capture // without looks
	level   unit.DBm
}

// remember keeps what a drift can be told by.
func (c *conduct) remember(g sweep.Capture) {
	if g.Point < 0 || !keys(g.Kind) || g.Rung != 0 || g.Void != "" || g.Overload || g.Settings.Span <= 0 || g.HeldSweeps > 0 {
		return
	}
	level, margin := sweep.Carrier(g)
	if margin < driftMargin {
		return
	}
	g.Looks = nil
	c.mark = &remembered{g, level}
}

// watchDrift takes the last strong point before the checkpoint again: an
// interruption may have moved something.
func watchDrift(ctx context.Context, c *conduct, at standing) (watched, error) {
	m := c.mark
	want := m.capture.Settings
	want.SweepTime = 0
	got, err := c.rig.configure(ctx, want)
	if err != nil {
		return watched{}, err
	}
	sweepTime, err := c.rig.sweepTime(ctx, got)
	if err != nil {
		return watched{}, err
	}
	if _, _, err := c.b.tx.tune(ctx, m.capture.Freq, at.task.point.Level); err != nil {
		return watched{}, err
	}
	g := m.capture
	g.Settings = got
	for _, on := range []bool{false, true} {
		looks, _, err := c.rig.block(ctx, at.task, on, firstBlock, c.run.Plan.Settle, 0, sweepTime)
		if err != nil {
			return watched{}, err
		}
		g.Looks = append(g.Looks, looks...)
	}
	level, _ := sweep.Carrier(g)
	c.moved = level.Sub(m.level)
	return watched{math.Abs(float64(c.moved)), true}, nil
}

// remeasure checks, after an interruption or a wait, that the last strong point
// of the step still reads the same. It is not captured; the journal has what came
// of it.
func (c *conduct) remeasure(ctx context.Context, s sweep.Step) error {
	if !c.recheck {
		return nil
	}
	c.recheck = false
	if err := c.sayAge(ctx, s); err != nil {
		return err
	}
	m := c.mark
	if m == nil || m.capture.Step != s.Index {
		return nil
	}
	cond := &driftCondition
	rule := cond.rule(c)
	if rule.Trip <= 0 {
		return nil
	}
	point := c.run.Plan.Points[m.capture.Point]
	if s.Fitting == sweep.SourceLowered {
		point.Level = point.Level.Add(-s.Lower)
	}
	at := standing{task: task{s, point}}
	var w watched
	err := c.attempt(ctx, point.Index, func(ctx context.Context) (err error) {
		w, err = cond.watch(ctx, c, at)
		return err
	})
	c.recheck = false // a fault on the way is no reason to do it twice
	if reason, ok := isVoid(err); ok {
		return c.note(ctx, "note", point.Index, "drift could not be looked at: "+reason)
	}
	if err != nil {
		return err
	}
	text := fmt.Sprintf("point %d (%v) taken again: %+.2f dB", point.Index, point.Freq, float64(c.moved))
	if err := c.note(ctx, "note", point.Index, text); err != nil {
		return err
	}
	if w.value < rule.Trip {
		return nil
	}
	return c.waitBelow(ctx, cond, w.value, at)
}

// sayAge notes a reference that is over the plan's age when enclosed captures go
// on after an interruption or a wait.
func (c *conduct) sayAge(ctx context.Context, s sweep.Step) error {
	begun, ok := c.references[placeOf(s.At, 0)]
	most := c.run.Plan.ReferenceMaxAge
	if s.Kind != sweep.Enclosed || !ok || most <= 0 {
		return nil
	}
	age := c.b.clock.Now().Sub(begun)
	if age <= most {
		return nil
	}
	then := "a closing reference within the drift limit has to stand for it"
	if !c.run.Plan.Closing {
		then = "this plan has no closing reference to stand for it, so what follows is void: start a new run"
	}
	return c.noteOnce(ctx, fmt.Sprintf("the reference at %s, %s is %v old, over reference_max_age (%v): %s", s.At.Position, s.At.Polarization, age.Round(time.Minute), most, then))
}

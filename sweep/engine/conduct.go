package engine

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// conduct is one run being conducted. The goroutine that owns the bench works
// it; others reach it by fire and release alone.
type conduct struct {
	b        *Bench
	id       sweep.RunID
	log      *zap.Logger
	rig      *rig
	strategy strategy
	costs    costs
	pace     pace
	noted    map[string]bool
	mute     bool             // no notes yet
	held     *driver.Settings // sealed: of the reference, as read back
	done     int              // captures committed, whole traces apart
	row      int              // void points in a row

	floors     sweep.Floors
	references map[place]time.Time // when the first of a place was begun
	mark       *remembered         // nil: nothing to tell a drift by
	moved      unit.DB             // what the drift was, last looked at
	recheck    bool                // before the next point, see whether it drifted

	mu      sync.Mutex // one event at a time
	run     sweep.Run  // State, Reason, Checkpoint and Ended change
	waiting *sweep.Step
	end     *ending
	stop    context.CancelCauseFunc // cuts the work

	ordered atomic.Pointer[ending]                  // the source was ordered off; needs no mu
	halt    atomic.Pointer[context.CancelCauseFunc] // stop, for whom mu is too much

	wake  chan struct{} // a hold point was released
	ended chan struct{} // closed when the run has ended
}

// ending is how a run is going to end, once the source is off.
type ending struct {
	state       sweep.State
	reason, who string
}

func (b *Bench) newConduct(run sweep.Run) *conduct {
	c := &conduct{
		b: b, id: run.ID, run: run, log: b.log.With(zap.String("run", string(run.ID))),
		costs:      newCosts(run),
		references: map[place]time.Time{},
		noted:      map[string]bool{}, wake: make(chan struct{}, 1), ended: make(chan struct{}),
	}
	c.rig = &rig{c: c}
	c.strategy = newStrategy(c)
	c.pace = newPace(c.costs, c.costs.from(run, run.Checkpoint))
	return c
}

// snapshot is the run as it stands.
func (c *conduct) snapshot() sweep.Run {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.run
}

// fire lets an event happen. What ends the run only cuts the work here; the
// goroutine that owns the run then switches the source off and ends it.
func (c *conduct) fire(ctx context.Context, e Event, reason, who string) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.fireLocked(ctx, e, reason, who)
}

func (c *conduct) fireLocked(ctx context.Context, e Event, reason, who string) error {
	c.heed()
	move, err := Next(c.run.State, e)
	if err != nil || c.end != nil {
		return &StateError{Run: c.id, State: c.run.State, Event: e}
	}
	switch {
	case move.Action == ActionStay:
		return nil
	case ends(move.Next):
		c.cut(ending{move.Next, reason, who})
		return nil
	}
	if err := c.transition(ctx, move.Next, reason, who); err != nil {
		err = &ruleError{ruleJournal, err}
		c.cut(ending{sweep.Failed, err.Error(), ""})
		return err
	}
	if e == EventRelease {
		c.waiting = nil
		select {
		case c.wake <- struct{}{}:
		default:
		}
	}
	return nil
}

// cut makes the owner let go of the work; the first reason counts.
func (c *conduct) cut(e ending) {
	if c.end == nil {
		c.end = &e
	}
	if c.stop != nil {
		c.stop(errEnding)
	}
}

// takeAway ends a run whose source is ordered off. It waits for nothing: whoever
// holds mu may be waiting for a journal. The work is cut by the order itself.
func (c *conduct) takeAway(who string) {
	c.ordered.CompareAndSwap(nil, &ending{sweep.Aborted, "source switched off by " + orNobody(who), who})
}

// letGo cuts the work of a run whose source was taken away.
func (c *conduct) letGo() {
	if stop := c.halt.Load(); stop != nil {
		(*stop)(errEnding)
	}
}

// heed makes an order that took the source away the end of the run, unless it
// has one. mu is held.
func (c *conduct) heed() {
	if o := c.ordered.Load(); o != nil && c.end == nil && !ends(c.run.State) {
		c.cut(*o)
	}
}

// fail ends a run whose journal does not even take its beginning.
func (c *conduct) fail(err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.cut(ending{sweep.Failed, err.Error(), ""})
}

// transition writes a state down, then makes it so.
func (c *conduct) transition(ctx context.Context, to sweep.State, reason, who string) error {
	ctx, cancel := c.b.durable(ctx)
	defer cancel()
	now := c.b.clock.Now().UTC()
	if err := c.b.journal.Transition(ctx, c.id, now, to, reason, who); err != nil {
		return err
	}
	c.become(to, reason, now)
	return nil
}

func (c *conduct) become(to sweep.State, reason string, now time.Time) {
	c.run.State, c.run.Reason = to, reason
	if to.Final() {
		c.run.Ended = &now
	}
	c.log.Info("state", zap.Stringer("state", to), zap.String("reason", reason))
	kind, waiting := "state", c.waiting
	if to == sweep.Holding {
		kind = "hold"
	} else {
		waiting = nil
	}
	c.b.tell(kind, reason, func(p *sweep.Progress) { p.State, p.Hold, p.Capture = to, waiting, nil })
}

// release confirms the hold point of one step.
func (c *conduct) release(ctx context.Context, step int, who string) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.waiting != nil && c.run.State == sweep.Holding && c.end == nil && c.waiting.Index != step {
		return &HoldError{Run: c.id, Asked: step, Waiting: *c.waiting}
	}
	return c.fireLocked(ctx, EventRelease, fmt.Sprintf("hold point %d is released", step), who)
}

// over tells the owner to let go: the run is ending, or the daemon is.
func (c *conduct) over(ctx context.Context) error {
	c.mu.Lock()
	c.heed()
	end := c.end
	c.mu.Unlock()
	if end != nil {
		return errEnding
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	return nil
}

// between is asked with no point in hand: a stop takes effect here.
func (c *conduct) between(ctx context.Context) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.heed()
	if c.end == nil && c.run.State == sweep.Stopping {
		if err := c.fireLocked(ctx, EventPoint, c.run.Reason, ""); err != nil {
			return err
		}
	}
	if c.end != nil {
		return errEnding
	}
	return nil
}

// work does what is left of the run. Whatever way it ends, c.end says so after.
func (c *conduct) work(ctx context.Context, resumed bool) {
	var err error
	c.recheck = resumed
	if resumed && c.run.Plan.ByRule {
		err = c.setUpAgain(ctx)
	}
	if err == nil {
		err = c.steps(ctx)
	}
	c.suspect(err)
	if c.over(context.Background()) != nil {
		return
	}
	event, reason := EventFinish, ""
	switch {
	case ctx.Err() != nil:
		event, reason = EventShutdown, "the daemon ended while it ran"
	case err != nil:
		event, reason = EventFail, err.Error()
	}
	if err := c.fire(ctx, event, reason, ""); err != nil && c.over(context.Background()) == nil {
		c.log.DPanic("a run has no way to end", zap.Error(err))
	}
}

func (c *conduct) steps(ctx context.Context) error {
	for {
		at := c.run.Checkpoint // changed by this goroutine alone
		if at.Step >= len(c.run.Steps) {
			return nil
		}
		if err := c.between(ctx); err != nil {
			return err
		}
		s := c.run.Steps[at.Step]
		var err error
		switch {
		case s.Kind == sweep.HoldPoint && s.Lid == sweep.LidStays:
			if err = c.hold(ctx, s); err == nil {
				err = c.commit(ctx, sweep.Checkpoint{Step: s.Index + 1}, nil)
			}
		case c.run.Plan.Capture == sweep.Sealed:
			err = c.sealed(ctx, s.Index)
		default:
			err = c.linked(ctx, s, at.Point)
		}
		if err != nil {
			return err
		}
	}
}

// setUpAgain lets the hands do once more what was set up when the run was
// interrupted: they may have gone away with the daemon. Without hands, it is for
// the operator who resumes to see that the set-up still stands.
func (c *conduct) setUpAgain(ctx context.Context) error {
	at := c.run.Checkpoint.Step
	if at >= len(c.run.Steps) || c.run.Steps[at].Kind == sweep.HoldPoint {
		return nil
	}
	for i := at - 1; i >= 0; i-- {
		if c.run.Steps[i].Kind == sweep.HoldPoint {
			return c.hold(ctx, c.run.Steps[i])
		}
	}
	return nil
}

// enter tells that a step begins.
func (c *conduct) enter(s sweep.Step) {
	c.log.Info("step", zap.Int("step", s.Index), zap.Stringer("kind", s.Kind))
	c.tell("step", s.Instruction, func(p *sweep.Progress) {
		p.Step, p.StepKind, p.At, p.Point = s.Index, s.Kind, s.At, c.run.Checkpoint.Point
	})
}

// hold waits at a hold point until somebody, or the bench's hands by rule,
// releases it. It never begins with the source on.
func (c *conduct) hold(ctx context.Context, s sweep.Step) error {
	c.enter(s)
	err := c.attempt(ctx, 0, func(ctx context.Context) error {
		off, err := c.b.tx.isOff(ctx)
		if err == nil && !off {
			err = &ruleError{ruleReadback, fmt.Errorf("it is on before hold point %d", s.Index)}
		}
		return err
	})
	if _, ok := isVoid(err); ok { // it does not answer the question; does it take the command?
		if _, err = c.b.tx.off(ctx); err != nil {
			err = &ruleError{ruleSourceOff, err}
		}
	}
	if err != nil {
		return err
	}
	c.mu.Lock()
	c.waiting = &s
	err = c.fireLocked(ctx, EventHold, s.Instruction, "")
	c.mu.Unlock()
	if err == nil {
		err = c.over(ctx)
	}
	if err != nil {
		return err
	}
	if c.run.Plan.ByRule {
		if err := c.hands(ctx, s); err != nil {
			return err
		}
	}
	select {
	case <-c.wake:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// hands releases a hold point by rule.
func (c *conduct) hands(ctx context.Context, s sweep.Step) error {
	var err error
	for try := range c.b.rules.Hands.Tries {
		if try > 0 {
			if err := c.b.clock.Sleep(ctx, c.b.rules.Hands.pause(try-1)); err != nil {
				return err
			}
		}
		if err = c.b.hands.Perform(ctx, s); err == nil {
			err := c.release(ctx, s.Index, "rule")
			var illegal *StateError
			if errors.As(err, &illegal) { // somebody was quicker, or the run is ending
				return nil
			}
			return err
		}
		if stop := c.over(ctx); stop != nil {
			return stop
		}
		c.log.Warn("hold point not released by rule", zap.Int("step", s.Index), zap.Error(err))
	}
	return &ruleError{ruleHands, fmt.Errorf("step %d: %w", s.Index, err)}
}

// commit stores captures and moves the checkpoint, in one transaction.
func (c *conduct) commit(ctx context.Context, next sweep.Checkpoint, caps []sweep.Capture) error {
	wctx, cancel := c.b.durable(ctx)
	defer cancel()
	if err := c.b.journal.Commit(wctx, c.id, next, caps...); err != nil {
		return &ruleError{ruleJournal, err}
	}
	c.mu.Lock()
	c.run.Checkpoint = next
	c.mu.Unlock()
	for i := range caps {
		c.learn(caps[i])
		c.tell("point", caps[i].Void, func(p *sweep.Progress) { p.Capture = &caps[i] })
	}
	return nil
}

// learn is told of every committed capture, those from before a resume included.
func (c *conduct) learn(g sweep.Capture) {
	if g.Point != sweep.WholeTrace && g.Rung == 0 {
		c.done++
	}
	if c.held == nil && g.Kind == sweep.Reference && g.Void == "" && c.run.Plan.Capture == sweep.Sealed {
		s := g.Settings
		c.held = &s
	}
	c.floors.Learn(g)
	c.remember(g)
	if at := placeOf(g.At, 0); g.Kind == sweep.Reference && g.Void == "" && c.references[at].IsZero() {
		c.references[at] = g.Begun
	}
	c.strategy.learn(g)
}

// voids ends the run when too many points in a row are void.
func (c *conduct) voids(caps []sweep.Capture) error {
	for _, g := range caps {
		if g.Void == "" {
			c.row = 0
			return nil
		}
	}
	if c.row++; c.row < c.b.rules.VoidsInARow {
		return nil
	}
	return &ruleError{ruleVoids, fmt.Errorf("%d, the last because %s", c.row, caps[len(caps)-1].Void)}
}

func isVoid(err error) (string, bool) {
	var v *voidError
	if errors.As(err, &v) {
		return v.reason, true
	}
	return "", false
}

// void is the capture of a point that could not be captured.
func (c *conduct) void(s sweep.Step, point int, f unit.Hz, begun time.Time, reason string) sweep.Capture {
	v := c.rig.capture(s, point, f)
	v.Begun, v.Took = begun.UTC(), c.b.clock.Now().Sub(begun)
	v.Settings, v.Void = c.rig.applied, reason
	return v
}

// note appends a line to the run's journal.
func (c *conduct) note(ctx context.Context, kind string, point int, text string) error {
	wctx, cancel := c.b.durable(ctx)
	defer cancel()
	err := c.b.journal.Note(wctx, sweep.Event{
		Run: c.id, Time: c.b.clock.Now().UTC(), Kind: kind,
		State: c.snapshot().State, Step: c.run.Checkpoint.Step, Point: point, Text: text,
	})
	if err != nil {
		return &ruleError{ruleJournal, err}
	}
	c.tell("note", text, nil)
	return nil
}

// noteOnce notes a text once in a run.
func (c *conduct) noteOnce(ctx context.Context, text string) error {
	const most = 200
	if c.mute || c.noted[text] || len(c.noted) >= most {
		return nil
	}
	c.noted[text] = true
	return c.note(ctx, "note", 0, text)
}

// tell shows the observer how the run stands.
func (c *conduct) tell(kind, text string, change func(*sweep.Progress)) {
	done, left, planned := c.done, c.pace.left(), c.pace.planned()
	c.b.tell(kind, text, func(p *sweep.Progress) {
		p.Done, p.Left, p.Planned, p.Capture = done, left, planned, nil
		if change != nil {
			change(p)
		}
	})
}

// suspect marks the link of an exchange that was cut off: it may hold half a
// reply, and is set up afresh before its next use.
func (c *conduct) suspect(err error) {
	var f *fault
	if errors.As(err, &f) && f.again() {
		c.b.links.down(f.role, f.err)
	}
}

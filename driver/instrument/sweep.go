package instrument

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/unit"
)

// minGrace is how much longer than twice the sweep time is waited when the
// dialect does not say.
const minGrace = 5 * time.Second

// SweepTime implements driver.Analyzer.
func (a *Analyzer) SweepTime(ctx context.Context) (time.Duration, error) {
	if a.took > 0 {
		return a.took, nil
	}
	if s := a.dialect.Setting(dialect.SweepTime); s != nil && s.Get.Send != "" {
		v, err := a.number(ctx, s)
		if err != nil {
			return 0, err
		}
		a.took = time.Duration(v * float64(time.Second))
	}
	if a.took <= 0 {
		a.took = a.byLaw(a.got)
	}
	return a.took, nil
}

// deadline returns how long the end of a sweep may be waited for.
func (a *Analyzer) deadline(ctx context.Context) (time.Duration, error) {
	t, err := a.SweepTime(ctx)
	grace := a.dialect.Sweep.Timeout
	if grace <= 0 {
		grace = minGrace
	}
	return 2*t + grace, err
}

// Sweep implements driver.Analyzer.
func (a *Analyzer) Sweep(ctx context.Context) (driver.Trace, error) {
	a.held = false
	if err := a.stillUp("sweep"); err != nil {
		return driver.Trace{}, err
	}
	if err := a.toSingle(ctx); err != nil {
		return driver.Trace{}, err
	}
	limit, err := a.deadline(ctx)
	if err != nil {
		return driver.Trace{}, err
	}
	begun := time.Now()
	if err := a.oneSweep(ctx, limit); err != nil {
		return driver.Trace{}, err
	}
	took := time.Since(begun)
	waiting := a.patience > 0 // for whatever is asked first
	if err := a.verify(ctx, lastOf(a.dialect.Sweep.Start)); err != nil {
		return driver.Trace{}, err
	}
	if waiting && a.patience == 0 {
		waiting, took = false, time.Since(begun)
	}
	tr, err := a.fetch(ctx)
	if err == nil && a.dialect.Sweep.By == dialect.Wait {
		tr, err = a.newer(ctx, tr)
	}
	if waiting {
		took = time.Since(begun)
	}
	tr.Begun, tr.Took = begun, took
	return tr, err
}

// How a trace is known for that of the sweep before.
const (
	staleTries  = 3  // more waits for a new one
	staleLevels = 16 // different levels a trace must have: noise that agrees in as many does so in no two sweeps
)

var errOldTrace = errors.New("the trace is still that of the sweep before")

// newer makes sure that a trace is not that of the sweep before: where the end
// is only waited for, a late instrument would answer with it.
func (a *Analyzer) newer(ctx context.Context, tr driver.Trace) (driver.Trace, error) {
	defer func() { a.before = tr.Levels }()
	for try := 0; repeats(a.before, tr.Levels); try++ {
		if try == staleTries {
			return tr, a.fail("await the sweep's end", a.dialect.Trace.Query.Send, driver.KindTimeout, errOldTrace, "",
				fmt.Sprintf("it takes longer than dialect %s waits: raise sweep.complete.plus", a.dialect.Name))
		}
		if err := a.pause(ctx, max(a.took, staleWait)); err != nil {
			return tr, err
		}
		var err error
		if tr, err = a.fetch(ctx); err != nil {
			return tr, err
		}
	}
	return tr, nil
}

// staleWait is the least time before an old trace is asked for again.
const staleWait = 20 * time.Millisecond

// repeats reports whether two traces are one: equal throughout, and not merely
// because the display cuts off what is below it.
func repeats(a, b []unit.DBm) bool {
	if !slices.Equal(a, b) {
		return false
	}
	levels := map[unit.DBm]bool{}
	for _, p := range b {
		if levels[p] = true; len(levels) >= staleLevels {
			return true
		}
	}
	return false
}

func lastOf(cmds []dialect.Command) string {
	if n := len(cmds); n > 0 {
		return cmds[n-1].Send
	}
	return ""
}

// oneSweep starts a sweep and waits for its end.
func (a *Analyzer) oneSweep(ctx context.Context, limit time.Duration) error {
	d := &a.dialect.Sweep
	switch d.By {
	case dialect.Answer:
		return a.untilAnswer(ctx, limit)
	case dialect.OPCPoll:
		// Old events would end the wait before it begins.
		if _, err := a.register(ctx, d.Query); err != nil {
			return err
		}
	}
	n := len(d.Start) - 1
	if err := a.run(ctx, d.Start[:n]); err != nil {
		return err
	}
	start := d.Start[n]
	switch d.By {
	case dialect.OPCQuery:
		q := d.Query
		q.Timeout = limit
		reply, err := a.together(ctx, start, q)
		if err == nil && !d.Reply.Match(reply) {
			err = a.distrust("await the sweep's end", q, driver.KindFraming, fmt.Errorf("the reply does not match %s", d.Reply), string(reply))
		}
		return err
	case dialect.OPCPoll:
		if _, err := a.together(ctx, start, d.Send); err != nil {
			return err
		}
		return a.poll(ctx, limit, d.Every, func(v int) bool { return v&d.Mask != 0 })
	case dialect.Condition:
		// The first answer shows that the start was understood; it may come
		// before the sweep has begun, and so is no proof of an end.
		if _, err := a.together(ctx, start, d.Query); err != nil {
			return err
		}
		first := d.First
		if first == 0 {
			first = d.Every
		}
		return a.poll(ctx, limit, first, func(v int) bool { return (v&d.Mask != 0) != d.Busy })
	case dialect.WAI:
		a.patience = limit // whatever is asked next is answered at the end
		if line, ok := a.joined(start, d.Send); ok && a.both.Send != "" {
			a.pending = line // goes with the question for errors
			return nil
		}
		if _, err := a.do(ctx, start); err != nil {
			return err
		}
		_, err := a.do(ctx, d.Send)
		return err
	}
	if _, err := a.do(ctx, start); err != nil {
		return err
	}
	t, err := a.SweepTime(ctx)
	if err != nil {
		return err
	}
	return a.pause(ctx, time.Duration(float64(t)*d.Factor)+d.Plus)
}

// joined returns two commands as one line, if the instrument takes that and
// nothing is lost by it. A start that gets lost on the way then takes the
// question with it, and is not answered by the end of the sweep before.
func (a *Analyzer) joined(first, second dialect.Command) (string, bool) {
	line := first.Send + ";" + rooted(second.Send)
	ok := a.dialect.Link.Compound && first.Send != "" && first.Expect == dialect.None && first.Settle == 0 &&
		(a.opts.MaxLine == 0 || len(line)+len(a.opts.WriteEnd)+len(a.both.Send)+1 <= a.opts.MaxLine)
	return line, ok
}

// together does two commands, in one line if possible, and returns the reply
// to the second.
func (a *Analyzer) together(ctx context.Context, first, second dialect.Command) ([]byte, error) {
	if line, ok := a.joined(first, second); ok {
		second.Send = line
		return a.do(ctx, second)
	}
	if _, err := a.do(ctx, first); err != nil {
		return nil, err
	}
	return a.do(ctx, second)
}

// untilAnswer starts a sweep whose last command is answered at the end.
func (a *Analyzer) untilAnswer(ctx context.Context, limit time.Duration) error {
	d := &a.dialect.Sweep
	n := len(d.Start) - 1
	if err := a.run(ctx, d.Start[:n]); err != nil {
		return err
	}
	last := d.Start[n]
	last.Timeout = max(last.Timeout, limit)
	reply, err := a.do(ctx, last)
	if err == nil && d.Reply != nil && !d.Reply.Match(reply) {
		err = a.distrust("await the sweep's end", last, driver.KindFraming, fmt.Errorf("the reply does not match %s", d.Reply), string(reply))
	}
	return err
}

var errNoEnd = errors.New("the sweep does not end")

// poll asks for a register until it says that the sweep has ended. A sweep that
// does not end is stopped.
func (a *Analyzer) poll(ctx context.Context, limit, first time.Duration, ended func(int) bool) error {
	d := &a.dialect.Sweep
	until := time.Now().Add(limit)
	for wait := first; ; wait = d.Every {
		if err := a.pause(ctx, wait); err != nil {
			return err
		}
		v, err := a.register(ctx, d.Query)
		if err != nil {
			return err
		}
		if err := a.stillUp(d.Query.Send); err != nil {
			return err
		}
		if ended(v) {
			return nil
		}
		if time.Now().After(until) {
			a.drop()
			return a.fail("await the sweep's end", d.Query.Send, driver.KindTimeout, errNoEnd,
				fmt.Sprint(v), fmt.Sprintf("nothing after %v, the sweep takes %v", limit, a.took))
		}
	}
}

// Arm implements driver.Analyzer.
func (a *Analyzer) Arm(ctx context.Context) error {
	d := a.dialect
	if !d.MaxHold.Supported {
		return a.fail("arm", "", driver.KindDeviceSettings, fmt.Errorf("dialect %s has no max hold", d.Name), "", "use an analyzer that has, or linked capture")
	}
	if err := a.stillUp("arm"); err != nil {
		return err
	}
	a.held, a.single = false, false
	if err := a.toSingle(ctx); err != nil {
		return err
	}
	if err := a.clearHold(ctx); err != nil {
		return err
	}
	if err := a.apply(ctx, d.Sweep.Continuous); err != nil {
		return err
	}
	a.held, a.single = true, false
	return nil
}

// clearHold sets max hold and makes sure that nothing older is in the trace.
func (a *Analyzer) clearHold(ctx context.Context) error {
	h := &a.dialect.MaxHold
	hold := func(m driver.HoldMode) change { return change{dialect.Hold, value{word: m.String()}} }
	have := a.applied[dialect.Hold]
	var changes []change
	explicit := len(h.Clear) > 0
	if !explicit && h.ClearedByMode {
		changes = append(changes, hold(driver.ClearWrite), hold(driver.MaxHold))
	} else if !have.ok || have.value != hold(driver.MaxHold).value || !explicit && h.ClearedBySet {
		changes = append(changes, hold(driver.MaxHold))
	}
	if det := a.applied[dialect.Detector]; len(changes) > 0 && h.ForcesDetector && det.ok {
		changes = append(changes, change{dialect.Detector, det.value})
	}
	if _, err := a.give(ctx, changes); err != nil {
		return err
	}
	if a.want != nil {
		a.want.Hold = driver.MaxHold
	}
	a.got.Hold = driver.MaxHold
	if explicit {
		return a.apply(ctx, h.Clear)
	}
	if !h.ClearedByMode && !h.ClearedBySet {
		return a.run(ctx, a.dialect.Sweep.Start) // clears it; sweeping goes on without an end at once
	}
	return nil
}

// ReadHold implements driver.Analyzer. A link that has gone meanwhile is
// re-established, which leaves the trace alone.
func (a *Analyzer) ReadHold(ctx context.Context) (driver.Trace, error) {
	if !a.held {
		return driver.Trace{}, a.fail("read hold", "", driver.KindDeviceSettings, errNotArmed, "", "arm it first")
	}
	var first error
	if a.conn != nil {
		tr, err := a.readHold(ctx)
		if err == nil || !driver.Retryable(err) || !a.held {
			return tr, err
		}
		first = err
	}
	if err := a.Recover(ctx); err != nil {
		return driver.Trace{}, errors.Join(err, first)
	}
	return a.readHold(ctx)
}

func (a *Analyzer) readHold(ctx context.Context) (driver.Trace, error) {
	// A restart has lost the trace; what would be read is another one.
	if err := a.verify(ctx, "read hold"); err != nil {
		if driver.KindOf(err) == driver.KindPowerCycled {
			a.held = false
		}
		return driver.Trace{}, err
	}
	if !a.single {
		if err := a.apply(ctx, a.dialect.Sweep.Freeze); err != nil {
			return driver.Trace{}, err
		}
		a.single = true
	}
	return a.fetch(ctx)
}

package engine

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	"lidded/sweep"
	"lidded/sweep/requirement"
)

// Request is a run to be started.
type Request struct {
	Plan      sweep.Plan
	Specimens []sweep.Specimen
	Line      *requirement.Line // may be nil
	Operator  string
	DoorCycle *int64 // door cycles of the specimens so far; nil: not stated
	Trigger   string // "cli", "rest", "schedule nightly"
	Key       string // idempotency key; empty: none
	// Earlier are results of an earlier run with the same points, from which an
	// adaptive capture takes what to expect; may be empty.
	Earlier []sweep.Result
}

// Started is a run that was accepted, or, Reused, the one that an earlier
// request with the same key had started.
type Started struct {
	sweep.Run
	Reused bool `json:"reused,omitempty"`
}

// Status is what is known of a bench without asking its instruments.
type Status struct {
	Bench    string      `json:"bench"`
	Serving  bool        `json:"serving"`
	Run      sweep.RunID `json:"run,omitempty"` // under way
	SourceOn bool        `json:"source_on"`     // or not confirmed off
	Analyzer LinkStatus  `json:"analyzer"`
	Source   LinkStatus  `json:"source"`
}

// Facts returns what the bench was made with.
func (b *Bench) Facts() sweep.Bench { return b.facts }

// Status tells how the bench stands.
func (b *Bench) Status() Status {
	s := Status{
		Bench: b.facts.Name, SourceOn: b.tx.on.Load(),
		Analyzer: b.links.of(RoleAnalyzer), Source: b.links.of(RoleSource),
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	s.Serving = b.serving
	if b.active != nil {
		s.Run = b.active.id
	}
	return s
}

// Progress is the live picture of the present run, or of the last.
func (b *Bench) Progress() sweep.Progress {
	b.see.Lock()
	defer b.see.Unlock()
	return b.view
}

// Start accepts a run, once both instruments answer and the source is off. A
// plan that the bench cannot or may not do is a *RefusedError, an occupied
// bench a *BusyError, an instrument that is away a *DownError.
func (b *Bench) Start(ctx context.Context, q Request) (Started, error) {
	if q.Key != "" {
		if s, ok, err := b.earlier(ctx, q.Key); ok || err != nil {
			return s, err
		}
	}
	if err := b.admit(q); err != nil {
		return Started{}, err
	}
	run := sweep.Run{
		ID: sweep.RunID(newID()), Plan: q.Plan, Bench: b.facts, Specimens: q.Specimens, Line: q.Line,
		Steps: sweep.Steps(q.Plan, b.facts, q.Specimens), Operator: q.Operator, DoorCycle: q.DoorCycle, Trigger: q.Trigger, Key: q.Key,
		Software: b.software, Created: b.clock.Now().UTC(), State: sweep.Pending,
	}
	c := b.newConduct(run)
	c.run.Predicted = c.costs.total
	if a, ok := c.strategy.(*adaptive); ok {
		a.expect(q.Earlier)
	}
	err := b.hand(ctx, &job{c: c, reply: make(chan error, 1)})
	var busy *BusyError
	if q.Key != "" && (errors.Is(err, sweep.ErrConflict) || errors.As(err, &busy)) {
		// A request with the same key was quicker.
		if s, ok, again := b.earlier(ctx, q.Key); ok || again != nil {
			return s, again
		}
	}
	if err != nil {
		return Started{}, err
	}
	return Started{Run: c.snapshot()}, nil
}

// earlier finds the run that a key has started.
func (b *Bench) earlier(ctx context.Context, key string) (Started, bool, error) {
	b.mu.Lock()
	c := b.active
	b.mu.Unlock()
	if c != nil && c.run.Key == key {
		return Started{c.snapshot(), true}, true, nil
	}
	r, err := b.journal.RunByKey(ctx, b.facts.Name, key)
	switch {
	case err == nil:
		return Started{r, true}, true, nil
	case errors.Is(err, sweep.ErrNoRun):
		return Started{}, false, nil
	}
	return Started{}, false, fmt.Errorf("look for a run with key %q: %w", key, err)
}

// admit checks what can be checked without the instruments.
func (b *Bench) admit(q Request) error {
	bad := sweep.CheckOn(q.Plan, b.facts)
	fail := func(path, format string, args ...any) {
		bad = append(bad, sweep.Problem{Path: path, Message: fmt.Sprintf(format, args...)})
	}
	switch q.Plan.Capture {
	case sweep.Linked:
		if q.Plan.Looks < 1 {
			fail("looks", "%d looks: need at least 1", q.Plan.Looks)
		}
	case sweep.Sealed:
		if q.Plan.HoldSweeps < sweep.LeastHoldSweeps {
			fail("hold_sweeps", "%d sweeps: need at least %d", q.Plan.HoldSweeps, sweep.LeastHoldSweeps)
		}
	default:
		fail("capture", "%v: say linked or sealed", q.Plan.Capture)
	}
	if q.Plan.ByRule && b.hands == nil && b.facts.HandsByRule {
		fail("hold_points", "the plan's hold points are released by rule, but bench %s has nothing to do it with: set hold_points: operator", b.facts.Name)
	}
	for i, p := range q.Plan.Points {
		if p.Index != i {
			fail(fmt.Sprintf("points[%d]", i), "its index is %d: points are numbered in order", p.Index)
			break
		}
		if b.tx.permit != nil {
			if err := b.tx.permit(p.Freq, p.Level); err != nil {
				fail(fmt.Sprintf("points[%d]", i), "%v", err)
			}
		}
	}
	if len(q.Specimens) == 0 {
		fail("specimens", "no specimen: name at least one enclosure to be measured")
	}
	seen := map[string]bool{}
	for i, s := range q.Specimens {
		switch {
		case s.Name == "":
			fail(fmt.Sprintf("specimens[%d]", i), "it has no name")
		case seen[s.Name]:
			fail(fmt.Sprintf("specimens[%d]", i), "%q stands twice: keep one", s.Name)
		}
		seen[s.Name] = true
	}
	if len(bad) > 0 {
		return &RefusedError{b.what(q.Plan.Name), bad}
	}
	return nil
}

// hand reserves the bench and gives a run to the goroutine that owns it.
func (b *Bench) hand(ctx context.Context, j *job) error {
	b.mu.Lock()
	if !b.serving {
		b.mu.Unlock()
		return ErrNotServing
	}
	if b.active != nil {
		id := b.active.id
		b.mu.Unlock()
		return &BusyError{b.facts.Name, id}
	}
	if state, closing := b.closing[j.c.id]; closing {
		b.mu.Unlock()
		return &StateError{j.c.id, state, EventResume}
	}
	b.active = j.c
	gone := b.gone
	b.mu.Unlock()
	select {
	case b.jobs <- j:
	case <-gone:
		b.free(j.c, false)
		return ErrNotServing
	case <-ctx.Done():
		b.free(j.c, false)
		return context.Cause(ctx)
	}
	// The owner has it now and always answers.
	return <-j.reply
}

// Resume takes an interrupted run up after its last committed point. The same
// instruments must answer, and the bench must still be allowed all of the plan.
// Hands by rule set up again what was set up; otherwise who resumes confirms
// that it still stands.
func (b *Bench) Resume(ctx context.Context, id sweep.RunID, who string) (sweep.Run, error) {
	if c := b.current(id); c != nil {
		return sweep.Run{}, &StateError{id, c.snapshot().State, EventResume}
	}
	r, err := b.stored(ctx, id)
	if err != nil {
		return sweep.Run{}, err
	}
	if _, err := Next(r.State, EventResume); err != nil {
		return sweep.Run{}, &StateError{id, r.State, EventResume}
	}
	for _, o := range b.Owed() {
		if o.Run == id {
			return sweep.Run{}, &OwedError{id, o.Err}
		}
	}
	if err := b.admit(Request{Plan: r.Plan, Specimens: r.Specimens}); err != nil {
		return sweep.Run{}, err
	}
	c := b.newConduct(r)
	if err := b.hand(ctx, &job{c: c, resume: true, who: who, reply: make(chan error, 1)}); err != nil {
		return sweep.Run{}, err
	}
	return c.snapshot(), nil
}

// Stop ends a run after the point in hand; at a hold point, or while a link is
// down, at once. An interrupted run is closed for good.
func (b *Bench) Stop(ctx context.Context, id sweep.RunID, who string) error {
	return b.endBy(ctx, id, EventStop, "stopped", who)
}

// Abort ends a run at once, and returns when the source is read back as off.
func (b *Bench) Abort(ctx context.Context, id sweep.RunID, who string) error {
	return b.endBy(ctx, id, EventAbort, "aborted", who)
}

func (b *Bench) endBy(ctx context.Context, id sweep.RunID, e Event, did, who string) error {
	reason := did + " by " + orNobody(who)
	if c := b.current(id); c != nil {
		if err := c.fire(ctx, e, reason, who); err != nil {
			return err
		}
		if e != EventAbort {
			return nil
		}
		select {
		case <-c.ended:
			if r := c.snapshot(); r.State != sweep.Aborted {
				return fmt.Errorf("run %s ended %v: %s", id, r.State, r.Reason)
			}
			return nil
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	r, err := b.stored(ctx, id)
	if err != nil {
		return err
	}
	move, err := Next(r.State, e)
	if err != nil || r.State.Busy() {
		return &StateError{id, r.State, e}
	}
	now := b.clock.Now().UTC()
	b.mu.Lock() // never while the journal is written: switching off must not wait for it
	_, closing := b.closing[id]
	owed := b.owes(id)
	switch {
	case b.active != nil && b.active.id == id:
		err = &StateError{id, sweep.Running, e}
	case closing:
		err = &StateError{id, b.closing[id], e}
	case owed != nil: // the journal gets both in one
		owed.State, owed.Reason, owed.At, owed.who = move.Next, reason+"; "+owed.Reason, now, who
	default:
		if b.closing == nil {
			b.closing = map[sweep.RunID]sweep.State{}
		}
		b.closing[id] = move.Next // against a resume meanwhile
	}
	b.mu.Unlock()
	if err != nil || owed != nil {
		return err
	}
	defer func() {
		b.mu.Lock()
		delete(b.closing, id)
		b.mu.Unlock()
	}()
	wctx, cancel := b.durable(ctx)
	defer cancel()
	return b.journal.Transition(wctx, id, now, move.Next, reason, who)
}

func orNobody(who string) string {
	if who == "" {
		return "somebody who gave no name"
	}
	return who
}

// Release confirms the hold point of a step. Another one than waits is a
// *HoldError.
func (b *Bench) Release(ctx context.Context, id sweep.RunID, step int, who string) error {
	if c := b.current(id); c != nil {
		return c.release(ctx, step, who)
	}
	r, err := b.stored(ctx, id)
	if err != nil {
		return err
	}
	return &StateError{id, r.State, EventRelease}
}

// SourceOff puts the source off whatever is known of it, and aborts the run under
// way, if any. It returns when the source is read back as off, and waits for
// nothing else: not for the analyzer, the run or the journal.
func (b *Bench) SourceOff(ctx context.Context, who string) error {
	b.mu.Lock()
	c, serving := b.active, b.serving
	b.mu.Unlock()
	if !serving {
		return ErrNotServing
	}
	b.log.Warn("source off asked", zap.String("who", who))
	var cut func()
	if c != nil {
		c.takeAway(who)
		cut = c.letGo
	}
	if err := b.tx.orderOff(ctx, errors.New("by "+orNobody(who)), cut); err != nil {
		if errors.Is(err, ErrNotServing) {
			return err
		}
		return fmt.Errorf("bench %s: %s: %w", b.facts.Name, ruleSourceOff, err)
	}
	if c != nil { // the run's own end is worth no more than a moment
		t := time.NewTimer(endGrace)
		defer t.Stop()
		select {
		case <-c.ended:
		case <-t.C:
		case <-ctx.Done():
		}
	}
	return nil
}

// endGrace is how long an order that was carried out waits for the end of the
// run that it took the source from.
const endGrace = 250 * time.Millisecond

// Wait returns a run when it has ended or is interrupted.
func (b *Bench) Wait(ctx context.Context, id sweep.RunID) (sweep.Run, error) {
	if c := b.current(id); c != nil {
		select {
		case <-c.ended:
			return c.snapshot(), nil
		case <-ctx.Done():
			return sweep.Run{}, context.Cause(ctx)
		}
	}
	b.mu.Lock()
	last := b.last
	b.mu.Unlock()
	if last != nil && last.id == id {
		return last.snapshot(), nil
	}
	return b.stored(ctx, id)
}

// current is the run under way, if it is the one asked for.
func (b *Bench) current(id sweep.RunID) *conduct {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.active != nil && b.active.id == id {
		return b.active
	}
	return nil
}

// stored is a run of this bench that is not under way, once Serve has sorted
// out what an earlier daemon left.
func (b *Bench) stored(ctx context.Context, id sweep.RunID) (sweep.Run, error) {
	b.mu.Lock()
	serving, settled, gone := b.serving, b.settled, b.gone
	b.mu.Unlock()
	if serving {
		select {
		case <-settled:
		case <-gone:
		case <-ctx.Done():
			return sweep.Run{}, context.Cause(ctx)
		}
	}
	r, err := b.journal.Run(ctx, id)
	if err != nil {
		return r, fmt.Errorf("run %s: %w", id, err)
	}
	if r.Bench.Name != b.facts.Name {
		return r, &OtherRunError{id, b.facts.Name, r.Bench.Name}
	}
	b.Told(&r)
	return r, nil
}

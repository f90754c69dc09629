package engine

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"go.uber.org/zap"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// Journal is what the engine needs of a store: the domain's journal, and a run
// by the idempotency key of its trigger.
type Journal interface {
	sweep.Journal
	// RunByKey finds a run by its key; sweep.ErrNoRun.
	RunByKey(ctx context.Context, bench, key string) (sweep.Run, error)
}

// Hands releases hold points by rule: a virtual bench that moves its own lids,
// or unattended linked work with nothing to move.
type Hands interface {
	// Perform does what the step's instruction says and returns once it is done.
	Perform(ctx context.Context, s sweep.Step) error
}

// Setup is what a Bench is made of.
type Setup struct {
	Facts sweep.Bench
	// Open opens both instruments. Where only one can be opened, it returns that
	// one beside the error, so that a source is made safe without an analyzer.
	Open func(ctx context.Context) (driver.Analyzer, driver.Source, error)
	// Safe, if not nil, puts the source into its safe state over a connection of
	// its own and returns nil when it was read back as off. An order to switch off
	// takes this way where the link in use does not serve.
	Safe     func(ctx context.Context) error
	Hands    Hands // nil: none
	Journal  Journal
	Observer sweep.Observer // nil: none; called in order, must not block nor call the Bench's controls
	Clock    Clock          // nil: real time
	Logger   *zap.Logger    // nil: none
	Software string         // version, for the run's snapshot
	Rules    Rules
	// Permit, if not nil, is asked before each keying besides Facts: a table of
	// what is never transmitted.
	Permit func(f unit.Hz, level unit.DBm) error
	// Guardian, if not nil, stands by to switch the source off should this
	// process not be able to.
	Guardian Guardian
	// KeyedSince, if not nil, tells which keyings of the bench the ledger has since
	// a time, for Rules.MaxKeyedPerHour across a restart.
	KeyedSince func(ctx context.Context, since time.Time) ([]sweep.Keying, error)
}

// Guardian is told of the source before it is keyed and after it was read back
// as off. Until the first Off the source counts as on.
type Guardian interface {
	// Keying is called before the source is keyed and returns once the guardian
	// stands by and does nothing to the source itself. An error prevents keying.
	// limit is how long the source may be on.
	Keying(ctx context.Context, limit time.Duration) error
	// Off is called when the source was read back as off.
	Off()
	// Lost is called when a source that may be on could not be switched off at a
	// try: the guardian may try it too, until Off.
	Lost()
}

// Bench is one bench: its two links and at most one run. Its methods may be
// called from any goroutine.
type Bench struct {
	facts    sweep.Bench
	hands    Hands
	journal  Journal
	observer sweep.Observer
	clock    Clock
	log      *zap.Logger
	software string
	rules    Rules
	links    *links
	tx       *transmitter

	keyedSince func(context.Context, time.Time) ([]sweep.Keying, error)

	jobs   chan *job
	nudged chan struct{} // an order was carried out: the links may want looking after

	mu      sync.Mutex
	serving bool
	settled chan struct{}               // closed when what an earlier daemon left is sorted out
	gone    chan struct{}               // closed when Serve ends
	active  *conduct                    // reserved or being conducted
	last    *conduct                    // the one before
	owed    []Owed                      // what the journal has not taken
	closing map[sweep.RunID]sweep.State // interrupted runs being closed for good

	order sync.Mutex // events reach the observer in order
	see   sync.Mutex
	view  sweep.Progress
}

// job is a run handed to the goroutine that owns the bench.
type job struct {
	c      *conduct
	resume bool
	who    string
	reply  chan error
}

// New makes a bench. Nothing is opened before Serve.
func New(s Setup) *Bench {
	b := &Bench{
		facts: s.Facts, hands: s.Hands, journal: s.Journal, observer: s.Observer,
		clock: s.Clock, log: s.Logger, software: s.Software, rules: s.Rules.withDefaults(),
		jobs: make(chan *job), nudged: make(chan struct{}, 1), keyedSince: s.KeyedSince,
	}
	if b.clock == nil {
		b.clock = RealClock()
	}
	if b.log == nil {
		b.log = zap.NewNop()
	}
	b.log = b.log.Named("engine").With(zap.String("bench", s.Facts.Name))
	turns := newTurns()
	b.links = &links{open: s.Open, clock: b.clock, log: b.log, turns: turns}
	b.links.changed = func() { b.tell("link", "", nil) }
	b.tx = &transmitter{
		facts: s.Facts, permit: s.Permit, rules: b.rules, clock: b.clock, journal: s.Journal, links: b.links, log: b.log, guard: s.Guardian, turns: turns, safe: s.Safe,
		nudge: func() {
			select {
			case b.nudged <- struct{}{}:
			default:
			}
		},
		changed: func(on bool) { b.tell("source", "", func(p *sweep.Progress) { p.SourceOn = on }) },
	}
	b.view = sweep.Progress{Bench: s.Facts.Name}
	return b
}

// Serve owns the bench until the context ends. Before anything else it puts the
// source in its safe state; then it marks runs that an earlier daemon left
// unfinished as interrupted, and waits for work. An instrument that is down is
// a state, retried with growing pauses. When Serve returns, no run is under way
// and the links are closed; an error means that the source could not be
// confirmed off, or that the journal does not work.
func (b *Bench) Serve(ctx context.Context) (err error) {
	b.mu.Lock()
	if b.serving {
		b.mu.Unlock()
		return fmt.Errorf("bench %s is served already", b.facts.Name)
	}
	b.serving, b.settled, b.gone = true, make(chan struct{}), make(chan struct{})
	b.mu.Unlock()
	b.tx.turns.serve(true)
	defer func() {
		// Orders to switch off are taken to the very end.
		defer func() {
			b.mu.Lock()
			b.serving = false
			close(b.gone)
			b.mu.Unlock()
		}()
		if b.links.source != nil {
			if _, offErr := b.tx.off(ctx); offErr != nil {
				err = errors.Join(err, fmt.Errorf("bench %s: %s: %w", b.facts.Name, ruleSourceOff, offErr))
			}
		}
		b.tx.turns.serve(false)
		b.tx.orders.Wait()
		b.links.close()
	}()
	down := b.ready(ctx)
	if err := b.interruptLeft(ctx); err != nil {
		return err
	}
	if err := b.recall(ctx); err != nil {
		return err
	}
	close(b.settled)
	unpaid := owedFirst
	for try := 0; ; {
		wait := b.rules.IdleCheck
		if down != nil {
			wait = b.rules.Reopen.pause(try)
			try++
		} else {
			try = 0
		}
		if len(b.Owed()) == 0 {
			unpaid = owedFirst
		}
		wake, stop := b.alarm(ctx, wait)
		pay := b.reminder(unpaid)
		select {
		case <-ctx.Done():
			stop()
			b.settleUp(ctx, lastPatience)
			return nil
		case <-pay:
			stop()
			unpaid = min(2*unpaid, owedLongest)
			b.settleUp(ctx, b.rules.JournalTimeout)
			continue
		case <-wake:
			stop()
			if down == nil {
				b.idleCheck(ctx)
			}
			down = b.ready(ctx)
		case j := <-b.jobs:
			stop()
			b.do(ctx, j)
			down = b.ready(ctx)
		case <-b.nudged:
			stop()
			down = b.ready(ctx)
		}
	}
}

// lastPatience is how long the end of a daemon waits for a journal that has not
// taken how a run ended.
const lastPatience = 2 * time.Second

// reminder wakes after d in real time while something is owed to the journal.
func (b *Bench) reminder(d time.Duration) <-chan time.Time {
	if len(b.Owed()) == 0 {
		return nil
	}
	return time.After(d)
}

// alarm wakes after d, if d is not negative. stop waits for its goroutine.
func (b *Bench) alarm(ctx context.Context, d time.Duration) (wake <-chan struct{}, stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	rang, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		if d >= 0 && b.clock.Sleep(ctx, d) == nil {
			close(rang)
		}
	}()
	return rang, func() { cancel(); <-done }
}

// ready makes one try to have both instruments there and the source safe.
func (b *Bench) ready(ctx context.Context) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	was := b.links.of(RoleSource)
	err := b.links.ensure(ctx)
	now := b.links.of(RoleSource)
	if b.links.source != nil && now.Up && (!was.Up || b.tx.on.Load()) {
		if safeErr := b.makeSafe(ctx); safeErr != nil {
			b.links.down(RoleSource, safeErr)
			err = errors.Join(safeErr, err)
		}
	}
	return err
}

// makeSafe brings the source to its inert state and reads it back as off.
func (b *Bench) makeSafe(ctx context.Context) error {
	hctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), b.rules.OffTimeout)
	defer cancel()
	haltErr := b.links.source.Halt(hctx)
	if _, err := b.tx.off(ctx); err != nil {
		return err
	}
	if haltErr != nil && !b.links.of(RoleSource).Up {
		return haltErr
	}
	return nil
}

// interruptLeft marks what an earlier daemon left unfinished.
func (b *Bench) interruptLeft(ctx context.Context) error {
	ctx, cancel := b.durable(ctx)
	defer cancel()
	left, err := b.journal.Unfinished(ctx)
	if err != nil {
		return fmt.Errorf("bench %s: look for unfinished runs: %w", b.facts.Name, err)
	}
	for _, r := range left {
		if r.Bench.Name != b.facts.Name {
			continue
		}
		move, err := Next(r.State, EventShutdown)
		if err != nil {
			continue
		}
		if err := b.journal.Transition(ctx, r.ID, b.clock.Now().UTC(), move.Next, "the daemon went away while it was "+r.State.String(), ""); err != nil {
			return fmt.Errorf("bench %s: mark run %s as interrupted: %w", b.facts.Name, r.ID, err)
		}
		b.log.Warn("run found interrupted", zap.String("run", string(r.ID)), zap.Stringer("was", r.State))
	}
	return nil
}

// idleCheck asks both instruments of an idle bench whether they are there, and
// the source whether it is off.
func (b *Bench) idleCheck(ctx context.Context) {
	if off, err := b.tx.isOff(ctx); err != nil {
		b.links.down(RoleSource, err)
	} else if !off {
		b.log.Error("the source of an idle bench was on") // ready, next, puts it off
	}
	if _, err := b.links.analyzer.Health(ctx); err != nil {
		b.links.down(RoleAnalyzer, err)
	}
}

// do takes a run from its acceptance to its end.
func (b *Bench) do(ctx context.Context, j *job) {
	c := j.c
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	c.mu.Lock()
	c.stop = stop
	c.halt.Store(&stop)
	if c.heed(); c.end != nil { // ended before it began
		stop(errEnding)
	}
	c.mu.Unlock()
	c.mute = true // an accepted run has a journal, a refused one has not
	err := b.accept(ctx, j)
	c.mute = false
	if err != nil {
		b.free(c, false)
		j.reply <- err
		return
	}
	b.tx.spent = 0
	j.reply <- nil
	if err := b.start(ctx, j); err == nil {
		c.work(ctx, j.resume)
	}
	b.conclude(ctx, c)
}

// accept makes sure of the instruments and stores a new run.
func (b *Bench) accept(ctx context.Context, j *job) error {
	c := j.c
	if err := b.ready(ctx); err != nil {
		role := RoleAnalyzer
		if !b.links.of(RoleSource).Up {
			role = RoleSource
		}
		var f *fault
		if errors.As(err, &f) {
			role, err = f.role, f.err
		}
		return &DownError{b.facts.Name, role, err}
	}
	for _, v := range []struct {
		role Role
		id   *driver.Identity
	}{{RoleAnalyzer, &c.run.Analyzer}, {RoleSource, &c.run.Source}} {
		is := b.links.instrument(v.role).Identity()
		switch {
		case !j.resume:
			c.mu.Lock()
			*v.id = is
			c.mu.Unlock()
		case !v.id.SameUnit(is):
			return &IdentityError{c.id, v.role, *v.id, is}
		}
	}
	if c.run.Plan.Capture == sweep.Sealed {
		if _, err := c.wide(ctx); err != nil {
			return b.refuse(c.run.Plan.Name, err)
		}
	}
	wctx, cancel := b.durable(ctx)
	defer cancel()
	if !j.resume {
		return b.journal.Create(wctx, c.run)
	}
	before, err := b.journal.Captures(wctx, c.id)
	if err != nil {
		return err
	}
	for _, g := range before {
		c.learn(g)
	}
	return nil
}

// refuse turns what the wide sweep of a sealed plan cannot do into the reasons
// of a refusal; a fault of the instrument stays one.
func (b *Bench) refuse(plan string, err error) error {
	var f *fault
	if errors.As(err, &f) {
		return &DownError{b.facts.Name, f.role, f.err}
	}
	var rule *ruleError
	if errors.As(err, &rule) {
		err = rule.err
	}
	return &RefusedError{b.what(plan), []sweep.Problem{{Message: err.Error()}}}
}

func (b *Bench) what(plan string) string {
	return fmt.Sprintf("plan %s on bench %s", plan, b.facts.Name)
}

// start lets the run begin, or go on after an interruption.
func (b *Bench) start(ctx context.Context, j *job) error {
	c := j.c
	run := c.snapshot()
	b.tell("state", "", func(p *sweep.Progress) {
		*p = sweep.Progress{
			Run: run.ID, Bench: b.facts.Name, Plan: run.Plan.Name, State: run.State,
			Step: run.Checkpoint.Step, Steps: len(run.Steps), Point: run.Checkpoint.Point, Points: len(run.Plan.Points),
			Done: c.done, Total: sweep.Captures(run.Plan, run.Steps), Left: c.pace.left(), Planned: c.pace.planned(),
		}
	})
	if run.Started == nil {
		now := b.clock.Now().UTC()
		run.Started = &now
		wctx, cancel := b.durable(ctx)
		defer cancel()
		if err := b.journal.Begin(wctx, run); err != nil {
			c.fail(&ruleError{ruleJournal, err})
			return err
		}
		c.mu.Lock()
		c.run.Started = &now
		c.mu.Unlock()
	}
	if j.resume {
		return c.fire(ctx, EventResume, fmt.Sprintf("taken up at step %d, point %d", run.Checkpoint.Step, run.Checkpoint.Point), j.who)
	}
	return c.fire(ctx, EventBegin, "", "")
}

// conclude switches the source off and writes down how the run ended. A source
// that may still be on fails whatever else the end would have been; an
// interrupted run stays so, since its source is made safe before it goes on.
func (b *Bench) conclude(ctx context.Context, c *conduct) {
	_, offErr := b.tx.off(ctx)
	c.mu.Lock()
	c.heed()
	end := c.end
	if end == nil {
		end = &ending{sweep.Failed, ruleInternal + ": it ended without a reason", ""}
	}
	state, reason := end.state, end.reason
	if offErr != nil {
		why := fmt.Sprintf("%s: %v", ruleSourceOff, offErr)
		if state != sweep.Interrupted {
			if reason == "" {
				reason = why
			} else {
				reason = fmt.Sprintf("%s; it was %v: %s", why, state, reason)
			}
			state = sweep.Failed
		} else {
			reason += "; " + why
		}
	}
	if err := c.transition(ctx, state, reason, end.who); err != nil {
		b.log.Error("the end of a run could not be written down", zap.String("run", string(c.id)), zap.Error(err))
		if state != sweep.Interrupted {
			state = sweep.Failed
		}
		reason, now := fmt.Sprintf("%s: %v; %s", ruleJournal, err, reason), b.clock.Now().UTC()
		b.mu.Lock()
		b.owed = append(b.owed, Owed{Run: c.id, State: state, Reason: reason, At: now, Err: err, who: end.who})
		b.mu.Unlock()
		c.become(state, reason, now)
	}
	c.mu.Unlock()
	b.free(c, true)
}

// free gives the bench up for the next run.
func (b *Bench) free(c *conduct, ran bool) {
	b.mu.Lock()
	if b.active == c {
		b.active = nil
	}
	if ran {
		b.last = c
	}
	b.mu.Unlock()
	close(c.ended)
}

// tell changes the live picture and shows it to the observer.
func (b *Bench) tell(kind, text string, change func(*sweep.Progress)) {
	b.order.Lock()
	defer b.order.Unlock()
	a, s := b.links.of(RoleAnalyzer).Up, b.links.of(RoleSource).Up
	on := b.tx.on.Load()
	b.see.Lock()
	if change != nil {
		change(&b.view)
	}
	b.view.Kind, b.view.Text, b.view.Time = kind, text, b.clock.Now().UTC()
	b.view.Analyzer, b.view.SourceUp, b.view.SourceOn = a, s, on
	now := b.view
	b.see.Unlock()
	if b.observer != nil {
		b.observer.Observe(now)
	}
}

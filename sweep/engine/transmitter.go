package engine

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// transmitter is the source under key-down discipline. Only keyed switches the
// output on; off leaves no doubt that it is off.
//
// It is used by the goroutine that owns the bench, but for orderOff and on, which
// may be used by any.
type transmitter struct {
	facts   sweep.Bench
	permit  func(unit.Hz, unit.DBm) error
	rules   Rules
	clock   Clock
	journal Journal
	links   *links
	turns   *turns
	safe    func(context.Context) error // makes it safe on a fresh connection; nil: no such way
	guard   Guardian                    // nil: none
	log     *zap.Logger
	changed func(on bool)
	nudge   func() // the owner should look at the links; nil: nobody

	orders sync.WaitGroup // being carried out

	on    atomic.Bool // true from before keying until read back as off, or not confirmed off
	maybe atomic.Bool // keyed, or read back as on, and not read back as off since

	mu    sync.Mutex
	offs  uint64    // so often it was read back as off
	offAt time.Time // when it first was since it was last keyed

	tuned struct { // what the source was last set to, and read back
		askedFreq, freq   unit.Hz
		askedLevel, level unit.DBm
	}
	spent time.Duration // keyed in the present run
	past  []burst       // keyed within the last hour, of any run
}

// allowed is the permission, asked at the key itself and independent of the
// checks of the plan.
func (t *transmitter) allowed(f unit.Hz, p unit.DBm) error {
	if math.IsNaN(float64(f)) || !p.IsFinite() {
		return fmt.Errorf("%v at %v is not a setting", p, f)
	}
	if p > t.facts.MaxLevel {
		return fmt.Errorf("%v is over the bench's %v", p, t.facts.MaxLevel)
	}
	if why := sweep.Forbidden(t.facts, f); why != "" {
		return errors.New(why)
	}
	for _, m := range t.facts.MayTransmit {
		if f >= m.From && f <= m.To && p <= m.MaxLevel {
			if t.permit != nil {
				return t.permit(f, p)
			}
			return nil
		}
	}
	return fmt.Errorf("%v at %v is in no range that bench %s may transmit on", p, f, t.facts.Name)
}

// tune sets frequency and level with the output off and returns what was read
// back. A read-back outside the tolerance is no valid point.
func (t *transmitter) tune(ctx context.Context, f unit.Hz, p unit.DBm) (unit.Hz, unit.DBm, error) {
	if err := t.allowed(f, p); err != nil {
		return 0, 0, &ruleError{rulePermission, err}
	}
	t.tuned.askedFreq, t.tuned.askedLevel = unit.Hz(math.NaN()), unit.Missing()
	src := t.links.source
	gotF, err := src.SetFrequency(ctx, f)
	if err != nil {
		return 0, 0, wrong(RoleSource, err)
	}
	gotP, err := src.SetLevel(ctx, p)
	if err != nil {
		return 0, 0, wrong(RoleSource, err)
	}
	if math.Abs(float64(gotF-f)) > float64(t.rules.FreqTolerance)+1e-9*float64(f) {
		return 0, 0, voidf("the source reads back %.3f Hz for %.3f Hz asked", float64(gotF), float64(f))
	}
	if !(math.Abs(float64(gotP.Sub(p))) <= float64(t.rules.LevelTolerance)) {
		return 0, 0, voidf("the source reads back %.2f dBm for %.2f dBm asked", float64(gotP), float64(p))
	}
	t.tuned.askedFreq, t.tuned.freq = f, gotF
	t.tuned.askedLevel, t.tuned.level = p, gotP
	return gotF, gotP, nil
}

// keyed switches the output on, does the work and switches it off again, come
// what may: a fault, a cancelled context, a panic. expect is how long the work
// should take. A fault of the work itself is returned only when the source is
// known to be off; all else is a *ruleError.
func (t *transmitter) keyed(ctx context.Context, k sweep.Keying, expect time.Duration, work func(context.Context) error) (err error) {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	k.Freq, k.Level = t.tuned.askedFreq, t.tuned.askedLevel
	if err := t.allowed(k.Freq, k.Level); err != nil {
		return &ruleError{rulePermission, err}
	}
	limit := t.rules.longestOn(expect)
	if expect > limit {
		return voidf("the source would be on for %v without a break, %v are allowed (key_down: max_on): a wider RBW or a smaller span is quicker", expect, limit)
	}
	if m := t.rules.MaxKeyedPerRun; m > 0 && t.spent+expect > m {
		return &ruleError{ruleKeyedLong, fmt.Errorf("%v in this run, %v are allowed", t.spent+expect, m)}
	}
	if err := t.hourly(t.clock.Now(), expect); err != nil {
		return err
	}
	// A source that restarted since it was tuned would be keyed at whatever
	// frequency and level it wakes up with.
	if err := healthy(ctx, t.links.source, RoleSource); err != nil {
		return err
	}
	ctx, cutWork := context.WithCancelCause(ctx)
	defer cutWork(nil)
	if err := t.turns.begin(cutWork); err != nil {
		return &ruleError{ruleOrdered, err}
	}
	from := t.clock.Now()
	k.On = from.UTC()
	entry, err := t.keyOn(ctx, k)
	if err != nil {
		t.turns.end()
		return &ruleError{ruleJournal, err}
	}
	t.mu.Lock()
	t.offAt = time.Time{}
	since := t.offs
	t.mu.Unlock()
	t.mark(true)
	unwatch := func() {}
	defer func() {
		trouble, offErr := t.offSince(ctx, since)
		unwatch()
		taken := t.turns.end()
		now := t.clock.Now()
		t.mu.Lock()
		if offErr == nil && !t.offAt.IsZero() {
			now = t.offAt // an order may have been quicker than whoever keyed it
		}
		t.mu.Unlock()
		t.spent += now.Sub(from)
		t.past = append(t.past, burst{from, now})
		// The wall's clock may have been set meanwhile: how long it was on has not.
		ledgerErr := t.keyOff(ctx, entry, k.On.Add(now.Sub(from)), offErr)
		switch {
		case offErr != nil:
			err = &ruleError{ruleSourceOff, errors.Join(offErr, err)}
		case ledgerErr != nil:
			err = &ruleError{ruleJournal, ledgerErr}
		case taken != nil:
			err = &ruleError{ruleOrdered, taken}
		case driver.KindOf(trouble) == driver.KindReadback:
			err = &ruleError{ruleReadback, trouble}
		case err == nil:
			// Off at last, but what was it while the work was done?
			err = wrong(RoleSource, trouble)
		}
	}()
	t.maybe.Store(true)
	if t.guard != nil {
		if err := t.guard.Keying(ctx, limit); err != nil {
			return &ruleError{ruleGuardian, err}
		}
	}
	// The last line, where the source has one: it goes off by itself when nobody is
	// left to switch it off.
	if timed, ok := t.links.source.(driver.TimedSource); ok {
		if _, err := timed.SetTimer(ctx, min(2*expect+timerSlack, limit+limit/5)); err != nil {
			return wrong(RoleSource, err)
		}
	}
	// What should fit has been checked; this is for what hangs.
	unwatch = t.watch(ctx, cutWork, limit+limit/10)
	on, err := t.links.source.SetOutput(ctx, true)
	if err == nil && !on {
		err = readback("on", "off")
	}
	if driver.KindOf(err) == driver.KindReadback {
		if restarted := healthy(ctx, t.links.source, RoleSource); driver.KindOf(restarted) == driver.KindPowerCycled {
			return restarted
		}
		return &ruleError{ruleReadback, err}
	}
	if err != nil {
		return wrong(RoleSource, err)
	}
	if err := work(ctx); err != nil {
		return err
	}
	return t.stillOn(ctx)
}

// timerSlack is what keying and reading back may take besides the work, before a
// source's own timer switches it off.
const timerSlack = 10 * time.Second

// stillOn makes sure that the source was on to the end of the work. One that
// restarted is a fault; one that somebody else switched off must not be keyed
// again by this run, and what was captured meanwhile would read as a good shield.
func (t *transmitter) stillOn(ctx context.Context) error {
	on, err := t.links.source.Output(ctx)
	if err != nil {
		return wrong(RoleSource, err)
	}
	if on {
		return nil
	}
	if err := healthy(ctx, t.links.source, RoleSource); err != nil {
		return err
	}
	return &ruleError{ruleReadback, errors.New("somebody else switched it off while it was keyed")}
}

// watch cuts the work off after d, and puts the source off on a way of its own:
// it waits for nobody, not for the work to let go either. stop ends it.
func (t *transmitter) watch(ctx context.Context, cut context.CancelCauseFunc, d time.Duration) (stop func()) {
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		wait := t.clock.Sleep
		if t.rules.MaxKeyed <= 0 {
			wait = sleep // a limit that nobody stated is of real time, whatever a virtual bench lives in
		}
		if wait(ctx, d) != nil {
			return
		}
		t.log.Error("the source is on for too long and is switched off", zap.Duration("limit", d))
		_ = t.orderOff(ctx, nil, func() { cut(fmt.Errorf("the source was on for %v without a break", d)) })
	}()
	return func() { cancel(); <-ended }
}

func readback(asked, got string) error {
	return &driver.Error{Op: "output", Kind: driver.KindReadback, Err: fmt.Errorf("switched %s, it reads back as %s", asked, got)}
}

// off switches the output off until it reads back as off, on a context that
// cancellation does not reach, with a time-out for each try and for all. err
// means that the source may be on; trouble is the worst of what went wrong on
// the way, a read-back that said "on" before anything else.
func (t *transmitter) off(ctx context.Context) (trouble, err error) {
	return t.offSince(ctx, t.confirmations())
}

// offSince is off where an order may have done it since the source was keyed:
// a source that was read back as off after its since-th time is off.
func (t *transmitter) offSince(ctx context.Context, since uint64) (trouble, err error) {
	if o := t.turns.under(); o != nil {
		<-o.done // it has gone first, and has a time-out of its own
		if o.err != nil {
			return o.err, o.err
		}
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), t.rules.OffTotal)
	defer cancel()
	for try := range t.rules.Off.Tries {
		if try > 0 && t.clock.Sleep(ctx, t.rules.Off.pause(try-1)) != nil {
			break
		}
		var on bool
		on, err = t.tryOff(ctx, try > 0)
		if err == nil && !on {
			t.confirmed()
			if t.guard != nil {
				t.guard.Off()
			}
			return trouble, nil
		}
		if err != nil && t.confirmations() != since {
			return trouble, nil // an order has, whatever became of the link
		}
		if err == nil {
			t.maybe.Store(true)
			err = readback("off", "on")
		}
		if trouble == nil || driver.KindOf(err) == driver.KindReadback {
			trouble = err
		}
		t.log.Warn("source not confirmed off", zap.Int("try", try+1), zap.Error(err))
		if t.guard != nil && t.maybe.Load() {
			t.guard.Lost()
		}
	}
	t.mark(true)
	return trouble, err
}

// tryOff is one try. Where the last one failed, the link is set up afresh
// first, which brings the output back off.
func (t *transmitter) tryOff(ctx context.Context, again bool) (on bool, err error) {
	ctx, cancel := context.WithTimeout(ctx, t.rules.OffTimeout)
	defer cancel()
	if t.links.source == nil {
		return false, errors.New("no link to it")
	}
	if again {
		if err := t.links.recover(ctx, RoleSource); err != nil {
			return false, err
		}
	}
	return t.links.source.SetOutput(ctx, false)
}

// isOff asks whether the output is off.
func (t *transmitter) isOff(ctx context.Context) (bool, error) {
	for {
		since := t.confirmations()
		on, err := t.links.source.Output(ctx)
		if err != nil {
			return false, wrong(RoleSource, err)
		}
		if t.confirmations() != since {
			continue // an order came between: the answer may be from before it
		}
		t.mark(on)
		t.maybe.Store(on)
		return !on, nil
	}
}

// confirmed takes down that the source was read back as off.
func (t *transmitter) confirmed() {
	t.mu.Lock()
	t.offs++
	if t.offAt.IsZero() {
		t.offAt = t.clock.Now()
	}
	t.mu.Unlock()
	t.maybe.Store(false)
	t.mark(false)
}

// confirmations counts how often the source was read back as off.
func (t *transmitter) confirmations() uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.offs
}

func (t *transmitter) mark(on bool) {
	if t.on.Swap(on) != on && t.changed != nil {
		t.changed(on)
	}
}

func (t *transmitter) keyOn(ctx context.Context, k sweep.Keying) (int64, error) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), t.rules.JournalTimeout)
	defer cancel()
	return t.journal.KeyOn(ctx, k)
}

func (t *transmitter) keyOff(ctx context.Context, entry int64, at time.Time, not error) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), t.rules.JournalTimeout)
	defer cancel()
	why := ""
	if not != nil {
		why = not.Error()
	}
	return t.journal.KeyOff(ctx, entry, at, why)
}

package engine

import (
	"context"
	"errors"
	"fmt"
	"math"
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
// It is used by the goroutine that owns the bench; on alone may be read by others.
type transmitter struct {
	facts   sweep.Bench
	permit  func(unit.Hz, unit.DBm) error
	rules   Rules
	clock   Clock
	journal Journal
	links   *links
	guard   Guardian // nil: none
	log     *zap.Logger
	changed func(on bool)

	on    atomic.Bool // true from before keying until read back as off, or not confirmed off
	maybe bool        // keyed, or read back as on, and not read back as off since

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
	if m := t.rules.MaxKeyed; m > 0 && expect > m {
		return voidf("the source would be on for %v without a break, %v are allowed: a wider RBW or a smaller span is quicker", expect, m)
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
	from := t.clock.Now()
	k.On = from.UTC()
	entry, err := t.keyOn(ctx, k)
	if err != nil {
		return &ruleError{ruleJournal, err}
	}
	t.mark(true)
	defer func() {
		trouble, offErr := t.off(ctx)
		now := t.clock.Now()
		t.spent += now.Sub(from)
		t.past = append(t.past, burst{from, now})
		// The wall's clock may have been set meanwhile: how long it was on has not.
		ledgerErr := t.keyOff(ctx, entry, k.On.Add(now.Sub(from)), offErr)
		switch {
		case offErr != nil:
			err = &ruleError{ruleSourceOff, errors.Join(offErr, err)}
		case ledgerErr != nil:
			err = &ruleError{ruleJournal, ledgerErr}
		case driver.KindOf(trouble) == driver.KindReadback:
			err = &ruleError{ruleReadback, trouble}
		case err == nil:
			// Off at last, but what was it while the work was done?
			err = wrong(RoleSource, trouble)
		}
	}()
	t.maybe = true
	if t.guard != nil {
		if err := t.guard.Keying(ctx); err != nil {
			return &ruleError{ruleGuardian, err}
		}
	}
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
	if m := t.rules.MaxKeyed; m > 0 {
		var done func()
		ctx, done = t.limited(ctx, m+m/10) // what should fit has been checked; this is for what hangs
		defer done()
	}
	if err := work(ctx); err != nil {
		return err
	}
	return t.stillOn(ctx)
}

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

// limited cuts the work off after d, whatever it waits for.
func (t *transmitter) limited(ctx context.Context, d time.Duration) (context.Context, func()) {
	ctx, cancel := context.WithCancelCause(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		if t.clock.Sleep(ctx, d) == nil {
			cancel(fmt.Errorf("the source was on for %v without a break", d))
		}
	}()
	return ctx, func() { cancel(nil); <-ended }
}

func readback(asked, got string) error {
	return &driver.Error{Op: "output", Kind: driver.KindReadback, Err: fmt.Errorf("switched %s, it reads back as %s", asked, got)}
}

// off switches the output off until it reads back as off, on a context that
// cancellation does not reach, with a time-out for each try and for all. err
// means that the source may be on; trouble is the worst of what went wrong on
// the way, a read-back that said "on" before anything else.
func (t *transmitter) off(ctx context.Context) (trouble, err error) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), t.rules.OffTotal)
	defer cancel()
	for try := range t.rules.Off.Tries {
		if try > 0 && t.clock.Sleep(ctx, t.rules.Off.pause(try-1)) != nil {
			break
		}
		var on bool
		on, err = t.tryOff(ctx, try > 0)
		if err == nil && !on {
			t.mark(false)
			t.maybe = false
			if t.guard != nil {
				t.guard.Off()
			}
			return trouble, nil
		}
		if err == nil {
			t.maybe = true
			err = readback("off", "on")
		}
		if trouble == nil || driver.KindOf(err) == driver.KindReadback {
			trouble = err
		}
		t.log.Warn("source not confirmed off", zap.Int("try", try+1), zap.Error(err))
		if t.guard != nil && t.maybe {
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
	on, err := t.links.source.Output(ctx)
	if err != nil {
		return false, wrong(RoleSource, err)
	}
	t.mark(on)
	t.maybe = on
	return !on, nil
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

package engine

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"go.uber.org/zap"

	"lidded/sweep"
)

// burst is one time the source was on.
type burst struct{ from, to time.Time }

const hour = time.Hour

// dutyError means that the source has been on for long enough within the last
// hour: not before until may it be on again for as long as is wanted.
type dutyError struct {
	until time.Time
	limit time.Duration
}

func (e *dutyError) Error() string {
	return fmt.Sprintf("on-time of %v per hour is used up until %s", e.limit, e.until.UTC().Format(time.TimeOnly))
}

// hourly checks that the source may be on for expect now: no hour that ends with
// it may hold more than the limit.
func (t *transmitter) hourly(now time.Time, expect time.Duration) error {
	limit := t.rules.MaxKeyedPerHour
	if limit <= 0 {
		t.past = nil
		return nil
	}
	if expect > limit {
		return voidf("the source would be on for %v, %v an hour are allowed: a wider RBW or a smaller span is quicker", expect, limit)
	}
	keep := t.past[:0]
	for _, b := range t.past {
		if now.Sub(b.to) < hour {
			keep = append(keep, b)
		}
	}
	t.past = keep
	var used time.Duration
	for _, b := range t.past {
		used += b.to.Sub(later(b.from, now.Add(-hour)))
	}
	if used+expect <= limit {
		return nil
	}
	// Bursts leave the hour in the order in which they came, each as it was.
	over, until := used+expect-limit, now
	for _, b := range t.past {
		from := later(b.from, now.Add(-hour))
		if d := b.to.Sub(from); d < over {
			over -= d
			continue
		}
		until = from.Add(over + hour)
		break
	}
	return &dutyError{until, limit}
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// keyed is the transmitter's, once the hour has on-time left for it.
func (c *conduct) keyed(ctx context.Context, k sweep.Keying, expect time.Duration, work func(context.Context) error) error {
	for {
		err := c.b.tx.keyed(ctx, k, expect, work)
		var duty *dutyError
		if !errors.As(err, &duty) {
			return err
		}
		if err := c.rest(ctx, duty); err != nil {
			return err
		}
	}
}

// rest waits, source off, until the source may be on again. The run is suspended
// meanwhile, so that a stop or an abort ends it at once.
func (c *conduct) rest(ctx context.Context, d *dutyError) error {
	c.log.Info("waits for on-time", zap.Time("until", d.until))
	if err := c.fire(ctx, EventSuspend, d.Error(), ""); err != nil {
		return err
	}
	if stop := c.over(ctx); stop != nil {
		return stop
	}
	if err := c.b.clock.Sleep(ctx, d.until.Sub(c.b.clock.Now())+time.Millisecond); err != nil {
		return err
	}
	return c.fire(ctx, EventRestored, "there is on-time again", "")
}

// recall takes the on-time of the last hour from the ledger, for a limit that
// holds across a restart. An entry left open shows a daemon killed while keyed:
// it counts as the longest it may have been meant to be on. A clock set forward
// while no daemon ran makes keyings look older than they are; nothing here can
// tell.
func (b *Bench) recall(ctx context.Context) error {
	if b.rules.MaxKeyedPerHour <= 0 || b.keyedSince == nil {
		return nil
	}
	ctx, cancel := b.durable(ctx)
	defer cancel()
	open := b.rules.longestOn(0)
	now := b.clock.Now()
	list, err := b.keyedSince(ctx, now.Add(-hour-open))
	if err != nil {
		return fmt.Errorf("bench %s: look up on-time in the ledger: %w", b.facts.Name, err)
	}
	b.tx.past = nil
	for _, k := range list {
		on := k.Off.Sub(k.On)
		if k.Off.IsZero() || on < 0 {
			on = open
		}
		// How long ago, as the wall's clock has it: from here on only the difference
		// counts, so that setting the clock later changes nothing. A keying that is
		// yet to come shows a clock set back since: it may have ended just now.
		ago := max(0, now.Sub(k.On)-on)
		if to := now.Add(-ago); on > 0 {
			b.tx.past = append(b.tx.past, burst{to.Add(-on), to})
		}
	}
	slices.SortStableFunc(b.tx.past, func(x, y burst) int { return x.from.Compare(y.from) })
	return nil
}

package engine

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"
)

// firstOff bounds an order's first try on the link there is; each further try,
// on a fresh connection where one can be had, may take twice as long.
const firstOff = 400 * time.Millisecond

// secondLook is how long after an order that cut a call the source is put off
// once more: what the call had sent may still have been on its way.
const secondLook = 300 * time.Millisecond

// orderOff puts the source off on a way of its own and returns when it is read
// back as off. It waits for nothing but the source: neither for the goroutine
// that owns the bench nor for a journal. why, if not nil, takes the source away
// from who has keyed it. cut, if not nil, is called when the source's link is
// free, to end what is under way. Orders that come together are carried out as
// one.
func (t *transmitter) orderOff(ctx context.Context, why error, cut func()) error {
	w := t.turns
	w.mu.Lock()
	if w.closed {
		w.mu.Unlock()
		return ErrNotServing
	}
	if why != nil {
		w.taken++
		w.why = why
	}
	o := w.order
	if o == nil {
		o = &order{done: make(chan struct{})}
		w.order = o
		t.orders.Go(func() { t.carryOut(o, cut) })
	} else if cut != nil {
		defer cut()
	}
	w.mu.Unlock()
	select {
	case <-o.done:
		return o.err
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

func (t *transmitter) carryOut(o *order, cut func()) {
	w := t.turns
	ctx, cancel := context.WithTimeout(context.Background(), t.rules.OffTotal)
	defer cancel()
	held, interrupted := w.claim()
	w.mu.Lock()
	if w.work != nil {
		w.work(errOvertaken)
	}
	w.mu.Unlock()
	if cut != nil {
		cut()
	}
	o.err = t.offOwnWay(ctx, held)
	close(o.done)
	if o.err == nil && t.guard != nil {
		t.guard.Off()
	}
	if o.err == nil && interrupted && sleep(ctx, secondLook) == nil {
		if err := t.offOwnWay(ctx, held); err != nil {
			t.log.Error("source off was ordered and confirmed, and cannot be confirmed once more", zap.Error(err))
		}
	}
	w.mu.Lock()
	w.order = nil
	w.mu.Unlock()
	if held {
		w.release()
	}
	if t.nudge != nil {
		t.nudge()
	}
}

// offOwnWay tries until the source is read back as off or the context ends.
func (t *transmitter) offOwnWay(ctx context.Context, held bool) (err error) {
	limit := firstOff
	for try := 0; ; try++ {
		tctx, cancel := context.WithTimeout(ctx, limit)
		err = t.offOnce(tctx, held, try > 0)
		cancel()
		if err == nil {
			t.confirmed()
			return nil
		}
		t.log.Warn("source off was ordered and is not confirmed", zap.Int("try", try+1), zap.Error(err))
		if t.guard != nil && t.maybe.Load() {
			t.guard.Lost()
		}
		limit = min(2*limit, t.rules.OffTimeout)
		if sleep(ctx, min(50*time.Millisecond<<min(try, 6), time.Second)) != nil {
			t.mark(true)
			return err
		}
	}
}

// offOnce is one try: on the link there is, then on a fresh connection. A source
// that takes one connection only has the one before closed first.
func (t *transmitter) offOnce(ctx context.Context, held, again bool) error {
	src := t.turns.now()
	var errs []error
	if held && src != nil && (!again || t.safe == nil) {
		if again {
			errs = append(errs, src.Recover(ctx))
		}
		on, err := src.SetOutput(ctx, false)
		switch {
		case err == nil && !on:
			return nil
		case err == nil:
			t.maybe.Store(true)
			err = readback("off", "on")
		}
		errs = append(errs, err)
	}
	if t.safe == nil {
		if len(errs) == 0 {
			errs = append(errs, errors.New("no link to it"))
		}
		return errors.Join(errs...)
	}
	if held && src != nil {
		_ = src.Close() // what it has to say was said above
		t.links.down(RoleSource, errGivenUp)
	}
	fctx, cancel := t.fresh(ctx)
	defer cancel()
	if err := t.safe(fctx); err != nil {
		return fmt.Errorf("on a fresh connection: %w", errors.Join(append([]error{err}, errs...)...))
	}
	return nil
}

var errGivenUp = errors.New("its link was given up for an order to switch off, and is set up afresh")

// fresh gives a fresh connection time of its own: the try on the link before may
// have used up what there was.
func (t *transmitter) fresh(ctx context.Context) (context.Context, context.CancelFunc) {
	left := firstOff
	if d, ok := ctx.Deadline(); ok {
		left = max(left, time.Until(d))
	}
	return context.WithTimeout(context.WithoutCancel(ctx), left)
}

// sleep waits in real time: an order does not live in the bench's.
func sleep(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

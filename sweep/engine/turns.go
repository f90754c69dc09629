package engine

import (
	"context"
	"errors"
	"sync"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
)

// turns lets one user at a time at the source's link: the goroutine that owns
// the bench, call by call, and an order to switch off, which comes next whatever
// else waits and cuts a call that does not end.
type turns struct {
	free chan struct{} // holds one token while nobody has the turn

	mu     sync.Mutex
	source driver.Source           // nil: not open
	cut    context.CancelCauseFunc // ends the owner's call under way
	work   context.CancelCauseFunc // ends what is done while the source is keyed
	order  *order                  // under way; nothing is keyed meanwhile
	taken  uint64                  // orders that took the source away, so far
	why    error                   // the last of them
	keyed  uint64                  // taken, when the keying in hand began
	closed bool                    // the bench is not served: no more orders
}

// order is one order to switch off being carried out.
type order struct {
	done chan struct{}
	err  error
}

func newTurns() *turns {
	t := &turns{free: make(chan struct{}, 1)}
	t.free <- struct{}{}
	return t
}

var errOvertaken = errors.New("an order to switch off went first")

// How long an order waits for a call under way to end by itself, and then for
// one that was cut.
const (
	turnGrace = 100 * time.Millisecond
	cutGrace  = 300 * time.Millisecond
)

// take waits for the owner's turn. The context it gives ends when an order cuts
// the call.
func (t *turns) take(ctx context.Context) (context.Context, func(), error) {
	select {
	case <-t.free:
	default:
		select {
		case <-t.free:
		case <-ctx.Done():
			return ctx, nil, &driver.Error{Op: "wait for the source", Kind: driver.KindOf(ctx.Err()), Err: context.Cause(ctx)}
		}
	}
	ctx, cancel := context.WithCancelCause(ctx)
	t.mu.Lock()
	t.cut = cancel
	t.mu.Unlock()
	return ctx, func() {
		t.mu.Lock()
		t.cut = nil
		t.mu.Unlock()
		cancel(nil)
		t.free <- struct{}{}
	}, nil
}

// claim takes the turn for an order. held is false when a call under way heeds
// nothing; cut tells that one was ended, so that what it sent may still be on
// its way.
func (t *turns) claim() (held, cut bool) {
	wait := time.NewTimer(turnGrace)
	defer wait.Stop()
	select {
	case <-t.free:
		return true, false
	case <-wait.C:
	}
	t.mu.Lock()
	if t.cut != nil {
		t.cut(errOvertaken)
	}
	t.mu.Unlock()
	wait.Reset(cutGrace)
	select {
	case <-t.free:
		return true, true
	case <-wait.C:
		return false, true
	}
}

func (t *turns) release() { t.free <- struct{}{} }

// serve says whether orders are taken.
func (t *turns) serve(on bool) {
	t.mu.Lock()
	t.closed = !on
	t.mu.Unlock()
}

// open tells which source there is now; nil: none.
func (t *turns) open(s driver.Source) {
	t.mu.Lock()
	t.source = s
	t.mu.Unlock()
}

func (t *turns) now() driver.Source {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.source
}

// under is the order under way, or nil.
func (t *turns) under() *order {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.order
}

// begin registers work that an order ends. It fails while one is under way.
func (t *turns) begin(cut context.CancelCauseFunc) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.order != nil {
		return errOvertaken
	}
	t.keyed, t.work = t.taken, cut
	return nil
}

// end tells who took the source away since begin, or nil.
func (t *turns) end() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.work = nil
	if t.taken != t.keyed {
		return t.why
	}
	return nil
}

// barred says why the source may not be switched on now.
func (t *turns) barred() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.order != nil || t.taken != t.keyed {
		return errOvertaken
	}
	return nil
}

// attended is the source as the owner of the bench sees it: each call takes a
// turn.
type attended struct {
	driver.Source
	turns *turns
}

func turn[T any](a *attended, ctx context.Context, do func(context.Context) (T, error)) (T, error) {
	ctx, done, err := a.turns.take(ctx)
	if err != nil {
		var none T
		return none, err
	}
	defer done()
	return do(ctx)
}

func (a *attended) turn(ctx context.Context, do func(context.Context) error) error {
	_, err := turn(a, ctx, func(ctx context.Context) (struct{}, error) { return struct{}{}, do(ctx) })
	return err
}

// Recover implements driver.Instrument.
func (a *attended) Recover(ctx context.Context) error { return a.turn(ctx, a.Source.Recover) }

// Halt implements driver.Instrument.
func (a *attended) Halt(ctx context.Context) error { return a.turn(ctx, a.Source.Halt) }

// Health implements driver.Instrument.
func (a *attended) Health(ctx context.Context) (driver.Health, error) {
	return turn(a, ctx, a.Source.Health)
}

// Close implements driver.Instrument.
func (a *attended) Close() error {
	return a.turn(context.Background(), func(context.Context) error {
		a.turns.open(nil)
		return a.Source.Close()
	})
}

// SetFrequency implements driver.Source.
func (a *attended) SetFrequency(ctx context.Context, f unit.Hz) (unit.Hz, error) {
	return turn(a, ctx, func(ctx context.Context) (unit.Hz, error) { return a.Source.SetFrequency(ctx, f) })
}

// SetLevel implements driver.Source.
func (a *attended) SetLevel(ctx context.Context, p unit.DBm) (unit.DBm, error) {
	return turn(a, ctx, func(ctx context.Context) (unit.DBm, error) { return a.Source.SetLevel(ctx, p) })
}

// SetOutput implements driver.Source. Whoever's source was taken away cannot
// switch it on again.
func (a *attended) SetOutput(ctx context.Context, on bool) (bool, error) {
	return turn(a, ctx, func(ctx context.Context) (bool, error) {
		if on {
			if err := a.turns.barred(); err != nil {
				return false, &driver.Error{Op: "output", Kind: driver.KindCancelled, Err: err}
			}
		}
		return a.Source.SetOutput(ctx, on)
	})
}

// Output implements driver.Source.
func (a *attended) Output(ctx context.Context) (bool, error) { return turn(a, ctx, a.Source.Output) }

// SetTimer implements driver.TimedSource.
func (a *attended) SetTimer(ctx context.Context, d time.Duration) (bool, error) {
	timed, ok := a.Source.(driver.TimedSource)
	if !ok {
		return false, nil
	}
	return turn(a, ctx, func(ctx context.Context) (bool, error) { return timed.SetTimer(ctx, d) })
}

package engine

import (
	"context"
	"fmt"
	"slices"
	"time"

	"go.uber.org/zap"

	"lidded/sweep"
)

// Owed is the end of a run that the journal has not taken yet: it is told all
// the same, and written as soon as there is room.
type Owed struct {
	Run    sweep.RunID
	State  sweep.State
	Reason string
	At     time.Time // UTC
	Err    error     // why the journal did not take it, at the last try

	who string
}

// ended makes what the journal has of a run what is known of it.
func (o Owed) apply(r *sweep.Run) {
	r.State, r.Reason = o.State, o.Reason
	if o.State.Final() {
		r.Ended = &o.At
	}
}

// OwedError is an order that has to wait until the journal has taken how a run
// ended.
type OwedError struct {
	Run sweep.RunID
	Err error
}

func (e *OwedError) Error() string {
	return fmt.Sprintf("run %s: how it ended is not written down yet: %v: make room for the journal first", e.Run, e.Err)
}

func (e *OwedError) Unwrap() error { return e.Err }

// Owed lists what the journal has not taken yet.
func (b *Bench) Owed() []Owed {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.owed)
}

// Told makes a run as the journal has it what is known of it.
func (b *Bench) Told(r *sweep.Run) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if o := b.owes(r.ID); o != nil {
		o.apply(r)
	}
}

// owes finds what is owed of a run. mu is held.
func (b *Bench) owes(id sweep.RunID) *Owed {
	for i := range b.owed {
		if b.owed[i].Run == id {
			return &b.owed[i]
		}
	}
	return nil
}

// Pauses between two tries to write down what is owed.
const (
	owedFirst   = time.Second
	owedLongest = 15 * time.Second
)

// settleUp tries to write down what is owed, oldest first.
func (b *Bench) settleUp(ctx context.Context, patience time.Duration) {
	for _, o := range b.Owed() {
		wctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), patience)
		err := b.journal.Transition(wctx, o.Run, o.At, o.State, o.Reason, o.who)
		cancel()
		b.mu.Lock()
		switch now := b.owes(o.Run); {
		case err != nil:
			now.Err = err
		case now.State == o.State:
			b.owed = slices.DeleteFunc(b.owed, func(x Owed) bool { return x.Run == o.Run })
		} // else it was closed for good meanwhile: that is written next
		b.mu.Unlock()
		if err != nil {
			return
		}
		b.log.Info("how a run ended is written down at last", zap.String("run", string(o.Run)), zap.Stringer("state", o.State))
	}
}

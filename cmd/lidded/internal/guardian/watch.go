package guardian

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"
)

// Watch is the guardian's own side: it reads what the daemon says and acts when
// the daemon cannot. One goroutine runs it.
type Watch struct {
	Timing Timing
	// Safe makes one try to put the source into its safe state, nil when it was
	// read back as off.
	Safe func(ctx context.Context) error
	// Kill ends a daemon that hangs.
	Kill func() error
	// Handover, if not nil, tells that a new guardian wants the source; it counts
	// only once the daemon is gone.
	Handover <-chan struct{}
	Log      *zap.Logger

	out io.Writer

	on      bool // or not known to be off
	since   time.Time
	lost    bool
	most    time.Duration // on for so long at the most; 0: no limit
	touched bool          // the daemon has keyed the source, or said that it may be on

	beats  *time.Timer // the next beat is due
	limit  *time.Timer // on for too long
	grace  *time.Timer // the daemon's time to get a lost source back
	effort *effort     // to make the source safe, under way
}

// Run guards until the daemon said goodbye with the source off, or until the
// source of a daemon that is gone was read back as off. An error means that it
// may be on.
func (w *Watch) Run(ctx context.Context, in io.Reader, out io.Writer) error {
	w.Timing = w.Timing.withDefaults()
	w.out, w.on, w.since = out, true, time.Now()
	if w.Log == nil {
		w.Log = zap.NewNop()
	}
	w.beats, w.limit, w.grace = stopped(), stopped(), stopped()
	w.beats.Reset(w.Timing.Miss)
	if w.most = w.Timing.MaxOn; w.most > 0 {
		w.limit.Reset(w.most)
	}
	defer w.calm()
	words, end := read(ctx, in)
	defer end()
	for {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case word, ok := <-words:
			if !ok {
				w.Log.Warn("the daemon is gone", zap.Bool("source_may_be_on", w.on))
				return w.takeOver(ctx)
			}
			if bye := w.hear(ctx, word); bye {
				if !w.on || !w.touched {
					return nil
				}
				w.Log.Warn("the daemon ended with the source not confirmed off")
				return w.takeOver(ctx)
			}
		case <-w.beats.C:
			if !w.on {
				continue
			}
			// On a busy machine it may be this process that came too late, and not the
			// beat.
			late := time.NewTimer(lateBeat)
			select {
			case word, ok := <-words:
				if late.Stop(); !ok {
					w.Log.Warn("the daemon is gone", zap.Bool("source_may_be_on", w.on))
					return w.takeOver(ctx)
				}
				if bye := w.hear(ctx, word); bye {
					if !w.on || !w.touched {
						return nil
					}
					return w.takeOver(ctx)
				}
			case <-late.C:
				return w.end(ctx, "no beat for "+w.Timing.Miss.String())
			}
		case <-w.limit.C:
			if w.on && !w.lost {
				return w.end(ctx, "the source is on for longer than "+w.most.String()+" without a word")
			}
		case <-w.grace.C:
			w.Log.Warn("the daemon does not get the source back: trying here", zap.Duration("after", w.Timing.Grace))
			w.effort = w.try(ctx)
		case err := <-w.effort.result():
			w.effort = nil
			if err == nil {
				w.Log.Warn("source off, read back here; the daemon has not yet got it back")
				continue
			}
			if ctx.Err() == nil {
				w.Log.Error("source not reached, the daemon has to", zap.Error(err))
			}
		}
	}
}

// lateBeat is how long a beat that should have come is waited for once more.
const lateBeat = 100 * time.Millisecond

// hear takes one word of the daemon.
func (w *Watch) hear(ctx context.Context, word string) (bye bool) {
	w.beats.Reset(w.Timing.Miss)
	verb, rest, _ := strings.Cut(word, " ")
	switch verb {
	case wordBeat:
	case wordOn:
		number, limit, _ := strings.Cut(rest, " ")
		w.calm()
		w.on, w.lost, w.since = true, false, time.Now()
		w.touched = true
		if w.most = w.longest(limit); w.most > 0 {
			w.limit.Reset(w.most)
		}
		if _, err := fmt.Fprintf(w.out, "%s %s\n", wordArmed, number); err != nil {
			w.Log.Warn("the daemon does not listen", zap.Error(err)) // it will be gone next
		}
	case wordOff:
		w.calm()
		w.on, w.lost = false, false
	case wordLost:
		w.on, w.touched = true, true
		if !w.lost {
			w.lost = true
			w.grace.Reset(w.Timing.Grace)
		}
	case wordBye:
		return true
	default:
		w.Log.Warn("a word that is not understood", zap.String("word", word))
	}
	return false
}

// OffAllowance is what switching off may take, in the worst case, after a keying
// that was as long as allowed: the engine's own limit for it, and some.
const OffAllowance = 40 * time.Second

// longest is how long the source may be on for a keying that was announced with
// a limit, in nanoseconds; 0: as long as it likes.
func (w *Watch) longest(limit string) time.Duration {
	n, err := strconv.ParseInt(limit, 10, 64)
	if err != nil || n <= 0 {
		return w.Timing.MaxOn
	}
	d := time.Duration(n)
	d += d/5 + OffAllowance
	if m := w.Timing.MaxOn; m > 0 {
		d = min(d, m)
	}
	return d
}

// calm ends everything that may touch the source, and returns when it has ended.
func (w *Watch) calm() {
	w.grace.Stop()
	w.limit.Stop()
	w.effort.stop()
	w.effort = nil
}

// end ends a daemon that hangs, and takes over.
func (w *Watch) end(ctx context.Context, why string) error {
	w.Log.Error("the daemon hangs and is ended", zap.String("why", why), zap.Duration("since_on", time.Since(w.since)))
	if err := w.Kill(); err != nil {
		w.Log.Error("the daemon could not be ended", zap.Error(err))
	}
	return w.takeOver(ctx)
}

// again is how long after a source was read back as off it is asked once more: a
// command that the daemon sent last may still have been on its way.
const again = 300 * time.Millisecond

// untouched is how long a source is tried that the daemon never keyed: it may
// have been away from the start.
const untouched = time.Minute

// takeOver makes the source safe for a daemon that is gone.
func (w *Watch) takeOver(ctx context.Context) error {
	w.calm()
	if g := w.Timing.GiveUp; !w.touched && (g <= 0 || g > untouched) {
		w.Timing.GiveUp = untouched
	}
	begun := time.Now()
	for round := range 2 {
		if round > 0 && !w.pause(ctx, again) {
			return nil
		}
		e := w.try(ctx)
		select {
		case err := <-e.result():
			if err != nil {
				w.Log.Error("the source may be on: switch it off at the instrument", zap.Error(err))
				return err
			}
		case <-w.Handover:
			e.stop()
			w.Log.Warn("the source is left to the guardian of a new daemon")
			return nil
		}
		if round == 0 {
			w.Log.Warn("source off, read back", zap.Duration("took", time.Since(begun)))
		}
	}
	return nil
}

// pause waits; false when a new guardian wants the source or ctx ends.
func (w *Watch) pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-w.Handover:
	case <-ctx.Done():
	}
	return false
}

// effort is the work to make the source safe, in a goroutine of its own.
type effort struct {
	cancel context.CancelFunc
	done   chan error // one result
	ended  chan struct{}
}

func (e *effort) result() <-chan error {
	if e == nil {
		return nil
	}
	return e.done
}

func (e *effort) stop() {
	if e != nil {
		e.cancel()
		<-e.ended
	}
}

const (
	firstTry   = 700 * time.Millisecond // an instrument that takes one client says nothing to the second
	longestTry = 20 * time.Second
	firstWait  = 20 * time.Millisecond
	longWait   = 2 * time.Second
)

// try tries to make the source safe until it is, with growing time-outs and
// pauses.
func (w *Watch) try(ctx context.Context) *effort {
	ctx, cancel := context.WithCancel(ctx)
	e := &effort{cancel, make(chan error, 1), make(chan struct{})}
	go func() {
		defer close(e.ended)
		defer cancel()
		e.done <- w.tries(ctx)
	}()
	return e
}

func (w *Watch) tries(ctx context.Context) error {
	begun, limit, wait := time.Now(), firstTry, firstWait
	for n := 1; ; n++ {
		tctx, cancel := context.WithTimeout(ctx, limit)
		err := w.Safe(tctx)
		cancel()
		if err == nil {
			return nil
		}
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if g := w.Timing.GiveUp; g > 0 && time.Since(begun) > g {
			return fmt.Errorf("given up after %v, %d tries: %w", g, n, err)
		}
		if n&(n-1) == 0 { // 1, 2, 4, 8, …
			w.Log.Warn("source not yet off", zap.Int("try", n), zap.Error(err))
		}
		t := time.NewTimer(wait)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return context.Cause(ctx)
		}
		limit, wait = min(2*limit, longestTry), min(2*wait, longWait)
	}
}

func stopped() *time.Timer {
	t := time.NewTimer(time.Hour)
	t.Stop()
	return t
}

// read gives the daemon's words until it is gone. end returns when nothing of it
// is left but a read that the daemon's end will end.
func read(ctx context.Context, in io.Reader) (<-chan string, func()) {
	words := make(chan string)
	ctx, cancel := context.WithCancel(ctx)
	go func() {
		defer close(words)
		lines := bufio.NewScanner(in)
		for lines.Scan() {
			select {
			case words <- lines.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	return words, cancel
}

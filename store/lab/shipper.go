package lab

import (
	"context"
	"encoding/json"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"time"

	"go.uber.org/zap"

	"lidded/store"
	"lidded/sweep"
)

// Source is a journal that is shipped. *store.Store is one.
type Source interface {
	Head(ctx context.Context, after store.Position) (store.Head, error)
	After(ctx context.Context, from store.Position, l store.Limits) (store.Batch, error)
}

// Options of a shipper.
type Options struct {
	DSN    string
	Source Source
	// Judge says what an ended run means, for the lab's results; nil: none are
	// shipped. Software names the version that judges.
	Judge    func(context.Context, sweep.RunID) (sweep.Evaluation, error)
	Software string
	// Remember is the file that keeps, on the bench's side, how far the lab said
	// it was, so that the lag is known while it is away; "": not kept. The lab's
	// own word counts whenever there is one.
	Remember string
	Every    time.Duration // how often to look for new records; 0: 3 s
	Patience time.Duration // longest wait between attempts to reach the lab; 0: 20 s
	Deadline time.Duration // for one batch to be taken in; 0: 30 s
	// Limits of a batch. One that does not come through in time is tried again
	// with half of them.
	Limits store.Limits
	Logger *zap.Logger
}

// Status is how shipping stands.
type Status struct {
	Up      bool      // the lab took the last batch, or said it has everything
	Records int64     // events and ledger entries shipped since the start
	Bytes   int64     // of traces
	Results int64     // runs whose results were shipped
	Away    int64     // captures shipped without traces: their archive was not there
	Lag     int64     // records that wait
	Since   time.Time // when the first of them was written; zero: none waits
	Error   string    // of the last attempt, "" when it went well
}

// Shipper sends one journal to the lab, in order and at its own pace. It only
// reads the journal: a run never waits for it. It rests as long as it worked, so
// that catching up takes half of one processor at most.
type Shipper struct {
	o   Options
	log *zap.Logger
	now store.Limits // that batches come through with

	mu     sync.Mutex
	status Status
	at     store.Position
}

// NewShipper makes a shipper; Run ships.
func NewShipper(o Options) *Shipper {
	if o.Every <= 0 {
		o.Every = 3 * time.Second
	}
	if o.Patience <= 0 {
		o.Patience = 20 * time.Second
	}
	if o.Deadline <= 0 {
		o.Deadline = 30 * time.Second
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	o.Limits = o.Limits.Filled()
	return &Shipper{o: o, log: o.Logger.Named("lab"), now: o.Limits, at: Remembered(o.Remember)}
}

// Remembered is how far the lab was, from the file where a shipper keeps it.
func Remembered(path string) (at store.Position) {
	if data, err := os.ReadFile(path); err == nil && json.Unmarshal(data, &at) != nil {
		return store.Position{} // a torn file is one that is not there
	}
	return at
}

// At is how far the lab is, as it last said.
func (s *Shipper) At() store.Position {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.at
}

// Status tells how shipping stands. The lag is read from the journal.
func (s *Shipper) Status(ctx context.Context) Status {
	s.mu.Lock()
	st, at := s.status, s.at
	s.mu.Unlock()
	h, err := s.o.Source.Head(ctx, at)
	if err == nil {
		st.Lag, st.Since = max(0, h.At.Event-at.Event)+max(0, h.At.Entry-at.Entry), h.Waiting
	}
	return st
}

// Run ships until the context ends. The lab being away is no error: it is tried
// again and again, with waits that grow to Patience.
func (s *Shipper) Run(ctx context.Context) error {
	wait := s.o.Every
	for ctx.Err() == nil {
		begun := time.Now()
		err := s.session(ctx)
		if ctx.Err() != nil {
			break
		}
		if s.failed(err) {
			s.log.Warn("the lab cannot be reached; records wait here", zap.Error(err))
		}
		if time.Since(begun) > s.o.Patience {
			wait = s.o.Every
		}
		pause(ctx, wait/2+rand.N(wait/2+1)) // benches that lost the lab together do not come back together
		wait = min(2*wait, s.o.Patience)
	}
	return nil
}

// failed notes an error and reports whether it is a new one.
func (s *Shipper) failed(err error) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	fresh := s.status.Error != err.Error()
	s.status.Up, s.status.Error = false, err.Error()
	return fresh
}

// session ships over one connection until it fails.
func (s *Shipper) session(ctx context.Context) error {
	h, err := s.o.Source.Head(ctx, store.Position{})
	if err != nil {
		return err
	}
	w, err := timed(ctx, s.o.Deadline, func(ctx context.Context) (*Writer, error) { return Dial(ctx, s.o.DSN, h.Journal) })
	if err != nil {
		return err
	}
	defer w.Close()
	at, err := timed(ctx, s.o.Deadline, w.Position)
	if err != nil {
		return err
	}
	s.reached(at, store.Batch{})
	due := true // runs that ended while the lab was away, or before it was there
	for {
		begun := time.Now()
		b, err := s.o.Source.After(ctx, at, s.now)
		if err != nil {
			return err
		}
		if b.Records > 0 {
			at, err = timed(ctx, s.o.Deadline, func(ctx context.Context) (store.Position, error) { return w.Apply(ctx, b) })
			s.adapt(time.Since(begun), err)
			if err != nil {
				return err
			}
			if !same(at, b.To) {
				b = store.Batch{} // somebody else shipped, or the lab went back: on from where it is
			}
			s.reached(at, b)
			due = due || len(b.Ended) > 0
			if err := pause(ctx, min(time.Since(begun), s.o.Deadline)); err != nil {
				return err
			}
			continue
		}
		s.reached(at, b)
		if due {
			if err := s.judge(ctx, w); err != nil {
				return err
			}
			due = false
		}
		if err := pause(ctx, s.o.Every); err != nil {
			return err
		}
		if at, err = timed(ctx, s.o.Deadline, w.Position); err != nil { // notices a lab that went back or away
			return err
		}
	}
}

// adapt halves the size of batches after one that did not come through in time,
// and lets it grow again while they come through in a fraction of it.
func (s *Shipper) adapt(took time.Duration, err error) {
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		s.now = store.Limits{Events: max(1, s.now.Events/2), Bytes: max(1, s.now.Bytes/2)}
	case err == nil && took < s.o.Deadline/4:
		s.now = store.Limits{Events: min(s.o.Limits.Events, 2*s.now.Events), Bytes: min(s.o.Limits.Bytes, 2*s.now.Bytes)}
	}
}

// judge ships the results of ended runs. A run that cannot be judged here, such
// as one whose archive is away, is left for another time.
func (s *Shipper) judge(ctx context.Context, w *Writer) error {
	if s.o.Judge == nil {
		return nil
	}
	const most = 1000
	ids, err := timed(ctx, s.o.Deadline, func(ctx context.Context) ([]sweep.RunID, error) { return w.Due(ctx, most) })
	if err != nil {
		return err
	}
	for _, id := range ids {
		begun := time.Now()
		e, err := s.o.Judge(ctx, id)
		if err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			s.log.Warn("results of a run cannot be shipped", zap.String("run", string(id)), zap.Error(err))
			continue
		}
		if _, err := timed(ctx, s.o.Deadline, func(ctx context.Context) (bool, error) { return true, w.Judged(ctx, id, s.o.Software, e) }); err != nil {
			return err
		}
		s.mu.Lock()
		s.status.Results++
		s.mu.Unlock()
		if err := pause(ctx, min(time.Since(begun), s.o.Deadline)); err != nil {
			return err
		}
	}
	return nil
}

// reached notes where the lab stands.
func (s *Shipper) reached(at store.Position, b store.Batch) {
	s.mu.Lock()
	moved := !same(s.at, at)
	wasDown := !s.status.Up
	s.at = at
	s.status.Up, s.status.Error = true, ""
	s.status.Records += int64(b.Records)
	s.status.Bytes += int64(b.Bytes)
	s.status.Away += int64(b.Away)
	s.mu.Unlock()
	if wasDown {
		s.log.Info("shipping", zap.String("to", Place(s.o.DSN)), zap.Int64("event", at.Event), zap.Int64("keying", at.Entry))
	}
	if moved && s.o.Remember != "" {
		if err := remember(s.o.Remember, at); err != nil {
			s.log.Warn("how far the lab is cannot be kept", zap.Error(err))
		}
	}
}

func remember(path string, at store.Position) error {
	data, err := json.Marshal(at)
	if err != nil {
		return err
	}
	part, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	_, err = part.Write(data)
	if err = errors.Join(err, part.Close()); err == nil {
		err = os.Rename(part.Name(), path)
	}
	if err != nil {
		err = errors.Join(err, os.Remove(part.Name()))
	}
	return err
}

// timed runs f with a deadline.
func timed[T any](ctx context.Context, d time.Duration, f func(context.Context) (T, error)) (T, error) {
	ctx, cancel := context.WithTimeout(ctx, d)
	defer cancel()
	return f(ctx)
}

// pause waits, or returns why not.
func pause(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

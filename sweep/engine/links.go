package engine

import (
	"context"
	"errors"
	"sync"
	"time"

	"go.uber.org/zap"

	"lidded/driver"
)

// LinkStatus is what is known of one instrument without asking it.
type LinkStatus struct {
	Up       bool            `json:"up"`
	Identity driver.Identity `json:"identity"` // of the last answer
	Error    string          `json:"error,omitempty"`
	Since    time.Time       `json:"since"` // of Up
	Restored int             `json:"restored"`
}

// links holds the two instruments. The instruments themselves belong to the
// goroutine that owns the bench; status may be asked by anybody.
type links struct {
	open    func(context.Context) (driver.Analyzer, driver.Source, error)
	clock   Clock
	log     *zap.Logger
	changed func()
	turns   *turns

	analyzer driver.Analyzer
	source   driver.Source

	mu     sync.Mutex
	status [RoleSource + 1]LinkStatus
}

func (l *links) of(r Role) LinkStatus {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.status[r]
}

func (l *links) instrument(r Role) driver.Instrument {
	if r == RoleSource {
		if l.source != nil {
			return l.source
		}
	} else if l.analyzer != nil {
		return l.analyzer
	}
	return nil
}

// ensure makes one try to have both instruments there. Where one was never
// there, both are opened afresh.
func (l *links) ensure(ctx context.Context) error {
	if l.analyzer == nil || l.source == nil {
		l.close()
		a, s, err := l.fresh(ctx)
		l.analyzer, l.source = a, s
		if err == nil && (a == nil || s == nil) {
			err = errors.New("not opened")
		}
		for _, r := range []Role{RoleAnalyzer, RoleSource} {
			if l.instrument(r) != nil {
				l.up(r, false)
			} else {
				l.down(r, err)
			}
		}
		return err
	}
	var errs []error
	for _, r := range []Role{RoleSource, RoleAnalyzer} { // what can do harm first
		if !l.of(r).Up {
			errs = append(errs, wrong(r, l.recover(ctx, r)))
		}
	}
	return errors.Join(errs...)
}

// fresh opens both instruments, which an order to switch off may cut short.
func (l *links) fresh(ctx context.Context) (driver.Analyzer, driver.Source, error) {
	ctx, done, err := l.turns.take(ctx)
	if err != nil {
		return nil, nil, err
	}
	defer done()
	a, s, err := l.open(ctx)
	if s == nil {
		return a, nil, err
	}
	l.turns.open(s)
	return a, &attended{s, l.turns}, err
}

// recover re-establishes one link.
func (l *links) recover(ctx context.Context, r Role) error {
	in := l.instrument(r)
	if in == nil {
		return errors.New("no link to it")
	}
	err := in.Recover(ctx)
	if err != nil {
		l.down(r, err)
		return err
	}
	l.up(r, true)
	return nil
}

func (l *links) up(r Role, again bool) {
	l.mu.Lock()
	s := &l.status[r]
	was := s.Up
	if !was {
		s.Since = l.clock.Now().UTC()
	}
	s.Up, s.Error, s.Identity = true, "", l.instrument(r).Identity()
	if again {
		s.Restored++
	}
	id := s.Identity
	l.mu.Unlock()
	if !was {
		l.log.Info("instrument up", zap.Stringer("instrument", r), zap.Stringer("identity", id))
		l.changed()
	}
}

func (l *links) down(r Role, err error) {
	l.mu.Lock()
	s := &l.status[r]
	was := s.Up
	if was || s.Since.IsZero() {
		s.Since = l.clock.Now().UTC()
	}
	text := ""
	if err != nil {
		text = err.Error()
	}
	news := was || s.Error != text
	s.Up, s.Error = false, text
	l.mu.Unlock()
	if news {
		l.log.Warn("instrument down", zap.Stringer("instrument", r), zap.Error(err))
		l.changed()
	}
}

// close lets go of both.
func (l *links) close() {
	for _, r := range []Role{RoleAnalyzer, RoleSource} {
		if in := l.instrument(r); in != nil {
			if err := in.Close(); err != nil {
				l.log.Debug("closing", zap.Stringer("instrument", r), zap.Error(err))
			}
		}
	}
	l.analyzer, l.source = nil, nil
}

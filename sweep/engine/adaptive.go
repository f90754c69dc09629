package engine

import (
	"context"
	"fmt"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// adaptive captures each point in rungs, as the guide of package sweep decides
// from what was captured before.
type adaptive struct{ guide *sweep.Guide }

func newAdaptive(c *conduct) *adaptive {
	g := sweep.NewGuide(c.run)
	g.Allowed = func(f unit.Hz, p unit.DBm) bool { return c.b.tx.allowed(f, p) == nil }
	return &adaptive{g}
}

// expect tells the guide what an earlier run found.
func (s *adaptive) expect(earlier []sweep.Result) {
	for _, r := range earlier {
		s.guide.Expect(r.At, r.Point, r.SE)
	}
}

func (s *adaptive) learn(c sweep.Capture) { s.guide.Learn(c) }

func (s *adaptive) capture(ctx context.Context, r *rig, t task) ([]sweep.Capture, error) {
	var out []sweep.Capture
	for {
		next, more, _ := s.guide.Next(t.step, t.point, out, r.c.b.clock.Now())
		if !more {
			return out, nil
		}
		c, err := s.rung(ctx, r, t, next)
		if driver.KindOf(err) == driver.KindDeviceSettings && s.without(next) {
			continue
		}
		if reason, ok := isVoid(err); ok && len(out) > 0 {
			// The rungs before it count all the same.
			c, err = r.c.void(t.step, t.point.Index, next.Freq, r.c.b.clock.Now(), reason), nil
		}
		if err != nil {
			return nil, err
		}
		if next.Moved {
			if err := r.c.note(ctx, "note", t.point.Index, fmt.Sprintf("point %d (%v): %s", t.point.Index, t.point.Freq, next.Why)); err != nil {
				return nil, err
			}
		}
		c.Rung = len(out)
		out = append(out, c)
	}
}

// without does without what the analyzer refuses, where it can be done without.
func (s *adaptive) without(r sweep.Rung) bool {
	switch {
	case r.Check:
		s.guide.NoCheck()
	case r.Settings.Span == 0:
		s.guide.NoZeroSpan()
	default:
		return false
	}
	return true
}

// rung takes one capture: looks with the source off and on in short blocks, so
// that a drift of the floor falls on both.
func (s *adaptive) rung(ctx context.Context, r *rig, t task, next sweep.Rung) (sweep.Capture, error) {
	c := r.capture(t.step, t.point.Index, next.Freq)
	begun := r.c.b.clock.Now()
	got, err := r.configure(ctx, next.Settings)
	if err != nil {
		return c, err
	}
	sweepTime, err := r.sweepTime(ctx, got)
	if err != nil {
		return c, err
	}
	if got.Span == 0 && got.SweepTime == 0 {
		got.SweepTime = sweepTime
	}
	c.Settings = got
	if next.On > 0 {
		f, level, err := r.c.b.tx.tune(ctx, next.Freq, t.point.Level)
		if err != nil {
			return c, err
		}
		c.SourceFreq, c.SourceLevel = f, &level
	}
	for on, off := 0, 0; on < next.On || off < next.Off; {
		for _, state := range []bool{false, true} {
			n := min(laterBlock, next.Off-off)
			if state {
				n = min(laterBlock, next.On-on)
			} else if next.On > next.Off && off > 0 {
				// As many off looks behind as on looks, in proportion.
				n = min(n, (on*next.Off+next.On-1)/next.On-off+1)
			}
			if n <= 0 {
				continue
			}
			looks, overload, err := r.block(ctx, t, state, n, next.Settle, 0, sweepTime)
			if err != nil {
				return c, err
			}
			if state {
				on += n
			} else {
				off += n
			}
			c.Looks = append(c.Looks, looks...)
			c.Overload = c.Overload || overload
			c.Nominal += next.Settle + time.Duration(n)*sweepTime
		}
	}
	if next.On > 0 {
		// A source that restarted in mid-point was off for the rest of it.
		if err := healthy(ctx, r.c.b.links.source, RoleSource); err != nil {
			return c, err
		}
	}
	c.Took = r.c.b.clock.Now().Sub(begun)
	return c, nil
}

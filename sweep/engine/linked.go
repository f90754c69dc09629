package engine

import (
	"context"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// strategy decides how a point of a linked step is captured: with what
// settings, in how many looks and rungs. Everything it learns of earlier
// points it learns from committed captures, so that a resumed run goes on as
// if it had not been interrupted.
type strategy interface {
	// learn is told of each committed capture of the run, in order, those from
	// before a resume included. It keeps what it needs, not the traces.
	learn(c sweep.Capture)
	// capture takes one point. Several captures are rungs of it and commit
	// together.
	capture(ctx context.Context, r *rig, t task) ([]sweep.Capture, error)
}

// newStrategy chooses the strategy of a plan.
func newStrategy(c *conduct) strategy {
	if c.run.Plan.Strategy == sweep.Adaptive {
		return newAdaptive(c)
	}
	return &fixed{opening: map[place]driver.Settings{}}
}

// fixed captures every point in the same way: the plan's settings, and off
// looks and on looks in turn, as many of each as the plan's least and what they
// show want. A slow drift of the floor then falls on both alike.
type fixed struct {
	opening map[place]driver.Settings
}

// place is where a reference counts.
type place struct {
	position     string
	polarization sweep.Polarization
	point        int
}

func placeOf(at sweep.Setting, point int) place { return place{at.Position, at.Polarization, point} }

func (s *fixed) learn(c sweep.Capture) {
	if c.Kind == sweep.Reference && c.Void == "" && c.Point >= 0 {
		s.opening[placeOf(c.At, c.Point)] = c.Settings
	}
}

func (s *fixed) capture(ctx context.Context, r *rig, t task) ([]sweep.Capture, error) {
	c := r.capture(t.step, t.point.Index, t.point.Freq)
	begun := r.c.b.clock.Now()
	want := sweep.PointSettings(t.point)
	got, err := r.configure(ctx, want)
	if err != nil {
		return nil, err
	}
	c.Settings = got
	if err := r.holds(t.point.Freq, want, got); err != nil {
		return nil, err
	}
	if err := s.asOpening(t, got); err != nil {
		return nil, err
	}
	sweepTime, err := r.sweepTime(ctx, got)
	if err != nil {
		return nil, err
	}
	settle := max(r.c.run.Plan.Settle, t.point.Dwell-sweepTime)
	on := keys(t.step.Kind)
	if on {
		f, level, err := r.tune(ctx, t.point)
		if err != nil {
			return nil, err
		}
		c.SourceFreq, c.SourceLevel = f, &level
	}
	between := max(0, t.point.Dwell-sweepTime)
	for {
		had := len(c.Looks)
		if on {
			had /= 2
		}
		n := r.c.missing(t, got, c.Looks, had)
		if n == 0 {
			break
		}
		for _, state := range []bool{false, true} {
			if state && !on {
				continue
			}
			looks, overload, err := r.block(ctx, t, state, n, settle, between, sweepTime)
			if err != nil {
				return nil, err
			}
			c.Looks = append(c.Looks, looks...)
			c.Overload = c.Overload || overload
			c.Nominal += settle + time.Duration(n)*sweepTime + time.Duration(n-1)*between
		}
	}
	if on {
		// A source that restarted in mid-point was off for the rest of it.
		if err := healthy(ctx, r.c.b.links.source, RoleSource); err != nil {
			return nil, err
		}
	}
	c.Took = r.c.b.clock.Now().Sub(begun)
	return []sweep.Capture{c}, nil
}

// Sweeps that each keying takes: two of the plan's least number of looks, three
// of those wanted beyond. Keying and reading back then cost less than they would
// alternating one by one, and a drift of the floor still falls on both states.
const (
	firstBlock = 2
	laterBlock = 3
)

// missing is how many looks of each state a point wants next, given those it
// has; had counts those with the source on (without it, in a step that never
// keys). A signal near the noise wants more of them than a clear one.
func (c *conduct) missing(t task, got driver.Settings, looks []sweep.Look, had int) int {
	plan := c.run.Plan
	switch {
	case had < plan.Looks:
		return min(firstBlock, plan.Looks-had)
	case !keys(t.step.Kind):
		return 0
	}
	return max(0, min(laterBlock, sweep.LooksWanted(plan, t.point, c.run.Bench, got.RBW, looks)-had))
}

// asOpening refuses settings that differ from those of the reference at the
// same place: the difference of two levels would then not be that of two boxes.
func (s *fixed) asOpening(t task, got driver.Settings) error {
	was, ok := s.opening[placeOf(t.step.At, t.point.Index)]
	if !ok || t.step.Kind == sweep.Reference || t.step.Kind == sweep.Ambient {
		return nil
	}
	return sameSettings(was, got)
}

// sameSettings compares what the analyzer read back. An attenuation that
// differs is no reason to refuse (analyzers that range by themselves do it),
// but Evaluate has to know: both settings stand in the captures.
func sameSettings(was, got driver.Settings) error {
	for _, v := range []struct {
		what     string
		was, got unit.Hz
	}{{"RBW", was.RBW, got.RBW}, {"span", was.Span, got.Span}} {
		if !near(v.was, v.got) {
			return voidf("the analyzer's %s is %v, at the reference it was %v", v.what, v.got, v.was)
		}
	}
	if was.Detector != got.Detector {
		return voidf("the analyzer's detector is %v, at the reference it was %v", got.Detector, was.Detector)
	}
	return nil
}

// linked takes a linked step from the checkpoint's point on; each point commits
// by itself.
func (c *conduct) linked(ctx context.Context, s sweep.Step, from int) error {
	c.enter(s)
	points := c.run.Plan.Points
	todo := s.Captures(c.run.Plan)
	for n, i := range todo {
		if i < from {
			continue
		}
		if err := c.between(ctx); err != nil {
			return err
		}
		if err := c.remeasure(ctx, s); err != nil {
			return err
		}
		t := task{s, points[i]}
		if s.Fitting == sweep.SourceLowered {
			t.point.Level = t.point.Level.Add(-s.Lower)
		}
		c.tell("point", "", func(p *sweep.Progress) { p.Point = i })
		begun := c.b.clock.Now()
		caps, err := c.kept(ctx, t, func() (caps []sweep.Capture, err error) {
			err = c.attempt(ctx, i, func(ctx context.Context) (err error) {
				caps, err = c.strategy.capture(ctx, c.rig, t)
				return err
			})
			if reason, ok := isVoid(err); ok {
				caps, err = []sweep.Capture{c.void(s, i, points[i].Freq, begun, reason)}, nil
			}
			return caps, err
		})
		if err != nil {
			return err
		}
		next := sweep.Checkpoint{Step: s.Index, Point: i + 1}
		if n+1 == len(todo) {
			next = sweep.Checkpoint{Step: s.Index + 1}
		}
		c.pace.committed(c.costs.point(s, points[i]), c.b.clock.Now().Sub(begun))
		if err := c.commit(ctx, next, caps); err != nil {
			return err
		}
		if err := c.voids(caps); err != nil {
			return err
		}
	}
	return nil
}

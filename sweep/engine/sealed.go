package engine

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// armed is an analyzer sweeping by itself in max hold.
type armed struct {
	settings driver.Settings
	sweep    time.Duration // one sweep, as the analyzer says
	at       time.Time
}

// walked is what the source did at one point of a sealed step.
type walked struct {
	freq   unit.Hz
	level  *unit.DBm
	begun  time.Time
	took   time.Duration
	reason string // not empty: void, and why
}

// sealed takes one sealed step: an unshielded one by itself, an enclosed one
// between the hold points that close and open the lid. All its captures commit
// together, so that an interrupted step begins anew.
func (c *conduct) sealed(ctx context.Context, at int) error {
	closes, body, opens := -1, at, -1
	if c.run.Steps[at].Lid == sweep.LidCloses {
		closes, body, opens = at, at+1, at+2
		if opens >= len(c.run.Steps) || c.run.Steps[opens].Lid != sweep.LidOpens || c.run.Steps[body].Kind != sweep.Enclosed {
			return &ruleError{ruleInternal, fmt.Errorf("step %d closes a lid that no step opens after one capture", at)}
		}
	}
	s := c.run.Steps[body]
	if closes < 0 {
		c.enter(s)
	}
	next := max(body, opens) + 1
	begun := c.b.clock.Now()
	var caps []sweep.Capture
	var took time.Duration
	again := ""
	err := c.attempt(ctx, 0, func(ctx context.Context) error {
		c.pace.inHand = 0
		a, err := c.arm(ctx)
		if err != nil {
			return err
		}
		if closes >= 0 {
			h := c.run.Steps[closes]
			h.Instruction = again + h.Instruction
			again = "Once more, since the held trace was lost. "
			if err := c.hold(ctx, h); err != nil {
				return err
			}
			c.enter(s)
		}
		from := c.b.clock.Now()
		steps, err := c.walk(ctx, s, a)
		took = c.b.clock.Now().Sub(from)
		if err != nil {
			return err
		}
		if opens >= 0 {
			if err := c.hold(ctx, c.run.Steps[opens]); err != nil {
				return err
			}
		}
		caps, err = c.gather(ctx, s, a, steps, opens >= 0)
		return err
	})
	if reason, ok := isVoid(err); ok {
		caps, err = nil, nil
		for i, p := range c.run.Plan.Points {
			caps = append(caps, c.void(s, i, p.Freq, begun, reason))
		}
	}
	if err != nil {
		return err
	}
	c.pace.committed(c.costs.step(s), took)
	if err := c.commit(ctx, sweep.Checkpoint{Step: next}, caps); err != nil {
		return err
	}
	return c.voids(caps[:1])
}

// arm sets the analyzer to one wide sweep in max hold and starts it.
func (c *conduct) arm(ctx context.Context) (armed, error) {
	a, err := c.wide(ctx)
	if err != nil {
		return a, err
	}
	if was := c.held; was != nil {
		if err := sameSettings(*was, a.settings); err != nil {
			return a, err
		}
	}
	if err := c.b.links.analyzer.Arm(ctx); err != nil {
		return a, wrong(RoleAnalyzer, err)
	}
	a.at = c.b.clock.Now()
	return a, nil
}

// wide configures the wide sweep. Points that it cannot tell apart end the run
// by rule.
func (c *conduct) wide(ctx context.Context) (armed, error) {
	plan := c.run.Plan
	got, err := c.rig.configure(ctx, sweep.HeldSweep(plan, c.run.Bench))
	if err != nil {
		return armed{}, err
	}
	t, err := c.rig.sweepTime(ctx, got)
	if err != nil {
		return armed{}, err
	}
	if err := apart(plan, c.run.Bench, got); err != nil {
		return armed{}, &ruleError{ruleSealed, err}
	}
	return armed{settings: got, sweep: t}, nil
}

// cut is how far to both sides of a point its own part of the held trace
// reaches: the carrier's frequency error, the filter's skirts and a few trace
// points.
func cut(f unit.Hz, s driver.Settings, points int, b sweep.Bench) unit.Hz {
	bin := s.Span / unit.Hz(max(points-1, 1))
	return 3*s.RBW + 3*bin + sweep.DefaultSpan(f, 0, b)/2
}

// apart refuses a wide sweep, as the analyzer made it, in which the parts of
// two points overlap or a point falls outside.
func apart(p sweep.Plan, b sweep.Bench, s driver.Settings) error {
	points := s.Points
	if points == 0 {
		points = sweep.HeldSweep(p, b).Points
	}
	sorted := slices.Clone(p.Points)
	slices.SortFunc(sorted, func(a, b sweep.Point) int { return int(math.Copysign(1, float64(a.Freq-b.Freq))) })
	lo, hi := s.Center-s.Span/2, s.Center+s.Span/2
	for i, q := range sorted {
		if q.Freq < lo || q.Freq > hi {
			return fmt.Errorf("%v is outside %v to %v, which the analyzer made of the span", q.Freq, lo, hi)
		}
		if i == 0 {
			continue
		}
		before := sorted[i-1].Freq
		if need := cut(before, s, points, b) + cut(q.Freq, s, points, b); q.Freq-before < need {
			return fmt.Errorf("%v and %v are too close for a sweep over %v with RBW %v and %d trace points: need %v between them; narrow rbw, or plan fewer points", before, q.Freq, s.Span, s.RBW, points, need)
		}
	}
	return nil
}

// walk steps the source over the plan while the analyzer sweeps on, and never
// asks the analyzer anything. A step without source lasts as long.
func (c *conduct) walk(ctx context.Context, s sweep.Step, a armed) ([]walked, error) {
	points := c.run.Plan.Points
	out := make([]walked, len(points))
	for i, p := range points {
		if err := c.between(ctx); err != nil {
			return nil, err
		}
		c.tell("point", "", func(g *sweep.Progress) { g.Point = i })
		c.pace.inHand += c.costs.point(s, p)
		dwell := sweep.HeldDwell(c.run.Plan, p, a.sweep)
		w := &out[i]
		w.begun = c.b.clock.Now()
		if !keys(s.Kind) {
			if err := c.b.clock.Sleep(ctx, dwell); err != nil {
				return nil, err
			}
			w.took = c.b.clock.Now().Sub(w.begun)
			continue
		}
		err := c.attempt(ctx, i, func(ctx context.Context) error {
			f, level, err := c.rig.tune(ctx, p)
			if err != nil {
				return err
			}
			w.freq, w.level = f, &level
			w.begun = c.b.clock.Now()
			err = c.keyed(ctx, sweep.Keying{Run: c.id, Step: s.Index, Point: p.Index}, dwell, func(ctx context.Context) error {
				return c.b.clock.Sleep(ctx, dwell)
			})
			if err != nil {
				return err
			}
			w.took = c.b.clock.Now().Sub(w.begun)
			// A source that restarted in mid-dwell was off for the rest of it.
			return healthy(ctx, c.b.links.source, RoleSource)
		})
		if reason, ok := isVoid(err); ok {
			w.reason, err = reason, nil
		}
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

const detachedName = "analyzer not back yet"

// detached is the condition of an analyzer that was shut into a box and is not
// back on its link yet.
var detached = condition{
	name:     detachedName,
	patience: func(r Rules) Patience { return r.LinkDown },
	clear: func(ctx context.Context, c *conduct, _ Role) error {
		err := c.b.links.analyzer.Reattach(ctx)
		switch {
		case err == nil:
			c.b.links.up(RoleAnalyzer, true)
		case driver.KindOf(err) != driver.KindPowerCycled:
			c.b.links.down(RoleAnalyzer, err)
		}
		return err
	},
}

// gather reads the held trace and cuts each point's part out of it.
func (c *conduct) gather(ctx context.Context, s sweep.Step, a armed, steps []walked, away bool) ([]sweep.Capture, error) {
	trace, err := c.readHold(ctx, away)
	if err != nil {
		return nil, err
	}
	if err := c.rig.plausible(trace); err != nil {
		return nil, err
	}
	overload, err := health(ctx, c.b.links.analyzer, RoleAnalyzer)
	if err != nil {
		return nil, err
	}
	read := c.b.clock.Now()
	held := int(read.Sub(a.at) / a.sweep)
	on := keys(s.Kind)
	first := func(point int, f unit.Hz, t driver.Trace) sweep.Capture {
		g := c.rig.capture(s, point, f)
		g.Settings, g.Overload, g.HeldSweeps = a.settings, overload, held
		g.Looks = []sweep.Look{{SourceOn: on, Trace: t}}
		return g
	}
	// The whole trace is cut up without copying its levels; the store writes
	// each part by itself.
	trace.Begun, trace.Took = a.at, read.Sub(a.at)
	out := make([]sweep.Capture, 0, len(steps)+1)
	for i, w := range steps {
		p := c.run.Plan.Points[i]
		g := first(i, p.Freq, part(trace, p.Freq, cut(p.Freq, a.settings, len(trace.Levels), c.run.Bench)))
		g.SourceFreq, g.SourceLevel, g.Void = w.freq, w.level, w.reason
		g.Begun, g.Took = w.begun.UTC(), w.took
		g.Nominal = sweep.HeldDwell(c.run.Plan, p, a.sweep)
		g.HoldSweeps = sweep.WholeSweeps(c.run.Plan, g.Nominal, a.sweep)
		out = append(out, g)
	}
	whole := first(sweep.WholeTrace, a.settings.Center, trace)
	whole.Begun, whole.Took = a.at.UTC(), read.Sub(a.at)
	return append(out, whole), nil
}

// readHold takes the held trace. It survives a link that breaks, not a restart.
func (c *conduct) readHold(ctx context.Context, away bool) (driver.Trace, error) {
	var last error
	for range c.b.rules.PointTries {
		if away {
			if err := c.reattach(ctx); err != nil {
				return driver.Trace{}, err
			}
		}
		t, err := c.b.links.analyzer.ReadHold(ctx)
		if err == nil {
			return t, nil
		}
		last = wrong(RoleAnalyzer, err)
		var f *fault
		if stop := c.over(ctx); stop != nil {
			c.suspect(last)
			return t, stop
		}
		if !errors.As(last, &f) || !f.again() || driver.KindOf(err) == driver.KindPowerCycled {
			return t, last
		}
		if err := c.fault(ctx, 0, last); err != nil {
			return t, err
		}
		away = true
	}
	return driver.Trace{}, last
}

// reattach goes back to an analyzer that kept sweeping: at once, else with
// pauses in between. A restart is the caller's to deal with: the trace is gone.
func (c *conduct) reattach(ctx context.Context) error {
	err := detached.clear(ctx, c, RoleAnalyzer)
	if err == nil {
		return nil
	}
	f := &fault{RoleAnalyzer, err}
	if stop := c.over(ctx); stop != nil {
		return stop
	}
	if driver.KindOf(err) == driver.KindPowerCycled || !f.again() {
		return f
	}
	return c.waitOut(ctx, detached, f)
}

// part is what a trace shows from f-half to f+half, at least one point.
func part(t driver.Trace, f, half unit.Hz) driver.Trace {
	n := len(t.Levels)
	if n < 2 || t.Stop <= t.Start {
		return t
	}
	bin := (t.Stop - t.Start) / unit.Hz(n-1)
	lo := int(math.Ceil(float64((f - half - t.Start) / bin)))
	hi := int(math.Floor(float64((f + half - t.Start) / bin)))
	lo = min(max(lo, 0), n-1)
	hi = min(max(hi, lo), n-1)
	out := t
	out.Start, out.Stop = t.Freq(lo), t.Freq(hi)
	out.Levels = t.Levels[lo : hi+1 : hi+1]
	return out
}

package engine

import (
	"context"
	"fmt"
	"math"
	"time"

	"github.com/google/uuid"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// rig is what a strategy works the bench with: settings, tuning, looks. All of
// it keeps the key-down discipline, and returns faults of instruments as they
// come; trying again is the caller's business.
type rig struct {
	c       *conduct
	applied driver.Settings // as last read back
}

// task is one point of one linked step.
type task struct {
	step  sweep.Step
	point sweep.Point
}

// keys reports whether the step transmits.
func keys(k sweep.StepKind) bool { return k != sweep.Ambient && k != sweep.HoldPoint }

// capture begins a capture of a point.
func (r *rig) capture(s sweep.Step, point int, f unit.Hz) sweep.Capture {
	return sweep.Capture{
		ID: newID(), Run: r.c.id, Step: s.Index, Kind: s.Kind, At: s.At,
		Point: point, Freq: f, Begun: r.c.b.clock.Now().UTC(),
	}
}

// newID gives a UUID version 7 (RFC 9562).
func newID() string { return uuid.Must(uuid.NewV7()).String() }

// configure sets the analyzer and returns what it says it is set to. What it
// rounds is used as read back, and noted once in a run; what makes a capture
// worthless is a *voidError.
func (r *rig) configure(ctx context.Context, want driver.Settings) (driver.Settings, error) {
	got, err := r.c.b.links.analyzer.Configure(ctx, want)
	if err != nil {
		return got, wrong(RoleAnalyzer, err)
	}
	r.applied = got
	if got.Detector != want.Detector {
		return got, voidf("the analyzer reads back detector %v for %v asked", got.Detector, want.Detector)
	}
	if got.Hold != want.Hold {
		return got, voidf("the analyzer reads back trace mode %v for %v asked", got.Hold, want.Hold)
	}
	if !(got.RBW > 0) || !(got.Span >= 0) {
		return got, voidf("the analyzer reads back RBW %v and span %v", got.RBW, got.Span)
	}
	if off := abs(got.Center - want.Center); off > max(got.Span/4, got.RBW/4) {
		return got, voidf("the analyzer reads back center %.3f Hz for %.3f Hz asked", float64(got.Center), float64(want.Center))
	}
	for _, v := range []struct {
		what      string
		want, got unit.Hz
	}{{"RBW", want.RBW, got.RBW}, {"span", want.Span, got.Span}} {
		if !near(v.want, v.got) {
			if err := r.c.noteOnce(ctx, fmt.Sprintf("the analyzer rounds %s %v to %v; %v is used", v.what, v.want, v.got, v.got)); err != nil {
				return got, err
			}
		}
	}
	return got, nil
}

// holds refuses a span that the analyzer rounded down so far that the carrier
// may lie outside.
func (r *rig) holds(f unit.Hz, want, got driver.Settings) error {
	b := r.c.run.Bench
	if b.SharedReference || got.Span >= want.Span {
		return nil
	}
	if need := 2*f*unit.Hz(b.FreqErrorPPM)*1e-6 + 2*got.RBW; got.Span < need && !near(got.Span, want.Span) {
		return voidf("the analyzer rounds span %v to %v, which may not hold the carrier: it needs %v", want.Span, got.Span, need)
	}
	return nil
}

func near(a, b unit.Hz) bool { return abs(a-b) <= 1e-6*max(abs(a), abs(b)) }

func abs(f unit.Hz) unit.Hz { return unit.Hz(math.Abs(float64(f))) }

// sweepTime asks how long a sweep takes; an analyzer that cannot tell is
// reckoned by the sweep-time law.
func (r *rig) sweepTime(ctx context.Context, s driver.Settings) (time.Duration, error) {
	d, err := r.c.b.links.analyzer.SweepTime(ctx)
	if err != nil {
		return 0, wrong(RoleAnalyzer, err)
	}
	if d <= 0 {
		d = sweep.SweepLaw(r.c.run.Bench.SweepFactor, s.Span, s.RBW)
	}
	return d, nil
}

// tune sets the source to the point, output off.
func (r *rig) tune(ctx context.Context, p sweep.Point) (unit.Hz, unit.DBm, error) {
	return r.c.b.tx.tune(ctx, p.Freq, p.Level)
}

// block takes n sweeps in a row with the source off, or keyed once for no longer
// than the settling time and the sweeps; between says how long to wait before
// each further one. overload is asked while the source is on, which is when it
// shows; a step that never keys is asked as it is.
func (r *rig) block(ctx context.Context, t task, on bool, n int, settle, between, sweepTime time.Duration) (out []sweep.Look, overload bool, err error) {
	take := func(ctx context.Context) error {
		wait := settle
		for range n {
			if err := r.c.b.clock.Sleep(ctx, wait); err != nil {
				return err
			}
			wait = between
			l := sweep.Look{SourceOn: on}
			var err error
			if l.Trace, err = r.c.b.links.analyzer.Sweep(ctx); err != nil {
				return wrong(RoleAnalyzer, err)
			}
			if err := r.plausible(l.Trace); err != nil {
				return err
			}
			out = append(out, l)
		}
		var err error
		if on || !keys(t.step.Kind) {
			overload, err = health(ctx, r.c.b.links.analyzer, RoleAnalyzer)
		}
		return err
	}
	if on {
		expect := settle + time.Duration(n)*sweepTime + time.Duration(n-1)*between
		err = r.c.keyed(ctx, sweep.Keying{Run: r.c.id, Step: t.step.Index, Point: t.point.Index}, expect, take)
	} else {
		err = take(ctx)
	}
	return out, overload, err
}

// health asks an instrument how it is. One that was switched on meanwhile has
// lost what it was set to.
func health(ctx context.Context, in driver.Instrument, role Role) (overload bool, err error) {
	h, err := in.Health(ctx)
	if err == nil && h.PowerCycled {
		err = &driver.Error{Op: "health", Kind: driver.KindPowerCycled, Hint: "it was switched off and on; its settings were lost"}
	}
	return h.Overload, wrong(role, err)
}

func healthy(ctx context.Context, in driver.Instrument, role Role) error {
	_, err := health(ctx, in, role)
	return err
}

// plausible refuses a trace that cannot be of the sweep asked for.
func (r *rig) plausible(t driver.Trace) error {
	bad := func(format string, args ...any) error {
		return wrong(RoleAnalyzer, &driver.Error{Op: "trace", Kind: driver.KindFormat, Err: fmt.Errorf(format, args...)})
	}
	if t.Peak() < 0 {
		return bad("none of its %d points has a level", len(t.Levels))
	}
	s := r.applied
	room := max(s.Span/50, s.RBW)
	if abs((t.Start+t.Stop)/2-s.Center) > room || abs((t.Stop-t.Start)-s.Span) > room {
		return bad("it runs from %v to %v, the analyzer is set to %v around %v", t.Start, t.Stop, s.Span, s.Center)
	}
	return nil
}

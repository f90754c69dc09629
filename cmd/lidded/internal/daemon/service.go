package daemon

import (
	"context"
	"errors"
	"fmt"
	"time"

	"lidded/cmd/lidded/internal/rest"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// service is what REST sees of the daemon: its ports on engine, store and lab.
type service struct{ d *Daemon }

var (
	_ rest.Benches = benches{}
	_ rest.Plans   = plans{}
	_ rest.Runs    = service{}
	_ rest.Judge   = (*judge)(nil)
)

// benches is the port to the benches as they are now.
type benches struct{ d *Daemon }

func (s benches) All(context.Context) ([]rest.BenchNow, error) {
	out := make([]rest.BenchNow, 0, len(s.d.order))
	for _, name := range s.d.order {
		out = append(out, s.d.benches[name].now())
	}
	return out, nil
}

func (s benches) SourceOff(ctx context.Context, bench, who string) error {
	b, ok := s.d.benches[bench]
	if !ok {
		return &rest.NotFoundError{What: "bench", Name: bench, Known: s.d.order}
	}
	return b.engine.SourceOff(ctx, who)
}

func (b *bench) now() rest.BenchNow {
	st := b.engine.Status()
	side := func(dialect string, l engine.LinkStatus) rest.InstrumentNow {
		return rest.InstrumentNow{Dialect: dialect, Up: l.Up, Identity: l.Identity, Since: l.Since, Fault: l.Error}
	}
	out := rest.BenchNow{
		Bench:    b.lab.Facts,
		Analyzer: side(b.lab.Analyzer.Name, st.Analyzer),
		Source:   side(b.lab.Source.Name, st.Source),
		SourceOn: sourceOn(st),
	}
	if p := b.engine.Progress(); p.State.Busy() {
		out.Run = &p
	}
	return out
}

func refused(on rest.PlanOn, problems ...sweep.Problem) error {
	return &engine.RefusedError{What: fmt.Sprintf("plan %s on bench %s", on.Plan.Name, on.Bench), Problems: problems}
}

// sourceOn is not known while the source cannot be asked, unless it may be on.
func sourceOn(st engine.Status) *bool {
	if !st.Source.Up && !st.SourceOn {
		return nil
	}
	return &st.SourceOn
}

// plans is the port to what the config holds.
type plans struct{ d *Daemon }

func (s plans) All(context.Context) ([]rest.PlanEntry, error) {
	var out []rest.PlanEntry
	for _, spec := range s.d.lab.Config.Plans {
		p, _ := sweep.Compile(spec, sweep.Bench{})
		out = append(out, rest.PlanEntry{Name: spec.Name, About: spec.About, Capture: p.Capture, Points: len(p.Points), Requirement: spec.Requirement})
	}
	return out, nil
}

func (s plans) On(_ context.Context, plan, bench string, specimens []string) (rest.PlanOn, error) {
	return s.d.lab.On(plan, bench, specimens)
}

func (s plans) Specimens(context.Context) ([]sweep.Specimen, error) {
	return s.d.lab.Config.Specimens, nil
}

func (s service) Start(ctx context.Context, req rest.StartRequest) (sweep.Run, bool, error) {
	return s.d.Start(ctx, req)
}

// StartWhenServing is Start that waits for a daemon that is only just starting.
func (d *Daemon) StartWhenServing(ctx context.Context, req rest.StartRequest) (sweep.Run, error) {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		run, _, err := d.Start(ctx, req)
		if !errors.Is(err, engine.ErrNotServing) {
			return run, err
		}
		select {
		case <-ctx.Done():
			return run, ctx.Err()
		case <-tick.C:
		}
	}
}

// Start begins a run: by REST, by the schedule, by the demo.
func (d *Daemon) Start(ctx context.Context, req rest.StartRequest) (run sweep.Run, reused bool, err error) {
	on, err := d.lab.On(req.Plan, req.Bench, req.Specimens)
	if err != nil {
		return run, false, err
	}
	boxes, err := d.lab.Specimens(req.Specimens)
	if err != nil {
		return run, false, err
	}
	if len(boxes) == 0 {
		return run, false, refused(on, sweep.Problem{Path: "specimens", Message: "no specimen: name one, or list them in the config"})
	}
	if len(on.Refusals) > 0 {
		return run, false, refused(on, on.Refusals...)
	}
	started, err := d.benches[on.Bench].engine.Start(ctx, engine.Request{
		Plan: on.Plan, Specimens: boxes, Line: on.Line, Operator: req.Operator, DoorCycle: req.DoorCycle, Trigger: req.Trigger, Key: req.Key, Earlier: d.earlier(ctx, on),
	})
	return started.Run, started.Reused, err
}

func (s service) Stop(ctx context.Context, id sweep.RunID, who string) error {
	return s.steer(ctx, id, func(b *engine.Bench) error { return b.Stop(ctx, id, who) })
}

func (s service) Abort(ctx context.Context, id sweep.RunID, who string) error {
	return s.steer(ctx, id, func(b *engine.Bench) error { return b.Abort(ctx, id, who) })
}

func (s service) Resume(ctx context.Context, id sweep.RunID, who string) error {
	return s.steer(ctx, id, func(b *engine.Bench) error { _, err := b.Resume(ctx, id, who); return err })
}

func (s service) Release(ctx context.Context, id sweep.RunID, step int, who string) error {
	return s.steer(ctx, id, func(b *engine.Bench) error { return b.Release(ctx, id, step, who) })
}

// steer finds the bench a run belongs to.
func (s service) steer(ctx context.Context, id sweep.RunID, do func(*engine.Bench) error) error {
	run, err := s.d.store.Run(ctx, id)
	if err != nil {
		return err
	}
	b, ok := s.d.benches[run.Bench.Name]
	if !ok {
		return &rest.NotFoundError{What: "bench", Name: run.Bench.Name, Known: s.d.order}
	}
	return do(b.engine)
}

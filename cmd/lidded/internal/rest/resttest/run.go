package resttest

import (
	"context"
	"fmt"
	"slices"
	"time"

	"lidded/cmd/lidded/internal/rest"
	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// perCapture is the depot's time for one capture.
const perCapture = 250 * time.Millisecond

// Start begins a run; it stands at its first step, which is a hold point.
func (d *Depot) Start(_ context.Context, req rest.StartRequest) (sweep.Run, bool, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.broken("Start"); err != nil {
		return sweep.Run{}, false, err
	}
	for _, r := range d.runs {
		if req.Key != "" && r.Key == req.Key && r.Bench.Name == req.Bench {
			return r.Run, true, nil
		}
	}
	b := d.bench(req.Bench)
	if b.run != nil {
		return sweep.Run{}, false, &engine.BusyError{Bench: b.Name, Run: b.run.ID}
	}
	plan, boxes, err := d.find(req.Plan, req.Bench, req.Specimens)
	if err != nil {
		return sweep.Run{}, false, err
	}
	if bad := sweep.CheckOn(plan, b.Bench); len(bad) > 0 {
		return sweep.Run{}, false, &engine.RefusedError{What: "plan " + plan.Name + " on bench " + b.Name, Problems: bad}
	}
	now := d.tick(time.Second)
	r := &run{Run: sweep.Run{
		ID: sweep.RunID(fmt.Sprintf("0195a000-0000-7000-8000-%012d", len(d.runs)+1)), Plan: plan, Bench: b.Bench, Specimens: boxes, Line: d.lineFor(plan),
		Steps: sweep.Steps(plan, b.Bench, boxes), Operator: req.Operator, DoorCycle: req.DoorCycle, Trigger: req.Trigger, Key: req.Key, Software: "0.0.0-test",
		Analyzer: b.analyzer.Identity, Source: b.source.Identity, Created: now, Started: &now, State: sweep.Running,
		Predicted: d.predict(plan, b.Bench, boxes),
	}}
	for _, s := range r.Steps {
		if s.Kind != sweep.HoldPoint {
			r.total += len(plan.Points)
		}
	}
	d.runs = append(d.runs, r)
	b.run = r
	d.note(r, "state", sweep.Pending, "", req.Operator)
	d.enter(b)
	return r.Run, false, nil
}

// predict is the time a run should take; it is worked out once for many alike.
func (d *Depot) predict(plan sweep.Plan, b sweep.Bench, boxes []sweep.Specimen) time.Duration {
	key := fmt.Sprint(b.Name, plan.Name, namesOf(boxes))
	if _, ok := d.predicted[key]; !ok {
		d.predicted[key] = sweep.Predict(plan, b, d.lineFor(plan), boxes).Total
	}
	return d.predicted[key]
}

// enter shows the step at the checkpoint.
func (d *Depot) enter(b *bench) {
	r := b.run
	if r.Checkpoint.Step >= len(r.Steps) {
		d.end(b, sweep.Completed, "", "")
		return
	}
	off := false
	b.on = &off
	if r.Steps[r.Checkpoint.Step].Kind == sweep.HoldPoint {
		r.State = sweep.Holding
		d.note(r, "hold", sweep.Holding, r.Steps[r.Checkpoint.Step].Instruction, "")
		d.tell(b, "hold", "")
		return
	}
	r.State = sweep.Running
	d.note(r, "step", sweep.StateUnknown, r.Steps[r.Checkpoint.Step].Kind.String(), "")
	d.tell(b, "step", "")
}

func (d *Depot) end(b *bench, state sweep.State, reason, who string) {
	r := b.run
	now := d.tick(time.Second)
	r.State, r.Reason, r.Ended = state, reason, &now
	if state == sweep.Interrupted {
		r.Ended = nil
	}
	off := false
	b.on = &off
	d.note(r, "state", state, reason, who)
	d.tell(b, "state", reason)
	b.run, b.last = nil, nil
}

func (d *Depot) note(r *run, kind string, state sweep.State, text, who string) {
	d.seq++
	r.events = append(r.events, sweep.Event{Run: r.ID, Seq: d.seq, Time: d.clock, Kind: kind, State: state, Step: r.Checkpoint.Step, Point: r.Checkpoint.Point, Text: text, Who: who})
}

func (d *Depot) tell(b *bench, kind, text string) {
	r := b.run
	p := sweep.Progress{
		Run: r.ID, Bench: b.Name, Plan: r.Plan.Name, Time: d.clock, Kind: kind, State: r.State, Step: r.Checkpoint.Step, Steps: len(r.Steps),
		Point: r.Checkpoint.Point, Points: len(r.Plan.Points), Done: len(r.captures), Total: r.total,
		Left: time.Duration(r.total-len(r.captures)) * perCapture, Planned: time.Duration(r.total-len(r.captures)) * perCapture * 4 / 5, SourceOn: *b.on, Analyzer: b.analyzer.Up, SourceUp: b.source.Up, Text: text,
	}
	if r.Checkpoint.Step < len(r.Steps) {
		s := r.Steps[r.Checkpoint.Step]
		p.StepKind, p.At = s.Kind, s.At
		if r.State == sweep.Holding {
			p.Hold = &s
		}
	}
	if kind == "point" {
		c := r.captures[len(r.captures)-1]
		p.Capture = &c
	}
	b.last = &p
	d.Hub.Observe(p)
}

// Advance takes one capture of the bench's run and reports whether it could:
// a run that holds or has ended cannot.
func (d *Depot) Advance(name string) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	b := d.bench(name)
	if b.run == nil || b.run.State == sweep.Holding {
		return false
	}
	r := b.run
	s := r.Steps[r.Checkpoint.Step]
	q := r.Plan.Points[r.Checkpoint.Point]
	on := s.Kind != sweep.Ambient
	b.on = &on
	begun := d.clock
	now := d.tick(perCapture)
	level := q.Level
	c := sweep.Capture{
		ID: fmt.Sprintf("0195b000-0000-7000-8000-%06d%06d", slices.Index(d.runs, r)+1, len(r.captures)+1), Run: r.ID, Seq: len(r.captures) + 1, Step: s.Index, Kind: s.Kind, At: s.At,
		Point: q.Index, Freq: q.Freq, SourceFreq: q.Freq, SourceLevel: &level, Begun: begun, Took: perCapture, Nominal: perCapture / 2,
		Settings: driver.Settings{Center: q.Freq, Span: q.Span, RBW: q.RBW, Detector: q.Detector, Hold: driver.ClearWrite, Points: max(d.TracePoints, 101), SweepTime: 20 * time.Millisecond},
		Looks:    []sweep.Look{{SourceOn: on, Trace: d.trace(q, on, begun)}, {Trace: d.trace(q, false, begun)}},
	}
	if d.TracePoints < 0 {
		c.Looks = nil
	}
	if !on {
		c.SourceLevel, c.SourceFreq = nil, 0
	} else {
		r.keyings = append(r.keyings, sweep.Keying{Entry: int64(len(r.keyings) + 1), Run: r.ID, Step: s.Index, Point: q.Index, Freq: q.Freq, Level: q.Level, On: begun, Off: now})
	}
	r.captures = append(r.captures, c)
	r.Checkpoint.Point++
	if r.Checkpoint.Point == len(r.Plan.Points) {
		d.pointsDone(b)
		return true
	}
	d.tell(b, "point", "")
	return true
}

func (d *Depot) pointsDone(b *bench) {
	b.run.Checkpoint.Point = len(b.run.Plan.Points) - 1
	d.tell(b, "point", "")
	b.run.Checkpoint = sweep.Checkpoint{Step: b.run.Checkpoint.Step + 1}
	d.enter(b)
}

// Finish releases every hold point and takes every capture that is left.
func (d *Depot) Finish(name string) {
	for {
		d.mu.Lock()
		b := d.bench(name)
		r := b.run
		if r != nil && r.State == sweep.Holding {
			r.Checkpoint.Step++
			d.enter(b)
		}
		d.mu.Unlock()
		if r == nil {
			return
		}
		for d.Advance(name) {
		}
	}
}

// trace is a carrier over a floor, with a ripple in place of noise.
func (d *Depot) trace(q sweep.Point, on bool, begun time.Time) driver.Trace {
	n := max(d.TracePoints, 101)
	t := driver.Trace{Start: q.Freq - q.Span/2, Stop: q.Freq + q.Span/2, Levels: make([]unit.DBm, n), Begun: begun, Took: 20 * time.Millisecond}
	for i := range t.Levels {
		t.Levels[i] = unit.DBm(-110).Add(unit.DB(i%5) / 4)
	}
	if on {
		t.Levels[n/2] = -40
	}
	t.Levels[n-1] = unit.Missing()
	return t
}

// order finds the bench of a run for an order, or says why there is none.
func (d *Depot) order(event engine.Event, verb string, id sweep.RunID, who string) (*bench, error) {
	d.orders = append(d.orders, fmt.Sprintf("%s %s %s", verb, id, who))
	for _, r := range d.runs {
		if r.ID != id {
			continue
		}
		for _, b := range d.benches {
			if b.run == r {
				return b, nil
			}
		}
		return nil, &engine.StateError{Run: id, State: r.State, Event: event}
	}
	return nil, sweep.ErrNoRun
}

// Stop ends a run.
func (d *Depot) Stop(_ context.Context, id sweep.RunID, who string) error {
	return d.ending("Stop", engine.EventStop, id, who, sweep.Stopped)
}

// Abort ends a run.
func (d *Depot) Abort(_ context.Context, id sweep.RunID, who string) error {
	return d.ending("Abort", engine.EventAbort, id, who, sweep.Aborted)
}

// Interrupt makes a run one that can be resumed.
func (d *Depot) Interrupt(id sweep.RunID) error {
	return d.ending("Interrupt", engine.EventShutdown, id, "", sweep.Interrupted)
}

func (d *Depot) ending(method string, event engine.Event, id sweep.RunID, who string, state sweep.State) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.broken(method); err != nil {
		return err
	}
	b, err := d.order(event, event.String(), id, who)
	if err != nil {
		return err
	}
	d.end(b, state, "by order", who)
	return nil
}

// Resume takes an interrupted run up again.
func (d *Depot) Resume(_ context.Context, id sweep.RunID, who string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.broken("Resume"); err != nil {
		return err
	}
	for _, r := range d.runs {
		if r.ID == id && r.State == sweep.Interrupted {
			b := d.bench(r.Bench.Name)
			b.run = r
			d.orders = append(d.orders, fmt.Sprintf("resume %s %s", id, who))
			d.enter(b)
			return nil
		}
	}
	b, err := d.order(engine.EventResume, "resume", id, who)
	if err == nil {
		err = &engine.StateError{Run: id, State: b.run.State, Event: engine.EventResume}
	}
	return err
}

// Release confirms a hold point.
func (d *Depot) Release(_ context.Context, id sweep.RunID, step int, who string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.broken("Release"); err != nil {
		return err
	}
	b, err := d.order(engine.EventRelease, fmt.Sprintf("release-%d", step), id, who)
	if err != nil {
		return err
	}
	if r := b.run; r.State != sweep.Holding || r.Checkpoint.Step != step {
		return &engine.HoldError{Run: id, Asked: step, Waiting: r.Steps[r.Checkpoint.Step]}
	}
	d.note(b.run, "release", sweep.Running, "", who)
	b.run.Checkpoint.Step++
	d.enter(b)
	return nil
}

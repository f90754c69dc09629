package engine_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// weather is a condition of the bench that comes at the second enclosed point:
// strong at first, after 25 s between the thresholds, after 60 s gone.
type weather struct {
	w       *world
	set     func(*skews, int) // 2 strong, 1 between, 0 gone
	stays   bool
	began   time.Time
	waits   []string
	on      bool // the source was on while the run was suspended
	resumed time.Time
}

// step is told of every call into the world; its lock is held.
func (x *weather) step(int, string) failure {
	if x.began.IsZero() {
		return failure{}
	}
	level := 2
	switch past := x.w.now.Sub(x.began); {
	case x.stays:
	case past >= time.Minute:
		level = 0
	case past >= 25*time.Second:
		level = 1
	}
	x.set(&x.w.skews, level)
	return failure{}
}

func (x *weather) Observe(p sweep.Progress) {
	x.w.mu.Lock()
	defer x.w.mu.Unlock()
	switch {
	case p.Kind == "point" && p.Capture == nil && p.StepKind == sweep.Enclosed && p.Point == 1 && x.began.IsZero():
		x.began = x.w.now
		x.set(&x.w.skews, 2)
	case p.Kind == "state" && p.State == sweep.Suspended:
		x.waits = append(x.waits, p.Text)
		x.on = x.on || p.SourceOn || x.w.on
	case p.Kind == "state" && p.State == sweep.Running && len(x.waits) > 0 && x.resumed.IsZero():
		x.resumed = x.w.now
	}
}

// endure lets a run meet the weather.
func endure(t *testing.T, stays bool, set func(*skews, int), edit func(*engine.Rules)) (*weather, sweep.Run) {
	t.Helper()
	w := newWorld()
	set(&w.skews, 0)
	x := &weather{w: w, set: set, stays: stays}
	w.fail = x.step
	s := w.setup()
	s.Observer = x
	edit(&s.Rules)
	d := serve(t, s)
	q := request(plan(t, sweep.Linked, 100e6, 300e6, 500e6))
	q.Specimens = lockers[:1]
	r := d.end(t, d.begin(t, q))
	if len(x.waits) == 0 {
		t.Fatalf("it was never suspended, and ended %v: %s", r.State, r.Reason)
	}
	if x.on {
		t.Error("the source was on while it was suspended")
	}
	w.safe(t)
	return x, r
}

// over checks that the run waited for the resume threshold, took the point again
// and has no other captures than an undisturbed one.
func (x *weather) over(t *testing.T, r sweep.Run, name string) {
	t.Helper()
	if r.State != sweep.Completed {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	if !strings.HasPrefix(x.waits[0], name) {
		t.Errorf("suspended because %q, want %s", x.waits[0], name)
	}
	if waited := x.resumed.Sub(x.began); waited < time.Minute+5*time.Second {
		t.Errorf("it went on after %v: between the thresholds, or without settling", waited)
	}
	want, _ := undisturbed(t, func() engine.Request {
		q := request(plan(t, sweep.Linked, 100e6, 300e6, 500e6))
		q.Specimens = lockers[:1]
		return q
	}())
	if got := points(x.w.journal.caps(r.ID)); !slices.Equal(got, want) {
		t.Errorf("committed\n%s\nundisturbed\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if !slices.ContainsFunc(x.w.journal.events, func(e sweep.Event) bool {
		return e.Kind == "fault" && strings.Contains(e.Text, "is taken again: "+name)
	}) {
		t.Errorf("the journal does not say that the point was taken again because of %s", name)
	}
}

func risen(s *skews, level int) { s.floor = []unit.DB{0, 4.5, 8}[level] }

func jam(s *skews, level int) { s.jammed = level > 0 }

func heat(s *skews, level int) { s.celsius = []float64{40, 47, 55}[level] }

func TestFloorRisenIsWaitedOut(t *testing.T) {
	x, r := endure(t, false, risen, func(*engine.Rules) {})
	x.over(t, r, "floor risen")
	for _, c := range x.w.journal.caps(r.ID) {
		if f, ok := sweep.FloorDensity(c); ok && f.Sub(-110) > 3-40 { // RBW 10 kHz
			t.Errorf("step %d point %d is kept with a floor of %v in 1 Hz", c.Step, c.Point, f)
		}
	}
}

func TestOverloadFromOutsideIsWaitedOut(t *testing.T) {
	x, r := endure(t, false, jam, func(*engine.Rules) {})
	x.over(t, r, "overload")
	for _, c := range x.w.journal.caps(r.ID) {
		if c.Overload {
			t.Errorf("step %d point %d is kept overloaded", c.Step, c.Point)
		}
	}
}

func TestWarmAnalyzerIsWaitedOut(t *testing.T) {
	x, r := endure(t, false, heat, func(r *engine.Rules) { r.Suspend.Temperature = engine.Suspension{Trip: 50, Resume: 45} })
	x.over(t, r, "temperature")
}

// TestWaitingEnds: what does not clear ends the run by a stated rule after the
// longest wait.
func TestWaitingEnds(t *testing.T) {
	x, r := endure(t, true, risen, func(r *engine.Rules) { r.Suspend.Floor.Longest = 10 * time.Minute })
	if r.State != sweep.Failed || !strings.Contains(r.Reason, "did not clear: floor risen: 8.0 dB") {
		t.Errorf("ended %v: %s", r.State, r.Reason)
	}
	if waited := x.w.now.Sub(x.began); waited < 10*time.Minute || waited > 11*time.Minute {
		t.Errorf("it waited %v, 10 minutes are its longest", waited)
	}
}

// TestNothingIsWatchedWhereSwitchedOff: our own overload is no reason to wait,
// and what a bench switches off is not watched.
func TestNothingIsWatchedWhereSwitchedOff(t *testing.T) {
	w := newWorld()
	w.skews.overload = true // while our source is on
	w.onCall = func(n int, _ string) { w.skews.floor = unit.DB(n % 9) }
	s := w.setup()
	s.Rules.Suspend.Floor.Trip = -1
	s.Observer = observer(func(p sweep.Progress) {
		if p.State == sweep.Suspended {
			t.Errorf("suspended: %s", p.Text)
		}
	})
	d := serve(t, s)
	q := request(plan(t, sweep.Linked, 100e6, 300e6))
	q.Specimens = lockers[:1]
	if r := d.end(t, d.begin(t, q)); r.State != sweep.Completed {
		t.Errorf("ended %v: %s", r.State, r.Reason)
	}
}

// TestDriftAfterAnInterruption: a run taken up in the middle of a step looks at
// its last strong point again; moved by 4 dB it waits, at 2 dB (between the
// thresholds) still, back where it was it goes on. Captures are those of an undisturbed run.
func TestDriftAfterAnInterruption(t *testing.T) {
	q := killRequest(t, sweep.Linked, 4, 1)
	want, calls := undisturbed(t, q)
	for n := calls / 3; n < calls; n += 5 {
		w := newWorld()
		life(t, w, q, n, false)
		r := w.journal.run(t, w.journal.order[0])
		if s := r.Steps[min(r.Checkpoint.Step, len(r.Steps)-1)]; r.Checkpoint.Point == 0 || s.Kind != sweep.Enclosed {
			continue
		}
		taken := len(w.journal.caps(r.ID))
		began := w.now
		w.fail = func(int, string) failure {
			switch past := w.now.Sub(began); {
			case past < 25*time.Second:
				w.skews.gain = -4
			case past < time.Minute:
				w.skews.gain = -2
			default:
				w.skews.gain = 0
			}
			return failure{}
		}
		finish(t, w, q, want)
		text := ""
		for _, e := range w.journal.events {
			text += e.Text + "\n"
		}
		if !strings.Contains(text, "taken again: -4.00 dB") || !strings.Contains(text, "reference drift is over") {
			t.Errorf("the journal lacks the drift:\n%s", text)
		}
		if w.now.Sub(began) < time.Minute {
			t.Errorf("it went on after %v, between the thresholds", w.now.Sub(began))
		}
		if taken == 0 {
			t.Error("nothing had been captured before")
		}
		return
	}
	t.Fatal("no kill fell into an enclosed step")
}

package engine_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/engine"
)

var ctx = context.Background()

// byHand is a plan whose hold points wait for a person.
func byHand(t testing.TB, mode sweep.CaptureMode, freqs ...unit.Hz) sweep.Plan {
	p := plan(t, mode, freqs...)
	p.ByRule = false
	return p
}

func TestHoldPointsWaitForTheirRelease(t *testing.T) {
	w := newWorld()
	d := serve(t, w.setup())
	p := byHand(t, sweep.Linked, 100e6)
	id := d.begin(t, request(p))
	var held []int
	for last := -1; len(held) < 4; {
		last = d.holding(t, last)
		held = append(held, last)
		if w.safe(t); w.journal.run(t, id).State != sweep.Holding {
			t.Errorf("stored as %v, want holding", w.journal.run(t, id).State)
		}
		var hold *engine.HoldError
		if err := d.Release(ctx, id, last+1, "Mara"); !errors.As(err, &hold) || hold.Waiting.Index != last || !strings.Contains(err.Error(), hold.Waiting.Instruction) {
			t.Fatalf("release of another hold point: %v", err)
		}
		if err := d.Release(ctx, id, last, "Mara"); err != nil {
			t.Fatal(err)
		}
	}
	r := d.end(t, id)
	if r.State != sweep.Completed {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	var want []int
	for _, s := range r.Steps {
		if s.Kind == sweep.HoldPoint {
			want = append(want, s.Index)
		}
	}
	if !slices.Equal(held, want) {
		t.Errorf("held at steps %v, want %v", held, want)
	}
	who := 0
	for _, e := range w.journal.events {
		if e.Who == "Mara" {
			who++
		}
	}
	if who != 4 {
		t.Errorf("%d events name who released, want 4", who)
	}
	var illegal *engine.StateError
	if err := d.Release(ctx, id, 0, "Mara"); !errors.As(err, &illegal) || illegal.State != sweep.Completed {
		t.Errorf("release after the end: %v", err)
	}
}

func TestSealedHoldsShutTheAnalyzerAway(t *testing.T) {
	w := newWorld()
	d := serve(t, w.setup())
	p := byHand(t, sweep.Sealed, 100e6, 300e6)
	id := d.begin(t, engine.Request{Plan: p, Specimens: lockers[:1], Trigger: "test"})
	for last := -1; ; {
		last = d.holding(t, last)
		w.mu.Lock()
		switch w.journal.runs[id].Steps[last].Lid {
		case sweep.LidCloses:
			if !w.armed {
				t.Error("the analyzer is not armed before the lid closes")
			}
			w.lid, w.box = true, "locker 1"
		case sweep.LidOpens:
			w.lid, w.box = false, ""
		}
		w.mu.Unlock()
		if err := d.Release(ctx, id, last, "Mara"); err != nil {
			t.Fatal(err)
		}
		if last == len(w.journal.run(t, id).Steps)-2 {
			break
		}
	}
	if r := d.end(t, id); r.State != sweep.Completed {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	w.safe(t)
}

func TestStopFinishesThePointInHand(t *testing.T) {
	for _, mode := range []sweep.CaptureMode{sweep.Linked, sweep.Sealed} {
		t.Run(mode.String(), func(t *testing.T) {
			w := newWorld()
			var d daemon
			p := plan(t, mode, 100e6, 300e6, 500e6)
			var once sync.Once
			stopped := make(chan error, 1)
			asked := make(chan struct{})
			w.onCall = func(_ int, name string) {
				// In the second point of the reference.
				if name == "source.SetOutput(on)" && w.freq == 300e6 {
					once.Do(func() {
						go func() { stopped <- d.Stop(ctx, d.Status().Run, "Mara"); close(asked) }()
						w.mu.Unlock()
						<-asked
						w.mu.Lock()
					})
				}
			}
			d = serve(t, w.setup())
			id := d.begin(t, request(p))
			r := d.end(t, id)
			if err := <-stopped; err != nil {
				t.Fatal(err)
			}
			if r.State != sweep.Stopped || !strings.Contains(r.Reason, "Mara") {
				t.Fatalf("ended %v: %s", r.State, r.Reason)
			}
			w.safe(t)
			var got []string
			for _, c := range w.journal.caps(id) {
				if c.Kind == sweep.Reference {
					got = append(got, points([]sweep.Capture{c})...)
				}
			}
			want := []string{"step 2 reference  point 0", "step 2 reference  point 1"}
			if mode == sweep.Sealed {
				want = nil // its points commit together or not at all
			}
			if !slices.Equal(got, want) {
				t.Errorf("of the reference %q is kept, want %q", got, want)
			}
		})
	}
}

func TestStopAtAHoldPointEndsThere(t *testing.T) {
	w := newWorld()
	d := serve(t, w.setup())
	id := d.begin(t, request(byHand(t, sweep.Linked, 100e6)))
	d.holding(t, -1)
	if err := d.Stop(ctx, id, "Mara"); err != nil {
		t.Fatal(err)
	}
	if r := d.end(t, id); r.State != sweep.Stopped {
		t.Errorf("ended %v: %s", r.State, r.Reason)
	}
	var illegal *engine.StateError
	if err := d.Stop(ctx, id, "Mara"); !errors.As(err, &illegal) {
		t.Errorf("second stop: %v", err)
	}
	if _, err := d.Resume(ctx, id, "Mara"); !errors.As(err, &illegal) {
		t.Errorf("resume of a stopped run: %v", err)
	}
}

// standing starts a run that stands in a sweep with the source on.
func standing(t *testing.T, w *world, d daemon) sweep.RunID {
	w.mu.Lock()
	w.stuck = func(int) bool { return w.on }
	w.mu.Unlock()
	id := d.begin(t, request(plan(t, sweep.Linked, 100e6, 200e6)))
	<-w.stood
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.on {
		t.Fatal("the source is off in an on look")
	}
	return id
}

func TestAbortCutsASweepAndTheSourceAtOnce(t *testing.T) {
	w := newWorld()
	d := serve(t, w.setup())
	id := standing(t, w, d)
	if err := d.Abort(ctx, id, "Mara"); err != nil {
		t.Fatal(err)
	}
	w.safe(t) // when Abort returns, not some time later
	if r := w.journal.run(t, id); r.State != sweep.Aborted || !strings.Contains(r.Reason, "Mara") {
		t.Errorf("ended %v: %s", r.State, r.Reason)
	}
	for _, k := range w.journal.keyings() {
		if k.Off.IsZero() || k.OffNot != "" {
			t.Errorf("ledger entry %+v", k)
		}
	}
	// The link whose exchange was cut is set up afresh, and the next run works.
	w.mu.Lock()
	w.stuck = nil
	w.mu.Unlock()
	if r := d.end(t, d.begin(t, request(plan(t, sweep.Linked, 100e6)))); r.State != sweep.Completed {
		t.Errorf("the next run ended %v: %s", r.State, r.Reason)
	}
	if d.Status().Analyzer.Restored == 0 {
		t.Error("the analyzer's link was used again without being set up afresh")
	}
}

func TestSourceOffAtAnyTime(t *testing.T) {
	w := newWorld()
	d := serve(t, w.setup())
	w.mu.Lock()
	w.on = true // somebody pressed the key at the front panel
	w.mu.Unlock()
	if err := d.SourceOff(ctx, "Mara"); err != nil {
		t.Fatal(err)
	}
	w.safe(t)
	id := standing(t, w, d)
	if err := d.SourceOff(ctx, "Mara"); err != nil {
		t.Fatal(err)
	}
	w.safe(t)
	if r := w.journal.run(t, id); r.State != sweep.Aborted || !strings.Contains(r.Reason, "source switched off by Mara") {
		t.Errorf("ended %v: %s", r.State, r.Reason)
	}
	w.mu.Lock()
	w.skews.stuckOn, w.on = true, true
	w.mu.Unlock()
	if err := d.SourceOff(ctx, "Mara"); err == nil || !strings.Contains(err.Error(), "cannot be confirmed off") {
		t.Errorf("a source stuck on: %v", err)
	}
	if !d.Status().SourceOn {
		t.Error("the status does not say that it may be on")
	}
	w.mu.Lock()
	w.skews.stuckOn, w.on = false, false
	w.mu.Unlock()
}

func TestBusyBenchNamesItsRun(t *testing.T) {
	w := newWorld()
	d := serve(t, w.setup())
	q := request(byHand(t, sweep.Linked, 100e6))
	id := d.begin(t, q)
	var busy *engine.BusyError
	if _, err := d.Start(ctx, q); !errors.As(err, &busy) || busy.Run != id {
		t.Errorf("second start: %v, want busy with %s", err, id)
	}
	d.holding(t, -1)
	if err := d.Abort(ctx, id, ""); err != nil {
		t.Fatal(err)
	}
	d.begin(t, q)
}

func TestSameKeyIsTheSameRun(t *testing.T) {
	w := newWorld()
	d := serve(t, w.setup())
	q := request(plan(t, sweep.Linked, 100e6))
	q.Key = "door cycle 17"
	var wg sync.WaitGroup
	ids := make([]engine.Started, 8)
	for i := range ids {
		wg.Go(func() {
			r, err := d.Start(ctx, q)
			if err != nil {
				t.Error(err)
			}
			ids[i] = r
		})
	}
	wg.Wait()
	fresh := 0
	for _, r := range ids {
		if r.ID != ids[0].ID {
			t.Errorf("runs %s and %s of one key", ids[0].ID, r.ID)
		}
		if !r.Reused {
			fresh++
		}
	}
	if fresh != 1 {
		t.Errorf("%d of 8 say that they started the run, want 1", fresh)
	}
	d.end(t, ids[0].ID)
	if r, err := d.Start(ctx, q); err != nil || r.ID != ids[0].ID || !r.Reused || r.State != sweep.Completed {
		t.Errorf("after the end: %v %+v", err, r)
	}
	q.Key = "door cycle 18"
	if r, err := d.Start(ctx, q); err != nil || r.Reused {
		t.Errorf("another key: %v, reused %v", err, r.Reused)
	}
}

func TestRefusals(t *testing.T) {
	good := request(plan(t, sweep.Linked, 100e6))
	cases := map[string]struct {
		change func(*engine.Request, *engine.Setup)
		want   string
	}{
		"no points":      {func(q *engine.Request, _ *engine.Setup) { q.Plan.Points = nil }, "the plan has no frequencies"},
		"not permitted":  {func(q *engine.Request, _ *engine.Setup) { q.Plan.Points[0].Freq = 2e9 }, "points[0]: 2 GHz is not in may_transmit of bench depot"},
		"too strong":     {func(q *engine.Request, _ *engine.Setup) { q.Plan.Points[0].Level = 3 }, "points[0]: 3.0 dBm at 100 MHz is over the permitted 0.0 dBm"},
		"over the bench": {func(q *engine.Request, _ *engine.Setup) { q.Plan.Points[0].Level = 11 }, "over bench depot's max_level"},
		"empty list":     {func(_ *engine.Request, s *engine.Setup) { s.Facts.MayTransmit = nil }, "lists nothing it may transmit"},
		"never": {func(_ *engine.Request, s *engine.Setup) {
			s.Permit = func(unit.Hz, unit.DBm) error { return errors.New("a distress frequency") }
		}, "points[0]: a distress frequency"},
		"no specimen":   {func(q *engine.Request, _ *engine.Setup) { q.Specimens = nil }, "specimens: no specimen"},
		"same specimen": {func(q *engine.Request, _ *engine.Setup) { q.Specimens = append(slices.Clone(lockers), lockers[1]) }, `specimens[2]: "locker 2" stands twice`},
		"nameless":      {func(q *engine.Request, _ *engine.Setup) { q.Specimens = []sweep.Specimen{{}} }, "specimens[0]: it has no name"},
		"no hands":      {func(_ *engine.Request, s *engine.Setup) { s.Hands = nil }, "hold_points: the plan's hold points are released by rule"},
		"no looks":      {func(q *engine.Request, _ *engine.Setup) { q.Plan.Looks = 0 }, "looks: 0 looks"},
		"no mode":       {func(q *engine.Request, _ *engine.Setup) { q.Plan.Capture = sweep.CaptureUnknown }, "capture: unknown"},
		"few sweeps":    {func(q *engine.Request, _ *engine.Setup) { q.Plan.Capture, q.Plan.HoldSweeps = sweep.Sealed, 4 }, "hold_sweeps: 4 sweeps"},
		"unnumbered":    {func(q *engine.Request, _ *engine.Setup) { q.Plan.Points[0].Index = 3 }, "points[0]: its index is 3"},
		"two things":    {func(q *engine.Request, _ *engine.Setup) { q.Specimens, q.Plan.Looks = nil, 0 }, "specimen"},
		"too close": {func(q *engine.Request, _ *engine.Setup) {
			q.Plan = plan(t, sweep.Sealed, 100e6, 300e6)
			q.Plan.Points[1].Freq = 100.05e6
		}, "too close for sealed capture"},
		"coarse analyzer": {func(q *engine.Request, _ *engine.Setup) { q.Plan = plan(t, sweep.Sealed, 100e6, 102e6, 900e6) }, "too close for a sweep over"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			w := newWorld()
			if name == "coarse analyzer" {
				w.skews.points = 501 // whatever is asked for
			}
			q := good
			q.Plan.Points = slices.Clone(good.Plan.Points)
			s := w.setup()
			c.change(&q, &s)
			d := serve(t, s)
			_, err := d.Start(ctx, q)
			var refused *engine.RefusedError
			if !errors.As(err, &refused) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %v\nwant a refusal with %q", err, c.want)
			}
			if len(w.journal.runs) > 0 || len(w.keyings) > 0 {
				t.Error("something was stored or keyed")
			}
			if _, err := d.Start(ctx, good); name != "empty list" && name != "never" && name != "no hands" && err != nil {
				t.Errorf("the bench is not free after a refusal: %v", err)
			}
		})
	}
}

func TestDownInstrumentIsAStateAndSaid(t *testing.T) {
	w := newWorld()
	down := true
	w.fail = func(_ int, name string) failure {
		if name == "open" && down {
			return failure{err: &driver.Error{Instrument: "analyzer", Kind: driver.KindRefused, Hint: "is it on?"}}
		}
		return failure{}
	}
	d := serve(t, w.setup())
	var gone *engine.DownError
	if _, err := d.Start(ctx, request(plan(t, sweep.Linked, 100e6))); !errors.As(err, &gone) || driver.KindOf(err) != driver.KindRefused {
		t.Errorf("start: %v", err)
	}
	if s := d.Status(); s.Analyzer.Up || !strings.Contains(s.Analyzer.Error, "is it on?") {
		t.Errorf("status %+v", s)
	}
	w.mu.Lock()
	down = false
	w.mu.Unlock()
	if r := d.end(t, d.begin(t, request(plan(t, sweep.Linked, 100e6)))); r.State != sweep.Completed {
		t.Errorf("ended %v: %s", r.State, r.Reason)
	}
}

func TestSourceIsMadeSafeWithoutTheAnalyzer(t *testing.T) {
	w := newWorld()
	w.on = true // as a daemon that was killed left it
	s := w.setup()
	s.Open = func(context.Context) (driver.Analyzer, driver.Source, error) {
		return nil, source{w}, &driver.Error{Instrument: "analyzer", Kind: driver.KindRefused}
	}
	d := serve(t, s)
	waitFor(t, func() bool { return d.Status().Source.Up })
	if err := d.stop(); err != nil {
		t.Fatal(err)
	}
	w.safe(t)
}

func TestWhoIsServedAndWhatIsKnown(t *testing.T) {
	w := newWorld()
	b := engine.New(w.setup())
	if _, err := b.Start(ctx, request(plan(t, sweep.Linked, 100e6))); !errors.Is(err, engine.ErrNotServing) {
		t.Errorf("start before Serve: %v", err)
	}
	if err := b.SourceOff(ctx, ""); !errors.Is(err, engine.ErrNotServing) {
		t.Errorf("source off before Serve: %v", err)
	}
	d := serve(t, w.setup())
	if err := d.Serve(ctx); err == nil {
		t.Error("served twice at once")
	}
	for name, err := range map[string]error{
		"stop":    d.Stop(ctx, "nobody", ""),
		"abort":   d.Abort(ctx, "nobody", ""),
		"release": d.Release(ctx, "nobody", 0, ""),
	} {
		if !errors.Is(err, sweep.ErrNoRun) {
			t.Errorf("%s of an unknown run: %v", name, err)
		}
	}
	if _, err := d.Resume(ctx, "nobody", ""); !errors.Is(err, sweep.ErrNoRun) {
		t.Errorf("resume of an unknown run: %v", err)
	}
	other := sweep.Run{ID: "elsewhere", Bench: sweep.Bench{Name: "garage"}, State: sweep.Interrupted}
	w.journal.runs[other.ID] = &other
	var elsewhere *engine.OtherRunError
	if err := d.Stop(ctx, other.ID, ""); !errors.As(err, &elsewhere) || elsewhere.Belong != "garage" {
		t.Errorf("run of another bench: %v", err)
	}
}

// interrupted is a run whose daemon ended in the middle.
func interrupted(t *testing.T, w *world) sweep.RunID {
	d := serve(t, w.setup())
	id := standing(t, w, d)
	if err := d.stop(); err != nil {
		t.Fatal(err)
	}
	w.safe(t)
	w.stuck = nil
	if r := w.journal.run(t, id); r.State != sweep.Interrupted || r.Ended != nil {
		t.Fatalf("the run is %v: %s", r.State, r.Reason)
	}
	return id
}

func TestResumeOnOtherInstrumentsIsRefused(t *testing.T) {
	w := newWorld()
	id := interrupted(t, w)
	w.skews.serial = "b"
	d := serve(t, w.setup())
	_, err := d.Resume(ctx, id, "Mara")
	var other *engine.IdentityError
	if !errors.As(err, &other) || !strings.Contains(err.Error(), "serial E1") || !strings.Contains(err.Error(), "serial E1b") {
		t.Fatalf("resume on another analyzer: %v", err)
	}
	if r := w.journal.run(t, id); r.State != sweep.Interrupted {
		t.Errorf("the run became %v", r.State)
	}
	d.stop()
	w.skews.serial = ""
	d = serve(t, w.setup())
	if _, err := d.Resume(ctx, id, "Mara"); err != nil {
		t.Fatal(err)
	}
	if r := d.end(t, id); r.State != sweep.Completed {
		t.Errorf("ended %v: %s", r.State, r.Reason)
	}
	w.safe(t)
}

func TestInterruptedRunCanBeClosedForGood(t *testing.T) {
	w := newWorld()
	id := interrupted(t, w)
	d := serve(t, w.setup())
	if err := d.Stop(ctx, id, "Mara"); err != nil {
		t.Fatal(err)
	}
	if r := w.journal.run(t, id); r.State != sweep.Stopped {
		t.Errorf("it is %v", r.State)
	}
	w.safe(t)
}

func TestTimeLeftFallsAsWorkIsDone(t *testing.T) {
	w := newWorld()
	s := w.setup()
	var mu sync.Mutex
	var seen []sweep.Progress
	s.Observer = observer(func(p sweep.Progress) { mu.Lock(); seen = append(seen, p); mu.Unlock() })
	d := serve(t, s)
	r := d.end(t, d.begin(t, request(plan(t, sweep.Linked, 100e6, 200e6, 300e6))))
	mu.Lock()
	defer mu.Unlock()
	var last sweep.Progress
	kinds := map[string]int{}
	for _, p := range seen {
		kinds[p.Kind]++
		if p.Run != r.ID {
			continue
		}
		if p.Done < last.Done {
			t.Fatalf("done goes from %d to %d", last.Done, p.Done)
		}
		if last.Run != "" && p.Left > last.Left+r.Predicted/4 {
			t.Errorf("time left jumps from %v to %v at %d done", last.Left, p.Left, p.Done)
		}
		if last.Run == "" && p.Planned != r.Predicted {
			t.Errorf("%v is planned at the start, the plan said %v", p.Planned, r.Predicted)
		}
		if last.Run != "" && p.Planned > last.Planned {
			t.Errorf("what is planned grows from %v to %v", last.Planned, p.Planned)
		}
		if p.Kind == "hold" && (p.Hold == nil || p.SourceOn) {
			t.Errorf("a hold without its step, or with the source on: %+v", p)
		}
		last = p
	}
	if last.Done != 15 || last.Left != 0 || last.Planned != 0 || last.State != sweep.Completed {
		t.Errorf("the last picture is %+v", last)
	}
	for _, k := range []string{"state", "step", "point", "hold", "source", "link"} {
		if kinds[k] == 0 {
			t.Errorf("no event of kind %q", k)
		}
	}
	if on := kinds["source"]; on != 2*len(w.journal.keyings()) {
		t.Errorf("%d source events for %d keyings", on, len(w.journal.keyings()))
	}
}

type observer func(sweep.Progress)

func (o observer) Observe(p sweep.Progress) { o(p) }

func TestScaledClockRunsFaster(t *testing.T) {
	c := engine.ScaledClock(1e6)
	from := c.Now()
	if err := c.Sleep(ctx, time.Minute); err != nil {
		t.Fatal(err)
	}
	if d := c.Now().Sub(from); d < time.Minute {
		t.Errorf("a minute's sleep took %v", d)
	}
	gone, cancel := context.WithCancel(ctx)
	cancel()
	if err := engine.RealClock().Sleep(gone, time.Hour); !errors.Is(err, context.Canceled) {
		t.Errorf("sleep on a cancelled context: %v", err)
	}
}

package engine_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/engine"
)

func kind(k driver.Kind) error { return &driver.Error{Op: "scripted", Kind: k} }

// isInstrument reports whether a call goes to an instrument.
func isInstrument(name string) bool {
	return strings.HasPrefix(name, "analyzer.") || strings.HasPrefix(name, "source.")
}

// TestAFaultInAnyCall lets every call of a run to an instrument fail once, in
// every way, and asks each time: the run ended by rule, the source is off, the
// journal is whole, and what is not void is right.
func TestAFaultInAnyCall(t *testing.T) {
	ways := map[string]failure{
		"time-out":         {err: kind(driver.KindTimeout)},
		"late":             {err: kind(driver.KindTimeout), after: true},
		"closed":           {err: kind(driver.KindClosed)},
		"framing":          {err: kind(driver.KindFraming), after: true},
		"setting refused":  {err: kind(driver.KindDeviceSettings)},
		"unknown command":  {err: kind(driver.KindDeviceDialect)},
		"hardware":         {err: kind(driver.KindDeviceHardware)},
		"read-back":        {err: kind(driver.KindReadback), after: true},
		"other instrument": {err: kind(driver.KindIdentity)},
		"restart, said":    {err: kind(driver.KindPowerCycled), cycles: true},
		"restart, unsaid":  {cycles: true},
		"plain error":      {err: errors.New("something")},
	}
	for _, mode := range []sweep.CaptureMode{sweep.Linked, sweep.Sealed} {
		total := callsOf(t, mode)
		for name, way := range ways {
			t.Run(mode.String()+" "+name, func(t *testing.T) {
				t.Parallel()
				ended := map[sweep.State]int{}
				for k := 1; k <= total; k++ {
					n, hit := 0, ""
					w := newWorld()
					w.fail = func(_ int, name string) failure {
						if !isInstrument(name) {
							return failure{}
						}
						if n++; n == k {
							hit = name
							return way
						}
						return failure{}
					}
					r := oneRun(t, w, mode)
					ended[r.State]++
					if t.Failed() {
						t.Fatalf("after %s at call %d, %s: ended %v: %s\n%s", name, k, hit, r.State, r.Reason, tail(w.log))
					}
				}
				if ended[sweep.Completed] == 0 {
					t.Errorf("not one of %d runs was completed: %v", total, ended)
				}
				for s := range ended {
					if s != sweep.Completed && s != sweep.Failed && s != sweep.StateUnknown {
						t.Errorf("%d runs ended %v", ended[s], s)
					}
				}
				if fatal := name == "other instrument" || name == "read-back"; !fatal && ended[sweep.Failed] > 0 {
					t.Errorf("one passing fault failed %d of %d runs", ended[sweep.Failed], total)
				}
			})
		}
	}
}

// callsOf counts the calls of an undisturbed run to its instruments.
func callsOf(t *testing.T, mode sweep.CaptureMode) int {
	w := newWorld()
	if r := oneRun(t, w, mode); r.State != sweep.Completed {
		t.Fatalf("undisturbed, it ended %v: %s", r.State, r.Reason)
	}
	n := 0
	for _, name := range w.log {
		if isInstrument(name) {
			n++
		}
	}
	return n
}

// oneRun serves a bench for one small run and checks what must hold whatever
// happened. A start that is refused gives an empty run.
func oneRun(t *testing.T, w *world, mode sweep.CaptureMode) sweep.Run {
	t.Helper()
	d := serve(t, w.setup())
	q := request(plan(t, mode, 100e6, 300e6))
	q.Specimens = lockers[:1]
	var r sweep.Run
	if s, err := d.Start(ctx, q); err == nil {
		r = d.end(t, s.ID)
	}
	if err := d.stop(); err != nil {
		t.Errorf("Serve: %v", err)
	}
	w.safe(t)
	if r.ID != "" {
		w.whole(t, r)
	}
	return r
}

// whole checks the journal of a run that is over.
func (w *world) whole(t *testing.T, r sweep.Run) {
	t.Helper()
	if stored := w.journal.run(t, r.ID); stored.State != r.State {
		t.Errorf("stored as %v, ended %v", stored.State, r.State)
	}
	for i, k := range w.journal.keyings() {
		if k.Off.IsZero() || k.OffNot != "" {
			t.Errorf("ledger entry %d is open: %+v", i+1, k)
		}
	}
	if r.State == sweep.Failed && r.Reason == "" {
		t.Error("failed without a reason")
	}
	w.truthful(t, r)
}

// truthful checks the captures of a run: what is not void is what was to be
// measured, and a completed run lacks none.
func (w *world) truthful(t testing.TB, r sweep.Run) {
	t.Helper()
	got := map[string]bool{}
	for _, c := range w.journal.caps(r.ID) {
		got[fmt.Sprint(c.Step, c.Point)] = true
		if c.Void != "" || c.Point == sweep.WholeTrace {
			continue
		}
		for _, l := range c.Looks {
			want := unit.DBm(-110)
			if l.SourceOn {
				want = map[sweep.StepKind]unit.DBm{sweep.Reference: -30, sweep.Enclosed: -70, sweep.Closing: -30}[c.Kind]
			}
			if peak := l.Trace.Levels[l.Trace.Peak()]; peak != want {
				t.Errorf("step %d %v point %d, on=%v: %v is taken for valid, the truth is %v", c.Step, c.Kind, c.Point, l.SourceOn, peak, want)
			}
		}
	}
	if r.State != sweep.Completed {
		return
	}
	for _, s := range r.Steps {
		for _, p := range r.Plan.Points {
			if s.Kind != sweep.HoldPoint && !got[fmt.Sprint(s.Index, p.Index)] {
				t.Errorf("completed without step %d point %d", s.Index, p.Index)
			}
		}
	}
}

func tail(log []string) string { return strings.Join(log[max(0, len(log)-25):], "\n") }

func TestAnInstrumentThatStaysAwayFailsTheRun(t *testing.T) {
	for _, from := range []string{"analyzer.Sweep", "source.SetFrequency", "analyzer.Reattach"} {
		t.Run(from, func(t *testing.T) {
			w := newWorld()
			role, _, _ := strings.Cut(from, ".")
			away := false
			w.fail = func(_ int, name string) failure {
				away = away || name == from
				if away && strings.HasPrefix(name, role+".") && !strings.Contains(name, "SetOutput(off)") {
					return failure{err: kind(driver.KindClosed)}
				}
				return failure{}
			}
			mode := sweep.Linked
			if from == "analyzer.Reattach" {
				mode = sweep.Sealed
			}
			r := oneRun(t, w, mode)
			if r.State != sweep.Failed || !strings.Contains(r.Reason, "an instrument stayed away") || !strings.Contains(r.Reason, role) {
				t.Errorf("ended %v: %s", r.State, r.Reason)
			}
			suspended := 0
			for _, e := range w.journal.events {
				if e.State == sweep.Suspended {
					suspended++
				}
			}
			if suspended != 1 {
				t.Errorf("suspended %d times, want once", suspended)
			}
		})
	}
}

func TestALinkThatComesBackLetsTheRunGoOn(t *testing.T) {
	w := newWorld()
	tries := 0
	w.fail = func(n int, name string) failure {
		if name == "analyzer.Recover" {
			if tries++; tries < 3 {
				return failure{err: kind(driver.KindRefused)}
			}
		}
		if name == "analyzer.Sweep" && tries == 0 {
			return failure{err: kind(driver.KindTimeout)}
		}
		return failure{}
	}
	r := oneRun(t, w, sweep.Linked)
	if r.State != sweep.Completed {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	for _, c := range w.journal.caps(r.ID) {
		if c.Void != "" {
			t.Errorf("step %d point %d is void: %s", c.Step, c.Point, c.Void)
		}
	}
}

func TestAPointThatAlwaysFailsIsVoidAndTheRunGoesOn(t *testing.T) {
	w := newWorld()
	w.fail = func(_ int, name string) failure {
		if name == "analyzer.Sweep" && w.set.Center == 300e6 {
			return failure{err: kind(driver.KindFraming)}
		}
		return failure{}
	}
	r := oneRun(t, w, sweep.Linked)
	if r.State != sweep.Completed {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	for _, c := range w.journal.caps(r.ID) {
		if want := c.Freq == 300e6; (c.Void != "") != want {
			t.Errorf("step %d at %v: void %q", c.Step, c.Freq, c.Void)
		}
		if c.Void != "" && !strings.Contains(c.Void, "analyzer: scripted: framing (tries: 3)") {
			t.Errorf("void because %q", c.Void)
		}
	}
}

func TestTooManyVoidPointsInARowFailTheRun(t *testing.T) {
	w := newWorld()
	w.skews.level = 0.5 // the source cannot set the level asked for
	s := w.setup()
	s.Rules.VoidsInARow = 3
	d := serve(t, s)
	r := d.end(t, d.begin(t, request(plan(t, sweep.Linked, 100e6, 200e6, 300e6, 400e6))))
	if r.State != sweep.Failed || !strings.Contains(r.Reason, "too many void points in a row: 3, the last because the source reads back -9.50 dBm for -10.00 dBm asked") {
		t.Errorf("ended %v: %s", r.State, r.Reason)
	}
	if n := len(w.journal.keyings()); n > 0 {
		t.Errorf("keyed %d times at a level that was not asked for", n)
	}
	w.safe(t)
}

// TestSettingsAreUsedAsReadBack: rounding is used and noted; what differs from
// the reference, or cannot be right, is void with the reason.
func TestSettingsAreUsedAsReadBack(t *testing.T) {
	cases := map[string]struct {
		change func(*world)
		void   string // of the enclosed captures
		note   string
	}{
		"RBW rounded":  {change: func(w *world) { w.skews.rbw = func(f unit.Hz) unit.Hz { return f * 1.2 } }, note: "the analyzer rounds RBW 10 kHz to 12 kHz; 12 kHz is used"},
		"span rounded": {change: func(w *world) { w.skews.span = func(f unit.Hz) unit.Hz { return 200e3 } }, note: "to 200 kHz; 200 kHz is used"},
		"RBW changes": {
			change: func(w *world) {
				w.skews.rbw = func(f unit.Hz) unit.Hz {
					if w.box != "" {
						return 3e3
					}
					return f
				}
			},
			void: "the analyzer's RBW is 3 kHz, at the reference it was 10 kHz",
		},
		"span too small": {
			change: func(w *world) {
				w.skews.span = func(f unit.Hz) unit.Hz {
					if w.box != "" {
						return 15e3
					}
					return f
				}
			},
			void: "which may not hold the carrier",
		},
		"wrong detector": {
			change: func(w *world) { w.skews.detector = driver.NegativePeak },
			void:   "the analyzer reads back detector negative_peak for",
		},
		"frequency off":    {change: func(w *world) { w.skews.freq = 5 }, void: "the source reads back 100000005.000 Hz for 100000000.000 Hz asked"},
		"within tolerance": {change: func(w *world) { w.skews.freq, w.skews.level = 0.9, 0.09 }},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			w := newWorld()
			c.change(w)
			s := w.setup()
			d := serve(t, s)
			q := request(plan(t, sweep.Linked, 100e6))
			r := d.end(t, d.begin(t, q))
			if r.State != sweep.Completed {
				t.Fatalf("ended %v: %s", r.State, r.Reason)
			}
			w.safe(t)
			for _, g := range w.journal.caps(r.ID) {
				if g.Kind == sweep.Enclosed && (c.void == "") != (g.Void == "") || c.void != "" && g.Kind == sweep.Enclosed && !strings.Contains(g.Void, c.void) {
					t.Errorf("step %d: void %q, want %q", g.Step, g.Void, c.void)
				}
			}
			notes := 0
			for _, e := range w.journal.events {
				if c.note != "" && strings.Contains(e.Text, c.note) {
					notes++
				}
			}
			if c.note != "" && notes != 1 {
				t.Errorf("noted %d times, want once", notes)
			}
		})
	}
}

func TestOverloadIsKept(t *testing.T) {
	w := newWorld()
	w.skews.overload = true // while the source is on
	for _, c := range w.journal.caps(oneRun(t, w, sweep.Linked).ID) {
		if c.Overload != (c.Kind != sweep.Ambient) {
			t.Errorf("step %d %v: overload %v", c.Step, c.Kind, c.Overload)
		}
	}
}

// TestSourceStateThatReadsBackWrongFailsTheRun, both ways.
func TestSourceStateThatReadsBackWrongFailsTheRun(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*world)
		want   string
		stays  bool
	}{
		"stays off": {change: func(w *world) { w.skews.stuckOff = true }, want: "the source's state reads back wrong"},
		"stays on":  {change: func(w *world) { w.skews.stuckOn = true }, want: "the source cannot be confirmed off", stays: true},
		"one wrong answer": {change: func(w *world) {
			lied := false
			w.fail = func(_ int, name string) failure {
				if name == "source.SetOutput(off)" && w.on && !lied {
					lied = true
					return failure{err: kind(driver.KindReadback), after: true}
				}
				return failure{}
			}
		}, want: "the source's state reads back wrong"},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld()
			c.change(w)
			d := serve(t, w.setup())
			r := d.end(t, d.begin(t, request(plan(t, sweep.Linked, 100e6))))
			if r.State != sweep.Failed || !strings.Contains(r.Reason, c.want) {
				t.Errorf("ended %v: %s", r.State, r.Reason)
			}
			k := w.journal.keyings()
			if len(k) != 1 || (k[0].OffNot != "") != c.stays || k[0].Off.IsZero() {
				t.Errorf("ledger %+v", k)
			}
			if err := d.stop(); (err != nil) != c.stays {
				t.Errorf("Serve: %v", err)
			}
			if w.on != c.stays {
				t.Errorf("the source is on: %v", w.on)
			}
		})
	}
}

// TestAJournalThatCannotBeWrittenFailsTheRun at every one of its calls, for
// once (the reason is kept) and for good (a full disk).
func TestAJournalThatCannotBeWrittenFailsTheRun(t *testing.T) {
	full := errors.New("no space left on device")
	for _, mode := range []sweep.CaptureMode{sweep.Linked, sweep.Sealed} {
		for _, forGood := range []bool{false, true} {
			t.Run(fmt.Sprintf("%v, for good %v", mode, forGood), func(t *testing.T) {
				for k := 1; ; k++ {
					w := newWorld()
					n, hit := 0, ""
					w.fail = func(_ int, name string) failure {
						if strings.HasPrefix(name, "journal.") {
							if n++; n == k || forGood && n > k {
								hit += name + " "
								return failure{err: full}
							}
						}
						return failure{}
					}
					d := serve(t, w.setup())
					q := request(plan(t, mode, 100e6, 300e6))
					q.Specimens = lockers[:1]
					s, err := d.Start(ctx, q)
					if k == 1 {
						if !errors.Is(err, full) {
							t.Errorf("start with a full disk: %v", err)
						}
						continue
					}
					r := d.end(t, s.ID)
					if hit == "" {
						break // k is past the last call
					}
					if strings.HasPrefix(hit, "journal.Transition completed") && !forGood {
						// Done, only not written down.
						if r.State != sweep.Failed {
							t.Errorf("ended %v though that is written nowhere", r.State)
						}
					} else if r.State != sweep.Failed || !strings.Contains(r.Reason, "the journal cannot be written") || !strings.Contains(r.Reason, full.Error()) {
						t.Errorf("call %d (%s): ended %v: %s", k, hit, r.State, r.Reason)
					}
					w.safe(t)
					if t.Failed() {
						t.Fatalf("call %d, %s", k, tail(w.log))
					}
					// The bench goes on with the next run.
					w.mu.Lock()
					w.fail = nil
					w.mu.Unlock()
					if r := d.end(t, d.begin(t, q)); r.State != sweep.Completed {
						t.Fatalf("the next run ended %v: %s", r.State, r.Reason)
					}
					d.stop()
				}
			})
		}
	}
}

func TestKeyedTimeIsLimited(t *testing.T) {
	w := newWorld()
	s := w.setup()
	s.Rules.MaxKeyed = 25e6 // 25 ms; a look takes 30
	d := serve(t, s)
	p := plan(t, sweep.Linked, 100e6)
	p.Looks = 1
	r := d.end(t, d.begin(t, request(p)))
	for _, c := range w.journal.caps(r.ID) {
		if c.Kind != sweep.Ambient && !strings.Contains(c.Void, "the source would be on for 30ms without a break, 25ms are allowed") {
			t.Errorf("step %d %v: void %q", c.Step, c.Kind, c.Void)
		}
	}
	if n := len(w.journal.keyings()); n > 0 {
		t.Errorf("keyed %d times", n)
	}
	s.Rules.MaxKeyed, s.Rules.MaxKeyedPerRun = 0, 100e6
	d.stop()
	d = serve(t, s)
	r = d.end(t, d.begin(t, request(p)))
	if r.State != sweep.Failed || !strings.Contains(r.Reason, "120ms in this run, 100ms are allowed") {
		t.Errorf("ended %v: %s", r.State, r.Reason)
	}
	if n := len(w.journal.keyings()); n != 3 {
		t.Errorf("keyed %d times, want 3 of 30 ms", n)
	}
}

// TestAHungLookIsCutAtTheKeyedLimit: a sweep that does not end is cut off with
// the source, and the point is taken again.
func TestAHungLookIsCutAtTheKeyedLimit(t *testing.T) {
	w := newWorld()
	hung := 0
	w.stuck = func(int) bool {
		if w.on {
			hung++
		}
		return w.on && hung == 1
	}
	s := w.setup()
	s.Rules.MaxKeyed = time.Second
	clock := &sometimes{Clock: w, d: 1100 * time.Millisecond, now: w.stood}
	s.Clock = clock
	d := serve(t, s)
	r := d.end(t, d.begin(t, request(plan(t, sweep.Linked, 100e6))))
	if r.State != sweep.Completed {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	w.safe(t)
	if !clock.met.Load() {
		t.Error("nobody watched for the limit and a tenth")
	}
	faults := 0
	for _, e := range w.journal.events {
		if e.Kind == "fault" {
			faults++
		}
	}
	if faults != 1 {
		t.Errorf("%d faults noted, want the hung sweep", faults)
	}
}

// sometimes lets a sleep of d end when it is told so.
type sometimes struct {
	engine.Clock
	d   time.Duration
	now chan struct{}
	met atomic.Bool // slept so
}

func (s *sometimes) Sleep(ctx context.Context, d time.Duration) error {
	if d != s.d {
		return s.Clock.Sleep(ctx, d)
	}
	s.met.Store(true)
	select {
	case <-s.now:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// TestALinkThatStaysAwayCanBeStopped, aborted, or survive the daemon.
func TestALinkThatStaysAwayCanBeStopped(t *testing.T) {
	for name, c := range map[string]struct {
		end  func(daemon, sweep.RunID) error
		want sweep.State
	}{
		"stop":     {func(d daemon, id sweep.RunID) error { return d.Stop(ctx, id, "Mara") }, sweep.Stopped},
		"abort":    {func(d daemon, id sweep.RunID) error { return d.Abort(ctx, id, "Mara") }, sweep.Aborted},
		"shutdown": {func(d daemon, _ sweep.RunID) error { return d.stop() }, sweep.Interrupted},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld()
			away := false
			w.fail = func(_ int, name string) failure {
				away = away || name == "analyzer.Sweep"
				if away && strings.HasPrefix(name, "analyzer.") {
					return failure{err: kind(driver.KindClosed)}
				}
				return failure{}
			}
			s := w.setup()
			s.Rules.LinkDown = engine.Patience{Tries: 5, First: 2 * time.Hour, Longest: 2 * time.Hour}
			d := serve(t, s)
			id := d.begin(t, request(plan(t, sweep.Linked, 100e6)))
			waitFor(t, func() bool { return d.Progress().State == sweep.Suspended })
			if p := d.Progress(); p.Analyzer || !p.SourceUp || !strings.Contains(p.Text, "link down: analyzer") {
				t.Errorf("progress %+v", p)
			}
			if err := c.end(d, id); err != nil {
				t.Fatal(err)
			}
			if r := d.end(t, id); r.State != c.want {
				t.Errorf("ended %v: %s", r.State, r.Reason)
			}
			w.safe(t)
		})
	}
}

// TestAnIdleBenchIsWatched: the source that somebody switched on by hand is put
// off, and an instrument that went away comes back by itself.
func TestAnIdleBenchIsWatched(t *testing.T) {
	w := newWorld()
	s := w.setup()
	s.Rules.IdleCheck, s.Rules.Reopen = time.Millisecond, engine.Patience{First: time.Millisecond, Longest: time.Millisecond}
	s.Clock = engine.RealClock()
	d := serve(t, s)
	w.mu.Lock()
	w.on = true
	w.mu.Unlock()
	waitFor(t, func() bool { w.mu.Lock(); defer w.mu.Unlock(); return !w.on })
	w.mu.Lock()
	w.fail = func(_ int, name string) failure {
		if isInstrument(name) {
			return failure{err: kind(driver.KindClosed)}
		}
		return failure{}
	}
	w.mu.Unlock()
	waitFor(t, func() bool { return !d.Status().Analyzer.Up && !d.Status().Source.Up })
	w.mu.Lock()
	w.fail = nil
	w.mu.Unlock()
	waitFor(t, func() bool { return d.Status().Analyzer.Up && d.Status().Source.Up })
	if s := d.Status(); s.Analyzer.Restored == 0 || s.Source.Restored == 0 || s.Source.Identity.Serial != "V1" {
		t.Errorf("status %+v", s)
	}
}

// TestTheKeyItselfAsksForPermission: a run that got past the check of the plan
// (here by a permission that was withdrawn) is refused at the key.
func TestTheKeyItselfAsksForPermission(t *testing.T) {
	w := newWorld()
	s := w.setup()
	var withdrawn atomic.Bool
	s.Permit = func(unit.Hz, unit.DBm) error {
		if withdrawn.Load() {
			return errors.New("withdrawn")
		}
		return nil
	}
	w.onCall = func(_ int, name string) {
		if name == "source.SetLevel" {
			withdrawn.Store(true)
		}
	}
	d := serve(t, s)
	r := d.end(t, d.begin(t, request(plan(t, sweep.Linked, 100e6))))
	if r.State != sweep.Failed || !strings.Contains(r.Reason, "not permitted to transmit: withdrawn") {
		t.Errorf("ended %v: %s", r.State, r.Reason)
	}
	if len(w.keyings) > 0 || len(w.journal.keyings()) > 0 {
		t.Error("it was keyed")
	}
}

func TestHandsThatFailEndTheRun(t *testing.T) {
	w := newWorld()
	w.fail = func(_ int, name string) failure {
		if name == "hands.Perform" {
			return failure{err: errors.New("the lid is stuck")}
		}
		return failure{}
	}
	r := oneRun(t, w, sweep.Linked)
	if r.State != sweep.Failed || !strings.Contains(r.Reason, "a hold point cannot be released by rule: step 0: the lid is stuck") {
		t.Errorf("ended %v: %s", r.State, r.Reason)
	}
}

func TestARestartInTheClosedBoxAsksForTheLidAgain(t *testing.T) {
	w := newWorld()
	s := w.setup()
	var holds []string
	s.Observer = observer(func(p sweep.Progress) {
		if p.Kind == "hold" && p.Hold.Lid == sweep.LidCloses {
			holds = append(holds, p.Text)
		}
	})
	var once bool
	w.onCall = func(_ int, name string) {
		if name == "source.SetOutput(on)" && w.lid && !once {
			once = true
			w.analyzerLost, w.armed, w.held = true, false, map[unit.Hz]unit.DBm{}
		}
	}
	d := serve(t, s)
	q := request(plan(t, sweep.Sealed, 100e6, 300e6))
	q.Specimens = lockers[:1]
	r := d.end(t, d.begin(t, q))
	if r.State != sweep.Completed {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	w.safe(t)
	w.whole(t, r)
	if len(holds) != 2 || strings.HasPrefix(holds[0], "Once more") || !strings.HasPrefix(holds[1], "Once more") {
		t.Errorf("hold points %q", holds)
	}
	for _, c := range w.journal.caps(r.ID) {
		if c.Void != "" {
			t.Errorf("step %d point %d is void: %s", c.Step, c.Point, c.Void)
		}
	}
}

package engine_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// world is everything outside the engine: two instruments over one path, a
// journal, hands and a clock that passes no time. Each call from the engine
// into it is counted, and may fail, or be the last of a daemon that is killed.
type world struct {
	mu      sync.Mutex
	now     time.Time
	calls   int
	log     []string
	dead    bool                             // the daemon is gone: its calls do nothing
	onCall  func(n int, name string)         // told of every call before it works; mu is held
	fail    func(n int, name string) failure // may be nil
	skews   skews
	lid     bool // closed: the analyzer cannot be reached
	box     string
	records bool

	on         bool
	freq       unit.Hz
	level      unit.DBm
	asked      sweep.Keying // frequency and level last asked for
	sourceLost bool         // the source restarted
	keyings    []sweep.Keying
	allowed    func(unit.Hz, unit.DBm) bool
	forbidden  []string // what should not have been keyed

	set          driver.Settings
	analyzerLost bool
	armed        bool
	held         map[unit.Hz]unit.DBm
	touchedShut  []string // analyzer calls while the lid was closed

	journal *memory

	stuck func(sweeps int) bool // this sweep does not end by itself
	stood chan struct{}         // told when one stands
	swept int
}

// failure is what a call does wrong.
type failure struct {
	err    error
	after  bool // it works, but says that it did not
	cycles bool // the instrument restarts
}

// skews are what instruments do to what they are asked for.
type skews struct {
	rbw, span func(unit.Hz) unit.Hz
	level     unit.DB
	freq      unit.Hz
	detector  driver.Detector
	points    int
	overload  bool
	jammed    bool    // overloaded by somebody else
	floor     unit.DB // the floor stands so much higher
	gain      unit.DB // what is received does
	celsius   float64 // zero: it cannot tell
	stuckOn   bool    // the output cannot be switched off
	stuckOff  bool
	serial    string
}

func newWorld() *world {
	w := &world{now: time.Date(2026, 5, 4, 22, 0, 0, 0, time.UTC), held: map[unit.Hz]unit.DBm{}, records: true, stood: make(chan struct{}, 1)}
	w.allowed = func(f unit.Hz, p unit.DBm) bool { return f >= 30e6 && f <= 1e9 && p <= 0 }
	w.journal = &memory{w: w, runs: map[sweep.RunID]*sweep.Run{}, captures: map[sweep.RunID][]sweep.Capture{}}
	return w
}

var errDead = errors.New("the daemon is dead")

// call counts a call and decides its fate. done means that it must not work.
func (w *world) call(name string) (f failure, done bool) {
	if w.dead {
		return failure{err: errDead}, true
	}
	w.calls++
	if w.records {
		w.log = append(w.log, name)
	}
	if w.onCall != nil {
		w.onCall(w.calls, name)
		if w.dead {
			return failure{err: errDead}, true
		}
	}
	if w.fail != nil {
		f = w.fail(w.calls, name)
	}
	return f, f.err != nil && !f.after
}

// the clock

func (w *world) Now() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.now
}

// Sleep passes the time at once; an hour or more never passes.
func (w *world) Sleep(ctx context.Context, d time.Duration) error {
	if d >= time.Hour {
		<-ctx.Done()
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.dead {
		return errDead
	}
	w.pass(d)
	return nil
}

func (w *world) pass(d time.Duration) {
	w.now = w.now.Add(max(d, 0))
	if w.armed && w.on && d >= 5*time.Second*2 {
		w.held[w.freq] = w.received()
	}
}

// received is the level at the analyzer.
func (w *world) received() unit.DBm {
	p := w.level.Add(w.skews.gain - 20)
	if w.box != "" {
		p = p.Add(-40)
	}
	return p
}

// the analyzer

type analyzer struct{ *world }

func (a analyzer) enter(name string) (failure, bool) {
	if !a.dead && a.lid {
		a.touchedShut = append(a.touchedShut, name)
	}
	f, done := a.call("analyzer." + name)
	if f.cycles {
		a.analyzerLost, a.armed, a.set = true, false, driver.Settings{}
		a.held = map[unit.Hz]unit.DBm{}
	}
	return f, done
}

func (a analyzer) Identity() driver.Identity {
	return driver.Identity{Maker: "Depot", Model: "Ear", Serial: "E1" + a.skews.serial}
}
func (a analyzer) Ranges() driver.Range { return driver.Range{} }
func (a analyzer) Close() error         { return nil }

func (a analyzer) Recover(context.Context) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	f, done := a.enter("Recover")
	if !done {
		a.analyzerLost = false
	}
	return f.err
}

func (a analyzer) Reattach(context.Context) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	f, done := a.enter("Reattach")
	if !done && a.analyzerLost {
		return &driver.Error{Op: "reattach", Kind: driver.KindPowerCycled}
	}
	return f.err
}

func (a analyzer) Health(context.Context) (driver.Health, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	f, done := a.enter("Health")
	if done {
		return driver.Health{}, f.err
	}
	return driver.Health{Overload: a.skews.overload && a.on || a.skews.jammed, PowerCycled: a.analyzerLost}, f.err
}

func (a analyzer) Temperature(context.Context) (float64, bool, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	f, _ := a.enter("Temperature")
	return a.skews.celsius, a.skews.celsius != 0, f.err
}

func (a analyzer) Halt(context.Context) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	f, _ := a.enter("Halt")
	return f.err
}

func (a analyzer) Configure(_ context.Context, s driver.Settings) (driver.Settings, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	f, done := a.enter("Configure")
	if done {
		return driver.Settings{}, f.err
	}
	if k := a.skews.rbw; k != nil {
		s.RBW = k(s.RBW)
	}
	if k := a.skews.span; k != nil {
		s.Span = k(s.Span)
	}
	if a.skews.detector != driver.DetectorUnknown {
		s.Detector = a.skews.detector
	}
	if a.skews.points > 0 {
		s.Points = a.skews.points
	} else {
		s.Points = min(s.Points, 2001)
	}
	a.set, a.armed = s, false
	return s, f.err
}

func (a analyzer) SweepTime(context.Context) (time.Duration, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	f, done := a.enter("SweepTime")
	if done {
		return 0, f.err
	}
	return a.sweepTime(), f.err
}

func (w *world) sweepTime() time.Duration {
	if w.set.Hold == driver.MaxHold {
		return 2 * time.Second
	}
	return 10 * time.Millisecond
}

// trace shows noise, and each carrier at the point next to it.
func (a analyzer) trace(carriers map[unit.Hz]unit.DBm) driver.Trace {
	n := max(a.set.Points, 11)
	t := driver.Trace{Start: a.set.Center - a.set.Span/2, Stop: a.set.Center + a.set.Span/2, Levels: make([]unit.DBm, n), Begun: a.now}
	for i := range t.Levels {
		t.Levels[i] = unit.DBm(-110).Add(a.skews.floor)
	}
	for f, p := range carriers {
		if i := int((f-t.Start)/(a.set.Span/unit.Hz(n-1)) + 0.5); i >= 0 && i < n && f >= t.Start {
			t.Levels[i] = p
		}
	}
	return t
}

func (a analyzer) Sweep(ctx context.Context) (driver.Trace, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	f, done := a.enter("Sweep")
	if done {
		return driver.Trace{}, f.err
	}
	if a.swept++; a.stuck != nil && a.stuck(a.swept) {
		a.mu.Unlock()
		a.stood <- struct{}{}
		<-ctx.Done()
		a.mu.Lock()
	}
	if ctx.Err() != nil {
		return driver.Trace{}, &driver.Error{Op: "sweep", Kind: driver.KindCancelled, Err: ctx.Err()}
	}
	a.pass(a.sweepTime())
	carriers := map[unit.Hz]unit.DBm{}
	if a.on {
		carriers[a.freq] = a.received()
	}
	return a.trace(carriers), f.err
}

func (a analyzer) Arm(context.Context) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	f, done := a.enter("Arm")
	if !done {
		a.armed, a.held = true, map[unit.Hz]unit.DBm{}
	}
	return f.err
}

func (a analyzer) ReadHold(context.Context) (driver.Trace, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	f, done := a.enter("ReadHold")
	if done {
		return driver.Trace{}, f.err
	}
	return a.trace(a.held), f.err
}

// the source

type source struct{ *world }

func (s source) enter(name string) (failure, bool) {
	f, done := s.call("source." + name)
	if f.cycles {
		s.sourceLost, s.on, s.freq, s.level = true, false, 0, -140
	}
	return f, done
}

func (s source) Identity() driver.Identity {
	return driver.Identity{Maker: "Depot", Model: "Voice", Serial: "V1"}
}
func (s source) Ranges() driver.Range { return driver.Range{} }
func (s source) Close() error         { return nil }

func (s source) Recover(context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	f, done := s.enter("Recover")
	if !done {
		s.sourceLost = false
		s.freq, s.level = s.asked.Freq, s.asked.Level
		s.on = s.skews.stuckOn && s.on
	}
	return f.err
}

func (s source) Health(context.Context) (driver.Health, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f, done := s.enter("Health")
	if done {
		return driver.Health{}, f.err
	}
	return driver.Health{PowerCycled: s.sourceLost}, f.err
}

func (s source) Halt(context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	f, done := s.enter("Halt")
	if !done {
		s.on = s.skews.stuckOn && s.on
	}
	return f.err
}

func (s source) SetFrequency(_ context.Context, f unit.Hz) (unit.Hz, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	bad, done := s.enter("SetFrequency")
	if done {
		return 0, bad.err
	}
	s.asked.Freq = f
	if !bad.cycles {
		s.freq = f
	}
	return f + s.skews.freq, bad.err
}

func (s source) SetLevel(_ context.Context, p unit.DBm) (unit.DBm, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	bad, done := s.enter("SetLevel")
	if done {
		return 0, bad.err
	}
	s.asked.Level = p
	if !bad.cycles {
		s.level = p
	}
	return p.Add(s.skews.level), bad.err
}

func (s source) SetOutput(ctx context.Context, on bool) (bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	name := "SetOutput(off)"
	if on {
		name = "SetOutput(on)"
	}
	f, done := s.enter(name)
	if done {
		return s.on, f.err
	}
	if on && ctx.Err() != nil {
		return false, &driver.Error{Op: "output", Kind: driver.KindCancelled, Err: ctx.Err()}
	}
	if !f.cycles {
		s.on = (on || s.skews.stuckOn && s.on) && !s.skews.stuckOff
	}
	if s.on {
		if !s.allowed(s.freq, s.level) {
			s.forbidden = append(s.forbidden, fmt.Sprintf("%v at %v", s.freq, s.level))
		}
		s.keyings = append(s.keyings, sweep.Keying{Freq: s.freq, Level: s.level})
	}
	return s.on, f.err
}

func (s source) Output(context.Context) (bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f, done := s.enter("Output")
	if done {
		return s.on, f.err
	}
	return s.on, f.err
}

// the hands

type hands struct{ *world }

func (h hands) Perform(ctx context.Context, s sweep.Step) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	f, done := h.call("hands.Perform")
	if done {
		return f.err
	}
	if h.on {
		h.forbidden = append(h.forbidden, fmt.Sprintf("source on at hold point %d", s.Index))
	}
	h.box = s.At.Specimen
	switch s.Lid {
	case sweep.LidCloses:
		h.lid = true
	case sweep.LidOpens:
		h.lid, h.box = false, ""
	}
	return f.err
}

// the bench

func facts() sweep.Bench {
	return sweep.Bench{
		Name: "depot", MaxLevel: 10, PathLoss: 20, NoiseFigure: 20, FreqErrorPPM: 1, SweepFactor: 2.5, HandsByRule: true, Conducted: true,
		MayTransmit: []sweep.Permission{{From: 30e6, To: 1e9, MaxLevel: 0, Basis: "inside the depot's screened room"}},
	}
}

func level(p unit.DBm) *unit.DBm { return &p }

func plan(t testing.TB, mode sweep.CaptureMode, freqs ...unit.Hz) sweep.Plan {
	t.Helper()
	p, bad := sweep.Compile(sweep.PlanSpec{
		Name: "night", Capture: mode, HoldPoints: "rule", Looks: 2,
		Bands: []sweep.BandSpec{{Freqs: freqs, Level: level(-10), RBW: 10e3}},
	}, facts())
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	return p
}

var lockers = []sweep.Specimen{{Name: "locker 1"}, {Name: "locker 2"}}

func request(p sweep.Plan) engine.Request {
	return engine.Request{Plan: p, Specimens: lockers, Operator: "Mara", Trigger: "test"}
}

// setup is a bench in this world; never idle-checked, so that calls can be counted.
func (w *world) setup() engine.Setup {
	return engine.Setup{
		Facts: facts(), Hands: hands{w}, Journal: w.journal, Clock: w, Software: "test",
		Open: func(context.Context) (driver.Analyzer, driver.Source, error) {
			w.mu.Lock()
			defer w.mu.Unlock()
			f, done := w.call("open")
			if done {
				return nil, nil, f.err
			}
			return analyzer{w}, source{w}, nil
		},
		Rules: engine.Rules{
			IdleCheck: 2 * time.Hour,
			Reopen:    engine.Patience{Tries: 1, First: 2 * time.Hour, Longest: 2 * time.Hour},
			LinkDown:  engine.Patience{Tries: 3, First: time.Second, Longest: 4 * time.Second},
			Off:       engine.Patience{Tries: 4, First: time.Millisecond, Longest: time.Millisecond},
		},
	}
}

// daemon is a bench being served.
type daemon struct {
	*engine.Bench
	stop func() error // ends it and returns what Serve returned
}

func serve(t testing.TB, s engine.Setup) daemon {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	opening := make(chan struct{})
	tellOpening(&s, opening)
	d := daemon{Bench: engine.New(s)}
	done := make(chan error, 1)
	go func() { done <- d.Serve(ctx) }()
	d.stop = sync.OnceValue(func() error { cancel(); return <-done })
	t.Cleanup(func() { d.stop() })
	<-opening
	return d
}

// tellOpening closes a channel when the bench is first opened, which is when it
// is being served.
func tellOpening(s *engine.Setup, opening chan struct{}) {
	open, once := s.Open, sync.OnceFunc(func() { close(opening) })
	s.Open = func(ctx context.Context) (driver.Analyzer, driver.Source, error) {
		once()
		return open(ctx)
	}
}

// waitFor polls until something is so.
func waitFor(t testing.TB, ok func() bool) {
	t.Helper()
	waitWithin(t, 10*time.Second, ok)
}

func waitWithin(t testing.TB, limit time.Duration, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(200 * time.Microsecond)
	defer tick.Stop()
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	for !ok() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatal("it never came to be")
		}
	}
}

// begin starts a run.
func (d daemon) begin(t testing.TB, q engine.Request) sweep.RunID {
	t.Helper()
	r, err := d.Start(context.Background(), q)
	if err != nil {
		t.Fatal(err)
	}
	return r.ID
}

// end waits for a run's end.
func (d daemon) end(t testing.TB, id sweep.RunID) sweep.Run {
	t.Helper()
	return d.endWithin(t, id, 20*time.Second)
}

func (d daemon) endWithin(t testing.TB, id sweep.RunID, limit time.Duration) sweep.Run {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	r, err := d.Wait(ctx, id)
	if err != nil {
		t.Fatalf("waiting for the run's end: %v (%+v)", err, d.Progress())
	}
	return r
}

// holding waits until a hold point waits and returns its step.
func (d daemon) holding(t testing.TB, after int) int {
	t.Helper()
	var step int
	waitFor(t, func() bool {
		p := d.Progress()
		if p.State == sweep.Holding && p.Hold != nil && p.Hold.Index > after {
			step = p.Hold.Index
			return true
		}
		return false
	})
	return step
}

// safe checks what must be so whenever no run is under way.
func (w *world) safe(t testing.TB) {
	t.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.on {
		t.Error("the source is on")
	}
	if len(w.forbidden) > 0 {
		t.Errorf("keyed what may not be: %v", w.forbidden)
	}
	if len(w.touchedShut) > 0 {
		t.Errorf("the analyzer was touched in the closed box: %v", w.touchedShut)
	}
	for _, p := range w.journal.broken {
		t.Errorf("journal: %s", p)
	}
}

// points lists what was committed: step and point of every capture.
func points(caps []sweep.Capture) []string {
	var out []string
	for _, c := range caps {
		out = append(out, fmt.Sprintf("step %d %v %s point %d", c.Step, c.Kind, c.At.Specimen, c.Point))
	}
	slices.Sort(out)
	return out
}

// memory is a journal that forgets when the test ends. It checks what a store
// relies on.
type memory struct {
	w        *world
	mu       sync.Mutex
	runs     map[sweep.RunID]*sweep.Run
	order    []sweep.RunID
	captures map[sweep.RunID][]sweep.Capture
	events   []sweep.Event
	ledger   []sweep.Keying
	broken   []string // rules of the port that the engine broke
}

func (m *memory) enter(name string) (failure, bool) {
	m.w.mu.Lock()
	defer m.w.mu.Unlock()
	return m.w.call("journal." + name)
}

func (m *memory) bad(format string, args ...any) {
	m.broken = append(m.broken, fmt.Sprintf(format, args...))
}

func (m *memory) Create(_ context.Context, r sweep.Run) error {
	f, done := m.enter("Create")
	m.mu.Lock()
	defer m.mu.Unlock()
	if done {
		return f.err
	}
	for _, o := range m.runs {
		if r.Key != "" && o.Key == r.Key && o.Bench.Name == r.Bench.Name {
			return sweep.ErrConflict
		}
	}
	m.runs[r.ID] = &r
	m.order = append(m.order, r.ID)
	return f.err
}

func (m *memory) Begin(_ context.Context, r sweep.Run) error {
	f, done := m.enter("Begin")
	m.mu.Lock()
	defer m.mu.Unlock()
	if done {
		return f.err
	}
	if r.Started == nil || r.Analyzer.Serial == "" || r.Source.Serial == "" {
		m.bad("begun without a time or identities: %+v", r)
	}
	m.runs[r.ID].Started, m.runs[r.ID].Analyzer, m.runs[r.ID].Source = r.Started, r.Analyzer, r.Source
	return f.err
}

func (m *memory) Transition(_ context.Context, id sweep.RunID, at time.Time, to sweep.State, reason, who string) error {
	f, done := m.enter("Transition " + to.String())
	m.mu.Lock()
	defer m.mu.Unlock()
	if done {
		return f.err
	}
	r := m.runs[id]
	legal := false
	for e := engine.EventBegin; e <= engine.EventResume; e++ {
		if mv, err := engine.Next(r.State, e); err == nil && mv.Next == to {
			legal = true
		}
	}
	if !legal {
		m.bad("run goes from %v to %v", r.State, to)
	}
	r.State, r.Reason = to, reason
	if to.Final() {
		r.Ended = &at
	}
	m.events = append(m.events, sweep.Event{Run: id, Time: at, Kind: "state", State: to, Text: reason, Who: who})
	return f.err
}

func (m *memory) Commit(_ context.Context, id sweep.RunID, next sweep.Checkpoint, caps ...sweep.Capture) error {
	f, done := m.enter("Commit")
	m.mu.Lock()
	defer m.mu.Unlock()
	if done {
		return f.err
	}
	r := m.runs[id]
	was := r.Checkpoint
	if next.Step < was.Step || next.Step == was.Step && next.Point <= was.Point {
		m.bad("checkpoint goes from %+v to %+v", was, next)
	}
	for i, c := range caps {
		for _, o := range m.captures[id] {
			if o.Step == c.Step && o.Point == c.Point && o.Rung == c.Rung {
				m.bad("step %d point %d is committed twice", c.Step, c.Point)
			}
		}
		if c.Run != id || c.ID == "" || c.Begun.IsZero() {
			m.bad("capture %d is not filled in: %+v", i, c)
		}
		c.Seq = len(m.captures[id]) + 1
		m.captures[id] = append(m.captures[id], c)
	}
	r.Checkpoint = next
	return f.err
}

func (m *memory) Note(_ context.Context, e sweep.Event) error {
	f, done := m.enter("Note")
	m.mu.Lock()
	defer m.mu.Unlock()
	if done {
		return f.err
	}
	if m.runs[e.Run] == nil {
		m.bad("note for a run that is not stored: %+v", e)
	}
	m.events = append(m.events, e)
	return f.err
}

func (m *memory) KeyOn(_ context.Context, k sweep.Keying) (int64, error) {
	f, done := m.enter("KeyOn")
	m.mu.Lock()
	defer m.mu.Unlock()
	if done {
		return 0, f.err
	}
	m.ledger = append(m.ledger, k)
	return int64(len(m.ledger)), f.err
}

func (m *memory) KeyOff(_ context.Context, entry int64, off time.Time, not string) error {
	f, done := m.enter("KeyOff")
	m.mu.Lock()
	defer m.mu.Unlock()
	if done {
		return f.err
	}
	k := &m.ledger[entry-1]
	if !k.Off.IsZero() {
		m.bad("entry %d is closed twice", entry)
	}
	k.Off, k.OffNot = off, not
	return f.err
}

func (m *memory) Run(_ context.Context, id sweep.RunID) (sweep.Run, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if r := m.runs[id]; r != nil {
		return *r, nil
	}
	return sweep.Run{}, sweep.ErrNoRun
}

func (m *memory) RunByKey(_ context.Context, bench, key string) (sweep.Run, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, r := range m.runs {
		if r.Bench.Name == bench && r.Key == key {
			return *r, nil
		}
	}
	return sweep.Run{}, sweep.ErrNoRun
}

func (m *memory) Captures(_ context.Context, id sweep.RunID) ([]sweep.Capture, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.captures[id]), nil
}

func (m *memory) Unfinished(context.Context) ([]sweep.Run, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []sweep.Run
	for _, id := range m.order {
		if r := m.runs[id]; r.State.Busy() {
			out = append(out, *r)
		}
	}
	return out, nil
}

// forget lets go of the captures of a run.
func (m *memory) forget(id sweep.RunID) {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.captures, id)
}

// run is a run as the journal has it.
func (m *memory) run(t testing.TB, id sweep.RunID) sweep.Run {
	t.Helper()
	r, err := m.Run(context.Background(), id)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func (m *memory) caps(id sweep.RunID) []sweep.Capture {
	c, _ := m.Captures(context.Background(), id)
	return c
}

func (m *memory) keyings() []sweep.Keying {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.ledger)
}

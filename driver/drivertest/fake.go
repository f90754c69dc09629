package drivertest

import (
	"context"
	"errors"
	"sync"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
)

// Air is the truth that fakes share: what the source puts out, and what of it
// arrives at the analyzer.
type Air struct {
	mu    sync.Mutex
	freq  unit.Hz
	level unit.DBm
	on    bool
	path  func(unit.Hz) unit.DB
	floor unit.DBm
}

// NewAir returns a truth with a path gain (negative for a loss) by frequency
// and a noise floor in the analyzer's bandwidth, without fluctuation.
func NewAir(path func(unit.Hz) unit.DB, floor unit.DBm) *Air {
	return &Air{path: path, floor: floor}
}

// SetPath changes the path, as closing a lid does.
func (a *Air) SetPath(path func(unit.Hz) unit.DB) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.path = path
}

// Source returns what the source puts out.
func (a *Air) Source() (freq unit.Hz, level unit.DBm, on bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.freq, a.level, a.on
}

func (a *Air) set(change func(*Air)) {
	a.mu.Lock()
	defer a.mu.Unlock()
	change(a)
}

// at returns the level within half a bandwidth of a frequency.
func (a *Air) at(f, half unit.Hz) unit.DBm {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.on && a.freq >= f-half && a.freq <= f+half {
		if p := a.level.Add(a.path(a.freq)); p > a.floor {
			return p
		}
	}
	return a.floor
}

// Script decides what a fake does instead of succeeding: it is called with the
// name of the method ("Sweep", "SetOutput") before it acts, and an error it
// returns is the method's. A nil Script never fails.
type Script func(method string) error

// fake is what both fakes share.
type fake struct {
	mu     sync.Mutex
	id     driver.Identity
	script Script
	calls  map[string]int
	health driver.Health
	ranges driver.Range
	closed bool
}

func (f *fake) begin(ctx context.Context, method string) error {
	f.mu.Lock()
	if f.calls == nil {
		f.calls = map[string]int{}
	}
	f.calls[method]++
	script, closed := f.script, f.closed
	f.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return &driver.Error{Op: method, Instrument: f.id.Model, Kind: driver.KindOf(err), Err: err}
	}
	if closed {
		return &driver.Error{Op: method, Instrument: f.id.Model, Kind: driver.KindClosed, Err: errors.New("the fake is closed")}
	}
	if script != nil {
		return script(method)
	}
	return nil
}

// SetScript makes the fake fail; nil ends that.
func (f *fake) SetScript(s Script) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.script = s
}

// SetHealth sets what Health returns; a power-on is returned once.
func (f *fake) SetHealth(h driver.Health) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.health = h
}

// SetRanges sets what Ranges returns.
func (f *fake) SetRanges(r driver.Range) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.ranges = r
}

// Calls returns how often a method was called.
func (f *fake) Calls(method string) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.calls[method]
}

// Identity implements driver.Instrument.
func (f *fake) Identity() driver.Identity { return f.id }

// Ranges implements driver.Instrument.
func (f *fake) Ranges() driver.Range {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.ranges
}

// Health implements driver.Instrument.
func (f *fake) Health(ctx context.Context) (driver.Health, error) {
	if err := f.begin(ctx, "Health"); err != nil {
		return driver.Health{}, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	h := f.health
	f.health.PowerCycled = false
	return h, nil
}

// Close implements driver.Instrument.
func (f *fake) Close() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.closed = true
	return nil
}

// Source is a fake source.
type Source struct {
	fake
	air *Air
}

var _ driver.Source = (*Source)(nil)

// NewSource returns a fake source, off.
func NewSource(air *Air) *Source {
	return &Source{air: air, fake: fake{id: driver.Identity{Maker: "BENCH", Model: "FAKE-SOURCE", Serial: "1", Raw: "BENCH,FAKE-SOURCE,1,0"}}}
}

// Recover implements driver.Instrument: the output is off afterwards.
func (s *Source) Recover(ctx context.Context) error {
	if err := s.begin(ctx, "Recover"); err != nil {
		return err
	}
	s.air.set(func(a *Air) { a.on = false })
	return nil
}

// Halt implements driver.Instrument.
func (s *Source) Halt(ctx context.Context) error {
	if err := s.begin(ctx, "Halt"); err != nil {
		return err
	}
	s.air.set(func(a *Air) { a.on = false })
	return nil
}

// SetFrequency implements driver.Source.
func (s *Source) SetFrequency(ctx context.Context, f unit.Hz) (unit.Hz, error) {
	if err := s.begin(ctx, "SetFrequency"); err != nil {
		return 0, err
	}
	s.air.set(func(a *Air) { a.freq = f })
	return f, nil
}

// SetLevel implements driver.Source.
func (s *Source) SetLevel(ctx context.Context, p unit.DBm) (unit.DBm, error) {
	if err := s.begin(ctx, "SetLevel"); err != nil {
		return 0, err
	}
	s.air.set(func(a *Air) { a.level = p })
	return p, nil
}

// SetOutput implements driver.Source.
func (s *Source) SetOutput(ctx context.Context, on bool) (bool, error) {
	if err := s.begin(ctx, "SetOutput"); err != nil {
		return false, err
	}
	s.air.set(func(a *Air) { a.on = on })
	return on, nil
}

// Output implements driver.Source.
func (s *Source) Output(ctx context.Context) (bool, error) {
	if err := s.begin(ctx, "Output"); err != nil {
		return false, err
	}
	_, _, on := s.air.Source()
	return on, nil
}

// Analyzer is a fake analyzer. While it is armed it looks at the air whenever
// the source is asked to do something through Look, and keeps the largest.
type Analyzer struct {
	fake
	air      *Air
	settings driver.Settings
	held     []unit.DBm
	took     time.Duration
	begun    time.Time
}

var _ driver.Analyzer = (*Analyzer)(nil)

// NewAnalyzer returns a fake analyzer whose sweeps are said to take that long;
// none takes any time.
func NewAnalyzer(air *Air, took time.Duration) *Analyzer {
	return &Analyzer{air: air, took: took, fake: fake{id: driver.Identity{Maker: "BENCH", Model: "FAKE-ANALYZER", Serial: "1", Raw: "BENCH,FAKE-ANALYZER,1,0"}}}
}

// Recover implements driver.Instrument.
func (a *Analyzer) Recover(ctx context.Context) error { return a.begin(ctx, "Recover") }

// Reattach implements driver.Analyzer.
func (a *Analyzer) Reattach(ctx context.Context) error { return a.begin(ctx, "Reattach") }

// Halt implements driver.Instrument.
func (a *Analyzer) Halt(ctx context.Context) error { return a.begin(ctx, "Halt") }

// Configure implements driver.Analyzer: every setting reads back as asked for,
// what was left automatic as 1001 points, the RBW as VBW, and the sweep time.
func (a *Analyzer) Configure(ctx context.Context, s driver.Settings) (driver.Settings, error) {
	if err := a.begin(ctx, "Configure"); err != nil {
		return driver.Settings{}, err
	}
	if s.Points == 0 {
		s.Points = 1001
	}
	if s.VBW == 0 {
		s.VBW = s.RBW
	}
	if s.SweepTime == 0 {
		s.SweepTime = a.took
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.settings, a.held = s, nil
	return s, nil
}

func (a *Analyzer) look() []unit.DBm {
	n := max(a.settings.Points, 1)
	levels := make([]unit.DBm, n)
	tr := driver.Trace{Start: a.settings.Center - a.settings.Span/2, Stop: a.settings.Center + a.settings.Span/2, Levels: levels}
	half := a.settings.RBW / 2
	if n > 1 {
		half = max(half, a.settings.Span/unit.Hz(n-1)/2)
	}
	for i := range levels {
		levels[i] = a.air.at(tr.Freq(i), half)
	}
	return levels
}

func (a *Analyzer) trace(levels []unit.DBm) driver.Trace {
	return driver.Trace{Start: a.settings.Center - a.settings.Span/2, Stop: a.settings.Center + a.settings.Span/2,
		Levels: levels, Begun: a.begun, Took: a.took}
}

// Sweep implements driver.Analyzer.
func (a *Analyzer) Sweep(ctx context.Context) (driver.Trace, error) {
	if err := a.begin(ctx, "Sweep"); err != nil {
		return driver.Trace{}, err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.begun = time.Now()
	return a.trace(a.look()), nil
}

// SweepTime implements driver.Analyzer.
func (a *Analyzer) SweepTime(ctx context.Context) (time.Duration, error) {
	if err := a.begin(ctx, "SweepTime"); err != nil {
		return 0, err
	}
	return a.took, nil
}

// Arm implements driver.Analyzer.
func (a *Analyzer) Arm(ctx context.Context) error {
	if err := a.begin(ctx, "Arm"); err != nil {
		return err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.begun = time.Now()
	a.held = a.look()
	return nil
}

// Look lets an armed analyzer sweep once more. It may be called from the
// test's clock, from another goroutine.
func (a *Analyzer) Look() {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.held == nil {
		return
	}
	for i, p := range a.look() {
		a.held[i] = max(a.held[i], p)
	}
}

// ReadHold implements driver.Analyzer.
func (a *Analyzer) ReadHold(ctx context.Context) (driver.Trace, error) {
	if err := a.begin(ctx, "ReadHold"); err != nil {
		return driver.Trace{}, err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.held == nil {
		return driver.Trace{}, &driver.Error{Op: "ReadHold", Instrument: a.id.Model, Kind: driver.KindDeviceSettings, Err: errors.New("the fake is not armed")}
	}
	return a.trace(append([]unit.DBm(nil), a.held...)), nil
}

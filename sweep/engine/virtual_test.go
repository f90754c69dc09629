package engine_test

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/instrument"
	"lidded/driver/link"
	"lidded/driver/unit"
	"lidded/driver/virtual"
	radio "lidded/driver/virtual/world"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// The engine on the virtual bench: own SCPI parsers behind real sockets, a radio
// world with a known truth, and a clock that the engine's waiting moves on.

const (
	trueLoss = unit.DB(30)
	trueSE   = unit.DB(15) // far above the noise: max hold reads high near it
)

// lab is a virtual bench with the means to open its instruments.
type lab struct {
	*virtual.Bench
	labSpec
	library *dialect.Library
	began   time.Time
}

// labSpec says what stands on a virtual bench.
type labSpec struct {
	analyzer, analyzerHabits string // dialect, and the virtual instrument's traits
	source, sourceHabits     string
	thermometer              bool // of the virtual analyzer
	pty                      bool // serial lines in place of TCP
	world                    *virtual.World
	seed                     uint64        // default 11
	quick                    time.Duration // not zero: how long a reply is waited for, and little patience with the rest
}

// newLabIn is newLab with something different in the world, and an analyzer with
// a thermometer, which only some dialect asks.
func newLabIn(t *testing.T, edit func(*virtual.World)) *lab {
	t.Helper()
	w := labWorld()
	edit(w)
	return newLabOf(t, labSpec{analyzer: "analyzer-opc", analyzerHabits: "modern-opc", source: "source-scpi", sourceHabits: "source-scpi", world: w, thermometer: true})
}

// newLab has a locker of one known shielding effectiveness.
func newLab(t *testing.T) *lab {
	t.Helper()
	return newLabOf(t, labSpec{analyzer: "analyzer-opc", analyzerHabits: "modern-opc", source: "source-scpi", sourceHabits: "source-scpi", world: labWorld()})
}

func labWorld() *virtual.World {
	return &virtual.World{
		Name: "depot yard", SharedReference: true,
		Path:       []radio.Loss{{Freq: 1e6, Loss: trueLoss}},
		Enclosures: []radio.Enclosure{{Name: "locker 1", Curve: []radio.Shield{{Freq: 1e6, SE: trueSE}}}},
	}
}

func newLabOf(t testing.TB, s labSpec) *lab {
	t.Helper()
	s.seed = cmp.Or(s.seed, 11)
	habits := func(name string) virtual.InstrumentConfig {
		traits, err := virtual.TraitPreset(name)
		if err != nil {
			t.Fatal(err)
		}
		traits.Thermometer = s.thermometer
		return virtual.InstrumentConfig{Traits: traits, PTY: s.pty}
	}
	b, err := virtual.Start(ctx, virtual.Config{Seed: s.seed, TimeScale: virtual.Jump, World: s.world, Analyzer: habits(s.analyzerHabits), Source: habits(s.sourceHabits)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	lib, err := dialect.Builtin()
	if err != nil {
		t.Fatal(err)
	}
	return &lab{b, s, lib, time.Date(2026, 5, 4, 22, 0, 0, 0, time.UTC)}
}

func (l *lab) Now() time.Time { return l.began.Add(l.Bench.Now()) }

// Sleep lets the bench's time pass at once.
func (l *lab) Sleep(ctx context.Context, d time.Duration) error {
	if d >= time.Hour {
		<-ctx.Done()
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	l.Advance(d)
	return nil
}

// Perform moves the receiver and the lid.
func (l *lab) Perform(_ context.Context, s sweep.Step) error {
	pad := unit.DB(0)
	if s.Fitting == sweep.StepAttenuator {
		pad = s.Lower
	}
	l.Terminate(s.Fitting == sweep.ReceiverTerminated)
	l.Load(s.Fitting == sweep.SourceLoaded)
	l.Pad(pad)
	switch {
	case s.At.Specimen == "" || s.Lid == sweep.LidOpens:
		return l.Open()
	case s.Lid == sweep.LidCloses:
		return l.Seal(s.At.Specimen)
	}
	return l.Link(s.At.Specimen)
}

func (l *lab) open(ctx context.Context) (driver.Analyzer, driver.Source, error) {
	s, err := instrument.OpenSource(ctx, l.spec("source", l.source, l.SourceAddr(), l.SourcePTY()))
	if err != nil {
		return nil, nil, err
	}
	a, err := instrument.OpenAnalyzer(ctx, l.spec("analyzer", l.analyzer, l.AnalyzerAddr(), l.AnalyzerPTY()))
	if err != nil {
		return nil, s, err
	}
	return a, s, nil
}

func (l *lab) spec(name, dialect, host, pty string) instrument.Spec {
	d, err := l.library.Get(dialect)
	if err != nil {
		panic(err)
	}
	s := instrument.Spec{
		Name: name, Dialect: d, Address: link.Address{Scheme: link.SchemeTCP, Host: host}, Backoff: time.Millisecond, Tries: 2,
		Timeouts: link.Timeouts{Dial: time.Second, Reply: 5 * time.Second, FirstReply: 5 * time.Second, Gap: time.Second},
	}
	if l.pty {
		s.Address = link.Address{Scheme: link.SchemeSerial, Path: pty, Baud: 115200, Data: 8, Parity: "none", Stop: 1}
	}
	if l.quick > 0 {
		hasty := *d
		hasty.Sweep.Timeout = l.quick
		s.Dialect, s.Quiet, s.Backoff, s.Tries = &hasty, l.quick/5, 10*time.Millisecond, 4
		s.Timeouts = link.Timeouts{Dial: time.Second, Reply: l.quick, FirstReply: 2 * l.quick, Gap: l.quick / 2}
	}
	return s
}

func (l *lab) setup(j *memory) engine.Setup {
	return engine.Setup{
		Facts: facts(), Open: l.open, Hands: l, Journal: j, Clock: l, Software: "test",
		Rules: engine.Rules{IdleCheck: 2 * time.Hour, Reopen: engine.Patience{First: 2 * time.Hour, Longest: 2 * time.Hour}},
	}
}

// judge compares what was captured with the truth: reference minus enclosed
// peaks, far above the noise.
func (l *lab) judge(t *testing.T, caps []sweep.Capture, want int) {
	t.Helper()
	reference, n := map[int]unit.DBm{}, 0
	for _, c := range caps {
		if c.Void != "" {
			t.Errorf("step %d point %d is void: %s", c.Step, c.Point, c.Void)
		}
		if c.Point == sweep.WholeTrace || c.Kind != sweep.Reference && c.Kind != sweep.Enclosed {
			continue
		}
		last := c.Looks[len(c.Looks)-1].Trace
		peak := last.Levels[last.Peak()]
		if c.Kind == sweep.Reference {
			reference[c.Point] = peak
			continue
		}
		n++
		if se := reference[c.Point].Sub(peak); math.Abs(float64(se-trueSE)) > 0.5 {
			t.Errorf("at %v %.2f dB are measured, %.2f are true", c.Freq, float64(se), float64(trueSE))
		}
	}
	if n != want {
		t.Errorf("%d enclosed captures, want %d", n, want)
	}
	if l.SourceOn() {
		t.Error("the source is on")
	}
	for _, k := range l.Ledger() {
		if k.Freq < 30e6 || k.Freq > 1e9 || k.Level > 0 || k.Off.IsZero() {
			t.Errorf("keyed %+v", k)
		}
	}
}

func TestRunsOnTheVirtualBench(t *testing.T) {
	for _, mode := range []sweep.CaptureMode{sweep.Linked, sweep.Sealed} {
		t.Run(mode.String(), func(t *testing.T) {
			t.Parallel()
			l, j := newLab(t), newWorld().journal
			d := serve(t, l.setup(j))
			q := request(plan(t, mode, 100e6, 300e6, 500e6))
			q.Specimens = lockers[:1]
			r := d.end(t, d.begin(t, q))
			if r.State != sweep.Completed {
				t.Fatalf("ended %v: %s", r.State, r.Reason)
			}
			caps := j.caps(r.ID)
			l.judge(t, caps, 3)
			// What the source did, by its own ledger, is what the engine wrote down.
			if mine, theirs := j.keyings(), l.Ledger(); len(mine) != len(theirs) {
				t.Errorf("%d keyings written down, the source had %d", len(mine), len(theirs))
			}
		})
	}
}

// TestFaultsOnTheVirtualBench lets both instruments misbehave in the middle of
// a run: it is completed, and nothing untrue is taken for valid.
func TestFaultsOnTheVirtualBench(t *testing.T) {
	for _, role := range []virtual.Role{virtual.RoleAnalyzer, virtual.RoleSource} {
		for _, fault := range []virtual.Kind{virtual.FaultDrop, virtual.FaultDropMid, virtual.FaultPowerCycle, virtual.FaultGarbage, virtual.FaultTruncate} {
			t.Run(fmt.Sprintf("%v %v", role, fault), func(t *testing.T) {
				t.Parallel()
				l, j := newLab(t), newWorld().journal
				s := l.setup(j)
				struck := false
				s.Observer = observer(func(p sweep.Progress) {
					// With the source on, in the first point of the reference.
					if p.Kind == "source" && p.SourceOn && !struck {
						struck = true
						if err := l.Fault(role, virtual.Fault{Kind: fault, Delay: 20 * time.Millisecond}); err != nil {
							t.Error(err)
						}
					}
				})
				s.Clock = patient{l}
				d := serve(t, s)
				q := request(plan(t, sweep.Linked, 100e6, 300e6))
				q.Specimens = lockers[:1]
				r := d.end(t, d.begin(t, q))
				if r.State != sweep.Completed {
					t.Fatalf("ended %v: %s", r.State, r.Reason)
				}
				n := 0
				for _, k := range l.Struck(role) {
					n += k
				}
				if n == 0 {
					t.Error("the fault never struck")
				}
				l.judge(t, j.caps(r.ID), 2)
				if !slices.ContainsFunc(j.events, func(e sweep.Event) bool { return e.Kind == "fault" }) {
					t.Error("no fault was noted")
				}
			})
		}
	}
}

// patient lets pauses between tries take real time too: a port that is closed
// for a while is closed in real time.
type patient struct{ *lab }

func (p patient) Sleep(ctx context.Context, d time.Duration) error {
	if d >= 100*time.Millisecond && d < time.Hour {
		if err := engine.RealClock().Sleep(ctx, 50*time.Millisecond); err != nil {
			return err
		}
	}
	return p.lab.Sleep(ctx, d)
}

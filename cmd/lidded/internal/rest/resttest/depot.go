// Package resttest is a make-believe depot behind the interface of package
// rest, for tests of that interface and of the page: benches, plans, runs that
// go forward one capture at a time when told to, and results that show every
// outcome.
//
// It measures nothing and its figures prove nothing. The real thing is the
// engine on the virtual bench.
package resttest

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"lidded/cmd/lidded/internal/rest"
	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/emission"
	"lidded/sweep/requirement"
)

// Depot implements every port of package rest.
type Depot struct {
	Hub *rest.Hub
	// TracePoints of each trace; set it before the first run. 0: 101; negative: no
	// traces at all, for very many runs.
	TracePoints int

	mu      sync.Mutex
	benches []*bench
	plans   []sweep.PlanSpec
	boxes   []sweep.Specimen
	line    *requirement.Line
	runs    []*run // oldest first
	fail    map[string]error
	orders  []string
	seq     int64
	clock   time.Time

	predicted map[string]time.Duration // by bench, plan and specimens
}

type bench struct {
	sweep.Bench
	on       *bool
	analyzer rest.InstrumentNow
	source   rest.InstrumentNow
	run      *run
	last     *sweep.Progress
}

type run struct {
	sweep.Run
	captures []sweep.Capture
	events   []sweep.Event
	keyings  []sweep.Keying
	total    int
}

// Begin is the time at which the depot's clock stands at first.
var Begin = time.Date(2026, 3, 14, 21, 30, 0, 0, time.UTC)

// publicLimits are those that a config without a choice takes.
func publicLimits() emission.Limits {
	l, err := emission.BuiltinLimits("")
	if err != nil {
		panic(err) // shipped data
	}
	return l
}

// New makes a depot with one bench, "depot", or with those named.
func New(names ...string) *Depot {
	if len(names) == 0 {
		names = []string{"depot"}
	}
	d := &Depot{Hub: rest.NewHub(), fail: map[string]error{}, predicted: map[string]time.Duration{}, clock: Begin, line: line()}
	for _, n := range names {
		off := false
		d.benches = append(d.benches, &bench{
			Bench: sweep.Bench{
				Name: n, MaxLevel: 10, PathLoss: 40, NoiseFigure: 24, FreqErrorPPM: 2, SweepFactor: 2.5, HandsByRule: true, Uncertainty: 1.2,
				MayTransmit: []sweep.Permission{{From: 30e6, To: 1e9, MaxLevel: 10, Basis: "inside the depot's screened room"}},
				Cautions:    []string{"The roller door stays shut while the lamp is lit."},
				Never:       emission.Never{Overrides: []emission.Override{{Entry: "airband-voice", Basis: "inside the depot's screened room"}}},
				Radiated:    &emission.Chain{Amplifier: 30, Cable: 1, AntennaGain: 2},
				Exposure:    &emission.Rule{Limits: publicLimits(), Ground: emission.FullReflection},
			},
			on:       &off,
			analyzer: rest.InstrumentNow{Dialect: "binary-little-endian", Up: true, Since: Begin, Identity: driver.Identity{Maker: "Example", Model: "Analyzer", Serial: "A-17", Firmware: "1.4"}},
			source:   rest.InstrumentNow{Dialect: "plain-source", Up: true, Since: Begin, Identity: driver.Identity{Maker: "Example", Model: "Source", Serial: "S-4", Firmware: "2.0"}},
		})
	}
	level, hot := unit.DBm(0), unit.DBm(25)
	d.plans = []sweep.PlanSpec{
		{Name: "locker", About: "Spare-radio lockers, 30 MHz to 1 GHz", Requirement: "depot-spare-radio", Bands: []sweep.BandSpec{{Name: "all", From: 30e6, To: 1e9, Count: 41, Level: &level, RBW: 10e3}}},
		{Name: "quick", About: "Three frequencies", Requirement: "depot-spare-radio", Bands: []sweep.BandSpec{{Name: "few", Freqs: []unit.Hz{40e6, 160e6, 430e6}, Level: &level, RBW: 10e3}}},
		{Name: "too-hot", About: "More level than the bench stands", Bands: []sweep.BandSpec{{Name: "hot", Freqs: []unit.Hz{40e6, 2e9}, Level: &hot, RBW: 10e3}}},
	}
	d.boxes = []sweep.Specimen{
		{Name: "locker-steel", About: "Welded steel, finger stock all round"},
		{Name: "locker-mesh", About: "Viewing door of woven mesh"},
		{Name: "locker-vent", About: "Steel with a long vent slot"},
	}
	return d
}

func line() *requirement.Line {
	return &requirement.Line{
		Name: "depot-spare-radio", Title: "River-rescue depot, spare-radio lockers", Standard: "Depot rule for spare radios", Edition: "issue 2", Mark: requirement.Chosen,
		Curves: []requirement.Curve{{Fields: []requirement.Field{requirement.PlaneWave}, Segments: []requirement.Segment{
			{Points: []requirement.Point{{Freq: 30e6, SE: 50, Mark: requirement.Chosen}, {Freq: 200e6, SE: 60, Mark: requirement.Chosen}, {Freq: 1e9, SE: 60, Mark: requirement.Chosen}}},
		}}},
	}
}

// Add puts a plan into the config.
func (d *Depot) Add(p sweep.PlanSpec) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.plans = append(d.plans, p)
}

// Options are ready to make an interface from.
func (d *Depot) Options() rest.Options {
	return rest.Options{Version: "0.0.0-test", Benches: d, Plans: plans{d}, Specimens: plans{d}, Runs: d, Records: d, Judge: d, Live: d.Hub, Upkeep: upkeep{d}}
}

// Fail makes a method fail from now on; nil mends it. Methods go by name:
// "All", "SourceOff", "Start", "Stop", "Abort", "Resume", "Release", "Run",
// "Runs", "Evaluation", …
func (d *Depot) Fail(method string, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fail[method] = err
}

// Orders lists the orders taken so far, as "verb run who".
func (d *Depot) Orders() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clone(d.orders)
}

// Link sets the state of both links of a bench and says so.
func (d *Depot) Link(name string, analyzer, source bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	b := d.bench(name)
	b.analyzer.Up, b.source.Up = analyzer, source
	b.analyzer.Fault, b.source.Fault = "", ""
	if !analyzer {
		b.analyzer.Fault = "no reply within 10s; check the cable and that the instrument is on"
	}
	if !source {
		b.source.Fault = "connection refused; check the address"
	}
	if b.run != nil {
		d.tell(b, "link", "")
	}
}

// Key shows a bench's source as on or off.
func (d *Depot) Key(name string, on bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	b := d.bench(name)
	b.on = &on
	if b.run != nil {
		d.tell(b, "source", "")
	}
}

func (d *Depot) bench(name string) *bench {
	for _, b := range d.benches {
		if b.Name == name {
			return b
		}
	}
	return nil
}

func (d *Depot) broken(method string) error { return d.fail[method] }

func (d *Depot) tick(by time.Duration) time.Time {
	d.clock = d.clock.Add(by)
	return d.clock
}

// All lists the benches.
func (d *Depot) All(context.Context) ([]rest.BenchNow, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.broken("All"); err != nil {
		return nil, err
	}
	var out []rest.BenchNow
	for _, b := range d.benches {
		out = append(out, rest.BenchNow{Bench: b.Bench, Analyzer: b.analyzer, Source: b.source, SourceOn: b.on, Run: b.last})
	}
	return out, nil
}

// SourceOff switches a source off and ends the run of its bench.
func (d *Depot) SourceOff(_ context.Context, name, who string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.orders = append(d.orders, "source-off "+name+" "+who)
	if err := d.broken("SourceOff"); err != nil {
		return err
	}
	b := d.bench(name)
	off := false
	b.on = &off
	if b.run != nil {
		d.end(b, sweep.Aborted, "source off ordered", who)
	}
	return nil
}

// plans is the part of the depot whose names would clash.
type plans struct{ d *Depot }

func (p plans) All(context.Context) ([]rest.PlanEntry, error) {
	if err := p.d.fail["Plans"]; err != nil {
		return nil, err
	}
	var out []rest.PlanEntry
	for _, s := range p.d.plans {
		c, _ := sweep.Compile(s, p.d.benches[0].Bench)
		out = append(out, rest.PlanEntry{Name: s.Name, About: s.About, Capture: c.Capture, Points: len(c.Points), Requirement: s.Requirement})
	}
	return out, nil
}

func (p plans) On(_ context.Context, name, on string, specimens []string) (rest.PlanOn, error) {
	p.d.mu.Lock()
	defer p.d.mu.Unlock()
	plan, boxes, err := p.d.find(name, on, specimens)
	if err != nil {
		return rest.PlanOn{}, err
	}
	b := p.d.bench(on).Bench
	return rest.PlanOn{
		Plan: plan, Bench: on, Specimens: namesOf(boxes), Steps: sweep.Steps(plan, b, boxes), Line: p.d.lineFor(plan),
		Estimate: sweep.Predict(plan, b, p.d.lineFor(plan), boxes), Refusals: sweep.CheckOn(plan, b),
	}, nil
}

func (p plans) Specimens(context.Context) ([]sweep.Specimen, error) { return p.d.boxes, nil }

func (d *Depot) lineFor(p sweep.Plan) *requirement.Line {
	if p.Requirement == "" {
		return nil
	}
	return d.line
}

func namesOf(boxes []sweep.Specimen) []string {
	var out []string
	for _, b := range boxes {
		out = append(out, b.Name)
	}
	return out
}

func (d *Depot) find(name, on string, specimens []string) (sweep.Plan, []sweep.Specimen, error) {
	i := slices.IndexFunc(d.plans, func(s sweep.PlanSpec) bool { return s.Name == name })
	if i < 0 {
		return sweep.Plan{}, nil, &rest.NotFoundError{What: "plan", Name: name, Known: []string{"locker", "quick", "too-hot"}}
	}
	if len(specimens) == 0 {
		specimens = namesOf(d.boxes)
	}
	var boxes []sweep.Specimen
	for _, s := range specimens {
		k := slices.IndexFunc(d.boxes, func(b sweep.Specimen) bool { return b.Name == s })
		if k < 0 {
			return sweep.Plan{}, nil, &rest.NotFoundError{What: "specimen", Name: s, Known: namesOf(d.boxes)}
		}
		boxes = append(boxes, d.boxes[k])
	}
	plan, bad := sweep.Compile(d.plans[i], d.bench(on).Bench)
	if len(bad) > 0 {
		return plan, nil, bad[0]
	}
	return plan, boxes, nil
}

// Faults lists what is made to fail, for messages of tests.
func (d *Depot) Faults() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return fmt.Sprint(slices.Sorted(maps.Keys(d.fail)))
}

package virtual

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"lidded/driver/unit"
	"lidded/driver/virtual/world"
)

// World describes the radio world; see the package world.
type World = world.World

// Load reads a world from a strict YAML file; errors name file and line.
func Load(file string) (*World, error) { return world.Load(file) }

// Preset returns a built-in world: "depot", "thin" or "shared".
func Preset(name string) (*World, error) { return world.Preset(name) }

// NoTCP as a listen address gives an instrument no TCP port.
const NoTCP = "none"

// Config says what bench to start. The zero value with a World is a bench in
// real time with the textbook traits on free loopback ports.
type Config struct {
	World *World // required
	// Seed decides all noise. The same seed and the same commands at the same
	// simulated times (see Jump) give the same data.
	Seed uint64
	// TimeScale is how many simulated seconds pass in a real one: 480 puts a
	// night of eight hours into a minute. 0 means 1; see also Jump.
	TimeScale float64
	Analyzer  InstrumentConfig
	Source    InstrumentConfig
	// Control is the listen address of the control socket, "" for none.
	Control string
}

// InstrumentConfig says how an instrument is reached and behaves.
type InstrumentConfig struct {
	// Listen is a loopback address, "" for a free port of 127.0.0.1, NoTCP for
	// none.
	Listen string
	// PTY opens a serial line too; PTYLink makes a symbolic link to it.
	PTY     bool
	PTYLink string
	// Traits are those of "modern-opc" or "source-scpi" if Name is empty.
	Traits Traits
}

// Nominal is the instrument time used, in simulated time.
type Nominal struct {
	Sweeps      int           `json:"sweeps"`
	Sweeping    time.Duration `json:"sweeping_ns"`     // triggered whole sweeps with their retrace
	FreeRunning time.Duration `json:"free_running_ns"` // whole sweeps in continuous mode, wanted or not
	Settling    time.Duration `json:"settling_ns"`     // the source after its changes
}

// Total is the sum of triggered sweeping and settling.
func (n Nominal) Total() time.Duration { return n.Sweeping + n.Settling }

// Bench is a running pair of instruments in one radio world. Its methods may be
// called from any goroutine.
type Bench struct {
	world *World
	seed  uint64
	clock *clock
	ctx   context.Context
	stop  context.CancelFunc
	build error

	mu       sync.Mutex // everything below and both instruments
	air      *ether
	analyzer *analyzer
	source   *source
	nominal  Nominal
	ledger   []Keying
	specimen string // enclosed, "" in the open
	sealed   bool
	stirred  chan struct{} // closed and renewed when a wait must look again
	notes    []error

	temperature float64 // °C, of instruments with a thermometer

	control *control
}

// Start starts the bench. It runs until Close or until ctx is done, after which
// Close must still be called.
func Start(ctx context.Context, c Config) (*Bench, error) {
	if c.World == nil {
		return nil, errors.New("virtual bench: no world: use virtual.Preset or virtual.Load")
	}
	c.World = c.World.Complete()
	if err := c.World.Check(); err != nil {
		return nil, fmt.Errorf("virtual bench: %w", err)
	}
	if c.TimeScale < 0 || c.TimeScale != c.TimeScale {
		return nil, fmt.Errorf("virtual bench: time scale %v must be above zero", c.TimeScale)
	}
	at, err := c.Analyzer.traits(RoleAnalyzer)
	if err != nil {
		return nil, err
	}
	st, err := c.Source.traits(RoleSource)
	if err != nil {
		return nil, err
	}
	b := &Bench{world: c.World, seed: c.Seed, clock: newClock(c.TimeScale), stirred: make(chan struct{}), temperature: 35}
	b.ctx, b.stop = context.WithCancel(ctx)
	b.air = newEther(c.World, c.Seed)
	b.source = newSource(b, st)
	b.analyzer = newAnalyzer(b, at)
	if b.build != nil {
		b.stop()
		return nil, fmt.Errorf("virtual bench: %w", b.build)
	}
	b.source.powerOn()
	b.analyzer.powerOn()
	b.source.server = &server{dev: &b.source.device}
	b.analyzer.server = &server{dev: &b.analyzer.device}
	err = b.analyzer.server.open(b.ctx, c.Analyzer)
	if err == nil {
		err = b.source.server.open(b.ctx, c.Source)
	} else {
		b.source.server = nil
	}
	if err == nil && c.Control != "" {
		b.control, err = openControl(b, c.Control)
	}
	if err != nil {
		b.Close()
		return nil, fmt.Errorf("virtual bench: %w", err)
	}
	return b, nil
}

func (c *InstrumentConfig) traits(role Role) (Traits, error) {
	t := c.Traits
	if t.Name == "" && t.Identity == "" {
		if role == RoleSource {
			t = sourceTraits("source-scpi")
		} else {
			t = analyzerTraits("modern-opc")
		}
	}
	if err := t.check(role); err != nil {
		return t, fmt.Errorf("virtual bench: %s traits %q: %w", role, t.Name, err)
	}
	return t, nil
}

// Close switches everything off, closes every port and waits for all
// goroutines. The first error of the bench's own, such as a port that could not
// be opened again, is returned.
func (b *Bench) Close() error {
	b.stop()
	if b.control != nil {
		b.control.close()
	}
	for _, v := range []*server{b.analyzer.server, b.source.server} {
		if v != nil && v.ctx != nil {
			v.close()
		}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	return errors.Join(b.notes...)
}

func (b *Bench) note(err error) {
	b.mu.Lock()
	b.notes = append(b.notes, err)
	b.mu.Unlock()
}

// stir wakes every wait, under the lock.
func (b *Bench) stir() {
	close(b.stirred)
	b.stirred = make(chan struct{})
}

// tidy forgets scenes that no sweep still needs, under the lock.
func (b *Bench) tidy(now float64) {
	if b.analyzer == nil {
		return
	}
	q := &b.analyzer.run
	if !q.ended {
		now = min(now, q.start+float64(q.done)*q.spec.period)
	}
	b.air.forget(now)
}

func (b *Bench) device(r Role) (*device, error) {
	switch r {
	case RoleAnalyzer:
		return &b.analyzer.device, nil
	case RoleSource:
		return &b.source.device, nil
	}
	return nil, fmt.Errorf("role %d is unknown", r)
}

// Commands returns the header patterns that an instrument understands with its
// traits, in the notation of README.md.
func (b *Bench) Commands(r Role) []string {
	d, err := b.device(r)
	if err != nil {
		return nil
	}
	return append([]string(nil), d.tree.Patterns()...)
}

func tcp(v *server) string {
	if v.addr == nil {
		return ""
	}
	return v.addr.String()
}

func tty(v *server) string {
	if v.slave == nil {
		return ""
	}
	return v.slave.Name()
}

// AnalyzerAddr returns the analyzer's host:port, "" without TCP.
func (b *Bench) AnalyzerAddr() string { return tcp(b.analyzer.server) }

// SourceAddr returns the source's host:port, "" without TCP.
func (b *Bench) SourceAddr() string { return tcp(b.source.server) }

// AnalyzerPTY returns the path of the analyzer's serial line, "" for none.
func (b *Bench) AnalyzerPTY() string { return tty(b.analyzer.server) }

// SourcePTY returns the path of the source's serial line, "" for none.
func (b *Bench) SourcePTY() string { return tty(b.source.server) }

// ControlAddr returns the control socket's host:port, "" for none.
func (b *Bench) ControlAddr() string {
	if b.control == nil {
		return ""
	}
	return b.control.ln.Addr().(*net.TCPAddr).String()
}

// Now returns the simulated time since the start.
func (b *Bench) Now() time.Duration { return time.Duration(b.clock.now() * 1e9) }

// Advance moves the simulated time forward at once; sweeps and settling that
// fall into it are done.
func (b *Bench) Advance(d time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.clock.advance(max(0, d.Seconds()))
	b.stir()
}

// Nominal returns the instrument time used so far.
func (b *Bench) Nominal() Nominal {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.analyzer.fold(b.clock.now())
	return b.nominal
}

// Place puts the antennas at a position and a polarization.
func (b *Bench) Place(position, polarization string) error {
	if err := b.world.CheckPlace(position, polarization); err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.air.change(b.clock.now(), func(s *scene) { s.position, s.polar = position, polarization })
	return nil
}

// Enclose puts the receiving antenna into a specimen and closes the lid. If the
// specimen is sealed, the analyzer goes with it: it sweeps on, but its ports are
// gone until Open.
func (b *Bench) Enclose(name string) error { return b.enclose(name, nil) }

// Seal is Enclose with the analyzer inside whatever the world says.
func (b *Bench) Seal(name string) error {
	yes := true
	return b.enclose(name, &yes)
}

// Link is Enclose with the analyzer reachable whatever the world says.
func (b *Bench) Link(name string) error {
	no := false
	return b.enclose(name, &no)
}

func (b *Bench) enclose(name string, sealed *bool) error {
	e, err := b.world.Enclosure(name)
	if err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	was := b.sealed
	b.specimen, b.sealed = name, e.Sealed
	if sealed != nil {
		b.sealed = *sealed
	}
	b.air.change(b.clock.now(), func(s *scene) { s.enclosure = e })
	return b.reseal(was)
}

// reseal makes the analyzer's ports follow the lid, under the lock.
func (b *Bench) reseal(was bool) error {
	switch {
	case b.sealed && !was:
		b.analyzer.server.offline("lid")
	case !b.sealed && was:
		return b.analyzer.server.online("lid")
	}
	return nil
}

// Open opens the lid and takes the antenna out: the open geometry.
func (b *Bench) Open() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	was := b.sealed
	b.specimen, b.sealed = "", false
	b.air.change(b.clock.now(), func(s *scene) { s.enclosure = nil })
	return b.reseal(was)
}

// Specimen returns the specimen whose lid is closed, "" in the open.
func (b *Bench) Specimen() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.specimen
}

// Terminate takes the receiving antenna off and puts a load on the analyzer, or
// puts the antenna back. What is left is noise, spurs and the world's leakage.
func (b *Bench) Terminate(load bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.air.change(b.clock.now(), func(s *scene) { s.terminated = load })
}

// Load takes the transmitting antenna off and puts a load on the source's cable,
// or puts the antenna back. What is left is noise, spurs, other people's carriers
// and the world's leakage.
func (b *Bench) Load(load bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.air.change(b.clock.now(), func(s *scene) { s.loaded = load })
}

// Pad puts an exact attenuator between antenna and analyzer; 0 takes it out.
func (b *Bench) Pad(loss unit.DB) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.air.change(b.clock.now(), func(s *scene) { s.pad = float64(loss) })
}

// Warm sets the temperature that instruments with a thermometer report, in °C.
func (b *Bench) Warm(celsius float64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.temperature = celsius
}

// Fault asks for a fault of one instrument.
func (b *Bench) Fault(r Role, f Fault) error {
	d, err := b.device(r)
	if err != nil {
		return err
	}
	if f.Kind <= FaultUnknown || int(f.Kind) >= len(kindNames) {
		return fmt.Errorf("fault kind %d is unknown", f.Kind)
	}
	if f.Count == 0 {
		f.Count = 1
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	d.faults.list = append(d.faults.list, f)
	return nil
}

// Storm lets random faults fall on one instrument until CalmDown.
func (b *Bench) Storm(r Role, s Storm) error {
	d, err := b.device(r)
	if err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	d.faults.storm = &s
	d.faults.rnd = newRandom(s.Seed)
	return nil
}

// CalmDown takes back every fault that has not struck, the storm, and a limit
// of clients set by a fault.
func (b *Bench) CalmDown(r Role) error {
	d, err := b.device(r)
	if err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	d.faults.list, d.faults.storm, d.faults.due = nil, nil, nil
	d.server.limit(d.traits.MaxClients)
	d.server.mu.Lock()
	d.server.release()
	d.server.mu.Unlock()
	return nil
}

// Struck returns how often each kind of fault has struck an instrument.
func (b *Bench) Struck(r Role) map[Kind]int {
	d, err := b.device(r)
	if err != nil {
		return nil
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	out := map[Kind]int{}
	for k, n := range d.faults.struck {
		out[k] = n
	}
	return out
}

// PowerCycle switches an instrument off and on: its settings and traces are
// lost, its clients cut, its ports refused for a while of real time, and the
// power-on bit of *ESR? is set.
func (b *Bench) PowerCycle(r Role, off time.Duration) error {
	d, err := b.device(r)
	if err != nil {
		return err
	}
	b.mu.Lock()
	d.powerOn()
	b.stir()
	b.mu.Unlock()
	d.server.refuse(off)
	return nil
}

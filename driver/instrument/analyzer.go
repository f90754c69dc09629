package instrument

import (
	"context"
	"errors"
	"time"

	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/unit"
)

// Analyzer is the receiving role.
type Analyzer struct {
	talker
	want    *driver.Settings // last asked for; nil: never
	applied applied          // what the instrument has been given
	got     driver.Settings  // as last read back
	points  int              // of a trace; 0: not known
	took    time.Duration    // of a sweep, as last reported or computed; 0: not known
	before  []unit.DBm       // the trace before, where only waiting tells that there is a new one
	single  bool             // sweeps only when started
	held    bool             // a trace is being held, or waits to be read: leave it alone

	scratch []float64
	text    []byte
}

var _ driver.Analyzer = (*Analyzer)(nil)

// OpenAnalyzer connects to an analyzer and puts it into its known state. It
// tries once.
func OpenAnalyzer(ctx context.Context, spec Spec) (*Analyzer, error) {
	if spec.Dialect == nil || spec.Dialect.Role != dialect.Analyzer {
		return nil, wrongRole(spec, dialect.Analyzer)
	}
	a := &Analyzer{}
	a.init(spec)
	err := a.connect(ctx)
	if err == nil {
		a.restarted, a.reported = false, false // nothing was set that could be lost
		err = a.prepare(ctx)
	}
	if err == nil {
		err = a.ask(ctx, a.prepare)
	}
	if err != nil {
		a.drop()
		return nil, err
	}
	return a, nil
}

// prepare puts a newly connected analyzer into its known state.
func (a *Analyzer) prepare(ctx context.Context) error {
	a.forget()
	if err := a.apply(ctx, a.dialect.Preset); err != nil {
		return err
	}
	if err := a.apply(ctx, a.dialect.Trace.Format); err != nil {
		return err
	}
	return a.toSingle(ctx)
}

// forget drops all belief about what the instrument is set to.
func (a *Analyzer) forget() {
	a.applied = applied{}
	a.single, a.held = false, false
	a.points, a.took = 0, 0
}

// Recover implements driver.Instrument. While a trace is held, only the link
// and the number format are re-established: anything else could clear it.
func (a *Analyzer) Recover(ctx context.Context) error {
	prepare := func(ctx context.Context) error {
		a.restarted = false // what was lost is set again now
		if err := a.prepare(ctx); err != nil {
			return err
		}
		if a.want == nil {
			return nil
		}
		_, err := a.Configure(ctx, *a.want)
		return err
	}
	if a.held {
		prepare = a.rejoin
	}
	err := a.establish(ctx, prepare)
	if err == nil && a.spec.Observer != nil {
		a.spec.Observer.Reconnect(a.spec.Name)
	}
	return err
}

// Reattach implements driver.Analyzer.
func (a *Analyzer) Reattach(ctx context.Context) error {
	if !a.held {
		return a.fail("reattach", "", driver.KindDeviceSettings, errNotArmed, "", "recover it instead")
	}
	return a.Recover(ctx)
}

var (
	errNotArmed  = errors.New("the analyzer is not armed")
	errTraceLost = errors.New("the power-on bit is set: the held trace is lost")
)

// rejoin readies a new link to an instrument that holds a trace. A restart in
// the meantime has lost the trace; the caller is told, and the instrument is
// no longer left alone.
func (a *Analyzer) rejoin(ctx context.Context) error {
	if a.restarted {
		a.held, a.reported = false, false
		return a.fail("rejoin", "", driver.KindPowerCycled, errTraceLost, "", "recover it, and repeat what was held")
	}
	return a.apply(ctx, a.dialect.Trace.Format)
}

// Halt ends sweeping.
func (a *Analyzer) Halt(ctx context.Context) error {
	a.held = false
	a.single = false
	if err := a.toSingle(ctx); err != nil {
		return err
	}
	return a.apply(ctx, a.dialect.Sweep.Stop)
}

// toSingle makes sure that the instrument sweeps only when started.
func (a *Analyzer) toSingle(ctx context.Context) error {
	if a.single {
		return nil
	}
	if err := a.apply(ctx, a.dialect.Sweep.Single); err != nil {
		return err
	}
	a.single = true
	return nil
}

// Ranges implements driver.Instrument.
func (a *Analyzer) Ranges() driver.Range {
	low, high := dialect.Center, dialect.Center
	if a.dialect.Setting(dialect.Center) == nil {
		low, high = dialect.Start, dialect.Stop
	}
	b := a.limits[dialect.RBW]
	r := driver.Range{FreqMin: unit.Hz(stated(a.limits[low].min)), FreqMax: unit.Hz(stated(a.limits[high].max)),
		RBWMin: unit.Hz(stated(b.min)), RBWMax: unit.Hz(stated(b.max))}
	for _, v := range a.dialect.Setting(dialect.RBW).Values {
		if r.RBWMin == 0 || unit.Hz(v) < r.RBWMin {
			r.RBWMin = unit.Hz(v)
		}
		if unit.Hz(v) > r.RBWMax {
			r.RBWMax = unit.Hz(v)
		}
	}
	return r
}

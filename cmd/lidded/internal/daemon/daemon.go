package daemon

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/dashboard"
	"lidded/cmd/lidded/internal/guardian"
	"lidded/cmd/lidded/internal/guide"
	"lidded/cmd/lidded/internal/metrics"
	"lidded/cmd/lidded/internal/rest"
	"lidded/driver"
	"lidded/driver/instrument"
	"lidded/driver/link"
	"lidded/store"
	"lidded/store/lab"
	"lidded/store/recall"
	"lidded/sweep"
	"lidded/sweep/engine"
	"lidded/sweep/report/document"
)

// Options of a daemon.
type Options struct {
	Software string
	Logger   *zap.Logger
	// Observer sees every picture besides the hub and the metrics; nil: nobody.
	Observer sweep.Observer
	// Guardian is the program, with its arguments, that stands by for each bench
	// (see package guardian); empty: none.
	Guardian []string
	// GuardianGivesUp is after how long a guardian stops trying to reach a source
	// once the daemon is gone; 0: never.
	GuardianGivesUp time.Duration
}

// Daemon is everything that serves a lab. Open it, Serve it.
type Daemon struct {
	lab      *Lab
	log      *zap.Logger
	software string
	store    *store.Store
	hub      *rest.Hub
	metrics  *metrics.Metrics
	judge    *judge
	benches  map[string]*bench
	order    []string
	front    front
	claims   claims
	extra    sweep.Observer
	settle   *backlog
	started  time.Time

	timetables []*timetable
	briefs     *briefs
	shipper    *lab.Shipper // nil: no lab
}

// bench is one bench as served.
type bench struct {
	lab      *Bench
	engine   *engine.Bench
	guardian *guardian.Guardian // nil: none
	analyzer *link.Ring
	source   *link.Ring
}

const (
	ringExchanges = 200
	ringFailures  = 20
	shutdownTime  = 5 * time.Second
	judgesKept    = 16
	briefRowsKept = 400_000   // some 80 bytes each
	briefsSuffix  = ".briefs" // of the file beside the store that keeps them
)

// Open opens the store, takes the listening address and makes the benches, but
// keys nothing and dials nobody yet. The caller must Serve or Close.
func Open(ctx context.Context, c *config.Config, o Options) (_ *Daemon, err error) {
	known, err := NewLab(c)
	if err != nil {
		return nil, err
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	d := &Daemon{lab: known, log: o.Logger.Named("daemon"), front: front{log: o.Logger.Named("daemon")}, software: o.Software, hub: rest.NewHub(), benches: map[string]*bench{}, extra: o.Observer, settle: newBacklog(), started: time.Now().UTC()}
	if d.front.entrance, err = openEntrance(&c.Daemon, o.Logger); err != nil {
		return nil, err
	}
	opened := false
	defer func() {
		if !opened {
			err = errors.Join(err, d.Close())
		}
	}()
	if d.store, err = store.Open(ctx, c.Daemon.Store, store.Options{Archives: c.Daemon.Keep.Archive}); err != nil {
		return nil, err
	}
	if d.claims, err = claim(known.inOrder(), d.log); err != nil {
		return nil, err
	}
	d.judge = newJudge(d.store, judgesKept)
	file, err := recall.Open(ctx, d.store.Path()+briefsSuffix)
	if err != nil {
		d.log.Warn("what runs found is not kept over a restart", zap.Error(err))
	}
	d.briefs = newBriefs(d.judge, briefRowsKept, file, d.log)
	d.shipper = d.newShipper(c.Lab, o.Logger)
	for _, s := range c.Schedules {
		t, err := newTimetable(s)
		if err != nil {
			return nil, errors.Join(err, d.store.Close())
		}
		d.timetables = append(d.timetables, t)
	}
	series := c.Daemon.Metrics.MaxSeries
	if series == 0 {
		series = -1 // none
	}
	d.metrics = metrics.New(metrics.Options{Version: o.Software, FrequencySeries: series, Benches: d.instruments, StoreBytes: d.storeBytes, DiskFree: d.store.DiskFree, Schedules: d.schedules, Shipping: d.shipping})
	for _, b := range c.Benches {
		d.addBench(known.benches[b.Name], o)
	}
	if err = d.front.listen(&c.Daemon); err != nil {
		return nil, err
	}
	page, err := dashboard.Handler()
	if err != nil {
		return nil, err
	}
	chapters, err := guide.Handler()
	if err != nil {
		return nil, err
	}
	handler, err := rest.New(rest.Options{
		Version: o.Software, Benches: benches{d}, Plans: plans{d}, Specimens: plans{d}, Makings: known.Shelf, Runs: service{d}, Records: records{d.store, d}, Judge: d.judge, Live: d.hub,
		Upkeep: upkeep{d}, Briefs: d.briefs,
		Exports: exports(d.store, d.judge, document.Facts{}), Ready: d.ready, Page: page, Guide: chapters, Metrics: d.metrics.Handler(), Requests: d.metrics.Request, Log: o.Logger,
		Doors: d.front.entrance.gate, Hosts: c.Daemon.Hosts,
	})
	if err != nil {
		return nil, err
	}
	d.front.http = rest.NewServer(handler, d.hub, o.Logger)
	opened = true
	return d, nil
}

func (d *Daemon) addBench(lab *Bench, o Options) {
	log := o.Logger
	d.metrics.Instrument(lab.Facts.Name + "/analyzer")
	d.metrics.Instrument(lab.Facts.Name + "/source")
	b := &bench{lab: lab, analyzer: link.NewRing(ringExchanges, ringFailures), source: link.NewRing(ringExchanges, ringFailures)}
	open := func(ctx context.Context) (driver.Analyzer, driver.Source, error) {
		with := func(ring *link.Ring) func(*instrument.Spec) {
			return func(s *instrument.Spec) { s.Ring, s.Logger, s.Observer = ring, log, d.metrics }
		}
		return lab.Open(ctx, with(b.analyzer), with(b.source))
	}
	var clock engine.Clock
	if s := lab.Config.TimeScale; s > 0 && s != 1 {
		clock = engine.ScaledClock(s)
	}
	setup := engine.Setup{
		Facts: lab.Facts, Open: open, Safe: lab.safe, Hands: handsOf(lab.Config.Hands), Journal: d.store, Observer: d, Clock: clock, Logger: log, Software: d.software,
		Rules: rulesOf(lab), KeyedSince: d.keyedSince(lab.Facts.Name),
	}
	if b.guardian = d.guardianOf(lab, o); b.guardian != nil {
		setup.Guardian = b.guardian
	}
	b.engine = engine.New(setup)
	d.benches[lab.Facts.Name] = b
	d.order = append(d.order, lab.Facts.Name)
}

// Addr is where the daemon listens.
func (d *Daemon) Addr() string { return d.front.Addr() }

// URL is where the daemon is to be found from this computer.
func (d *Daemon) URL() string { return d.front.URL() }

// Store is the daemon's store, for listings beside it.
func (d *Daemon) Store() *store.Store { return d.store }

// Lab is what the daemon serves.
func (d *Daemon) Lab() *Lab { return d.lab }

// Evaluation judges a run of the store.
func (d *Daemon) Evaluation(ctx context.Context, id sweep.RunID) (sweep.Evaluation, error) {
	return d.judge.Evaluation(ctx, id)
}

// Wait returns a run when it has ended.
func (d *Daemon) Wait(ctx context.Context, bench string, id sweep.RunID) (sweep.Run, error) {
	return d.benches[bench].engine.Wait(ctx, id)
}

// Close lets go of what Open took, for a daemon that is not served.
func (d *Daemon) Close() error {
	errs := []error{d.front.close(), d.claims.Close()}
	if d.briefs != nil {
		errs = append(errs, d.briefs.file.Close())
	}
	if d.store != nil {
		errs = append(errs, d.store.Close())
	}
	return errors.Join(errs...)
}

// Serve runs until the context ends, then ends everything in order: no new
// requests, sources off, store closed. Errors are what did not go well.
func (d *Daemon) Serve(ctx context.Context) error {
	if err := d.remember(ctx); err != nil {
		d.log.Warn("earlier results could not be read for the metrics", zap.Error(err))
	}
	all := []func(context.Context) error{d.settleRuns, d.front.serve, d.front.entrance.noteUses, d.runSchedules, d.keepHouse, d.briefs.serve, d.ship}
	for _, name := range d.order {
		all = append(all, func(ctx context.Context) error { return d.serveBench(ctx, d.benches[name]) })
	}
	d.log.Info("serving", zap.String("address", d.URL()), zap.Strings("benches", d.order), zap.String("store", d.store.Path()))
	return errors.Join(parts(ctx, all...), d.claims.Close(), d.briefs.file.Close(), d.store.Close())
}

// ready tells what the daemon needs and how it stands.
func (d *Daemon) ready(context.Context) []rest.Check {
	var out []rest.Check
	for _, name := range d.order {
		st := d.benches[name].engine.Status()
		why := func(role string, l engine.LinkStatus) {
			c := rest.Check{Name: name + "/" + role}
			if !l.Up {
				c.Reason = strings.TrimSpace("down " + l.Error)
			}
			out = append(out, c)
		}
		why("analyzer", st.Analyzer)
		why("source", st.Source)
		c := rest.Check{Name: name + "/journal"}
		for _, o := range d.benches[name].engine.Owed() {
			c.Reason = fmt.Sprintf("run %s ended %v, which is not written down yet: %s", o.Run, o.State, rest.Told(o.Err))
		}
		out = append(out, c)
	}
	return out
}

// Observe passes what happens on. It never waits.
func (d *Daemon) Observe(p sweep.Progress) {
	if b := d.benches[p.Bench]; b != nil && b.lab.Config.TimeScale > 1 {
		ours := func(t time.Duration) time.Duration { return time.Duration(float64(t) / b.lab.Config.TimeScale) }
		p.Left, p.Planned = ours(p.Left), ours(p.Planned)
	}
	d.hub.Observe(p)
	d.metrics.Observe(p)
	if p.Kind == "state" && (p.State.Final() || p.State == sweep.Interrupted) {
		d.settle.add(p.Run)
	}
	if d.extra != nil {
		d.extra.Observe(p)
	}
}

// settleRuns hands the results of ended runs to the metrics.
func (d *Daemon) settleRuns(ctx context.Context) error {
	for ctx.Err() == nil {
		for _, id := range d.settle.take(ctx) {
			if err := d.publish(ctx, id); err != nil && ctx.Err() == nil {
				d.log.Warn("results of an ended run could not be read", zap.String("run", string(id)), zap.Error(err))
			}
		}
	}
	return nil
}

func (d *Daemon) publish(ctx context.Context, id sweep.RunID) error {
	run, err := d.store.Run(ctx, id)
	if err != nil {
		return err
	}
	e, err := d.judge.Evaluation(ctx, id)
	if err != nil {
		return err
	}
	r := metrics.Result{Bench: run.Bench.Name, Plan: run.Plan.Name, Summaries: e.Summaries}
	if run.Ended != nil {
		r.Ended = *run.Ended
	}
	if run.State.Final() {
		d.briefs.tell(id, e)
	}
	d.metrics.Load(r)
	return nil
}

// instruments is the state of the instruments for the metrics.
func (d *Daemon) instruments() []metrics.Bench {
	out := make([]metrics.Bench, 0, len(d.order))
	for _, name := range d.order {
		st := d.benches[name].engine.Status()
		out = append(out, metrics.Bench{Name: name, AnalyzerUp: st.Analyzer.Up, SourceUp: st.Source.Up, SourceOn: st.SourceOn, Owed: len(d.benches[name].engine.Owed())})
	}
	return out
}

// remember hands the newest result of every specimen to the metrics, so that
// they survive a restart.
func (d *Daemon) remember(ctx context.Context) error {
	var errs []error
	for _, name := range d.order {
		list, err := d.store.LatestRuns(ctx, name, "")
		if err != nil {
			return err
		}
		seen := map[sweep.RunID]bool{}
		for _, s := range list {
			if !seen[s.Run.ID] {
				seen[s.Run.ID] = true
				errs = append(errs, d.publish(ctx, s.Run.ID))
			}
		}
		newest, err := d.store.Runs(ctx, sweep.RunFilter{Bench: name, Limit: 1})
		if err != nil {
			return err
		}
		for _, p := range d.lab.Config.Plans {
			if last, err := d.store.LastSuccess(ctx, name, p.Name); err == nil {
				newest = append(newest, last)
			}
		}
		for _, r := range newest {
			d.metrics.LoadRun(r)
		}
	}
	return errors.Join(errs...)
}

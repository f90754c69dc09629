package daemon

import (
	"context"
	"errors"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/dashboard"
	"lidded/cmd/lidded/internal/fleet"
	"lidded/cmd/lidded/internal/guide"
	"lidded/cmd/lidded/internal/metrics"
	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/specimens"
	"lidded/store/lab"
	"lidded/sweep"
	"lidded/sweep/report/document"
)

// LabServer serves the records of all benches from a lab, without a bench of its
// own: the same interface and page as a daemon. What belongs to a bench as it is
// now it asks of that bench's daemon. Open it with OpenLab, Serve it.
type LabServer struct {
	front    front
	log      *zap.Logger
	records  *lab.Reader
	ours     []sweep.Specimen // of the config
	fleet    *fleet.Fleet
	hub      *rest.Hub
	judge    *judge
	briefs   *briefs
	metrics  *metrics.Metrics
	started  time.Time
	readable atomic.Bool
	ahead    atomic.Int64 // months with partitions; below zero: not known
}

const (
	labJudgesKept = 64              // a lab has more runs in hand than a bench
	labPatience   = 5 * time.Second // for the lab to say that it is there
	labEvery      = 5 * time.Second // between looks at it
)

// OpenLab takes the listening address and makes everything ready, but dials
// nobody yet: neither lab nor daemons need be there. The caller must Serve or
// Close.
func OpenLab(c *config.Config, o Options) (_ *LabServer, err error) {
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	if c.Lab.DSN == "" {
		return nil, errors.New("the config has no lab.dsn: write the lab's data source name there")
	}
	shelf, err := specimens.Of(c)
	if err != nil {
		return nil, err
	}
	l := &LabServer{log: o.Logger.Named("lab server"), ours: c.Specimens, hub: rest.NewHub(), started: time.Now().UTC()}
	l.front.log = l.log
	l.ahead.Store(-1)
	if l.front.entrance, err = openEntrance(&c.Daemon, o.Logger); err != nil {
		return nil, err
	}
	if l.records, err = lab.OpenLater(string(c.Lab.DSN)); err != nil {
		return nil, err
	}
	opened := false
	defer func() {
		if !opened {
			err = errors.Join(err, l.Close())
		}
	}()
	to := make([]fleet.Address, len(c.Lab.Daemons))
	for i, d := range c.Lab.Daemons {
		to[i] = fleet.Address(d)
	}
	if l.fleet, err = fleet.New(fleet.Options{Daemons: to, Lab: l.records, Log: o.Logger}); err != nil {
		return nil, err
	}
	l.judge = newJudge(l.records, labJudgesKept)
	l.briefs = newBriefs(l.judge, briefRowsKept, nil, l.log)
	l.metrics = metrics.New(metrics.Options{Version: o.Software, FrequencySeries: -1, Fleet: l.standing})
	if err = l.front.listen(&c.Daemon); err != nil {
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
		Version: o.Software, Specimens: l, Makings: shelf, Records: l.records, Judge: l.judge,
		Upkeep: l, Briefs: l.briefs, Elsewhere: l.fleet,
		Exports: exports(l.records, l.judge, document.Facts{}), Ready: l.ready, Page: page, Guide: chapters, Metrics: l.metrics.Handler(), Requests: l.metrics.Request, Log: o.Logger,
		Doors: l.front.entrance.gate, Hosts: c.Daemon.Hosts,
	})
	if err != nil {
		return nil, err
	}
	l.front.http = rest.NewServer(handler, l.hub, o.Logger)
	l.front.http.RegisterOnShutdown(l.fleet.Close)
	opened = true
	return l, nil
}

// Addr is where the server listens.
func (l *LabServer) Addr() string { return l.front.Addr() }

// URL is where the server is to be found from this computer.
func (l *LabServer) URL() string { return l.front.URL() }

// Close lets go of what OpenLab took, for a server that is not served.
func (l *LabServer) Close() error { return errors.Join(l.front.close(), l.records.Close()) }

// Serve runs until the context ends.
func (l *LabServer) Serve(ctx context.Context) error {
	l.log.Info("serving", zap.String("address", l.URL()), zap.Int("daemons", len(l.fleet.Daemons())))
	return errors.Join(parts(ctx, l.front.serve, l.front.entrance.noteUses, l.briefs.serve, l.fleet.Serve, l.watch), l.records.Close())
}

// check asks the lab whether it can be read.
func (l *LabServer) check(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, labPatience)
	defer cancel()
	err := l.records.Check(ctx)
	l.readable.Store(err == nil)
	ahead := -1
	if err == nil {
		if n, err := l.records.MonthsAhead(ctx); err == nil {
			ahead = n
		}
	}
	l.ahead.Store(int64(ahead))
	return err
}

// watch looks now and then whether the lab is there, and says so when that
// changes.
func (l *LabServer) watch(ctx context.Context) error {
	tick := time.NewTicker(labEvery)
	defer tick.Stop()
	told := "unknown"
	for {
		err := l.check(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case err == nil && told != "":
			l.log.Info("the lab can be read")
			told = ""
		case err != nil && told != err.Error():
			l.log.Warn("the lab cannot be read; it is tried again", zap.Error(err))
			told = err.Error()
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// ready tells whether the lab can be read: without it there is nothing to show.
// Daemons come and go without keeping the server from its work.
func (l *LabServer) ready(ctx context.Context) []rest.Check {
	c := rest.Check{Name: "lab"}
	if err := l.check(ctx); err != nil {
		c.Reason = err.Error()
	}
	return []rest.Check{c}
}

func (l *LabServer) standing() metrics.Fleet {
	out := metrics.Fleet{Readable: l.readable.Load(), MonthsAhead: int(l.ahead.Load())}
	for _, d := range l.fleet.Daemons() {
		out.Daemons = append(out.Daemons, metrics.OtherDaemon{URL: d.Daemon, Up: d.Up})
	}
	return out
}

// Schedules lists none: the daemons have them.
func (l *LabServer) Schedules(context.Context) ([]rest.ScheduleNow, error) { return nil, nil }

// Daemon tells how this server stands and the daemons it knows.
func (l *LabServer) Daemon(context.Context) (rest.DaemonNow, error) {
	return rest.DaemonNow{Started: l.started, DiskFree: -1, StoreBytes: -1, Lab: true, Daemons: l.fleet.Daemons()}, nil
}

// Specimens lists those of the config and, beside them, those in the lab.
func (l *LabServer) Specimens(ctx context.Context) ([]sweep.Specimen, error) {
	names, err := l.records.Specimens(ctx)
	return withNames(l.ours, names), err
}

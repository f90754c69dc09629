package fleet

import (
	"context"
	"net/http"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/rest"
	"lidded/store/lab"
	"lidded/sweep"
)

// Address is where a daemon is.
type Address struct {
	URL string // https://host:port, or http on this computer
	CA  string // file with the certificates that may vouch for it; "": the system's
}

// Lab is what is asked of the lab itself.
type Lab interface {
	Benches(ctx context.Context) ([]lab.Bench, error)
	Specimens(ctx context.Context) ([]string, error)
	Standing(ctx context.Context, id sweep.RunID) (bench string, state sweep.State, err error)
}

// Options are what a fleet is made of.
type Options struct {
	Daemons []Address
	Lab     Lab
	Every   time.Duration // between looks at whether daemons are there; 0: 5 s
	Streams int           // most live listeners at once; 0: 64
	Beat    time.Duration // of live streams; 0: 15 s
	Log     *zap.Logger
}

// How long a daemon may take.
const (
	lookTime  = 2 * time.Second  // to say that it is there, or what it has
	readTime  = 60 * time.Second // to answer a question passed on to it
	orderTime = 40 * time.Second // to take an order, which has 30 s there
)

// Fleet is the daemons of a lab.
type Fleet struct {
	o       Options
	daemons []*daemon
	routes  map[string]answerer
	log     *zap.Logger
	streams chan struct{}
	ended   context.Context
	end     context.CancelFunc

	mu       sync.Mutex
	shipped  []lab.Bench // as last read
	goodTill time.Time
	changed  chan struct{} // closed when a daemon comes up
}

// answerer answers a request; here is the server's own answer.
type answerer func(w http.ResponseWriter, r *http.Request, here http.HandlerFunc)

// New makes a fleet. It dials nobody yet; Serve looks after the daemons.
func New(o Options) (*Fleet, error) {
	if o.Every <= 0 {
		o.Every = 5 * time.Second
	}
	if o.Streams <= 0 {
		o.Streams = 64
	}
	if o.Beat <= 0 {
		o.Beat = 15 * time.Second
	}
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	f := &Fleet{o: o, log: o.Log.Named("fleet"), streams: make(chan struct{}, o.Streams), changed: make(chan struct{})}
	f.ended, f.end = context.WithCancel(context.Background())
	for _, a := range o.Daemons {
		d, err := newDaemon(a)
		if err != nil {
			return nil, err
		}
		f.daemons = append(f.daemons, d)
	}
	f.routes = map[string]answerer{
		"GET /v1/benches":                         f.listBenches,
		"GET /v1/benches/{name}":                  f.showBench,
		"GET /v1/benches/{name}/exchanges":        f.ofBench,
		"POST /v1/benches/{name}/source-off":      f.sourceOff,
		"POST /v1/source-off":                     f.allSourcesOff,
		"GET /v1/plans":                           f.listPlans,
		"GET /v1/plans/{name}":                    f.ofBenchAsked,
		"GET /v1/specimens":                       f.listSpecimens,
		"GET /v1/specimens/{name}/expectation":    f.whoKnows,
		"GET /v1/schedules":                       f.listSchedules,
		"POST /v1/previews":                       f.ofBenchInBody,
		"POST /v1/runs":                           f.ofBenchInBody,
		"POST /v1/runs/{id}/stop":                 f.steer,
		"POST /v1/runs/{id}/abort":                f.steer,
		"POST /v1/runs/{id}/resume":               f.steer,
		"POST /v1/runs/{id}/holds/{step}/release": f.steer,
		"GET /v1/runs/{id}/explanation":           f.made,
		"GET /v1/runs/{id}/expectation":           f.made,
		"GET /v1/events":                          f.relay,
	}
	return f, nil
}

// ofRuns is what the routes begin with that look at one run.
const ofRuns = "GET /v1/runs/{id}"

// Answer answers what belongs to a bench's daemon; see rest.Elsewhere.
func (f *Fleet) Answer(route string, w http.ResponseWriter, r *http.Request, here http.HandlerFunc) {
	answer, ok := f.routes[route]
	if !ok && strings.HasPrefix(route, ofRuns) {
		answer, ok = f.run, true
	}
	switch {
	case !ok:
		here(w, r)
	case passedOn(r):
		f.fail(w, errLoop)
	default:
		answer(w, r, here)
	}
}

func (f *Fleet) fail(w http.ResponseWriter, err error) { rest.WriteError(w, err, f.log) }

// Serve looks after the daemons until the context ends.
func (f *Fleet) Serve(ctx context.Context) error {
	defer f.Close()
	tick := time.NewTicker(f.o.Every)
	defer tick.Stop()
	for {
		f.probe(ctx)
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// Close ends the live streams, so that a server can shut down.
func (f *Fleet) Close() { f.end() }

// probe asks every daemon whether it is there.
func (f *Fleet) probe(ctx context.Context) {
	var wg sync.WaitGroup
	for _, d := range f.daemons {
		wg.Go(func() {
			was := d.standing()
			d.probe(ctx)
			now := d.standing()
			switch {
			case ctx.Err() != nil || was.Up == now.Up && was.Reason == now.Reason:
			case now.Up:
				f.log.Info("daemon answers", zap.String("daemon", d.url), zap.String("version", now.Version))
				f.cameUp()
			default:
				f.log.Warn("daemon is away", zap.String("daemon", d.url), zap.String("reason", now.Reason))
			}
		})
	}
	wg.Wait()
}

// cameUp tells those who wait for daemons to come up.
func (f *Fleet) cameUp() {
	f.mu.Lock()
	defer f.mu.Unlock()
	close(f.changed)
	f.changed = make(chan struct{})
}

// comesUp is closed when the next daemon comes up.
func (f *Fleet) comesUp() <-chan struct{} {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.changed
}

// Daemons tells how the daemons stand, in the order of the config.
func (f *Fleet) Daemons() []rest.OtherDaemon {
	out := make([]rest.OtherDaemon, len(f.daemons))
	for i, d := range f.daemons {
		out[i] = d.standing()
	}
	return out
}

// What was read of the benches in the lab is good for a second, and a lab that is
// away is left alone for longer, so that it delays nobody.
const (
	shippedFresh = time.Second
	shippedAgain = 5 * time.Second
)

// inLab lists the benches that shipped to the lab, as last read where the lab is
// away.
func (f *Fleet) inLab(ctx context.Context) []lab.Bench {
	f.mu.Lock()
	list, good := f.shipped, time.Now().Before(f.goodTill)
	f.mu.Unlock()
	if good {
		return list
	}
	ctx, cancel := context.WithTimeout(ctx, lookTime)
	defer cancel()
	now, err := f.o.Lab.Benches(ctx)
	f.mu.Lock()
	defer f.mu.Unlock()
	if err != nil {
		f.goodTill = time.Now().Add(shippedAgain)
		return f.shipped
	}
	f.shipped, f.goodTill = now, time.Now().Add(shippedFresh)
	return now
}

package metrics

import (
	"maps"
	"slices"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lidded/sweep"
)

// states that a run can be seen in.
var states = []sweep.State{
	sweep.Pending, sweep.Running, sweep.Holding, sweep.Suspended, sweep.Stopping,
	sweep.Completed, sweep.Stopped, sweep.Aborted, sweep.Failed, sweep.Interrupted,
}

// ends are the states that runs are counted in.
var ends = []sweep.State{sweep.Completed, sweep.Stopped, sweep.Aborted, sweep.Failed, sweep.Interrupted}

// runs follows the runs of each bench.
type runs struct {
	mu      sync.Mutex
	benches map[string]*lastRun
	success map[[2]string]time.Time // by bench and plan
	ended   *prometheus.CounterVec
	keyed   *prometheus.CounterVec

	state, progress, left, holding, successAt *prometheus.Desc
}

// lastRun is what is known of the newest run of a bench.
type lastRun struct {
	id      sweep.RunID
	state   sweep.State
	ratio   float64
	left    time.Duration
	onSince time.Time // zero: the source is off
	counted bool      // its end is counted
}

func newRuns() *runs {
	return &runs{
		benches: map[string]*lastRun{}, success: map[[2]string]time.Time{},
		ended: prometheus.NewCounterVec(prometheus.CounterOpts{
			Namespace: namespace, Name: "runs_total", Help: "Runs that ended since the daemon started, by how.",
		}, []string{"bench", "plan", "state"}),
		keyed: prometheus.NewCounterVec(prometheus.CounterOpts{
			Namespace: namespace, Name: "source_on_seconds_total", Help: "Time the source was on since the daemon started.",
		}, []string{"bench"}),
		state:     desc("run_state", "1 for the state of the newest run of the bench, 0 for all others.", "bench", "state"),
		progress:  desc("run_progress_ratio", "Captures committed over captures planned, of the newest run of the bench.", "bench"),
		left:      desc("run_left_seconds", "Time left of the run in progress, without waiting at hold points.", "bench"),
		holding:   desc("hold_point_waiting", "1 while a hold point waits for release.", "bench"),
		successAt: desc("last_success_timestamp_seconds", "When a run of the plan last completed.", "bench", "plan"),
	}
}

// Observe takes a live picture of a run. It makes Metrics a sweep.Observer.
func (m *Metrics) Observe(p sweep.Progress) {
	r := m.runs
	r.mu.Lock()
	defer r.mu.Unlock()
	b := r.bench(p.Bench)
	if b.id != p.Run {
		*b = lastRun{id: p.Run, onSince: b.onSince}
		for _, s := range ends { // from zero, so that the first of its kind is an increase
			r.ended.WithLabelValues(p.Bench, p.Plan, s.String())
		}
	}
	b.state, b.left = p.State, p.Left
	if p.Total > 0 {
		b.ratio = float64(p.Done) / float64(p.Total)
	}
	r.key(p.Bench, b, p)
	if ended := p.State.Final() || p.State == sweep.Interrupted; !ended {
		b.counted = false // an interrupted run goes on
		return
	}
	if b.counted {
		return
	}
	b.counted = true
	r.ended.WithLabelValues(p.Bench, p.Plan, p.State.String()).Inc()
	if p.State == sweep.Completed {
		r.success[[2]string{p.Bench, p.Plan}] = p.Time
	}
}

// key adds up the time the source was on.
func (r *runs) key(bench string, b *lastRun, p sweep.Progress) {
	if !b.onSince.IsZero() {
		if on := p.Time.Sub(b.onSince); on > 0 {
			r.keyed.WithLabelValues(bench).Add(on.Seconds())
		}
		b.onSince = time.Time{}
	}
	if p.SourceOn {
		b.onSince = p.Time
	}
}

func (r *runs) bench(name string) *lastRun {
	b := r.benches[name]
	if b == nil {
		b = &lastRun{}
		r.benches[name] = b
		r.keyed.WithLabelValues(name)
	}
	return b
}

// LoadRun tells of a run from the store: the newest of a bench, or the last
// one of a plan that completed. What was observed live is not touched by it.
func (m *Metrics) LoadRun(i sweep.RunInfo) {
	r := m.runs
	r.mu.Lock()
	defer r.mu.Unlock()
	b := r.bench(i.Bench)
	if b.state == sweep.StateUnknown || (b.counted && b.id < i.ID) {
		*b = lastRun{id: i.ID, state: i.State, counted: true}
		if i.State == sweep.Completed {
			b.ratio = 1
		}
	}
	if i.State == sweep.Completed && i.Ended != nil {
		k := [2]string{i.Bench, i.Plan}
		if i.Ended.After(r.success[k]) {
			r.success[k] = *i.Ended
		}
	}
}

// Describe sends what Collect may send.
func (r *runs) Describe(out chan<- *prometheus.Desc) {
	r.ended.Describe(out)
	r.keyed.Describe(out)
	for _, d := range []*prometheus.Desc{r.state, r.progress, r.left, r.holding, r.successAt} {
		out <- d
	}
}

// Collect sends the state of every bench's newest run.
func (r *runs) Collect(out chan<- prometheus.Metric) {
	r.ended.Collect(out)
	r.keyed.Collect(out)
	r.mu.Lock()
	defer r.mu.Unlock()
	for name, b := range r.benches {
		for _, s := range states {
			gauge(out, r.state, flag(s == b.state), name, s.String())
		}
		gauge(out, r.progress, b.ratio, name)
		gauge(out, r.holding, flag(b.state == sweep.Holding), name)
		left := time.Duration(0)
		if b.state.Busy() {
			left = max(0, b.left)
		}
		gauge(out, r.left, left.Seconds(), name)
	}
	for _, k := range slices.SortedFunc(maps.Keys(r.success), compare) {
		gauge(out, r.successAt, stamp(r.success[k]), k[0], k[1])
	}
}

func compare(a, b [2]string) int { return slices.Compare(a[:], b[:]) }

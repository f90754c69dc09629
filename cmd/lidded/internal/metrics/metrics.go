package metrics

import (
	"net/http"
	"runtime"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

const namespace = "lidded"

// Options say what is told. All may be left out.
type Options struct {
	Version  string
	Revision string
	// FrequencySeries is how many points (bench, plan, specimen, frequency) may
	// have series of their own; each has up to five. Zero: DefaultFrequencySeries.
	// Negative: none.
	FrequencySeries int
	// Benches tells the state of instruments when asked; it is asked at every
	// scrape.
	Benches func() []Bench
	// StoreBytes tells how much disk the store takes.
	StoreBytes func() (int64, error)
	// DiskFree tells how much disk is left for the store.
	DiskFree func() (int64, error)
	// Schedules tells when schedules are due and what they missed.
	Schedules func() []Schedule
	// Shipping tells how shipping to the lab stands; false: nothing is shipped.
	Shipping func() (Shipping, bool)
	// Fleet tells how a lab server stands to the lab and the daemons; nil: this is
	// none.
	Fleet func() Fleet
}

// Schedule is a schedule as it stands.
type Schedule struct {
	Name, Bench, Plan string
	Next              time.Time // zero: never
	Missed            time.Time // zero: none known
}

// DefaultFrequencySeries is enough for a dozen specimens at 100 frequencies.
const DefaultFrequencySeries = 1200

// Bench is the state of a bench's instruments.
type Bench struct {
	Name                 string
	AnalyzerUp, SourceUp bool
	SourceOn             bool // or not confirmed off
	Owed                 int  // ends of runs that the journal has not taken yet
}

// Metrics holds all series of the daemon in a registry of its own.
type Metrics struct {
	registry    *prometheus.Registry
	runs        *runs
	results     *results
	instruments *instruments
	requests    *prometheus.HistogramVec
}

// New makes the registry with everything in it.
func New(o Options) *Metrics {
	limit := o.FrequencySeries
	switch {
	case limit == 0:
		limit = DefaultFrequencySeries
	case limit < 0:
		limit = 0
	}
	m := &Metrics{
		registry:    prometheus.NewRegistry(),
		runs:        newRuns(),
		results:     newResults(limit),
		instruments: newInstruments(),
		requests: prometheus.NewHistogramVec(durations("http_request_duration_seconds",
			"Time to answer an HTTP request; of a live stream, how long it lasted."), []string{"route", "method", "code"}),
	}
	build := prometheus.NewGauge(prometheus.GaugeOpts{
		Namespace: namespace, Name: "build_info", Help: "What the daemon was built from; always 1.",
		ConstLabels: prometheus.Labels{"version": o.Version, "revision": o.Revision, "goversion": runtime.Version()},
	})
	build.Set(1)
	m.registry.MustRegister(
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		build, m.runs, m.results, m.instruments, m.requests, benches{o.Benches}, size{storeDesc, o.StoreBytes}, size{diskDesc, o.DiskFree}, schedules{o.Schedules}, shipping{o.Shipping}, fleet{o.Fleet},
	)
	return m
}

// Handler answers scrapes.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{
		EnableOpenMetrics: true, MaxRequestsInFlight: 8, Timeout: 10 * time.Second, Registry: m.registry,
	})
}

// Request notes an HTTP request that is done; route is a pattern.
func (m *Metrics) Request(route, method string, status int, took time.Duration) {
	switch method {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodOptions:
	default:
		method = "other"
	}
	m.requests.WithLabelValues(route, method, strconv.Itoa(status)).Observe(took.Seconds())
}

// durations are the options of a histogram of times, from 100 µs to 100 s, with
// classic buckets and native ones beside them.
func durations(name, help string) prometheus.HistogramOpts {
	return prometheus.HistogramOpts{
		Namespace: namespace, Name: name, Help: help,
		Buckets:                         []float64{.0001, .00025, .0005, .001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10, 30, 100},
		NativeHistogramBucketFactor:     1.1,
		NativeHistogramMaxBucketNumber:  100,
		NativeHistogramMinResetDuration: time.Hour,
	}
}

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc(prometheus.BuildFQName(namespace, "", name), help, labels, nil)
}

func gauge(out chan<- prometheus.Metric, d *prometheus.Desc, v float64, labels ...string) {
	out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
}

func flag(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

func stamp(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }

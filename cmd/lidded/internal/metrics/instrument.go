package metrics

import (
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lidded/driver"
)

// instruments follows the exchanges over the links.
type instruments struct {
	exchanges  *prometheus.CounterVec
	took       *prometheus.HistogramVec
	reconnects *prometheus.CounterVec
}

func newInstruments() *instruments {
	return &instruments{
		exchanges: prometheus.NewCounterVec(prometheus.CounterOpts{
			Namespace: namespace, Name: "instrument_exchanges_total", Help: "Exchanges with the instrument by how they ended: ok, or the kind of error.",
		}, []string{"instrument", "outcome"}),
		took: prometheus.NewHistogramVec(durations("instrument_exchange_duration_seconds",
			"Time of an exchange with the instrument, from the command's first byte to the reply's last."), []string{"instrument"}),
		reconnects: prometheus.NewCounterVec(prometheus.CounterOpts{
			Namespace: namespace, Name: "instrument_reconnects_total", Help: "How often the link to the instrument was set up afresh.",
		}, []string{"instrument"}),
	}
}

// Exchange notes one exchange with an instrument. The command is not a label:
// there are too many.
func (m *Metrics) Exchange(instrument, _ string, took time.Duration, err error) {
	outcome := "ok"
	if err != nil {
		outcome = word(driver.KindOf(err))
	}
	m.instruments.exchanges.WithLabelValues(instrument, outcome).Inc()
	m.instruments.took.WithLabelValues(instrument).Observe(took.Seconds())
}

// word makes a label value of a kind of error.
func word(k driver.Kind) string {
	return strings.NewReplacer(": ", "_", " ", "_", "-", "_").Replace(k.String())
}

// Reconnect notes that an instrument's link was set up afresh.
func (m *Metrics) Reconnect(instrument string) {
	m.instruments.reconnects.WithLabelValues(instrument).Inc()
}

// Instrument makes an instrument known before anything happens to it, so that
// its counters begin at zero.
func (m *Metrics) Instrument(name string) {
	m.instruments.exchanges.WithLabelValues(name, "ok")
	m.instruments.took.WithLabelValues(name)
	m.instruments.reconnects.WithLabelValues(name)
}

// Describe sends what Collect may send.
func (i *instruments) Describe(out chan<- *prometheus.Desc) {
	i.exchanges.Describe(out)
	i.took.Describe(out)
	i.reconnects.Describe(out)
}

// Collect sends all counters.
func (i *instruments) Collect(out chan<- prometheus.Metric) {
	i.exchanges.Collect(out)
	i.took.Collect(out)
	i.reconnects.Collect(out)
}

var (
	upDesc    = desc("instrument_up", "1 while the link works and the expected instrument answers.", "bench", "role")
	onDesc    = desc("source_on", "1 while the source is on or not confirmed off.", "bench")
	owedDesc  = desc("journal_owed", "Ends of runs that the journal has not taken yet; they are told, and written when there is room.", "bench")
	storeDesc = desc("store_size_bytes", "Disk space that the store takes.")
	diskDesc  = desc("disk_free_bytes", "Disk space left for the store.")
)

// benches asks for the state of instruments at every scrape.
type benches struct{ ask func() []Bench }

// Describe sends what Collect may send.
func (b benches) Describe(out chan<- *prometheus.Desc) {
	out <- upDesc
	out <- onDesc
	out <- owedDesc
}

// Collect asks and sends.
func (b benches) Collect(out chan<- prometheus.Metric) {
	if b.ask == nil {
		return
	}
	for _, one := range b.ask() {
		gauge(out, upDesc, flag(one.AnalyzerUp), one.Name, "analyzer")
		gauge(out, upDesc, flag(one.SourceUp), one.Name, "source")
		gauge(out, onDesc, flag(one.SourceOn), one.Name)
		gauge(out, owedDesc, float64(one.Owed), one.Name)
	}
}

// size asks for a number of bytes at every scrape. One that cannot be had is left
// out.
type size struct {
	desc *prometheus.Desc
	ask  func() (int64, error)
}

// Describe sends what Collect may send.
func (s size) Describe(out chan<- *prometheus.Desc) { out <- s.desc }

// Collect asks and sends.
func (s size) Collect(out chan<- prometheus.Metric) {
	if s.ask == nil {
		return
	}
	if n, err := s.ask(); err == nil {
		gauge(out, s.desc, float64(n))
	}
}

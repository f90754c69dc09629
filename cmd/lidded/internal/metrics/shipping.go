package metrics

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// Shipping is how the copying of the journal to the lab stands.
type Shipping struct {
	Up      bool // the lab took the last batch
	Records int64
	Bytes   int64 // of traces
	Results int64
	Away    int64
	Lag     int64
	Since   time.Time // when the oldest record that waits was written; zero: none waits
}

var (
	shipUp      = desc("lab_up", "1 while the lab takes records in, 0 while it cannot be reached or refuses them.")
	shipRecords = desc("lab_shipped_records_total", "Events and ledger entries shipped to the lab since the daemon started.")
	shipBytes   = desc("lab_shipped_bytes_total", "Bytes of traces shipped to the lab since the daemon started.")
	shipResults = desc("lab_shipped_results_total", "Ended runs whose results were shipped to the lab since the daemon started.")
	shipAway    = desc("lab_shipped_without_traces_total", "Captures shipped without traces, for their archive was not there.")
	shipLag     = desc("lab_lag_records", "Events and ledger entries that wait to be shipped.")
	shipAge     = desc("lab_lag_seconds", "How long the oldest of them has waited; 0: none waits.")
)

// shipping asks for the state of shipping at every scrape.
type shipping struct{ ask func() (Shipping, bool) }

// Describe sends what Collect may send.
func (s shipping) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{shipUp, shipRecords, shipBytes, shipResults, shipAway, shipLag, shipAge} {
		out <- d
	}
}

// Collect asks and sends; a daemon that ships nothing has none of it.
func (s shipping) Collect(out chan<- prometheus.Metric) {
	if s.ask == nil {
		return
	}
	now, ships := s.ask()
	if !ships {
		return
	}
	count := func(d *prometheus.Desc, n int64) {
		out <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(n))
	}
	gauge(out, shipUp, flag(now.Up))
	count(shipRecords, now.Records)
	count(shipBytes, now.Bytes)
	count(shipResults, now.Results)
	count(shipAway, now.Away)
	gauge(out, shipLag, float64(now.Lag))
	age := 0.0
	if !now.Since.IsZero() {
		age = max(0, time.Since(now.Since).Seconds())
	}
	gauge(out, shipAge, age)
}

package metrics

import "github.com/prometheus/client_golang/prometheus"

// Fleet is how a lab server stands to the lab and the daemons.
type Fleet struct {
	Readable    bool // the lab answers
	MonthsAhead int  // coming months that have partitions; below zero: not known
	Daemons     []OtherDaemon
}

// OtherDaemon is a daemon as a lab server sees it.
type OtherDaemon struct {
	URL string
	Up  bool
}

var (
	readableDesc = desc("lab_readable", "Of a lab server: 1 while the lab can be read, 0 while it cannot.")
	aheadDesc    = desc("lab_partitions_ahead_months", "Of a lab server: how many of the coming months have all their partitions.")
	daemonDesc   = desc("lab_daemon_up", "Of a lab server: 1 while the daemon answers it, 0 while it is away.", "daemon")
)

// fleet asks for the state of the lab and the daemons at every scrape.
type fleet struct{ ask func() Fleet }

// Describe sends what Collect may send.
func (f fleet) Describe(out chan<- *prometheus.Desc) {
	out <- readableDesc
	out <- aheadDesc
	out <- daemonDesc
}

// Collect asks and sends; a daemon of benches has none of it.
func (f fleet) Collect(out chan<- prometheus.Metric) {
	if f.ask == nil {
		return
	}
	now := f.ask()
	gauge(out, readableDesc, flag(now.Readable))
	if now.MonthsAhead >= 0 {
		gauge(out, aheadDesc, float64(now.MonthsAhead))
	}
	for _, d := range now.Daemons {
		gauge(out, daemonDesc, flag(d.Up), d.URL)
	}
}

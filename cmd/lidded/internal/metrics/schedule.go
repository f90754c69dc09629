package metrics

import "github.com/prometheus/client_golang/prometheus"

var (
	nextDesc   = desc("schedule_next_run_timestamp_seconds", "When the schedule is next due.", "schedule", "bench", "plan")
	missedDesc = desc("schedule_last_missed_timestamp_seconds", "When a run of the schedule was last due and did not begin; 0: none known.", "schedule", "bench", "plan")
)

// schedules asks for the state of schedules at every scrape.
type schedules struct{ ask func() []Schedule }

// Describe sends what Collect may send.
func (s schedules) Describe(out chan<- *prometheus.Desc) {
	out <- nextDesc
	out <- missedDesc
}

// Collect asks and sends.
func (s schedules) Collect(out chan<- prometheus.Metric) {
	if s.ask == nil {
		return
	}
	for _, one := range s.ask() {
		if !one.Next.IsZero() {
			gauge(out, nextDesc, stamp(one.Next), one.Name, one.Bench, one.Plan)
		}
		missed := 0.0
		if !one.Missed.IsZero() {
			missed = stamp(one.Missed)
		}
		gauge(out, missedDesc, missed, one.Name, one.Bench, one.Plan)
	}
}

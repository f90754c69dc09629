package metrics_test

import (
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/metrics"
)

// A daemon that ships to a lab tells how that stands; one that does not, nothing.
func TestShipping(t *testing.T) {
	now := metrics.Shipping{Up: true, Records: 7, Bytes: 4096, Results: 2, Away: 1, Lag: 3}
	page := scrape(t, metrics.New(metrics.Options{Shipping: func() (metrics.Shipping, bool) { return now, true }}))
	for _, want := range []string{
		"lidded_lab_up 1", "lidded_lab_shipped_records_total 7", "lidded_lab_shipped_bytes_total 4096", "lidded_lab_shipped_results_total 2",
		"lidded_lab_shipped_without_traces_total 1", "lidded_lab_lag_records 3", "lidded_lab_lag_seconds 0",
	} {
		if !strings.Contains(page, "\n"+want+"\n") {
			t.Errorf("no line %q", want)
		}
	}
	page = scrape(t, metrics.New(metrics.Options{Shipping: func() (metrics.Shipping, bool) { return now, false }}))
	if strings.Contains(page, "lidded_lab_") {
		t.Error("a daemon without a lab tells of one")
	}
}

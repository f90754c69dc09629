package metrics_test

import (
	"strconv"
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

// A lab's server tells how many months have partitions as far as it knows.
func TestMonthsAhead(t *testing.T) {
	for ahead, want := range map[int]bool{-1: false, 0: true, 3: true} {
		page := scrape(t, metrics.New(metrics.Options{Fleet: func() metrics.Fleet { return metrics.Fleet{MonthsAhead: ahead} }}))
		if got := strings.Contains(page, "\nlidded_lab_partitions_ahead_months "+strconv.Itoa(ahead)+"\n"); got != want {
			t.Errorf("%d months: told %v", ahead, got)
		}
	}
}

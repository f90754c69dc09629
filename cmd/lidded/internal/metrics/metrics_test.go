package metrics_test

import (
	"context"
	"errors"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"lidded/cmd/lidded/internal/metrics"
	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

var (
	_  sweep.Observer = (*metrics.Metrics)(nil)
	t0                = time.Date(2026, 3, 14, 21, 30, 0, 0, time.UTC)
)

func db(v float64) *unit.DB { d := unit.DB(v); return &d }

// night is a result with every outcome.
func night(ended time.Time) metrics.Result {
	nan := unit.DB(math.NaN())
	worst := []sweep.Worst{
		{Point: 0, Freq: 30e6, SE: sweep.SE{Relation: sweep.AtLeastRelation, Value: 78, Low: 78, High: unit.DB(math.Inf(1))}, Outcome: sweep.AtLeast, Margin: 1.1, Range: 82, Required: db(60), Headroom: db(18), Verdict: requirement.Meets},
		{Point: 1, Freq: 433.92e6, SE: sweep.SE{Relation: sweep.Equal, Value: 35.5, Low: 33.1, High: 37.9, U: 2.4}, Outcome: sweep.Measured, Margin: 46.5, Range: 81, Required: db(60), Headroom: db(-26.9), Verdict: requirement.FallsShort},
		{Point: 2, Freq: 98e6, SE: sweep.SE{Value: nan}, Outcome: sweep.AmbientHeard, Reason: "a broadcast", Margin: 51, Range: 80.5, Required: db(60), Verdict: requirement.Undecided},
		{Point: 3, Freq: 1e9, SE: sweep.SE{Value: nan}, Outcome: sweep.Void, Reason: "overload", Margin: nan, Range: nan, Verdict: requirement.Undecided},
	}
	return metrics.Result{Bench: "depot", Plan: "locker", Ended: ended, Summaries: []sweep.Summary{{
		Specimen: "locker-vent", Worst: worst, Lowest: &worst[1], Counts: sweep.Counts{Measured: 1, AtLeast: 1, Ambient: 1, Void: 1}, Verdict: requirement.FallsShort,
	}}}
}

// full is a Metrics that has something to tell under every name.
func full() *metrics.Metrics {
	m := metrics.New(metrics.Options{
		Version: "1.2.3", Revision: "abc",
		Benches:    func() []metrics.Bench { return []metrics.Bench{{Name: "depot", AnalyzerUp: true, SourceOn: true}} },
		StoreBytes: func() (int64, error) { return 4096, nil },
		DiskFree:   func() (int64, error) { return 1 << 40, nil },
		Schedules: func() []metrics.Schedule {
			return []metrics.Schedule{{Name: "nightly", Bench: "depot", Plan: "locker", Next: t0.Add(time.Hour), Missed: t0}, {Name: "never", Bench: "depot", Plan: "quick"}}
		},
	})
	m.Instrument("depot/analyzer")
	m.Exchange("depot/analyzer", "*IDN?", 3*time.Millisecond, nil)
	m.Exchange("depot/analyzer", "TRAC?", time.Second, &driver.Error{Kind: driver.KindTimeout})
	m.Exchange("depot/analyzer", "BAND 1", time.Second, &driver.Error{Kind: driver.KindDeviceSettings})
	m.Exchange("depot/analyzer", "BAND 1", time.Second, errors.New("odd"))
	m.Reconnect("depot/analyzer")
	m.Request("/v1/runs/{id}", "GET", 200, 2*time.Millisecond)
	m.Request("none", "BREW", 405, time.Millisecond)
	m.Load(night(t0))
	m.Observe(sweep.Progress{Run: "r1", Bench: "depot", Plan: "locker", Time: t0, State: sweep.Running, Done: 41, Total: 164, Left: 90 * time.Second, SourceOn: true})
	m.Observe(sweep.Progress{Run: "r1", Bench: "depot", Plan: "locker", Time: t0.Add(1500 * time.Millisecond), State: sweep.Completed, Done: 164, Total: 164})
	return m
}

func compare(t *testing.T, m *metrics.Metrics, want string, names ...string) {
	t.Helper()
	if err := testutil.GatherAndCompare(m.Gatherer(), strings.NewReader(want), names...); err != nil {
		t.Error(err)
	}
}

func TestResults(t *testing.T) {
	m := full()
	compare(t, m, `
# HELP lidded_se_db Shielding effectiveness at a frequency, lowest over positions and polarizations; a lower bound where lidded_se_is_bound is 1.
# TYPE lidded_se_db gauge
lidded_se_db{bench="depot",freq_hertz="30000000",plan="locker",point="0",specimen="locker-vent"} 78
lidded_se_db{bench="depot",freq_hertz="433920000",plan="locker",point="1",specimen="locker-vent"} 35.5
# HELP lidded_se_is_bound 1 where lidded_se_db is a lower bound, 0 where it is a value.
# TYPE lidded_se_is_bound gauge
lidded_se_is_bound{bench="depot",freq_hertz="30000000",plan="locker",point="0",specimen="locker-vent"} 1
lidded_se_is_bound{bench="depot",freq_hertz="433920000",plan="locker",point="1",specimen="locker-vent"} 0
# HELP lidded_noise_floor_margin_db Reading through the shield over the noise floor.
# TYPE lidded_noise_floor_margin_db gauge
lidded_noise_floor_margin_db{bench="depot",freq_hertz="30000000",plan="locker",point="0",specimen="locker-vent"} 1.1
lidded_noise_floor_margin_db{bench="depot",freq_hertz="433920000",plan="locker",point="1",specimen="locker-vent"} 46.5
lidded_noise_floor_margin_db{bench="depot",freq_hertz="98000000",plan="locker",point="2",specimen="locker-vent"} 51
# HELP lidded_dynamic_range_db Reference over the noise floor: no more than this can be shown.
# TYPE lidded_dynamic_range_db gauge
lidded_dynamic_range_db{bench="depot",freq_hertz="30000000",plan="locker",point="0",specimen="locker-vent"} 82
lidded_dynamic_range_db{bench="depot",freq_hertz="433920000",plan="locker",point="1",specimen="locker-vent"} 81
lidded_dynamic_range_db{bench="depot",freq_hertz="98000000",plan="locker",point="2",specimen="locker-vent"} 80.5
# HELP lidded_requirement_headroom_db What is shown (lower end of the interval) over the requirement; negative: not shown to meet it.
# TYPE lidded_requirement_headroom_db gauge
lidded_requirement_headroom_db{bench="depot",freq_hertz="30000000",plan="locker",point="0",specimen="locker-vent"} 18
lidded_requirement_headroom_db{bench="depot",freq_hertz="433920000",plan="locker",point="1",specimen="locker-vent"} -26.9
# HELP lidded_worst_se_db Lowest shielding effectiveness over the plan; a lower bound where lidded_worst_se_is_bound is 1.
# TYPE lidded_worst_se_db gauge
lidded_worst_se_db{bench="depot",plan="locker",specimen="locker-vent"} 35.5
# HELP lidded_worst_se_is_bound 1 where lidded_worst_se_db is a lower bound, 0 where it is a value.
# TYPE lidded_worst_se_is_bound gauge
lidded_worst_se_is_bound{bench="depot",plan="locker",specimen="locker-vent"} 0
# HELP lidded_worst_se_frequency_hertz Where the lowest shielding effectiveness was found.
# TYPE lidded_worst_se_frequency_hertz gauge
lidded_worst_se_frequency_hertz{bench="depot",plan="locker",specimen="locker-vent"} 4.3392e+08
# HELP lidded_worst_requirement_headroom_db Lowest headroom to the requirement over the plan.
# TYPE lidded_worst_requirement_headroom_db gauge
lidded_worst_requirement_headroom_db{bench="depot",plan="locker",specimen="locker-vent"} -26.9
# HELP lidded_worst_dynamic_range_db Lowest dynamic range over the plan.
# TYPE lidded_worst_dynamic_range_db gauge
lidded_worst_dynamic_range_db{bench="depot",plan="locker",specimen="locker-vent"} 80.5
# HELP lidded_result_points Points of the plan by what may be claimed there.
# TYPE lidded_result_points gauge
lidded_result_points{bench="depot",outcome="ambient",plan="locker",specimen="locker-vent"} 1
lidded_result_points{bench="depot",outcome="at_least",plan="locker",specimen="locker-vent"} 1
lidded_result_points{bench="depot",outcome="measured",plan="locker",specimen="locker-vent"} 1
lidded_result_points{bench="depot",outcome="missing",plan="locker",specimen="locker-vent"} 0
lidded_result_points{bench="depot",outcome="void",plan="locker",specimen="locker-vent"} 1
# HELP lidded_requirement_verdict 1 for the verdict of the specimen against the requirement, 0 for the others.
# TYPE lidded_requirement_verdict gauge
lidded_requirement_verdict{bench="depot",plan="locker",specimen="locker-vent",verdict="falls_short"} 1
lidded_requirement_verdict{bench="depot",plan="locker",specimen="locker-vent",verdict="meets"} 0
lidded_requirement_verdict{bench="depot",plan="locker",specimen="locker-vent",verdict="undecided"} 0
# HELP lidded_result_timestamp_seconds When the run ended that the result is of.
# TYPE lidded_result_timestamp_seconds gauge
lidded_result_timestamp_seconds{bench="depot",plan="locker",specimen="locker-vent"} 1.7735238e+09
`, "lidded_se_db", "lidded_se_is_bound", "lidded_noise_floor_margin_db", "lidded_dynamic_range_db", "lidded_requirement_headroom_db",
		"lidded_worst_se_db", "lidded_worst_se_is_bound", "lidded_worst_se_frequency_hertz", "lidded_worst_requirement_headroom_db", "lidded_worst_dynamic_range_db",
		"lidded_result_points", "lidded_requirement_verdict", "lidded_result_timestamp_seconds")
}

func TestRuns(t *testing.T) {
	m := metrics.New(metrics.Options{})
	at := func(s float64) time.Time { return t0.Add(time.Duration(s * float64(time.Second))) }
	p := sweep.Progress{Run: "r1", Bench: "depot", Plan: "locker", Time: at(0), State: sweep.Running, Done: 41, Total: 164, Left: 90 * time.Second}
	m.Observe(p)
	for i, on := range []bool{true, true, false, true, false} { // on from 1 to 3 and from 4 to 5
		p.Time, p.SourceOn = at(float64(i+1)), on
		m.Observe(p)
	}
	p.State = sweep.Holding
	m.Observe(p)
	const names = "lidded_source_on_seconds_total lidded_run_progress_ratio lidded_run_left_seconds lidded_hold_point_waiting"
	compare(t, m, `
# HELP lidded_hold_point_waiting 1 while a hold point waits for release.
# TYPE lidded_hold_point_waiting gauge
lidded_hold_point_waiting{bench="depot"} 1
# HELP lidded_run_left_seconds Time left of the run in progress, without waiting at hold points.
# TYPE lidded_run_left_seconds gauge
lidded_run_left_seconds{bench="depot"} 90
# HELP lidded_run_progress_ratio Captures committed over captures planned, of the newest run of the bench.
# TYPE lidded_run_progress_ratio gauge
lidded_run_progress_ratio{bench="depot"} 0.25
# HELP lidded_source_on_seconds_total Time the source was on since the daemon started.
# TYPE lidded_source_on_seconds_total counter
lidded_source_on_seconds_total{bench="depot"} 3
`, strings.Fields(names)...)
	one := func(state sweep.State) {
		t.Helper()
		all, err := m.Gatherer().Gather()
		if err != nil {
			t.Fatal(err)
		}
		seen := 0
		for _, f := range all {
			if f.GetName() != "lidded_run_state" {
				continue
			}
			for _, s := range f.GetMetric() {
				seen++
				name := s.GetLabel()[1].GetValue()
				if (s.GetGauge().GetValue() == 1) != (name == state.String()) {
					t.Errorf("state %s is %v while the run is %v", name, s.GetGauge().GetValue(), state)
				}
			}
		}
		if seen != 10 {
			t.Errorf("%d states, want 10", seen)
		}
	}
	one(sweep.Holding)
	p.State, p.Time = sweep.Interrupted, at(10)
	m.Observe(p)
	m.Observe(p) // told twice, counted once
	one(sweep.Interrupted)
	p.State = sweep.Running
	m.Observe(p)
	p.State, p.Done, p.Time = sweep.Completed, 164, at(20)
	m.Observe(p)
	m.Observe(p)
	one(sweep.Completed)
	p.Run, p.State = "r2", sweep.Failed
	m.Observe(p)
	compare(t, m, `
# HELP lidded_last_success_timestamp_seconds When a run of the plan last completed.
# TYPE lidded_last_success_timestamp_seconds gauge
lidded_last_success_timestamp_seconds{bench="depot",plan="locker"} 1.77352382e+09
# HELP lidded_run_left_seconds Time left of the run in progress, without waiting at hold points.
# TYPE lidded_run_left_seconds gauge
lidded_run_left_seconds{bench="depot"} 0
# HELP lidded_runs_total Runs that ended since the daemon started, by how.
# TYPE lidded_runs_total counter
lidded_runs_total{bench="depot",plan="locker",state="aborted"} 0
lidded_runs_total{bench="depot",plan="locker",state="completed"} 1
lidded_runs_total{bench="depot",plan="locker",state="failed"} 1
lidded_runs_total{bench="depot",plan="locker",state="interrupted"} 1
lidded_runs_total{bench="depot",plan="locker",state="stopped"} 0
`, "lidded_runs_total", "lidded_last_success_timestamp_seconds", "lidded_run_left_seconds")
}

func TestInstruments(t *testing.T) {
	m := full()
	compare(t, m, `
# HELP lidded_instrument_exchanges_total Exchanges with the instrument by how they ended: ok, or the kind of error.
# TYPE lidded_instrument_exchanges_total counter
lidded_instrument_exchanges_total{instrument="depot/analyzer",outcome="device_setting_refused"} 1
lidded_instrument_exchanges_total{instrument="depot/analyzer",outcome="ok"} 1
lidded_instrument_exchanges_total{instrument="depot/analyzer",outcome="timeout"} 1
lidded_instrument_exchanges_total{instrument="depot/analyzer",outcome="unknown"} 1
# HELP lidded_instrument_reconnects_total How often the link to the instrument was set up afresh.
# TYPE lidded_instrument_reconnects_total counter
lidded_instrument_reconnects_total{instrument="depot/analyzer"} 1
# HELP lidded_instrument_up 1 while the link works and the expected instrument answers.
# TYPE lidded_instrument_up gauge
lidded_instrument_up{bench="depot",role="analyzer"} 1
lidded_instrument_up{bench="depot",role="source"} 0
# HELP lidded_source_on 1 while the source is on or not confirmed off.
# TYPE lidded_source_on gauge
lidded_source_on{bench="depot"} 1
# HELP lidded_store_size_bytes Disk space that the store takes.
# TYPE lidded_store_size_bytes gauge
lidded_store_size_bytes 4096
# HELP lidded_disk_free_bytes Disk space left for the store.
# TYPE lidded_disk_free_bytes gauge
lidded_disk_free_bytes 1.099511627776e+12
# HELP lidded_schedule_last_missed_timestamp_seconds When a run of the schedule was last due and did not begin; 0: none known.
# TYPE lidded_schedule_last_missed_timestamp_seconds gauge
lidded_schedule_last_missed_timestamp_seconds{bench="depot",plan="locker",schedule="nightly"} 1.7735238e+09
lidded_schedule_last_missed_timestamp_seconds{bench="depot",plan="quick",schedule="never"} 0
# HELP lidded_schedule_next_run_timestamp_seconds When the schedule is next due.
# TYPE lidded_schedule_next_run_timestamp_seconds gauge
lidded_schedule_next_run_timestamp_seconds{bench="depot",plan="locker",schedule="nightly"} 1.7735274e+09
`, "lidded_disk_free_bytes", "lidded_schedule_last_missed_timestamp_seconds", "lidded_schedule_next_run_timestamp_seconds", "lidded_instrument_exchanges_total", "lidded_instrument_reconnects_total", "lidded_instrument_up", "lidded_source_on", "lidded_store_size_bytes")
	all, err := m.Gatherer().Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range all {
		if f.GetName() != "lidded_instrument_exchange_duration_seconds" {
			continue
		}
		h := f.GetMetric()[0].GetHistogram()
		if h.GetSampleCount() != 4 || len(h.GetBucket()) == 0 || len(h.GetPositiveSpan()) == 0 {
			t.Errorf("%d exchanges, %d classic buckets, %d native spans", h.GetSampleCount(), len(h.GetBucket()), len(h.GetPositiveSpan()))
		}
		return
	}
	t.Error("no histogram of exchanges")
}

// TestFrequencyLimit: over the limit only worst cases are told, whole
// specimens at a time, the newest result first.
func TestFrequencyLimit(t *testing.T) {
	for _, tt := range []struct{ limit, series, leftOut int }{{0, 4, 0}, {8, 4, 0}, {7, 2, 4}, {3, 0, 8}, {-1, 0, 8}} {
		m := metrics.New(metrics.Options{FrequencySeries: tt.limit})
		older, newer := night(t0), night(t0.Add(time.Hour))
		older.Bench = "annex"
		m.Load(older, newer)
		n, err := testutil.GatherAndCount(m.Gatherer(), "lidded_se_db")
		if err != nil {
			t.Fatal(err)
		}
		if n != tt.series {
			t.Errorf("limit %d: %d series, want %d", tt.limit, n, tt.series)
		}
		if worst, err := testutil.GatherAndCount(m.Gatherer(), "lidded_worst_se_db"); err != nil || worst != 2 {
			t.Errorf("limit %d: %d worst cases (%v), want 2", tt.limit, worst, err)
		}
		compare(t, m, "# HELP lidded_frequency_series_left_out How many points have no series of their own because of the limit.\n"+
			"# TYPE lidded_frequency_series_left_out gauge\nlidded_frequency_series_left_out "+itoa(tt.leftOut)+"\n", "lidded_frequency_series_left_out")
		if tt.series == 2 && !strings.Contains(scrape(t, m), `lidded_se_db{bench="depot"`) {
			t.Errorf("limit %d: the older result has the series", tt.limit)
		}
	}
}

func itoa(n int) string { return string(rune('0' + n)) }

// TestRestart: what comes from the store is told as before, and what happened
// since is not overwritten by it.
func TestRestart(t *testing.T) {
	ended := t0.Add(-time.Hour)
	m := metrics.New(metrics.Options{})
	m.Load(night(t0))
	old := night(t0.Add(-24 * time.Hour))
	old.Summaries[0].Lowest = &old.Summaries[0].Worst[0]
	m.Load(old)
	m.LoadRun(sweep.RunInfo{ID: "r7", Bench: "depot", Plan: "locker", State: sweep.Failed, Ended: &ended})
	m.LoadRun(sweep.RunInfo{ID: "r5", Bench: "depot", Plan: "locker", State: sweep.Completed, Ended: &ended})
	text := scrape(t, m)
	for _, want := range []string{
		`lidded_worst_se_db{bench="depot",plan="locker",specimen="locker-vent"} 35.5`,
		`lidded_run_state{bench="depot",state="failed"} 1`,
		`lidded_last_success_timestamp_seconds{bench="depot",plan="locker"} 1.7735202e+09`,
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no line %s", want)
		}
	}
	if strings.Contains(text, "lidded_runs_total{") {
		t.Error("a run of before the start is counted")
	}
	m.Observe(sweep.Progress{Run: "r8", Bench: "depot", Plan: "locker", Time: t0, State: sweep.Running})
	m.LoadRun(sweep.RunInfo{ID: "r7", Bench: "depot", Plan: "locker", State: sweep.Failed, Ended: &ended})
	if !strings.Contains(scrape(t, m), `lidded_run_state{bench="depot",state="running"} 1`) {
		t.Error("a run from the store hides the one that runs")
	}
}

// TestTwoFieldsAtOneFrequency: a plan may look at one frequency in two fields.
func TestTwoFieldsAtOneFrequency(t *testing.T) {
	r := night(t0)
	r.Summaries[0].Worst[1].Freq = r.Summaries[0].Worst[0].Freq
	m := metrics.New(metrics.Options{})
	m.Load(r)
	if _, err := m.Gatherer().Gather(); err != nil {
		t.Error(err)
	}
}

func TestLint(t *testing.T) {
	problems, err := testutil.GatherAndLint(full().Gatherer())
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

func TestPromtool(t *testing.T) {
	promtool, err := exec.LookPath("promtool")
	if err != nil {
		t.Skip("promtool is not installed")
	}
	cmd := exec.CommandContext(t.Context(), promtool, "check", "metrics")
	cmd.Stdin = strings.NewReader(scrape(t, full()))
	if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("promtool: %v\n%s", err, out)
	}
}

func TestUnitsInNames(t *testing.T) {
	all, err := full().Gatherer().Gather()
	if err != nil {
		t.Fatal(err)
	}
	own := 0
	endings := []string{"_db", "_hertz", "_seconds", "_seconds_total", "_bytes", "_ratio", "_total"}
	unitless := []string{"lidded_build_info", "lidded_se_is_bound", "lidded_worst_se_is_bound", "lidded_result_points", "lidded_requirement_verdict",
		"lidded_frequency_series_limit", "lidded_frequency_series_left_out", "lidded_run_state", "lidded_hold_point_waiting", "lidded_instrument_up", "lidded_source_on", "lidded_journal_owed"}
	for _, f := range all {
		name := f.GetName()
		if !strings.HasPrefix(name, "lidded_") {
			continue
		}
		own++
		if !slices.Contains(unitless, name) && !slices.ContainsFunc(endings, func(e string) bool { return strings.HasSuffix(name, e) }) {
			t.Errorf("%s does not name its unit", name)
		}
	}
	if own != 34 {
		t.Errorf("%d names of our own; the list of the test covers 34", own)
	}
}

// TestOddInput: infinite and missing figures, a store that cannot be asked, a
// method that is none.
func TestOddInput(t *testing.T) {
	m := metrics.New(metrics.Options{StoreBytes: func() (int64, error) { return 0, errors.New("no disk") }})
	m.Load(metrics.Result{Bench: "depot", Plan: "locker", Summaries: []sweep.Summary{{Specimen: "crate"}, {Specimen: "box", Worst: []sweep.Worst{
		{SE: sweep.SE{Relation: sweep.Equal, Value: unit.DB(math.Inf(1))}, Margin: unit.DB(math.Inf(-1)), Range: unit.DB(math.NaN())},
	}}}})
	for _, method := range []string{"BREW", "brew", strings.Repeat("X", 1000)} {
		m.Request("/", method, 405, 0)
	}
	text := scrape(t, m)
	for _, never := range []string{"lidded_se_db{", "lidded_store_size_bytes ", "BREW", "Inf\n", "NaN\n"} {
		for line := range strings.Lines(text) {
			if strings.HasPrefix(line, "lidded_") && strings.Contains(line, never) {
				t.Errorf("told: %s", line)
			}
		}
	}
}

// TestFeedingWhileScraping: everything at once, for the race detector.
func TestFeedingWhileScraping(t *testing.T) {
	m := full()
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			for i := range 50 {
				m.Observe(sweep.Progress{Run: "r9", Bench: "depot", Plan: "locker", Time: t0.Add(time.Duration(i)), State: sweep.Running, SourceOn: i%2 == 0})
				m.Exchange("depot/source", "OUTP?", time.Millisecond, nil)
				m.Load(night(t0))
				m.LoadRun(sweep.RunInfo{ID: "r1", Bench: "depot", State: sweep.Completed})
			}
		})
	}
	for range 10 {
		scrape(t, m)
	}
	wg.Wait()
}

func scrape(t *testing.T, m *metrics.Metrics) string {
	t.Helper()
	srv := httptest.NewServer(m.Handler())
	defer srv.Close()
	req, err := http.NewRequestWithContext(context.WithoutCancel(t.Context()), "GET", srv.URL, nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != 200 {
		t.Fatalf("%d %v %s", res.StatusCode, err, b)
	}
	return string(b)
}

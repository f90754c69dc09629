package daemon_test

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/daemon"
	"lidded/sweep"
)

const scheduledPlan = `
  - name: nightly
    hold_points: rule
    positions: [front]
    strategy: fixed
    settle: 10ms
    no_closing_reference: true
    bands: [{freqs: [300 MHz], level: 0 dBm, rbw: 10 kHz}]
schedules: [{name: night, bench: depot, plan: nightly, specimens: [otter], cron: "0 3 * * *", zone: Europe/Vienna, missed: once, within: 48h}]
`

// A run that was due while no daemon was there is made up for once, and not
// again by the next daemon.
func TestMissedRunIsMadeUpForOnce(t *testing.T) {
	spec := labSpec{
		analyzerDialect: "analyzer-opc", analyzerTraits: "modern-opc", sourceDialect: "source-scpi", sourceTraits: "source-scpi",
		world: "depot", seed: 2, scale: 1, plans: scheduledPlan, store: filepath.Join(t.TempDir(), "lidded.db"),
	}
	scheduled := func(l *lab) []sweep.RunInfo {
		runs, err := l.daemon.Store().Runs(context.Background(), sweep.RunFilter{})
		if err != nil {
			t.Fatal(err)
		}
		return runs
	}
	l := startLab(t, spec)
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	limit := time.After(time.Minute)
	for {
		if runs := scheduled(l); len(runs) == 1 && runs[0].State == sweep.Completed {
			if runs[0].Trigger != "schedule night" {
				t.Errorf("trigger %q", runs[0].Trigger)
			}
			break
		}
		select {
		case <-tick.C:
		case <-limit:
			t.Fatalf("no scheduled run completed: %+v", scheduled(l))
		}
	}
	if err := l.end(); err != nil {
		t.Fatal(err)
	}
	again := startLab(t, spec)
	again.run(t, "nightly", "otter") // a run by hand shows that the daemon serves
	for _, r := range scheduled(again)[:1] {
		if r.Trigger != "test" {
			t.Errorf("the newest run is by %q: the missed run was made up for twice", r.Trigger)
		}
	}
	if n := len(scheduled(again)); n != 2 {
		t.Errorf("%d runs, want the scheduled one and the one by hand", n)
	}
}

// A schedule keeps to the clock of its own zone: 03:00 in Vienna is 02:00 UTC in
// winter and 01:00 in summer (Central European Time, UTC+1 and UTC+2; the IANA
// time zone database).
func TestTimetableKeepsItsZone(t *testing.T) {
	when, err := daemon.Timetable(config.Schedule{Name: "night", Cron: "0 3 * * *", Zone: "Europe/Vienna"})
	if err != nil {
		t.Fatal(err)
	}
	for from, want := range map[string]string{
		"2026-01-10T12:00:00Z": "2026-01-11T02:00:00Z",
		"2026-07-10T12:00:00Z": "2026-07-11T01:00:00Z",
	} {
		at, _ := time.Parse(time.RFC3339, from)
		if got := when.Next(at).UTC().Format(time.RFC3339); got != want {
			t.Errorf("after %s: %s, want %s", from, got, want)
		}
	}
}

package daemon

import (
	"context"
	"fmt"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/metrics"
	"lidded/cmd/lidded/internal/rest"
	"lidded/sweep"
)

// upkeep is the port to what keeps the daemon going.
type upkeep struct{ d *Daemon }

// Schedules lists the schedules of the config.
func (u upkeep) Schedules(ctx context.Context) ([]rest.ScheduleNow, error) {
	out := make([]rest.ScheduleNow, 0, len(u.d.timetables))
	for _, t := range u.d.timetables {
		s := rest.ScheduleNow{
			Name: t.Name, Bench: t.Bench, Plan: t.Plan, Specimens: t.Specimens, Cron: t.Cron, Zone: t.zone(), CatchUp: t.Missed == catchUp,
			Next: t.next(),
		}
		s.Missed, s.MissedWhy = t.lastMissed()
		last, err := u.d.lastOf(ctx, t.Schedule)
		if err != nil {
			return nil, err
		}
		s.Last = last
		out = append(out, s)
	}
	return out, nil
}

// Daemon tells how the daemon itself stands.
func (u upkeep) Daemon(context.Context) (rest.DaemonNow, error) {
	d := u.d
	now := rest.DaemonNow{Started: d.started, DiskFree: -1, StoreBytes: -1}
	if n, err := d.store.DiskFree(); err == nil {
		now.DiskFree = n
	}
	if n, err := d.store.Size(); err == nil {
		now.StoreBytes = n
	}
	for _, name := range d.order {
		state := "none"
		if g := d.benches[name].guardian; g != nil {
			if state = "away"; g.StandsBy() {
				state = "standing by"
			}
		}
		now.Guardians = append(now.Guardians, rest.GuardianNow{Bench: name, State: state})
	}
	return now, nil
}

// Exchanges gives what was last said to and by a bench's instruments.
func (s benches) Exchanges(_ context.Context, bench string) (rest.Talks, error) {
	b, ok := s.d.benches[bench]
	if !ok {
		return rest.Talks{}, &rest.NotFoundError{What: "bench", Name: bench, Known: s.d.order}
	}
	return rest.Talks{Analyzer: b.analyzer.Snapshot(), Source: b.source.Snapshot()}, nil
}

// schedules is the state of the schedules for the metrics.
func (d *Daemon) schedules() []metrics.Schedule {
	out := make([]metrics.Schedule, 0, len(d.timetables))
	for _, t := range d.timetables {
		missed, _ := t.lastMissed()
		out = append(out, metrics.Schedule{Name: t.Name, Bench: t.Bench, Plan: t.Plan, Next: t.next(), Missed: missed})
	}
	return out
}

// runsOfPlan is how many runs of a plan are searched for one of a schedule.
const runsOfPlan = 50

// lastOf is the last run that a schedule started; nil: none.
func (d *Daemon) lastOf(ctx context.Context, s config.Schedule) (*sweep.RunInfo, error) {
	runs, err := d.store.Runs(ctx, sweep.RunFilter{Bench: s.Bench, Plan: s.Plan, Limit: runsOfPlan})
	if err != nil {
		return nil, fmt.Errorf("runs of schedule %s: %w", s.Name, err)
	}
	for i := range runs {
		if runs[i].Trigger == trigger(s) {
			return &runs[i], nil
		}
	}
	return nil, nil
}

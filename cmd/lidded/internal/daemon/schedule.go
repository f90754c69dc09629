package daemon

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/robfig/cron/v3"
	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/rest"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// defaultWithin is how far back a missed run is made up for.
const defaultWithin = 12 * time.Hour

// runSchedules starts runs by the clock until the context ends. A run still
// going on at the time of the next is never overlapped: the next is skipped,
// and said so.
func (d *Daemon) runSchedules(ctx context.Context) error {
	if len(d.lab.Config.Schedules) == 0 {
		return nil
	}
	c := cron.New(cron.WithParser(cron.NewParser(cron.Minute | cron.Hour | cron.Dom | cron.Month | cron.Dow | cron.Descriptor)))
	var missed sync.WaitGroup
	for _, s := range d.lab.Config.Schedules {
		when, err := Timetable(s)
		if err != nil {
			return err
		}
		c.Schedule(when, cron.FuncJob(func() { d.startScheduled(ctx, s, "") }))
		if s.Missed == "once" {
			if due, ok := d.missed(ctx, s, when, time.Now()); ok {
				missed.Go(func() { d.startScheduled(ctx, s, fmt.Sprintf(", missed at %s", due.Format(time.RFC3339))) })
			}
		}
	}
	c.Start()
	<-ctx.Done()
	<-c.Stop().Done()
	missed.Wait()
	return nil
}

// Timetable is when a schedule is due, in its own time zone.
func Timetable(s config.Schedule) (cron.Schedule, error) {
	zone := s.Zone
	if zone == "" {
		zone = "UTC"
	}
	when, err := cron.ParseStandard("CRON_TZ=" + zone + " " + s.Cron)
	if err != nil {
		return nil, fmt.Errorf("schedule %s: %w", s.Name, err)
	}
	return when, nil
}

// missed reports whether the schedule was due while nobody was there: since
// its last run, and no longer ago than it looks back.
func (d *Daemon) missed(ctx context.Context, s config.Schedule, when cron.Schedule, now time.Time) (time.Time, bool) {
	within := s.Within
	if within == 0 {
		within = defaultWithin
	}
	since := now.Add(-within)
	runs, err := d.store.Runs(ctx, sweep.RunFilter{Bench: s.Bench, Plan: s.Plan, Limit: 50})
	if err != nil {
		d.log.Warn("missed runs cannot be looked for", zap.String("schedule", s.Name), zap.Error(err))
		return time.Time{}, false
	}
	for _, r := range runs {
		if r.Trigger == trigger(s) && r.Created.After(since) {
			since = r.Created
		}
	}
	due := when.Next(since)
	return due, !due.IsZero() && due.Before(now)
}

func trigger(s config.Schedule) string { return "schedule " + s.Name }

// startScheduled starts a run; a bench that is busy, or down, is logged and
// counted, and the schedule goes on.
func (d *Daemon) startScheduled(ctx context.Context, s config.Schedule, note string) {
	run, err := d.StartWhenServing(ctx, rest.StartRequest{Bench: s.Bench, Plan: s.Plan, Specimens: s.Specimens, Operator: trigger(s), Trigger: trigger(s)})
	var busy *engine.BusyError
	switch {
	case err == nil:
		d.log.Info("scheduled run started"+note, zap.String("schedule", s.Name), zap.String("run", string(run.ID)))
	case errors.As(err, &busy):
		d.log.Warn("scheduled run skipped: the bench is busy"+note, zap.String("schedule", s.Name), zap.String("run", string(busy.Run)))
	case ctx.Err() != nil:
	default:
		d.log.Error("scheduled run could not be started"+note, zap.String("schedule", s.Name), zap.Error(err))
	}
}

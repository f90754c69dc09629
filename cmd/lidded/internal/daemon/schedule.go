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
	"lidded/sweep/engine"
)

// defaultWithin is how far back a missed run is made up for, or told of.
const defaultWithin = 12 * time.Hour

// catchUp is the word of the config for making up for a missed run.
const catchUp = "once"

// timetable is a schedule at work.
type timetable struct {
	config.Schedule
	when cron.Schedule

	mu       sync.Mutex
	missedAt time.Time // when a run was last due and did not begin
	why      string
}

func newTimetable(s config.Schedule) (*timetable, error) {
	when, err := Timetable(s)
	return &timetable{Schedule: s, when: when}, err
}

func (t *timetable) zone() string { return zoneOf(t.Schedule) }

// next is when a run is next due; zero: never.
func (t *timetable) next() time.Time { return t.when.Next(time.Now()) }

func (t *timetable) miss(due time.Time, why string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.missedAt, t.why = due, why
}

// lastMissed is when a run was last due and did not begin, and why.
func (t *timetable) lastMissed() (time.Time, string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.missedAt, t.why
}

// runSchedules starts runs by the clock until the context ends. A run still
// going on at the time of the next is never overlapped: the next is skipped,
// and said so.
func (d *Daemon) runSchedules(ctx context.Context) error {
	if len(d.timetables) == 0 {
		return nil
	}
	c := cron.New(cron.WithParser(cron.NewParser(cron.Minute | cron.Hour | cron.Dom | cron.Month | cron.Dow | cron.Descriptor)))
	var missed sync.WaitGroup
	for _, t := range d.timetables {
		c.Schedule(t.when, cron.FuncJob(func() { d.startScheduled(ctx, t, "") }))
		due, ok := d.missed(ctx, t, time.Now())
		if !ok {
			continue
		}
		t.miss(due, "the daemon was not running")
		if t.Missed == catchUp {
			missed.Go(func() { d.startScheduled(ctx, t, fmt.Sprintf(", missed at %s", due.Format(time.RFC3339))) })
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
	when, err := cron.ParseStandard("CRON_TZ=" + zoneOf(s) + " " + s.Cron)
	if err != nil {
		return nil, fmt.Errorf("schedule %s: %w", s.Name, err)
	}
	return when, nil
}

func zoneOf(s config.Schedule) string {
	if s.Zone == "" {
		return "UTC"
	}
	return s.Zone
}

// missed reports whether the schedule was due while nobody was there: since
// its last run, and no longer ago than it looks back. A schedule that never ran
// has missed nothing unless it makes up for missed runs.
func (d *Daemon) missed(ctx context.Context, t *timetable, now time.Time) (time.Time, bool) {
	within := t.Within
	if within == 0 {
		within = defaultWithin
	}
	since := now.Add(-within)
	last, err := d.lastOf(ctx, t.Schedule)
	if err != nil {
		d.log.Warn("missed runs cannot be looked for", zap.String("schedule", t.Name), zap.Error(err))
		return time.Time{}, false
	}
	if last == nil && t.Missed != catchUp {
		return time.Time{}, false
	}
	if last != nil && last.Created.After(since) {
		since = last.Created
	}
	due := t.when.Next(since)
	return due, !due.IsZero() && due.Before(now)
}

func trigger(s config.Schedule) string { return "schedule " + s.Name }

// startScheduled starts a run; a bench that is busy, or down, is logged and
// shown, and the schedule goes on.
func (d *Daemon) startScheduled(ctx context.Context, t *timetable, note string) {
	due := time.Now()
	run, err := d.StartWhenServing(ctx, rest.StartRequest{Bench: t.Bench, Plan: t.Plan, Specimens: t.Specimens, Operator: trigger(t.Schedule), Trigger: trigger(t.Schedule)})
	var busy *engine.BusyError
	switch {
	case err == nil:
		d.log.Info("scheduled run started"+note, zap.String("schedule", t.Name), zap.String("run", string(run.ID)))
	case errors.As(err, &busy):
		t.miss(due, fmt.Sprintf("the bench was busy with run %s", busy.Run))
		d.log.Warn("scheduled run skipped: the bench is busy"+note, zap.String("schedule", t.Name), zap.String("run", string(busy.Run)))
	case ctx.Err() != nil:
	default:
		t.miss(due, err.Error())
		d.log.Error("scheduled run could not be started"+note, zap.String("schedule", t.Name), zap.Error(err))
	}
}

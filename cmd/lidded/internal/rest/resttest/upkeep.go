package resttest

import (
	"context"
	"fmt"
	"strings"
	"time"

	"lidded/cmd/lidded/internal/rest"
	"lidded/driver/link"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/uncertainty"
)

// Evidence shows what a result of the depot would stand on.
func (d *Depot) Evidence(ctx context.Context, id sweep.RunID, at sweep.Setting, point int) (sweep.Evidence, error) {
	e, err := d.Evaluation(ctx, id)
	if err != nil {
		return sweep.Evidence{}, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	r, err := d.found("Evidence", id)
	if err != nil {
		return sweep.Evidence{}, err
	}
	out := sweep.Evidence{Point: r.Plan.Points[point]}
	for _, c := range r.captures {
		if c.Point != point || (c.At.Specimen != "" && c.At != at) || c.At.Position != at.Position || c.At.Polarization != at.Polarization {
			continue
		}
		c.Looks = nil
		read := sweep.CaptureRead{Capture: c, Level: reference, Floor: floor, Carrier: c.Freq}
		if c.Kind == sweep.Ambient {
			read.Level, read.Carrier = unit.Missing(), 0
		}
		out.Captures = append(out.Captures, read)
	}
	for _, q := range e.Results {
		if q.At != at || q.Point != point {
			continue
		}
		out.Result = &q
		out.Rungs = []sweep.RungResult{{Capture: out.Captures[len(out.Captures)-1].ID, Settings: "RBW 10 kHz, span 100 kHz, 1 sweeps on and 1 off", Result: q}}
		if q.SE.Relation == sweep.RelationUnknown {
			continue
		}
		out.Budget, err = uncertainty.Budget{
			{Name: "noise of the reference", Value: 0.2, Distribution: uncertainty.Normal, Side: uncertainty.Reference, Statistical: true, Source: "looks of this point"},
			{Name: "level difference", Value: 1.2, Distribution: uncertainty.Normal, Source: "bench, as stated"},
		}.Combine(0.95)
		if err != nil {
			return out, err
		}
	}
	return out, nil
}

// Exchanges shows a talk with both instruments, one line of it gone wrong.
func (d *Depot) Exchanges(_ context.Context, bench string) (rest.Talks, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.broken("Exchanges"); err != nil {
		return rest.Talks{}, err
	}
	if d.bench(bench) == nil {
		return rest.Talks{}, fmt.Errorf("no bench %s", bench)
	}
	return rest.Talks{
		Analyzer: []link.Exchange{
			{Time: Begin, Command: "*IDN?", Reply: "Example,Analyzer,A-17,1.4", Bytes: 25, Took: 3 * time.Millisecond},
			{Time: Begin.Add(time.Second), Command: "FREQ:CENT 4.3E8"},
			{Time: Begin.Add(2 * time.Second), Command: "TRAC? TRACE1", Bytes: 40004, Took: 80 * time.Millisecond},
		},
		Source: []link.Exchange{
			{Time: Begin, Command: "*IDN?", Reply: strings.Repeat("x", 256), Bytes: 300, Took: 3 * time.Millisecond},
			{Time: Begin.Add(time.Second), Command: "OUTP?", Took: 10 * time.Second, Err: "no reply within 10s"},
		},
	}, nil
}

// upkeep is the part of the depot whose names would clash.
type upkeep struct{ d *Depot }

// Schedules are one that ran and missed a night, and one that never did.
func (u upkeep) Schedules(context.Context) ([]rest.ScheduleNow, error) {
	u.d.mu.Lock()
	defer u.d.mu.Unlock()
	if err := u.d.broken("Schedules"); err != nil {
		return nil, err
	}
	name := u.d.benches[0].Name
	return []rest.ScheduleNow{
		{
			Name: "nightly", Bench: name, Plan: "quick", Cron: "30 21 * * *", Zone: "UTC", CatchUp: true, Next: Begin.Add(24 * time.Hour),
			Missed: Begin.Add(-24 * time.Hour), MissedWhy: "the daemon was not running",
			Last: &sweep.RunInfo{ID: "0195a000-0000-7000-8000-000000000001", Bench: name, Plan: "quick", State: sweep.Completed, Trigger: "schedule nightly", Created: Begin.Add(-48 * time.Hour)},
		},
		{Name: "monthly", Bench: name, Plan: "locker", Specimens: []string{"locker-steel"}, Cron: "0 3 1 * *", Zone: "UTC", Next: Begin.Add(400 * time.Hour)},
	}, nil
}

// Daemon tells figures of its own; a failure of "Disk" leaves the disk unknown.
func (u upkeep) Daemon(context.Context) (rest.DaemonNow, error) {
	u.d.mu.Lock()
	defer u.d.mu.Unlock()
	err := u.d.broken("Disk")
	out := rest.DaemonNow{Started: Begin, DiskFree: 12 << 30, StoreBytes: 34 << 20}
	if err != nil {
		out.DiskFree = -1
	}
	for i, b := range u.d.benches {
		out.Guardians = append(out.Guardians, rest.GuardianNow{Bench: b.Name, State: []string{"standing by", "away", "none"}[i%3]})
	}
	return out, nil
}

package daemon

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/config"
	"lidded/store"
	"lidded/sweep"
)

// Going is a run whose traces leave the store, and by which rule.
type Going struct {
	store.Candidate
	Rule string
}

// Due is what a rule lets go.
type Due struct {
	Going []Going // oldest first
	Above int64   // bytes that the store holds above the rule's largest when they have gone: what stays because it must
	Wait  int     // runs that are old enough, and wait until the lab has them
}

// DueToGo lists the runs whose traces a rule lets go. Where there is a lab, which
// stands at a position, old traces wait until it has them, so that it need not
// have the archive; a store that is too large does not, for the bench must not
// stop because a lab is away: the shipper reads the archive then.
func DueToGo(ctx context.Context, s *store.Store, rule config.Keep, lab *store.Position, now time.Time) (due Due, err error) {
	if !rule.Asked() {
		return due, nil
	}
	used, err := s.Used(ctx)
	if err != nil {
		return due, err
	}
	candidates, err := s.Prunable(ctx)
	if err != nil {
		return due, err
	}
	old := func(r sweep.RunInfo) bool {
		ended := r.Created
		if r.Ended != nil {
			ended = *r.Ended
		}
		return rule.Traces > 0 && now.Sub(ended) > time.Duration(rule.Traces)
	}
	why, waits := make([]string, len(candidates)), make([]bool, len(candidates))
	for i, c := range candidates {
		if !old(c.Run) {
			continue
		}
		if lab != nil {
			there, err := s.Within(ctx, c.Run.ID, *lab)
			if err != nil {
				return due, err
			}
			if waits[i] = !there; waits[i] {
				continue
			}
		}
		why[i] = fmt.Sprintf("traces older than %v", rule.Traces)
		used -= c.Bytes
	}
	for i, c := range candidates {
		if why[i] == "" && rule.Largest > 0 && used > int64(rule.Largest) {
			why[i] = fmt.Sprintf("a store larger than %v", rule.Largest)
			used -= c.Bytes
		}
		if why[i] != "" {
			due.Going = append(due.Going, Going{c, why[i]})
		} else if waits[i] {
			due.Wait++
		}
	}
	if rule.Largest > 0 {
		due.Above = max(0, used-int64(rule.Largest))
	}
	return due, nil
}

// LetGo copies a run to an archive file in the folder, which must exist, and
// lets its traces go, its results staying.
func LetGo(ctx context.Context, s *store.Store, g Going, folder, who, software string) (store.RunArchive, error) {
	if st, err := os.Stat(folder); err != nil || !st.IsDir() {
		return store.RunArchive{}, fmt.Errorf("the folder of archives %s is not there: make it, or mount its disk (daemon.keep.archive): %w", folder, errors.Join(err, os.ErrNotExist))
	}
	run, err := s.Run(ctx, g.Run.ID)
	if err != nil {
		return store.RunArchive{}, err
	}
	e, err := evaluate(ctx, s, run)
	if err != nil {
		return store.RunArchive{}, err
	}
	results, err := frozen(e)
	if err != nil {
		return store.RunArchive{}, fmt.Errorf("keep the results of run %s: %w", run.ID, err)
	}
	a, err := s.Archive(ctx, run.ID, folder)
	if err != nil {
		return a, err
	}
	return a, s.Prune(ctx, run.ID, store.Pruned{Rule: g.Rule, Who: who, Software: software, Evaluation: results})
}

// idlePoll is how often a bench that is busy is looked at again.
const idlePoll = time.Minute

// keepHouse lets traces go by the rule of the config, once a day, and never
// while a run goes on.
func (d *Daemon) keepHouse(ctx context.Context) error {
	rule := d.lab.Config.Daemon.Keep
	if !rule.Asked() {
		return nil
	}
	at, err := rule.Clock()
	if err != nil {
		return err
	}
	return everyDay(ctx, at, time.Now, pause, func() {
		_, err := d.LetTracesGo(ctx, time.Now())
		if err == nil || ctx.Err() != nil {
			return
		}
		d.log.Error("traces could not leave the store", zap.Error(err))
		if err := d.store.Note(ctx, sweep.Event{Time: time.Now(), Kind: "prune", Text: "traces could not leave the store: " + err.Error()}); err != nil {
			d.log.Error("note event", zap.Error(err))
		}
	})
}

// everyDay acts whenever the clock on the wall comes to show at, a duration since
// midnight, until the context ends. The clock is looked at every hour, so that
// one that was set forth or back is met again.
func everyDay(ctx context.Context, at time.Duration, now func() time.Time, pause func(context.Context, time.Duration) error, act func()) error {
	due := nextAt(now(), at)
	for {
		t := now()
		if !t.Before(due) {
			act()
			t = now()
			due = nextAt(t, at)
		}
		if next := nextAt(t, at); next.Before(due) {
			due = next // the clock was set back
		}
		if pause(ctx, min(time.Hour, due.Sub(t))) != nil {
			return nil
		}
	}
}

// nextAt is the next time that the clock on the wall shows at, a duration since
// midnight. On a day without that time it is the time that would have been it.
func nextAt(now time.Time, at time.Duration) time.Time {
	for add := 0; ; add++ {
		t := time.Date(now.Year(), now.Month(), now.Day()+add, int(at.Hours()), int(at.Minutes())%60, 0, 0, now.Location())
		if t.After(now) {
			return t
		}
	}
}

func pause(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// LetTracesGo lets go what the rule of the config lets go at a time, waiting
// before each run until no bench is busy, and gives the disk back. It says in the
// journal what it did, if anything.
func (d *Daemon) LetTracesGo(ctx context.Context, now time.Time) (gone int, err error) {
	rule := d.lab.Config.Daemon.Keep
	var at *store.Position
	if d.shipper != nil {
		there := d.shipper.At()
		at = &there
	}
	due, err := DueToGo(ctx, d.store, rule, at, now)
	if err != nil {
		return 0, err
	}
	if due.Above > 0 {
		d.log.Warn("the store stays larger than the rule says: what is left is the newest of each specimen and plan, or goes on",
			zap.Int64("above_bytes", due.Above), zap.Stringer("largest", rule.Largest))
	}
	if due.Wait > 0 {
		d.log.Warn("old traces stay until the lab has them", zap.Int("runs", due.Wait))
	}
	if len(due.Going) == 0 {
		return 0, nil
	}
	before, err := d.store.Size()
	if err != nil {
		return 0, err
	}
	for _, g := range due.Going {
		if err = d.waitIdle(ctx); err != nil {
			break
		}
		var a store.RunArchive
		if a, err = LetGo(ctx, d.store, g, rule.Archive, "daemon", d.software); err != nil {
			break
		}
		gone++
		d.log.Info("traces left the store", zap.String("run", string(g.Run.ID)), zap.String("rule", g.Rule), zap.String("archive", a.Path))
	}
	if gone == 0 {
		return 0, err
	}
	err = errors.Join(err, d.waitIdle(ctx), d.store.Shrink(ctx))
	after, serr := d.store.Size()
	text := fmt.Sprintf("the traces of %d runs left the store, which took %d bytes and takes %d", gone, before, after)
	return gone, errors.Join(err, serr, d.store.Note(ctx, sweep.Event{Time: time.Now(), Kind: "prune", Who: "daemon", Text: text}))
}

// waitIdle returns when no bench is busy.
func (d *Daemon) waitIdle(ctx context.Context) error {
	for {
		busy := false
		for _, b := range d.benches {
			busy = busy || b.engine.Progress().State.Busy()
		}
		if !busy {
			return ctx.Err()
		}
		if err := pause(ctx, idlePoll); err != nil {
			return err
		}
	}
}

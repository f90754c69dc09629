package daemon

import (
	"context"
	"errors"
	"slices"

	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/rest"
	"lidded/sweep"
)

// earlier gives the results of the last completed run of a plan on its bench,
// as a hint of where an adaptive capture may begin; none if the plan has other
// points by now. A hint that cannot be had is no reason not to run.
func (d *Daemon) earlier(ctx context.Context, on rest.PlanOn) []sweep.Result {
	if on.Plan.Strategy != sweep.Adaptive {
		return nil
	}
	last, err := d.store.LastSuccess(ctx, on.Bench, on.Plan.Name)
	if errors.Is(err, sweep.ErrNoRun) {
		return nil
	}
	var run sweep.Run
	if err == nil {
		run, err = d.store.Run(ctx, last.ID)
	}
	var e sweep.Evaluation
	if err == nil && samePoints(run.Plan.Points, on.Plan.Points) {
		e, err = d.judge.Evaluation(ctx, last.ID)
	}
	if err != nil {
		d.log.Warn("the last run could not be read for a hint", zap.String("plan", on.Plan.Name), zap.Error(err))
		return nil
	}
	return e.Results
}

// samePoints reports whether two plans capture the same frequencies at the same
// source levels, in the same order.
func samePoints(a, b []sweep.Point) bool {
	return slices.EqualFunc(a, b, func(p, q sweep.Point) bool { return p.Freq == q.Freq && p.Level == q.Level && p.Field == q.Field })
}

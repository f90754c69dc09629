package daemon

import (
	"context"

	"lidded/store"
	"lidded/sweep"
)

// records are the store as it is shown: how a run ended is told even while the
// journal has no room to take it.
type records struct {
	*store.Store
	d *Daemon
}

// Run is the store's, as it is known.
func (r records) Run(ctx context.Context, id sweep.RunID) (sweep.Run, error) {
	run, err := r.Store.Run(ctx, id)
	if b := r.d.benches[run.Bench.Name]; err == nil && b != nil {
		b.engine.Told(&run)
	}
	return run, err
}

// Runs is the store's, as it is known. A filter by state goes by what the journal
// has, so that what is owed stays among the busy ones of a listing, told as it is.
func (r records) Runs(ctx context.Context, f sweep.RunFilter) ([]sweep.RunInfo, error) {
	list, err := r.Store.Runs(ctx, f)
	for i := range list {
		b := r.d.benches[list[i].Bench]
		if b == nil {
			continue
		}
		for _, o := range b.engine.Owed() {
			if o.Run == list[i].ID {
				list[i].State, list[i].Reason = o.State, o.Reason
				if o.State.Final() {
					list[i].Ended = &o.At
				}
			}
		}
	}
	return list, err
}

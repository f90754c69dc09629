package daemon

import (
	"context"
	"fmt"

	"lidded/cmd/lidded/internal/rest"
	"lidded/sweep"
)

// These stand where a daemon has benches, plans and runs at work. A lab server has
// none and asks the daemons before it comes to these.
type (
	noBenches  struct{}
	namesAlone struct {
		names func(context.Context) ([]sweep.Specimen, error)
	}
	noRuns struct{}
)

func none(what string) error {
	return &rest.UnavailableError{Message: fmt.Sprintf("a lab server has no instruments: %s is for the bench's own daemon, which lab.daemons must name", what)}
}

func (noBenches) All(context.Context) ([]rest.BenchNow, error) { return nil, nil }

func (noBenches) SourceOff(context.Context, string, string) error {
	return none("switching a source off")
}

func (noBenches) Exchanges(context.Context, string) (rest.Talks, error) {
	return rest.Talks{}, none("what was said to instruments")
}

func (namesAlone) All(context.Context) ([]rest.PlanEntry, error) { return nil, nil }

func (namesAlone) On(context.Context, string, string, []string) (rest.PlanOn, error) {
	return rest.PlanOn{}, none("a plan on a bench")
}

func (n namesAlone) Specimens(ctx context.Context) ([]sweep.Specimen, error) { return n.names(ctx) }

func (noRuns) Start(context.Context, rest.StartRequest) (sweep.Run, bool, error) {
	return sweep.Run{}, false, none("starting a run")
}

func (noRuns) Stop(context.Context, sweep.RunID, string) error   { return none("stopping a run") }
func (noRuns) Abort(context.Context, sweep.RunID, string) error  { return none("aborting a run") }
func (noRuns) Resume(context.Context, sweep.RunID, string) error { return none("resuming a run") }

func (noRuns) Release(context.Context, sweep.RunID, int, string) error {
	return none("releasing a hold point")
}

package rest

import (
	"context"
	"errors"
	"fmt"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
	"lidded/sweep"
	"lidded/sweep/engine"
)

func (s *server) previewRoutes() {
	register(s, access.Read, huma.Operation{
		OperationID: "preview-run", Method: http.MethodPost, Path: "/v1/previews", Tags: []string{"runs"},
		Summary: "Show what a start would do",
		Description: "Takes what starting a run takes and keys nothing: points, steps, time, what could be proven, exposure. " +
			"What would be refused stands in refusals, with the place and the cure, and is no error.",
		Errors: []int{400, 404, 413, 415, 422},
	}, s.preview)
}

func (s *server) preview(ctx context.Context, in *struct{ Body StartBody }) (*body[Preview], error) {
	bench, plan, err := s.asked(ctx, in.Body)
	if err != nil {
		return nil, err
	}
	on, err := s.Plans.On(ctx, plan, bench, in.Body.Specimens)
	var refused *engine.RefusedError
	var problem sweep.Problem
	switch {
	case errors.As(err, &refused):
		on = PlanOn{Plan: sweep.Plan{Name: plan}, Bench: bench, Specimens: in.Body.Specimens, Refusals: refused.Problems}
	case errors.As(err, &problem):
		on = PlanOn{Plan: sweep.Plan{Name: plan}, Bench: bench, Specimens: in.Body.Specimens, Refusals: []sweep.Problem{problem}}
	case err != nil:
		return nil, err
	case len(on.Specimens) == 0:
		on.Refusals = append(on.Refusals, sweep.Problem{Path: "specimens", Message: "no specimen: name one, or list them in the config"})
	}
	b, err := s.bench(ctx, bench)
	if err != nil {
		return nil, err
	}
	on.Refusals = append(on.Refusals[:len(on.Refusals):len(on.Refusals)], notNow(b)...)
	return bodyOf(previewOf(on)), nil
}

// notNow lists what keeps a bench from starting anything just now.
func notNow(b BenchNow) []sweep.Problem {
	var out []sweep.Problem
	if b.Run != nil {
		out = append(out, sweep.Problem{Path: "bench", Message: fmt.Sprintf("bench %s is busy with run %s: wait for its end, or stop it", b.Bench.Name, b.Run.Run)})
	}
	for _, i := range []struct {
		role string
		now  InstrumentNow
	}{{"analyzer", b.Analyzer}, {"source", b.Source}} {
		if i.now.Up {
			continue
		}
		why := i.now.Fault
		if why == "" {
			why = "it has not answered yet"
		}
		out = append(out, sweep.Problem{Path: "bench", Message: fmt.Sprintf("the %s of bench %s is away (%s): see that it is on and connected; 'lidded doctor' says more", i.role, b.Bench.Name, why)})
	}
	return out
}

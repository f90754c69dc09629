package rest

import (
	"context"
	"fmt"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
	"lidded/sweep"
)

// PlanList lists plans.
type PlanList struct {
	Plans []PlanInfo   `json:"plans"`
	Away  []AwayDaemon `json:"away,omitempty" doc:"On a lab server: daemons that did not answer"`
}

// SpecimenList lists specimens.
type SpecimenList struct {
	Specimens []Specimen   `json:"specimens"`
	Away      []AwayDaemon `json:"away,omitempty" doc:"On a lab server: daemons that did not answer"`
}

// ofBench narrows a list to what a bench's daemon has.
type ofBench struct {
	Bench string `query:"bench" maxLength:"100" doc:"Only what this bench's daemon has in its config"`
}

// known refuses a bench that is not there.
func (q *ofBench) known(ctx context.Context, s *server) error {
	if q.Bench == "" {
		return nil
	}
	if s.Benches == nil {
		return &NotFoundError{What: "bench", Name: q.Bench}
	}
	_, err := s.bench(ctx, q.Bench)
	return err
}

type planQuery struct {
	Name      string   `path:"name" maxLength:"100" doc:"Name of the plan"`
	Bench     string   `query:"bench" maxLength:"100" doc:"The bench to run it on; may be left out where there is only one"`
	Specimens []string `query:"specimens" maxItems:"100" doc:"Names, separated by commas; left out: all specimens of the config"`
}

func (s *server) planRoutes() {
	register(s, access.Read, huma.Operation{
		OperationID: "list-plans", Method: http.MethodGet, Path: "/v1/plans", Tags: []string{"plans"},
		Summary: "List plans",
	}, func(ctx context.Context, in *ofBench) (*body[PlanList], error) {
		if err := in.known(ctx, s); err != nil {
			return nil, err
		}
		all, err := s.Plans.All(ctx)
		if err != nil {
			return nil, fmt.Errorf("list plans: %w", err)
		}
		return bodyOf(PlanList{Plans: each(all, planInfoOf)}), nil
	})
	register(s, access.Read, huma.Operation{
		OperationID: "get-plan", Method: http.MethodGet, Path: "/v1/plans/{name}", Tags: []string{"plans"},
		Summary:     "Show a plan as a bench would run it",
		Description: "Points in order, steps, time, expected dynamic range, and what the bench refuses. Nothing is keyed.",
	}, func(ctx context.Context, in *planQuery) (*body[PlanOutlook], error) {
		bench, err := s.theBench(ctx, in.Bench, "query.bench")
		if err != nil {
			return nil, err
		}
		p, err := s.Plans.On(ctx, in.Name, bench, in.Specimens)
		if err != nil {
			return nil, err
		}
		return bodyOf(outlookOf(p)), nil
	})
}

// specimenRoutes list what is tested.
func (s *server) specimenRoutes() {
	register(s, access.Read, huma.Operation{
		OperationID: "list-specimens", Method: http.MethodGet, Path: "/v1/specimens", Tags: []string{"plans"},
		Summary: "List specimens",
	}, func(ctx context.Context, in *ofBench) (*body[SpecimenList], error) {
		if err := in.known(ctx, s); err != nil {
			return nil, err
		}
		all, err := s.Specimens.Specimens(ctx)
		if err != nil {
			return nil, fmt.Errorf("list specimens: %w", err)
		}
		return bodyOf(SpecimenList{Specimens: each(all, specimenOf)}), nil
	})
}

// theBench returns the bench that is named, or the only one there is.
func (s *server) theBench(ctx context.Context, name, place string) (string, error) {
	if name != "" {
		b, err := s.bench(ctx, name)
		return b.Bench.Name, err
	}
	all, err := s.benches(ctx)
	if err != nil {
		return "", err
	}
	if len(all) == 1 {
		return all[0].Bench.Name, nil
	}
	names := each(all, func(b BenchNow) string { return b.Bench.Name })
	return "", sweep.Problem{Path: place, Message: fmt.Sprintf("there are %d benches, so one must be named: %q", len(names), names)}
}

// thePlan returns the plan that is named, or the only one there is.
func (s *server) thePlan(ctx context.Context, name string) (string, error) {
	if name != "" {
		return name, nil
	}
	all, err := s.Plans.All(ctx)
	if err != nil {
		return "", fmt.Errorf("list plans: %w", err)
	}
	if len(all) == 1 {
		return all[0].Name, nil
	}
	names := each(all, func(p PlanEntry) string { return p.Name })
	return "", sweep.Problem{Path: "body.plan", Message: fmt.Sprintf("there are %d plans, so one must be named: %q", len(names), names)}
}

package rest

import (
	"context"
	"fmt"
	"net/http"
	"slices"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
	"lidded/sweep"
	"lidded/sweep/explain"
)

// RunExpectation is what a specimen should do at the points of a run.
type RunExpectation struct {
	Run      string             `json:"run"`
	Specimen string             `json:"specimen"`
	Known    bool               `json:"known" doc:"It is known how the specimen is made; else there are no points"`
	Why      string             `json:"reason,omitempty" doc:"Why nothing is expected, and what to do about it"`
	Made     string             `json:"made_of,omitempty"`
	Validity *Validity          `json:"validity,omitempty"`
	Points   []RunExpectedPoint `json:"points" doc:"In the order of the plan"`
}

// RunExpectedPoint is the expected band at one point of a run. There is no
// likeliest value: the models give a band.
type RunExpectedPoint struct {
	Point int    `json:"point"`
	Field string `json:"field"`
	ExpectedPoint
}

type runExpectationQuery struct {
	RunPath
	Specimen string `query:"specimen" maxLength:"100" doc:"May be left out where the run has only one"`
}

func (s *server) runExpectationRoutes() {
	register(s, access.Read, huma.Operation{
		OperationID: "get-run-expectation", Method: http.MethodGet, Path: "/v1/runs/{id}/expectation", Tags: []string{"records"},
		Summary:     "Show what a specimen should do at the points of a run",
		Description: "A band at each point by what the specimen is made of. Where valid is false the models do not hold and the band is a guess.",
	}, s.runExpectation)
}

func (s *server) runExpectation(ctx context.Context, in *runExpectationQuery) (*body[RunExpectation], error) {
	r, name, err := s.runAndSpecimen(ctx, in.ID, in.Specimen)
	if err != nil {
		return nil, err
	}
	out := RunExpectation{Run: string(r.ID), Specimen: name, Points: []RunExpectedPoint{}}
	m := s.model(name)
	if m == nil {
		m = explain.Made(r, name)
	}
	if m == nil {
		out.Why = fmt.Sprintf("it is not known how %s is made: give made_of in the config", name)
		return bodyOf(out), nil
	}
	out.Known, out.Made = true, m.Specimen.Title
	for _, q := range r.Plan.Points {
		f := explain.FieldOf(q.Field)
		out.Points = append(out.Points, RunExpectedPoint{q.Index, f.String(), expectedPointOf(m.At(f, q.Freq))})
	}
	v := validityOf(m.Validity())
	out.Validity = &v
	return bodyOf(out), nil
}

// runAndSpecimen finds a run, and its specimen that is named, or the only one.
func (s *server) runAndSpecimen(ctx context.Context, id, name string) (sweep.Run, string, error) {
	r, err := s.run(ctx, id)
	if err != nil {
		return r, "", err
	}
	names := explain.Specimens(r)
	switch {
	case name == "" && len(names) == 1:
		return r, names[0], nil
	case name == "":
		return r, "", sweep.Problem{Path: "query.specimen", Message: fmt.Sprintf("the run has %d specimens, so one must be named: %q", len(names), names)}
	case !slices.Contains(names, name):
		return r, "", &NotFoundError{What: "specimen", Name: name, Known: names}
	}
	return r, name, nil
}

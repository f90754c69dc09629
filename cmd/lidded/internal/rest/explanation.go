package rest

import (
	"context"
	"fmt"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/explain"
	"lidded/sweep/wall"
)

// Makings knows how specimens are made.
type Makings interface {
	// Model returns the model of a specimen; nil: it is not known how it is made.
	Model(specimen string) *wall.Model
}

type explanationQuery struct {
	RunPath
	Specimen string    `query:"specimen" maxLength:"100" doc:"May be left out where the run has only one"`
	At       []float64 `query:"at_hz" maxItems:"50" doc:"Further frequencies to infer the SE at, separated by commas"`
	Pulse    bool      `query:"pulse" doc:"Follow the early-time pulse through the measured curve; takes a quarter of a second"`
}

type expectationQuery struct {
	Name      string  `path:"name" maxLength:"100" doc:"Name of the specimen"`
	Field     string  `query:"field" enum:"magnetic,electric,plane wave" doc:"Only this field"`
	From      float64 `query:"from_hz" default:"10000" minimum:"60" maximum:"100000000000"`
	To        float64 `query:"to_hz" default:"10000000000" minimum:"60" maximum:"100000000000"`
	PerDecade int     `query:"per_decade" default:"10" minimum:"1" maximum:"200"`
	Pulse     bool    `query:"pulse" doc:"Follow the early-time pulse through the expected band; takes a quarter of a second"`
}

func (s *server) explanationRoutes() {
	register(s, access.Read, huma.Operation{
		OperationID: "get-explanation", Method: http.MethodGet, Path: "/v1/runs/{id}/explanation", Tags: []string{"records"},
		Summary:     "Set what a run measured of a specimen beside what it should do",
		Description: "Agreement region by region; hypotheses where it parts company, with their evidence and what to measure next; what may be inferred between and beyond the points; the protection code of IEC 61000-5-7.",
	}, s.explanation)
	register(s, access.Read, huma.Operation{
		OperationID: "get-expectation", Method: http.MethodGet, Path: "/v1/specimens/{name}/expectation", Tags: []string{"plans"},
		Summary:     "Show what a specimen should do by what it is made of",
		Description: "A band per field and frequency, and where the models hold. Where they do not, valid is false and the band is a guess.",
	}, s.expectation)
}

func (s *server) model(specimen string) *wall.Model {
	if s.Makings == nil {
		return nil
	}
	return s.Makings.Model(specimen)
}

func (s *server) explanation(ctx context.Context, in *explanationQuery) (*body[Explanation], error) {
	r, name, err := s.runAndSpecimen(ctx, in.ID, in.Specimen)
	if err != nil {
		return nil, err
	}
	e, err := s.Judge.Evaluation(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	at := each(in.At, func(f float64) unit.Hz { return unit.Hz(f) })
	x, err := explain.Of(r, e, name, s.model(name), explain.Options{At: at, Pulse: in.Pulse})
	if err != nil {
		return nil, err
	}
	return bodyOf(ExplanationOf(x)), nil
}

func (s *server) expectation(ctx context.Context, in *expectationQuery) (*body[Expectation], error) {
	all, err := s.Specimens.Specimens(ctx)
	if err != nil {
		return nil, fmt.Errorf("list specimens: %w", err)
	}
	names := each(all, func(q sweep.Specimen) string { return q.Name })
	m := s.model(in.Name)
	if m == nil {
		for _, n := range names {
			if n == in.Name {
				return nil, sweep.Problem{Path: "path.name", Message: fmt.Sprintf("it is not known how %s is made: give made_of in the config", n)}
			}
		}
		return nil, &NotFoundError{What: "specimen", Name: in.Name, Known: names}
	}
	if in.To <= in.From {
		return nil, sweep.Problem{Path: "query.to_hz", Message: fmt.Sprintf("%g is not above from_hz (%g): swap or widen them", in.To, in.From)}
	}
	var fields []wall.Field
	if in.Field != "" {
		f, err := wall.ParseField(in.Field)
		if err != nil {
			return nil, sweep.Problem{Path: "query.field", Message: err.Error()}
		}
		fields = []wall.Field{f}
	}
	o := explain.Expect(m, fields, explain.Range(unit.Hz(in.From), unit.Hz(in.To), in.PerDecade))
	if in.Pulse {
		if err := o.WithPulse(m); err != nil {
			return nil, sweep.Problem{Path: "query.pulse", Message: err.Error()}
		}
	}
	return bodyOf(ExpectationOf(o)), nil
}

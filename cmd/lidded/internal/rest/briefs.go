package rest

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
	"lidded/sweep"
)

// briefPatience is how long results that are not known yet are waited for.
const briefPatience = 5 * time.Second

type briefQuery struct {
	Name   string `path:"name" maxLength:"100" doc:"Name of the specimen"`
	Bench  string `query:"bench" maxLength:"100" doc:"Only this bench"`
	Plan   string `query:"plan" maxLength:"100" doc:"Only this plan"`
	Before string `query:"before" maxLength:"64" doc:"Only runs older than this one: the next page after the one that ended with it"`
	Limit  int    `query:"limit" default:"50" minimum:"1" maximum:"200" doc:"Most runs on a page"`
}

func (s *server) briefRoutes() {
	register(s, access.Read, huma.Operation{
		OperationID: "list-specimen-results", Method: http.MethodGet, Path: "/v1/specimens/{name}/results", Tags: []string{"records"},
		Summary:     "Show what the last runs found of a specimen, in short",
		Description: "Per run the worst case of each point, in columns, without traces. Runs whose results are still being worked out are left out and counted as pending.",
	}, s.briefs)
}

func (s *server) briefs(ctx context.Context, in *briefQuery) (*body[RunBriefs], error) {
	if in.Before != "" {
		if _, err := s.run(ctx, in.Before); err != nil {
			return nil, err
		}
	}
	all, err := s.Records.Runs(ctx, sweep.RunFilter{Specimen: in.Name, Bench: in.Bench, Plan: in.Plan, Before: sweep.RunID(in.Before), Limit: in.Limit + 1})
	if err != nil {
		return nil, fmt.Errorf("list runs: %w", err)
	}
	if len(all) == 0 {
		if err := s.knownSpecimen(ctx, in.Name); err != nil {
			return nil, err
		}
	}
	all, more := page(all, in.Limit)
	out := RunBriefs{Specimen: in.Name, Runs: []RunBrief{}, Unreadable: []UnreadRun{}}
	if more {
		out.Next = string(all[len(all)-1].ID)
	}
	wctx, cancel := context.WithTimeout(ctx, briefPatience)
	defer cancel()
	for i, b := range s.briefsOf(wctx, in.Name, all) {
		switch {
		case b.Err != nil:
			out.Unreadable = append(out.Unreadable, UnreadRun{string(all[i].ID), problemOf(b.Err, s.Log).Error()})
		case b.Brief == nil:
			out.Pending++
		default:
			out.Runs = append(out.Runs, briefOf(all[i], *b.Brief))
		}
	}
	return bodyOf(out), nil
}

// briefsOf asks whoever remembers; without one each run is judged here.
func (s *server) briefsOf(ctx context.Context, specimen string, runs []sweep.RunInfo) []BriefOrWhy {
	if s.Briefs != nil {
		return s.Briefs.Of(ctx, specimen, runs)
	}
	out := make([]BriefOrWhy, len(runs))
	for i, r := range runs {
		e, err := s.Judge.Evaluation(ctx, r.ID)
		if err != nil && ctx.Err() != nil {
			break // the rest is pending
		}
		b, _ := sweep.BriefOf(e, specimen)
		out[i] = BriefOrWhy{&b, err}
	}
	return out
}

// knownSpecimen is an error for a name that the config does not have.
func (s *server) knownSpecimen(ctx context.Context, name string) error {
	all, err := s.Specimens.Specimens(ctx)
	if err != nil {
		return fmt.Errorf("list specimens: %w", err)
	}
	names := each(all, func(q sweep.Specimen) string { return q.Name })
	for _, n := range names {
		if n == name {
			return nil
		}
	}
	return &NotFoundError{What: "specimen", Name: name, Known: names}
}

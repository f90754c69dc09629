package rest

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strconv"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
	"lidded/sweep"
)

type runQuery struct {
	Bench    string `query:"bench" maxLength:"100" doc:"Only this bench"`
	Plan     string `query:"plan" maxLength:"100" doc:"Only this plan"`
	Specimen string `query:"specimen" maxLength:"100" doc:"Only runs with this specimen"`
	State    string `query:"state" enum:"pending,running,holding,suspended,stopping,completed,stopped,aborted,failed,interrupted" doc:"Only runs in this state"`
	Before   string `query:"before" maxLength:"64" doc:"Only runs older than this one: the next page after the one that ended with it"`
	Limit    int    `query:"limit" default:"50" minimum:"1" maximum:"500" doc:"Most runs on a page"`
}

type runList struct {
	Runs []RunInfo `json:"runs" doc:"Newest first"`
	Next string    `json:"next,omitempty" doc:"Give it as before to get the next page; left out on the last page"`
}

type runListOutput struct {
	Link string `header:"Link"`
	Body runList
}

type captureQuery struct {
	RunPath
	Kind     string `query:"kind" enum:"ambient,reference,enclosed,closing_reference,leakage,linearity" doc:"Only captures of such steps"`
	Specimen string `query:"specimen" maxLength:"100" doc:"Only this specimen"`
	After    int    `query:"after" minimum:"0" doc:"Only captures with a higher seq"`
	Limit    int    `query:"limit" default:"1000" minimum:"1" maximum:"10000" doc:"Most captures on a page"`
}

type captureList struct {
	Captures []Capture `json:"captures" doc:"In order of commitment"`
	Next     *int      `json:"next,omitempty" doc:"Give it as after to get the next page; left out on the last page"`
}

type eventQuery struct {
	RunPath
	After int64 `query:"after" minimum:"0" doc:"Only events with a higher seq"`
	Limit int   `query:"limit" default:"1000" minimum:"1" maximum:"10000" doc:"Most events on a page"`
}

type eventList struct {
	Events []Event `json:"events" doc:"Oldest first"`
	Next   *int64  `json:"next,omitempty" doc:"Give it as after to get the next page; left out on the last page"`
}

type keyingList struct {
	Keyings []Keying `json:"keyings" doc:"Oldest first"`
}

func (s *server) recordRoutes() {
	register(s, access.Read, huma.Operation{
		OperationID: "get-run", Method: http.MethodGet, Path: "/v1/runs/{id}", Tags: []string{"runs"},
		Summary: "Show a run",
	}, func(ctx context.Context, in *RunPath) (*body[Run], error) {
		return s.showRun(ctx, sweep.RunID(in.ID))
	})
	register(s, access.Read, huma.Operation{
		OperationID: "list-runs", Method: http.MethodGet, Path: "/v1/runs", Tags: []string{"runs"},
		Summary: "List runs",
	}, s.listRuns)
	register(s, access.Read, huma.Operation{
		OperationID: "list-captures", Method: http.MethodGet, Path: "/v1/runs/{id}/captures", Tags: []string{"records"},
		Summary: "List a run's captures, without traces",
	}, s.listCaptures)
	register(s, access.Read, huma.Operation{
		OperationID: "get-capture", Method: http.MethodGet, Path: "/v1/captures/{id}", Tags: []string{"records"},
		Summary: "Show a capture with its raw traces",
	}, func(ctx context.Context, in *struct {
		ID string `path:"id" maxLength:"64" doc:"Id of the capture"`
	}) (*body[CaptureTraces], error) {
		c, err := s.Records.Capture(ctx, in.ID)
		if err != nil {
			return nil, err
		}
		return bodyOf(captureTracesOf(c)), nil
	})
	register(s, access.Read, huma.Operation{
		OperationID: "get-results", Method: http.MethodGet, Path: "/v1/runs/{id}/results", Tags: []string{"records"},
		Summary:     "Show what a run's captures mean",
		Description: "Per specimen the worst cases and the verdict, and the result at each point and setting. A run in progress gives what it has so far.",
	}, func(ctx context.Context, in *struct {
		RunPath
		Specimen string `query:"specimen" maxLength:"100" doc:"Only this specimen"`
	}) (*body[Results], error) {
		r, err := s.run(ctx, in.ID)
		if err != nil {
			return nil, err
		}
		e, err := s.Judge.Evaluation(ctx, r.ID)
		if err != nil {
			return nil, err
		}
		return bodyOf(resultsOf(r, e, in.Specimen)), nil
	})
	register(s, access.Read, huma.Operation{
		OperationID: "list-events", Method: http.MethodGet, Path: "/v1/runs/{id}/events", Tags: []string{"records"},
		Summary: "List a run's journal",
	}, s.listEvents)
	register(s, access.Read, huma.Operation{
		OperationID: "list-keyings", Method: http.MethodGet, Path: "/v1/runs/{id}/keyings", Tags: []string{"records"},
		Summary: "List when the source was on",
	}, func(ctx context.Context, in *RunPath) (*body[keyingList], error) {
		r, err := s.run(ctx, in.ID)
		if err != nil {
			return nil, err
		}
		all, err := s.Records.Keyings(ctx, sweep.KeyingFilter{Run: r.ID})
		if err != nil {
			return nil, fmt.Errorf("list keyings: %w", err)
		}
		return bodyOf(keyingList{each(all, keyingOf)}), nil
	})
}

func (s *server) run(ctx context.Context, id string) (sweep.Run, error) {
	r, err := s.Records.Run(ctx, sweep.RunID(id))
	if err != nil {
		return r, s.runError(sweep.RunID(id), err)
	}
	return r, nil
}

// page asks for one entry more than wanted, to know whether there are more.
func page[T any](all []T, limit int) ([]T, bool) {
	if len(all) > limit {
		return all[:limit], true
	}
	return all, false
}

func (s *server) listRuns(ctx context.Context, in *runQuery) (*runListOutput, error) {
	f := sweep.RunFilter{Bench: in.Bench, Plan: in.Plan, Specimen: in.Specimen, Before: sweep.RunID(in.Before), Limit: in.Limit + 1}
	if in.State != "" {
		if err := f.State.UnmarshalText([]byte(in.State)); err != nil {
			return nil, sweep.Problem{Path: "query.state", Message: err.Error()}
		}
	}
	if in.Before != "" {
		if _, err := s.run(ctx, in.Before); err != nil {
			return nil, err
		}
	}
	all, err := s.Records.Runs(ctx, f)
	if err != nil {
		return nil, fmt.Errorf("list runs: %w", err)
	}
	all, more := page(all, in.Limit)
	out := &runListOutput{Body: runList{Runs: each(all, runInfoOf)}}
	if more {
		out.Body.Next = string(all[len(all)-1].ID)
		out.Link = "<" + in.next(out.Body.Next) + `>; rel="next"`
	}
	return out, nil
}

// next is the path of the next page (RFC 8288).
func (q *runQuery) next(before string) string {
	v := url.Values{}
	for name, value := range map[string]string{"bench": q.Bench, "plan": q.Plan, "specimen": q.Specimen, "state": q.State} {
		if value != "" {
			v.Set(name, value)
		}
	}
	v.Set("limit", strconv.Itoa(q.Limit))
	v.Set("before", before)
	return "/v1/runs?" + v.Encode()
}

func (s *server) listCaptures(ctx context.Context, in *captureQuery) (*body[captureList], error) {
	r, err := s.run(ctx, in.ID)
	if err != nil {
		return nil, err
	}
	f := sweep.CaptureFilter{Specimen: in.Specimen, After: in.After, Limit: in.Limit + 1}
	if in.Kind != "" {
		if err := f.Kind.UnmarshalText([]byte(in.Kind)); err != nil {
			return nil, sweep.Problem{Path: "query.kind", Message: err.Error()}
		}
	}
	all, err := s.Records.CaptureList(ctx, r.ID, f)
	if err != nil {
		return nil, fmt.Errorf("list captures: %w", err)
	}
	all, more := page(all, in.Limit)
	out := captureList{Captures: each(all, captureOf)}
	if more {
		out.Next = &all[len(all)-1].Seq
	}
	return bodyOf(out), nil
}

func (s *server) listEvents(ctx context.Context, in *eventQuery) (*body[eventList], error) {
	r, err := s.run(ctx, in.ID)
	if err != nil {
		return nil, err
	}
	all, err := s.Records.Events(ctx, r.ID, in.After, in.Limit+1)
	if err != nil {
		return nil, fmt.Errorf("list events: %w", err)
	}
	all, more := page(all, in.Limit)
	out := eventList{Events: each(all, eventOf)}
	if more {
		out.Next = &all[len(all)-1].Seq
	}
	return bodyOf(out), nil
}

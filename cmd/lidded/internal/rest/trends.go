package rest

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
	"lidded/sweep"
	"lidded/sweep/trend"
)

// usualTrends is how many frequencies are shown where none are asked for.
const usualTrends = 4

type trendQuery struct {
	Name       string    `path:"name" maxLength:"100" doc:"Name of the specimen"`
	Freq       []float64 `query:"freq_hz" maxItems:"20" doc:"Frequencies, separated by commas; the nearest that the newest run has is taken, within 0.5 %. Left out: those where the specimen is lowest"`
	From       time.Time `query:"from" maxLength:"40" doc:"Only runs created at or after this time"`
	To         time.Time `query:"to" maxLength:"40" doc:"Only runs created before this time"`
	Bench      string    `query:"bench" maxLength:"100" doc:"Only this bench"`
	Plan       string    `query:"plan" maxLength:"100" doc:"Only this plan"`
	Limit      int       `query:"limit" default:"100" minimum:"1" maximum:"5000" doc:"Most runs: the newest"`
	FalseAlarm float64   `query:"false_alarm" default:"0.05" minimum:"0.001" maximum:"0.5" doc:"How often a change may be called in a series without one"`
}

func (s *server) trendRoutes() {
	register(s, access.Read, huma.Operation{
		OperationID: "get-trend", Method: http.MethodGet, Path: "/v1/specimens/{name}/trend", Tags: []string{"records"},
		Summary: "Show how a specimen behaves over runs",
		Description: "Per frequency the SE (the lowest over positions and polarizations) and the reference level of each completed or stopped run, oldest first, and what they say together: " +
			"a change with its confidence and the rate of false alarms, and the drift. Bounds count as bounds. Runs whose results are still being worked out are left out and counted as pending, runs that cannot be read are left out and listed.",
	}, s.trend)
}

func (s *server) trend(ctx context.Context, in *trendQuery) (*body[Trends], error) {
	asked, err := frequencies(in.Freq)
	if err != nil {
		return nil, err
	}
	if err := checkSpan(in.From, in.To); err != nil {
		return nil, err
	}
	runs, err := s.trendRuns(ctx, in)
	if err != nil {
		return nil, err
	}
	if len(runs) == 0 {
		if err := s.knownSpecimen(ctx, in.Name); err != nil {
			return nil, err
		}
	}
	wctx, cancel := context.WithTimeout(ctx, briefPatience)
	defer cancel()
	var nights []trend.Night
	pending, unread := 0, []UnreadRun{}
	for i, b := range s.briefsOf(wctx, in.Name, runs) {
		switch {
		case b.Err != nil:
			unread = append(unread, UnreadRun{string(runs[i].ID), problemOf(b.Err, s.Log).Error()})
		case b.Brief == nil:
			pending++
		default:
			nights = append(nights, trend.Night{Run: runs[i], Brief: *b.Brief})
		}
	}
	if len(asked) == 0 {
		asked = trend.Usual(nights, usualTrends)
	}
	all, err := trend.Specimen(nights, asked, trend.Options{FalseAlarm: in.FalseAlarm})
	if err != nil {
		return nil, sweep.Problem{Path: "query.false_alarm", Message: err.Error()}
	}
	return bodyOf(TrendsOf(in.Name, all, len(nights), pending, unread)), nil
}

// trendRuns lists the runs that count, newest first.
func (s *server) trendRuns(ctx context.Context, in *trendQuery) ([]sweep.RunInfo, error) {
	var out []sweep.RunInfo
	f := sweep.RunFilter{Specimen: in.Name, Bench: in.Bench, Plan: in.Plan, Limit: in.Limit}
	for len(out) < in.Limit {
		all, err := s.Records.Runs(ctx, f)
		if err != nil {
			return nil, fmt.Errorf("list runs: %w", err)
		}
		for _, r := range all {
			if trend.Counts(r) && within(r.Created, in.From, in.To) && len(out) < in.Limit {
				out = append(out, r)
			}
		}
		if len(all) < f.Limit || all[len(all)-1].Created.Before(in.From) {
			break
		}
		f.Before = all[len(all)-1].ID
	}
	return out, nil
}

package rest

import (
	"context"
	"fmt"
	"net/http"
	"slices"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
	"lidded/store"
	"lidded/sweep"
)

type pointQuery struct {
	RunPath
	Point        int    `path:"point" minimum:"0" doc:"Index of the point in the plan"`
	Specimen     string `query:"specimen" maxLength:"100" doc:"May be left out where the run has only one"`
	Position     string `query:"position" maxLength:"100" doc:"Left out: where the specimen's worst case stands"`
	Polarization string `query:"polarization" maxLength:"100" doc:"Left out: where the specimen's worst case stands"`
	Repeat       int    `query:"repeat" minimum:"0" doc:"From 1; left out: where the specimen's worst case stands"`
}

func (s *server) pointRoutes() {
	register(s, access.Read, huma.Operation{
		OperationID: "get-point", Method: http.MethodGet, Path: "/v1/runs/{id}/points/{point}", Tags: []string{"records"},
		Summary:     "Show one point of a run with all its claim stands on",
		Description: "Settings, claim and reason, uncertainty budget, the looks one by one, and traces for display.",
	}, s.point)
}

func (s *server) point(ctx context.Context, in *pointQuery) (*body[PointDetail], error) {
	r, name, err := s.runAndSpecimen(ctx, in.ID, in.Specimen)
	if err != nil {
		return nil, err
	}
	if in.Point >= len(r.Plan.Points) {
		return nil, &NotFoundError{What: "point", Name: fmt.Sprintf("%d: the plan has %d, counted from 0", in.Point, len(r.Plan.Points))}
	}
	at, err := s.settingAsked(ctx, r, name, in)
	if err != nil {
		return nil, err
	}
	e, err := s.Judge.Evidence(ctx, r.ID, at, in.Point)
	if err != nil {
		return nil, err
	}
	out := PointDetail{
		Run: string(r.ID), State: r.State.String(), At: settingOf(at), Point: planPointOf(e.Point), Strategy: sweep.Fixed.String(),
		Budget: budgetOf(e.Budget), Rungs: each(e.Rungs, rungOf), Captures: each(e.Captures, pointTakenOf),
	}
	if r.Plan.Strategy == sweep.Adaptive {
		out.Strategy = r.Plan.Strategy.String()
	}
	if e.Result != nil {
		one := resultOf(*e.Result)
		out.Result, out.Decide = &one, e.Result.Decide
	}
	out.Traces, err = s.pointTraces(ctx, e.Captures)
	switch {
	case store.KindOf(err) == store.KindAway:
		out.Traces, out.Away = []PointTrace{}, err.Error()
	case err != nil:
		return nil, err
	}
	return bodyOf(out), nil
}

// settingAsked fills in what a query leaves out: the setting of the worst case.
func (s *server) settingAsked(ctx context.Context, r sweep.Run, specimen string, in *pointQuery) (sweep.Setting, error) {
	at := sweep.Setting{Specimen: specimen, Position: in.Position, Polarization: sweep.Polarization(in.Polarization), Repeat: in.Repeat}
	worst := sweep.Setting{Repeat: 1}
	if in.Position == "" || in.Polarization == "" || in.Repeat == 0 {
		e, err := s.Judge.Evaluation(ctx, r.ID)
		if err != nil {
			return at, err
		}
		worst = worstSetting(e, at.Specimen, in.Point)
	}
	polarizations := each(r.Plan.Polarizations, func(p sweep.Polarization) string { return string(p) })
	for _, f := range []struct {
		what        string
		asked       *string
		worst, some string
		known       []string
	}{
		{"position", &at.Position, worst.Position, first(r.Plan.Positions), r.Plan.Positions},
		{"polarization", (*string)(&at.Polarization), string(worst.Polarization), first(polarizations), polarizations},
	} {
		switch {
		case *f.asked == "" && f.worst != "":
			*f.asked = f.worst
		case *f.asked == "":
			*f.asked = f.some
		case !slices.Contains(f.known, *f.asked):
			return at, &NotFoundError{What: f.what, Name: *f.asked, Known: f.known}
		}
	}
	if at.Repeat == 0 {
		at.Repeat = max(1, worst.Repeat)
	}
	if n := max(1, r.Plan.Repeats); at.Repeat > n {
		return at, &NotFoundError{What: "repeat", Name: fmt.Sprintf("%d: the plan has %d", at.Repeat, n)}
	}
	return at, nil
}

func first(all []string) string {
	if len(all) == 0 {
		return ""
	}
	return all[0]
}

// worstSetting is where the worst case of a specimen at a point stands; empty
// where nothing was captured yet.
func worstSetting(e sweep.Evaluation, specimen string, point int) sweep.Setting {
	for _, q := range e.Summaries {
		if q.Specimen != specimen {
			continue
		}
		for _, w := range q.Worst {
			if w.Point == point {
				return w.At
			}
		}
	}
	return sweep.Setting{}
}

// pointTraces draws the last capture of each kind.
func (s *server) pointTraces(ctx context.Context, captures []sweep.CaptureRead) ([]PointTrace, error) {
	type drawn struct {
		name string
		on   bool
	}
	out := []PointTrace{}
	for _, k := range []struct {
		kind sweep.StepKind
		as   []drawn
	}{
		{sweep.Ambient, []drawn{{"ambient", false}}}, {sweep.Reference, []drawn{{"reference", true}}},
		{sweep.Enclosed, []drawn{{"enclosed", true}, {"off", false}}}, {sweep.Closing, []drawn{{"closing", true}}},
	} {
		i := lastIndex(captures, func(c sweep.CaptureRead) bool { return c.Kind == k.kind })
		if i < 0 {
			continue
		}
		whole, err := s.Records.Capture(ctx, captures[i].ID)
		if err != nil {
			return nil, err
		}
		for _, d := range k.as {
			if t, ok := pointTraceOf(d.name, whole, captures[i], d.on); ok {
				out = append(out, t)
			}
		}
	}
	return out, nil
}

func lastIndex[T any](all []T, is func(T) bool) int {
	for i := len(all) - 1; i >= 0; i-- {
		if is(all[i]) {
			return i
		}
	}
	return -1
}

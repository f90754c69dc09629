package rest

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
	"lidded/sweep"
)

// RunPath is the run in a path; it is exported so that the framework can fill it.
type RunPath struct {
	ID string `path:"id" maxLength:"64" doc:"Id of the run"`
}

// StartBody asks for a run.
type StartBody struct {
	Plan      string   `json:"plan,omitempty" maxLength:"100" doc:"Name of a plan of the config; may be left out where there is only one"`
	Bench     string   `json:"bench,omitempty" maxLength:"100" doc:"Name of the bench; may be left out where there is only one"`
	Specimens []string `json:"specimens,omitempty" minItems:"1" maxItems:"100" nullable:"false" doc:"Names of specimens of the config, each once, in the order in which they are measured; left out: all of them"`
	Operator  string   `json:"operator,omitempty" maxLength:"100" doc:"Who is responsible, for the record"`
	DoorCycle *int64   `json:"door_cycle,omitempty" minimum:"0" doc:"How often the specimens' doors had been closed before this run, for trends"`
}

type startInput struct {
	Key  string `header:"Idempotency-Key" maxLength:"256" doc:"Any text of your own, in double quotes or without. The same key on the same bench starts one run only: repeating the call gives that run."`
	Body StartBody
}

type startOutput struct {
	Status   int
	Location string `header:"Location"`
	Body     Run
}

// orderRoutes are the orders to runs.
func (s *server) orderRoutes() {
	register(s, access.Operate, huma.Operation{
		OperationID: "start-run", Method: http.MethodPost, Path: "/v1/runs", Tags: []string{"runs"}, DefaultStatus: http.StatusCreated,
		Summary: "Start a run",
		Description: "Answers 201 as soon as the run is accepted; 200 when the idempotency key was used before for the same request. " +
			"A plan with anything that the bench cannot or may not do is refused whole with 422, before anything is keyed. " +
			"A busy bench is 409 with the id of its run.",
		Errors: []int{400, 404, 409, 413, 415, 422, 502, 504, 507},
	}, s.start)
	answers := s.api.OpenAPI().Paths["/v1/runs"].Post.Responses
	created := *answers["201"]
	created.Description = "The run that this idempotency key started before"
	answers["200"] = &created
	s.steer("stop", "Stop after the point in hand", "What was captured counts. The run ends as stopped.", Runs.Stop)
	s.steer("abort", "Abort at once", "The source goes off at once. The run ends as aborted.", Runs.Abort)
	s.steer("resume", "Resume an interrupted run", "Goes on after the last committed point.", Runs.Resume)
	register(s, access.Operate, huma.Operation{
		OperationID: "release-hold", Method: http.MethodPost, Path: "/v1/runs/{id}/holds/{step}/release", Tags: []string{"runs"},
		DefaultStatus: http.StatusAccepted,
		Summary:       "Release a hold point",
		Description:   "Confirms that what the hold point at this step asks for is done. A step that is not the one that waits is 409.",
	}, func(ctx context.Context, in *struct {
		RunPath
		Step int `path:"step" minimum:"0" doc:"Index of the step, as the waiting hold point gives it"`
		Body *order
	}) (*body[Run], error) {
		return s.carryOut(ctx, sweep.RunID(in.ID), func(ctx context.Context, id sweep.RunID) error {
			return s.Runs.Release(ctx, id, in.Step, in.Body.who(ctx))
		})
	})
}

// steer registers an order to a run that needs nothing but a name.
func (s *server) steer(verb, title, about string, do func(Runs, context.Context, sweep.RunID, string) error) {
	register(s, access.Operate, huma.Operation{
		OperationID: verb + "-run", Method: http.MethodPost, Path: "/v1/runs/{id}/" + verb, Tags: []string{"runs"},
		DefaultStatus: http.StatusAccepted, Summary: title, Description: about + " Answers as soon as the order is taken.",
	}, func(ctx context.Context, in *struct {
		RunPath
		Body *order
	}) (*body[Run], error) {
		return s.carryOut(ctx, sweep.RunID(in.ID), func(ctx context.Context, id sweep.RunID) error {
			return do(s.Runs, ctx, id, in.Body.who(ctx))
		})
	})
}

// carryOut gives an order and shows the run after it.
func (s *server) carryOut(ctx context.Context, id sweep.RunID, do func(context.Context, sweep.RunID) error) (*body[Run], error) {
	if _, err := s.Records.Run(ctx, id); err != nil {
		return nil, s.runError(id, err)
	}
	octx, cancel := s.ordered(ctx)
	defer cancel()
	if err := do(octx, id); err != nil {
		return nil, s.runError(id, err)
	}
	return s.showRun(octx, id)
}

func (s *server) showRun(ctx context.Context, id sweep.RunID) (*body[Run], error) {
	r, err := s.Records.Run(ctx, id)
	if err != nil {
		return nil, s.runError(id, err)
	}
	return bodyOf(runOf(r, s.live(r.Bench.Name))), nil
}

// runError names the run in an error that does not.
func (s *server) runError(id sweep.RunID, err error) error {
	if errors.Is(err, sweep.ErrNoRun) {
		return &NotFoundError{What: "run", Name: string(id)}
	}
	return err
}

func (s *server) start(ctx context.Context, in *startInput) (*startOutput, error) {
	key, err := idempotencyKey(in.Key)
	if err != nil {
		return nil, err
	}
	bench, plan, err := s.asked(ctx, in.Body)
	if err != nil {
		return nil, err
	}
	req := StartRequest{
		Bench: bench, Plan: plan, Specimens: in.Body.Specimens,
		Operator: responsible(ctx, in.Body.Operator), DoorCycle: in.Body.DoorCycle, Trigger: "rest", Key: key,
	}
	octx, cancel := s.ordered(ctx)
	defer cancel()
	r, reused, err := s.Runs.Start(octx, req)
	if err != nil {
		return nil, err
	}
	status := http.StatusCreated
	if reused {
		status = http.StatusOK
		if !req.started(r) {
			p := kindKeyReused.of(fmt.Sprintf("this key started run %s, which was asked for differently", r.ID))
			p.Run = string(r.ID)
			return nil, p
		}
	}
	return &startOutput{Status: status, Location: "/v1/runs/" + string(r.ID), Body: runOf(r, s.live(r.Bench.Name))}, nil
}

// asked fills in the bench and the plan where there is only one. That no specimen
// stands twice is looked at here: the framework's own check of unique items does
// not live through items that are no texts.
func (s *server) asked(ctx context.Context, b StartBody) (bench, plan string, err error) {
	for i, name := range b.Specimens {
		if slices.Contains(b.Specimens[:i], name) {
			return "", "", sweep.Problem{Path: fmt.Sprintf("body.specimens[%d]", i), Message: fmt.Sprintf("specimen %q stands twice: keep one", name)}
		}
	}
	if bench, err = s.theBench(ctx, b.Bench, "body.bench"); err != nil {
		return "", "", err
	}
	plan, err = s.thePlan(ctx, b.Plan)
	return bench, plan, err
}

// started reports whether the run is what the request asks for.
func (req StartRequest) started(r sweep.Run) bool {
	names := each(r.Specimens, func(q sweep.Specimen) string { return q.Name })
	return r.Plan.Name == req.Plan && r.Operator == req.Operator && (req.DoorCycle == nil || r.DoorCycle != nil && *r.DoorCycle == *req.DoorCycle) && (len(req.Specimens) == 0 || slices.Equal(names, req.Specimens))
}

// idempotencyKey reads the header as the draft standard writes it, a quoted
// string (draft-ietf-httpapi-idempotency-key-header, RFC 9651 3.3.3), or bare.
func idempotencyKey(h string) (string, error) {
	k := strings.TrimSpace(h)
	if k == "" {
		return "", nil
	}
	bad := func(what string) error {
		p := kindBadRequest.of("the Idempotency-Key header " + what)
		p.Hint = "Send a text of printable ASCII characters in double quotes, such as \"8e03978e-40d5-43dd\"."
		return p
	}
	if k[0] == '"' {
		if len(k) < 3 || k[len(k)-1] != '"' {
			return "", bad("is not a closed, non-empty string")
		}
		k = k[1 : len(k)-1]
		var b strings.Builder
		for i := 0; i < len(k); i++ {
			switch {
			case k[i] == '\\' && i+1 < len(k) && (k[i+1] == '"' || k[i+1] == '\\'):
				i++
			case k[i] == '\\' || k[i] == '"':
				return "", bad("has a quote or backslash that is not escaped")
			}
			b.WriteByte(k[i])
		}
		k = b.String()
	}
	for i := 0; i < len(k); i++ {
		if k[i] < ' ' || k[i] > '~' {
			return "", bad("has characters that are not printable ASCII")
		}
	}
	return k, nil
}

package rest

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"lidded/cmd/lidded/internal/access"
	"lidded/sweep"
)

type liveInput struct {
	Bench string `query:"bench" maxLength:"100" doc:"Only this bench"`
	Run   string `query:"run" maxLength:"64" doc:"Only this run"`
	// Traces are many times larger than pictures, so that they are asked for.
	Traces bool `query:"traces" doc:"Also send what the analyzer showed last, as events named trace"`
}

func (s *server) liveRoutes() {
	op := huma.Operation{
		OperationID: "live-events", Method: http.MethodGet, Path: "/v1/events", Tags: []string{"live"},
		Summary: "Live events (server-sent)",
		Description: "A stream of text/event-stream. Each event is named `progress` and carries a whole picture of a run, so that one alone is enough to draw it. " +
			"The last picture of each bench comes first. A comment line keeps the connection alive while nothing happens. " +
			"Events have no id and Last-Event-ID is not read: after a gap the next picture tells all there is to know, and the journal at /v1/runs/{id}/events misses nothing. " +
			"With traces=true there are also events named `trace`: what the analyzer showed last, at most five a second of each bench and at most 1001 points each; a newer one takes the place of one that could not be sent yet. " +
			"A listener that does not keep up is disconnected, and may come back at once.",
		Responses: map[string]*huma.Response{"200": {
			Description: "The stream",
			Content: map[string]*huma.MediaType{"text/event-stream": {Schema: &huma.Schema{
				Type: huma.TypeString, Description: "Events named progress, whose data is a Progress object, and trace, whose data is a LiveTrace object",
			}}},
		}},
	}
	// The stream's data has schemas of their own, though no JSON body uses them.
	s.schemaOf(Progress{})
	s.schemaOf(LiveTrace{})
	register(s, access.Read, op, func(ctx context.Context, in *liveInput) (*huma.StreamResponse, error) {
		sub, ok := s.Live.subscribe(in.Bench, sweep.RunID(in.Run), in.Traces, s.MaxStreams)
		if !ok {
			return nil, &UnavailableError{Message: "too many listen to live events already, or the daemon is stopping", Retry: 5 * time.Second}
		}
		return &huma.StreamResponse{Body: func(hc huma.Context) {
			defer s.Live.unsubscribe(sub)
			r, w := humago.Unwrap(hc)
			s.stream(r.Context(), w, sub)
		}}, nil
	})
}

// stream writes events until the client goes, is too slow, or is dropped.
func (s *server) stream(ctx context.Context, w http.ResponseWriter, sub *subscriber) {
	out, ok := OpenEvents(w)
	if !ok {
		return
	}
	beat := time.NewTicker(s.Heartbeat)
	defer beat.Stop()
	// After a trace the next one waits for the gap to pass.
	var fresh, held <-chan struct{}
	if sub.traces != nil {
		fresh = sub.traces.fresh
	}
	gap := time.NewTimer(0)
	defer gap.Stop()
	for {
		select {
		case <-fresh:
			for _, m := range sub.traces.take() {
				if !out.Send([]byte("event: trace\ndata: "), m.json(), []byte("\n\n")) {
					return
				}
			}
			fresh, held = nil, fresh
			gap.Reset(liveEvery)
		case <-gap.C:
			if held != nil {
				fresh, held = held, nil
			}
		case <-ctx.Done():
			return
		case <-beat.C:
			if !out.Beat(ctx) {
				return
			}
		case m, ok := <-sub.ch:
			if !ok || !out.Send([]byte("event: progress\ndata: "), m.json(), []byte("\n\n")) {
				return
			}
		}
	}
}

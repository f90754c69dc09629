package rest

import (
	"context"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
)

// Health says that the daemon answers.
type Health struct {
	Status  string `json:"status" enum:"alive"`
	Version string `json:"version"`
}

// Readiness says that the daemon has what it needs.
type Readiness struct {
	Ready  bool     `json:"ready"`
	Checks []string `json:"checks" doc:"What was looked at"`
}

func (s *server) healthRoutes() {
	register(s, access.Anyone, huma.Operation{
		OperationID: "health", Method: http.MethodGet, Path: "/healthz", Tags: []string{"daemon"},
		Summary: "Is the daemon alive",
	}, func(context.Context, *struct{}) (*body[Health], error) {
		return bodyOf(Health{"alive", s.Version}), nil
	})
	register(s, access.Read, huma.Operation{
		OperationID: "readiness", Method: http.MethodGet, Path: "/readyz", Tags: []string{"daemon"},
		Summary:     "Could a run be started",
		Description: "503 with the reasons when something is missing.",
		Errors:      []int{http.StatusServiceUnavailable},
	}, func(ctx context.Context, _ *struct{}) (*body[Readiness], error) {
		out := Readiness{true, []string{}}
		if s.Ready == nil {
			return bodyOf(out), nil
		}
		p := kindNotReady.of("")
		var failed []string
		for _, c := range s.Ready(ctx) {
			out.Checks = append(out.Checks, c.Name)
			if c.Reason != "" {
				failed = append(failed, c.Name)
				p.Errors = append(p.Errors, &huma.ErrorDetail{Location: c.Name, Message: c.Reason})
			}
		}
		if len(failed) > 0 {
			p.Detail = "not ready: " + strings.Join(failed, ", ")
			return nil, p
		}
		return bodyOf(out), nil
	})
}

package rest

import (
	"context"
	"fmt"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
	"go.uber.org/zap"
)

// Elsewhere answers requests in place of this server, or leaves them to it: what
// belongs to a bench of another daemon.
type Elsewhere interface {
	// Answer answers a request for a route, a pattern such as
	// "POST /v1/runs/{id}/stop" whose path values are set. It calls here for this
	// server's own answer. Whoever asks was let in for the route's role.
	Answer(route string, w http.ResponseWriter, r *http.Request, here http.HandlerFunc)
}

// router gives each operation's route to Elsewhere first.
type router struct {
	humago.Mux
	elsewhere Elsewhere
}

func (m router) HandleFunc(pattern string, here func(http.ResponseWriter, *http.Request)) {
	m.Mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) { m.elsewhere.Answer(pattern, w, r, here) })
}

func (s *server) operations() humago.Mux {
	if s.Elsewhere == nil {
		return s.mux
	}
	return router{s.mux, s.Elsewhere}
}

// WriteError answers with the problem that an error is.
func WriteError(w http.ResponseWriter, err error, log *zap.Logger) {
	writeProblem(w, problemOf(err, log))
}

// CallerOf is the name of the token that a request was let in with, "" where
// nobody had to show one.
func CallerOf(ctx context.Context) string {
	name, _ := ctx.Value(whoKey{}).(string)
	return name
}

// AwayError says that another daemon is needed and cannot be had.
type AwayError struct {
	Daemon string // its address
	Reason string
	Hint   string // "": see that it runs
}

func (e *AwayError) Error() string {
	return fmt.Sprintf("the daemon at %s cannot be reached: %s", e.Daemon, e.Reason)
}

func (e *AwayError) problem() *Problem {
	p := kindDaemonAway.of(e.Error())
	if e.Hint != "" {
		p.Hint = e.Hint
	}
	return p
}

// SourcesError says that sources are not confirmed off, and why, by bench or
// daemon.
type SourcesError struct {
	Where, Why []string // of equal length
}

func (e *SourcesError) Error() string {
	return "not confirmed off: " + strings.Join(e.Where, ", ")
}

func (e *SourcesError) problem() *Problem {
	p := kindSourceOn.of(e.Error())
	for i, at := range e.Where {
		p.Errors = append(p.Errors, &huma.ErrorDetail{Location: at, Message: e.Why[i]})
	}
	return p
}

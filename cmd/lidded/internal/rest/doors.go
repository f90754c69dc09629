package rest

import (
	"context"
	"errors"
	"math"
	"net/http"
	"strconv"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
)

// Doors decides who comes in, as access.Gate does: a request for a route that
// needs a role. An urgent one is never too many. The error is an
// *access.Refusal.
type Doors interface {
	Admit(r *http.Request, need access.Role, urgent bool) (access.Caller, error)
}

// scheme is the name of the bearer token in the document.
const scheme = "token"

func securitySchemes() map[string]*huma.SecurityScheme {
	return map[string]*huma.SecurityScheme{scheme: {
		Type: "http", Scheme: "bearer",
		Description: "A token made with `lidded token create NAME --role ROLE`. Each operation names the role it needs: scrape, read, operate or administer; " +
			"a role may do what those before it may. A daemon on loopback that has no token, and is not told to want one, asks nobody.",
	}}
}

// security is how the document says which role an operation needs: the roles of
// an OpenAPI 3.1 security requirement, and an empty one where anybody may.
func security(need access.Role) []map[string][]string {
	if need == access.Anyone {
		return []map[string][]string{{}}
	}
	return []map[string][]string{{scheme: {need.String()}}}
}

// declare notes which role a route needs. A route without a role lets nobody in.
func (s *server) declare(pattern string, need access.Role) { s.needs[pattern] = need }

// handle adds a route that is not in the document.
func (s *server) handle(pattern string, need access.Role, h http.Handler) {
	s.declare(pattern, need)
	s.mux.Handle(pattern, h)
}

// urgent are the routes that are never refused for being asked too often.
var urgent = map[string]bool{"POST /v1/source-off": true, "POST /v1/benches/{name}/source-off": true}

// need is the role that a request needs. What is no route needs none: there is
// nothing to guard, and the answer says so.
func (s *server) need(r *http.Request) (need access.Role, isUrgent bool) {
	_, pattern := s.mux.Handler(r)
	if pattern == "" {
		return access.Anyone, false
	}
	return s.needs[pattern], urgent[pattern]
}

// admitted lets in who may, and notes who it is.
func (s *server) admitted(next http.Handler) http.Handler {
	if s.Doors == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		need, isUrgent := s.need(r)
		caller, err := s.Doors.Admit(r, need, isUrgent)
		if err != nil {
			refuse(w, err, problemOf(err, s.Log))
			return
		}
		ctx := WithWho(r.Context(), caller.Name)
		if caller.Name != "" {
			ctx = context.WithValue(ctx, stillKey{}, func() bool {
				_, err := s.Doors.Admit(r, need, true)
				return err == nil
			})
		}
		next.ServeHTTP(w, r.WithContext(ctx))
	})
}

type stillKey struct{}

// stillAdmitted reports whether whoever opened a stream would still be let in:
// a token may be revoked, or expire, while the stream stands.
func stillAdmitted(ctx context.Context) bool {
	still, ok := ctx.Value(stillKey{}).(func() bool)
	return !ok || still()
}

// refuse answers with the headers that belong to a refusal (RFC 6750 3, RFC
// 6585 4).
func refuse(w http.ResponseWriter, err error, p *Problem) {
	var no *access.Refusal
	if errors.As(err, &no) {
		challenge := `Bearer realm="lidded"`
		switch no.Kind {
		case access.NoToken:
			w.Header().Set("WWW-Authenticate", challenge)
		case access.BadToken:
			w.Header().Set("WWW-Authenticate", challenge+`, error="invalid_token"`)
		case access.TooLow:
			w.Header().Set("WWW-Authenticate", challenge+`, error="insufficient_scope"`)
		case access.TooMany:
			w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(no.Wait.Seconds()))))
		}
	}
	writeProblem(w, p)
}

// refusalKinds says which problem a refusal is.
var refusalKinds = map[access.RefusalKind]kind{
	access.NoToken:      kindUnauthorized,
	access.BadToken:     kindUnauthorized,
	access.TooLow:       kindForbidden,
	access.TooMany:      kindTooMany,
	access.TokensUnread: kindUnavailable,
}

package rest

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"reflect"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/access"
	"lidded/sweep"
)

// Options are what the interface is made of. Records, Judge and Specimens are
// required; the rest has defaults or may be left out, and what is left out has no
// routes.
type Options struct {
	Version   string
	Records   Records
	Judge     Judge
	Specimens Specimens
	Exports   []Export
	// Benches, Plans, Runs and Live are for a bench at work: all or none. Without
	// them, and with nobody Elsewhere to ask, only what was kept is served.
	Benches Benches
	Plans   Plans
	Runs    Runs
	Live    *Hub
	// Upkeep knows schedule, disk and guardians; nil: nothing is known of them.
	Upkeep Upkeep
	// Briefs remembers what many runs found; nil: it is worked out each time.
	Briefs Briefs
	// Makings knows how specimens are made; nil: nothing is known of any.
	Makings Makings
	// Elsewhere answers what belongs to benches of other daemons; nil: there are
	// none.
	Elsewhere Elsewhere
	// Ready lists what the daemon needs and how it stands; nil: always ready.
	Ready func(ctx context.Context) []Check

	Page    http.Handler // GET / and /static/
	Guide   http.Handler // GET /guide and below
	Metrics http.Handler // GET /metrics

	// Doors stands before every route, after the guards; nil: everybody comes in.
	Doors Doors
	// Hosts are names that the daemon is known by besides its addresses and
	// localhost, without port.
	Hosts []string
	// Requests is told of every request when it is done. Route is a pattern
	// such as "/v1/runs/{id}", or "none", never a path: there are few of them.
	// Method is as the client wrote it.
	Requests func(route, method string, status int, took time.Duration)

	MaxStreams int           // most live listeners at once, default 64
	Heartbeat  time.Duration // of live streams, default 15 s
	Order      time.Duration // longest time an order (stop, release, …) may take, default 30 s
	Log        *zap.Logger   // default: none
}

const (
	largestBody = 64 << 10
	orderTime   = 30 * time.Second
)

type server struct {
	Options
	mux   *http.ServeMux
	api   huma.API
	needs map[string]access.Role // route to role
}

// New builds the handler for everything the daemon serves.
func New(o Options) (http.Handler, error) {
	if o.Records == nil || o.Judge == nil || o.Specimens == nil {
		return nil, errors.New("rest: Records, Judge and Specimens are required")
	}
	work := o.Benches != nil
	if work != (o.Plans != nil) || work != (o.Runs != nil) || work && o.Live == nil {
		return nil, errors.New("rest: Benches, Plans, Runs and Live belong together")
	}
	s := build(o, work || o.Elsewhere != nil)
	h := s.admitted(s.unknown())
	h = limitBody(largestBody, h)
	h = ownSite(h)
	h = knownHosts(s.Hosts, h)
	h = headers(h)
	return s.watched(recovered(s.Log, h)), nil
}

// OpenAPI returns the OpenAPI 3.1 document, indented. Of the options it needs
// the version and the exports.
func OpenAPI(version string, exports []Export) ([]byte, error) {
	return json.MarshalIndent(build(Options{Version: version, Exports: exports}, true).api.OpenAPI(), "", "  ")
}

// build registers the routes, those of a bench at work only where there is one.
func build(o Options, atWork bool) *server {
	if o.MaxStreams <= 0 {
		o.MaxStreams = 64
	}
	if o.Heartbeat <= 0 {
		o.Heartbeat = 15 * time.Second
	}
	if o.Order <= 0 {
		o.Order = orderTime
	}
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	s := &server{Options: o, mux: http.NewServeMux(), needs: map[string]access.Role{}}
	s.api = humago.New(s.operations(), s.config())
	if atWork {
		s.benchRoutes()
		s.planRoutes()
		s.orderRoutes()
		s.previewRoutes()
		s.upkeepRoutes()
		s.liveRoutes()
	}
	s.specimenRoutes()
	s.recordRoutes()
	s.ledgerRoutes()
	s.explanationRoutes()
	s.pointRoutes()
	s.runExpectationRoutes()
	s.briefRoutes()
	s.trendRoutes()
	s.betweenRoutes()
	s.exportRoutes()
	s.healthRoutes()
	s.documentRoutes()
	s.handle("GET /problems/{code}", access.Anyone, http.HandlerFunc(explainProblem))
	if o.Page != nil {
		// The page has no data of its own, and a browser that opens it no token yet.
		s.handle("GET /{$}", access.Anyone, o.Page)
		s.handle("GET /static/", access.Anyone, o.Page)
	}
	if o.Guide != nil {
		s.handle("GET /guide", access.Anyone, o.Guide)
		s.handle("GET /guide/", access.Anyone, o.Guide)
	}
	if o.Metrics != nil {
		s.handle("GET /metrics", access.Scrape, o.Metrics)
	}
	return s
}

func (s *server) config() huma.Config {
	version := s.Version
	if version == "" {
		version = "unknown"
	}
	return huma.Config{
		OpenAPI: &huma.OpenAPI{
			OpenAPI: "3.1.0",
			Info: &huma.Info{
				Title:   "lidded",
				Version: version,
				Description: "Measures the shielding effectiveness of RF-shielded boxes. A number carries its unit in its name; durations are in seconds; " +
					"times are RFC 3339 in UTC. A lower bound stands in an object with its relation and is never a bare number. " +
					"Every error is a problem document (RFC 9457).",
				Extensions: map[string]any{"x-interface-version": InterfaceVersion},
				License:    &huma.License{Name: "Apache-2.0", Identifier: "Apache-2.0"},
			},
			Components: &huma.Components{
				Schemas:         huma.NewMapRegistry("#/components/schemas/", huma.DefaultSchemaNamer),
				SecuritySchemes: securitySchemes(),
			},
			Tags: []*huma.Tag{
				{Name: "benches", Description: "Benches as they are now, and their source off"},
				{Name: "plans", Description: "Frequency plans and specimens of the config"},
				{Name: "runs", Description: "Runs: start, look, steer"},
				{Name: "records", Description: "What a run captured and what it means"},
				{Name: "live", Description: "What happens, as it happens"},
				{Name: "daemon", Description: "The daemon itself"},
			},
		},
		Formats:                      huma.DefaultFormats,
		DefaultFormat:                "application/json",
		RejectUnknownQueryParameters: true,
	}
}

// everywhere are the statuses with which any operation may be refused: by the
// guards before it, for a parameter it does not know, or because the daemon is
// ending.
var everywhere = []int{401, 403, 408, 413, 421, 422, 429, 503}

// register adds an operation that needs a role, and whose errors go through the
// one mapping.
func register[I, O any](s *server, need access.Role, op huma.Operation, do func(context.Context, *I) (*O, error)) {
	op.MaxBodyBytes = largestBody
	op.Security = security(need)
	if len(op.Errors) > 0 { // else the document says "default", which is any of them
		op.Errors = append(op.Errors, everywhere...)
	}
	s.declare(op.Method+" "+op.Path, need)
	huma.Register(s.api, op, func(ctx context.Context, in *I) (*O, error) {
		out, err := do(ctx, in)
		if err == nil {
			return out, nil
		}
		p := problemOf(err, s.Log)
		var wait *UnavailableError
		if errors.As(err, &wait) && wait.Retry > 0 {
			return nil, huma.ErrorWithHeaders(p, http.Header{"Retry-After": {strconv.Itoa(int(wait.Retry.Seconds()))}})
		}
		return nil, p
	})
}

// schemaOf adds a type to the document that no operation's body uses.
func (s *server) schemaOf(v any) {
	s.api.OpenAPI().Components.Schemas.Schema(reflect.TypeOf(v), true, "")
}

// ordered returns a context for an order: it goes on when the client leaves,
// and ends by itself.
func (s *server) ordered(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(context.WithoutCancel(ctx), s.Order)
}

// live returns the last live picture of a bench.
func (s *server) live(bench string) *sweep.Progress {
	if s.Live != nil {
		if p, ok := s.Live.Last(bench); ok {
			return &p
		}
	}
	return nil
}

type body[T any] struct {
	Body T
}

func bodyOf[T any](v T) *body[T] { return &body[T]{v} }

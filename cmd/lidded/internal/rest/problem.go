package rest

import (
	"net/http"
	"strconv"
	"strings"

	"github.com/danielgtaylor/huma/v2"
)

// Problem is the body of every error (RFC 9457, application/problem+json).
type Problem struct {
	Type     string              `json:"type" format:"uri-reference" doc:"What kind of problem this is; the path leads to an explanation" example:"/problems/bench-busy"`
	Title    string              `json:"title" doc:"The kind in words, always the same for a type"`
	Status   int                 `json:"status" doc:"HTTP status code"`
	Detail   string              `json:"detail,omitempty" doc:"What happened this time"`
	Hint     string              `json:"hint,omitempty" doc:"What to do about it"`
	Instance string              `json:"instance,omitempty" format:"uri-reference" doc:"This occurrence, as it is found in the daemon's log"`
	Run      string              `json:"run,omitempty" doc:"The run that stands in the way"`
	State    string              `json:"state,omitempty" doc:"The state that run is in"`
	Errors   []*huma.ErrorDetail `json:"errors,omitempty" doc:"Each thing found wrong, with its place"`
}

// Error returns the detail, or the title where there is none.
func (p *Problem) Error() string {
	if p.Detail == "" {
		return p.Title
	}
	return p.Detail
}

// GetStatus returns the HTTP status.
func (p *Problem) GetStatus() int { return p.Status }

// ContentType makes JSON problem+json.
func (p *Problem) ContentType(ct string) string {
	if ct == "application/json" {
		return "application/problem+json"
	}
	return ct
}

// kind is a type of problem.
type kind struct {
	code   string
	status int
	title  string
	hint   string
}

// The kinds of problem. A code is part of the interface: it is never renamed.
var (
	kindBadRequest   = kind{"bad-request", http.StatusBadRequest, "Request cannot be read", "Send JSON as the OpenAPI document at /openapi.json describes it."}
	kindUnauthorized = kind{"unauthorized", http.StatusUnauthorized, "No valid token", "Send a token in the header Authorization: Bearer TOKEN. Tokens are made on the daemon's computer with 'lidded token create'."}
	kindForbidden    = kind{"forbidden", http.StatusForbidden, "Not allowed", "Use a token with the role that is needed."}
	kindTooMany      = kind{"too-many-requests", http.StatusTooManyRequests, "Too many requests", "Wait as long as the Retry-After header says."}
	kindCrossSite    = kind{"cross-site", http.StatusForbidden, "Request comes from another web site", "Use the daemon's own page, or a client that is not a web page."}
	kindNotFound     = kind{"not-found", http.StatusNotFound, "No such thing", ""}
	kindNoRoute      = kind{"no-such-path", http.StatusNotFound, "No such path", "The paths are listed in /openapi.json."}
	kindMethod       = kind{"method-not-allowed", http.StatusMethodNotAllowed, "Method not allowed here", "The Allow header lists the methods."}
	kindAccept       = kind{"not-acceptable", http.StatusNotAcceptable, "No form that is accepted", "Accept application/json."}
	kindSlow         = kind{"request-timeout", http.StatusRequestTimeout, "Request came too slowly", ""}
	kindBusy         = kind{"bench-busy", http.StatusConflict, "Bench is busy", "Wait for the run named here, or stop it."}
	kindState        = kind{"not-in-this-state", http.StatusConflict, "Not possible in this state", ""}
	kindConflict     = kind{"conflict", http.StatusConflict, "Conflict", ""}
	kindTooLarge     = kind{"too-large", http.StatusRequestEntityTooLarge, "Request is too large", ""}
	kindMedia        = kind{"unsupported-media-type", http.StatusUnsupportedMediaType, "Body is not JSON", "Send the header Content-Type: application/json."}
	kindHost         = kind{"unknown-host", http.StatusMisdirectedRequest, "Not this host", "Use the daemon's address, or add the name to the config as one of its hosts."}
	kindInvalid      = kind{"invalid", http.StatusUnprocessableEntity, "Request is not valid", ""}
	kindRefused      = kind{"plan-refused", http.StatusUnprocessableEntity, "Plan is refused", "Nothing was keyed. Mend what is listed and start again."}
	kindKeyReused    = kind{"idempotency-key-reused", http.StatusUnprocessableEntity, "Idempotency key was used for something else", "Use a new key for a new run."}
	kindInternal     = kind{"internal", http.StatusInternalServerError, "Internal fault", "The daemon's log has the cause under this instance."}
	kindInstrument   = kind{"instrument", http.StatusBadGateway, "Instrument does not do as told", ""}
	kindInstrumentTO = kind{"instrument-timeout", http.StatusGatewayTimeout, "Instrument does not answer", ""}
	kindSourceOn     = kind{"source-not-off", http.StatusBadGateway, "Source is not confirmed off", "Switch the source off by hand, now, and check."}
	kindDaemonAway   = kind{"daemon-away", http.StatusBadGateway, "The bench's daemon cannot be reached", "See that it runs and that this server reaches it; nothing was done around it."}
	kindUnavailable  = kind{"unavailable", http.StatusServiceUnavailable, "Not available now", ""}
	kindNotReady     = kind{"not-ready", http.StatusServiceUnavailable, "Not ready", ""}
	kindLabAway      = kind{"lab-away", http.StatusServiceUnavailable, "The lab cannot be read now", "It is tried again with every request; the benches and their daemons go on without it."}
	kindDropped      = kind{"dropped", http.StatusGone, "Not kept any more", ""}
	kindDiskFull     = kind{"storage", http.StatusInsufficientStorage, "Storage is full or read-only", "Make room on the disk, or make it writable; what was committed is safe."}
)

var kinds = []kind{
	kindBadRequest, kindUnauthorized, kindForbidden, kindTooMany, kindCrossSite, kindNotFound, kindNoRoute, kindMethod,
	kindAccept, kindSlow, kindBusy, kindState, kindConflict, kindTooLarge, kindMedia, kindHost, kindInvalid,
	kindRefused, kindKeyReused, kindInternal, kindInstrument, kindInstrumentTO, kindSourceOn, kindUnavailable,
	kindNotReady, kindDiskFull, kindDaemonAway, kindLabAway, kindDropped,
}

// kindsByStatus holds the kind that stands for a bare status: the first listed.
var kindsByStatus = func() map[int]kind {
	m := map[int]kind{}
	for _, k := range kinds {
		if _, have := m[k.status]; !have {
			m[k.status] = k
		}
	}
	// A path parameter that names nothing is found out by handlers; a bare
	// conflict names no bench; a bare 422 is about the request itself.
	m[http.StatusConflict] = kindConflict
	return m
}()

// of makes a problem of this kind.
func (k kind) of(detail string) *Problem {
	return &Problem{Type: "/problems/" + k.code, Title: k.title, Status: k.status, Detail: detail, Hint: k.hint}
}

// WriteProblem answers with a problem that stands for a status, for handlers
// outside this package (such as a check of tokens).
func WriteProblem(w http.ResponseWriter, status int, detail string) {
	writeProblem(w, bare(status, detail))
}

func bare(status int, detail string) *Problem {
	if k, ok := kindsByStatus[status]; ok {
		return k.of(detail)
	}
	return &Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail}
}

func writeProblem(w http.ResponseWriter, p *Problem) {
	h := w.Header()
	h.Del("Content-Length")
	h.Set("Content-Type", "application/problem+json")
	w.WriteHeader(p.Status)
	_ = huma.DefaultJSONFormat.Marshal(w, p)
}

const longestEcho = 120

// init makes the framework speak in problems of this package, and say that an
// array is never null. It has no other place to be told.
func init() {
	huma.DefaultArrayNullable = false
	huma.NewError = func(status int, detail string, errs ...error) huma.StatusError {
		p := bare(status, detail)
		for _, err := range errs {
			if err == nil {
				continue
			}
			d := &huma.ErrorDetail{Message: err.Error()}
			if e, ok := err.(huma.ErrorDetailer); ok {
				copied := *e.ErrorDetail()
				d = &copied
			}
			if s, ok := d.Value.(string); ok && len(s) > longestEcho {
				d.Value = s[:longestEcho] + "…"
			} else if !ok && !isScalar(d.Value) {
				d.Value = nil
			}
			p.Errors = append(p.Errors, d)
		}
		if status == http.StatusUnsupportedMediaType {
			p.Errors = nil
			p.Detail = "the body's content type is not one this path reads"
		}
		if len(p.Errors) > 0 && strings.HasPrefix(detail, "validation failed") {
			p.Detail = summary(p.Errors)
		}
		return p
	}
}

func isScalar(v any) bool {
	switch v.(type) {
	case nil, bool, int, int64, float64:
		return true
	}
	return false
}

// summary puts the first error into the detail, so that one line tells enough.
func summary(errs []*huma.ErrorDetail) string {
	s := errs[0].Message
	if errs[0].Location != "" {
		s = errs[0].Location + ": " + s
	}
	if n := len(errs) - 1; n > 0 {
		s += " (and " + strconv.Itoa(n) + " more)"
	}
	return s
}

// explainProblem serves what a problem type means.
func explainProblem(w http.ResponseWriter, r *http.Request) {
	code := r.PathValue("code")
	for _, k := range kinds {
		if k.code == code {
			w.Header().Set("Content-Type", "text/plain; charset=utf-8")
			text := k.title + " (HTTP status " + strconv.Itoa(k.status) + ").\n"
			if k.hint != "" {
				text += k.hint + "\n"
			}
			_, _ = w.Write([]byte(text))
			return
		}
	}
	writeProblem(w, kindNotFound.of("no problem type \""+code+"\""))
}

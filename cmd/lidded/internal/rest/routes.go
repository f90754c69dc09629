package rest

import (
	"net/http"
	"strings"
	"time"
)

// unknown answers what no route takes with a problem instead of plain text.
func (s *server) unknown() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h, pattern := s.mux.Handler(r)
		if pattern != "" {
			// Serve through the mux: it sets the path's parameters.
			s.mux.ServeHTTP(w, r)
			return
		}
		// The mux's own answer tells what is wrong: a path, or only the method.
		probe := &probe{header: http.Header{}}
		h.ServeHTTP(probe, r)
		switch {
		case probe.status == http.StatusMethodNotAllowed:
			w.Header().Set("Allow", probe.header.Get("Allow"))
			writeProblem(w, kindMethod.of(r.Method+" is not possible here; "+probe.header.Get("Allow")+" is"))
		case probe.status >= 300 && probe.status < 400:
			h.ServeHTTP(w, r)
		default:
			writeProblem(w, kindNoRoute.of("there is nothing at "+quoteShort(r.URL.Path)))
		}
	})
}

// probe takes an answer and keeps its head.
type probe struct {
	header http.Header
	status int
}

func (p *probe) Header() http.Header         { return p.header }
func (p *probe) Write(b []byte) (int, error) { return len(b), nil }
func (p *probe) WriteHeader(status int)      { p.status = status }

// watched tells Requests about every request.
func (s *server) watched(next http.Handler) http.Handler {
	if s.Requests == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		begun := time.Now()
		_, route := s.mux.Handler(r)
		if _, path, ok := strings.Cut(route, " "); ok {
			route = strings.TrimSuffix(path, "{$}")
		}
		if route == "" {
			route = "none"
		}
		sent := &recorder{ResponseWriter: w}
		defer func() {
			status := sent.status
			if status == 0 {
				status = http.StatusOK
			}
			s.Requests(route, r.Method, status, time.Since(begun))
		}()
		next.ServeHTTP(sent, r)
	})
}

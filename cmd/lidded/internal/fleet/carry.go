package fleet

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"lidded/cmd/lidded/internal/rest"
	"lidded/sweep"
)

// via names this server in what it passes on (RFC 9110 7.6.3).
const via = "lidded-lab"

var errLoop = fmt.Errorf("this is a lab server, and one asks it: name daemons of benches in lab.daemons, not lab servers: %w", sweep.ErrConflict)

// passedOn reports whether a lab server sent a request.
func passedOn(r *http.Request) bool {
	return strings.Contains(strings.Join(r.Header.Values("Via"), ","), via)
}

// carried is what of a request's header goes on to a daemon. The token goes along
// only where it let the caller in here: who is let in by nothing is nobody there.
func carried(r *http.Request) http.Header {
	out := http.Header{"Via": append(r.Header.Values("Via"), "1.1 "+via)}
	names := []string{"Accept", "Content-Type", "Idempotency-Key"}
	if rest.CallerOf(r.Context()) != "" {
		names = append(names, "Authorization")
	}
	for _, n := range names {
		if v := r.Header.Values(n); len(v) > 0 {
			out[n] = v
		}
	}
	return out
}

// given is what of an answer's header is passed on.
var given = []string{"Content-Type", "Content-Disposition", "Location", "Link", "Retry-After", "WWW-Authenticate", "Allow"}

// noneToPassOn is why a daemon that wants a token is of no use to whoever was let
// in here without one.
const noneToPassOn = "it wants a token, and this server, which lets everybody in without one, has none to pass on: make one with 'lidded token create' and let it in at both"

// pass sends a request on to a daemon and gives its answer, whatever it is. An
// order goes on when the client leaves.
func (f *Fleet) pass(w http.ResponseWriter, r *http.Request, d *daemon, body []byte) {
	ctx, within := r.Context(), readTime
	if r.Method != http.MethodGet {
		ctx, within = context.WithoutCancel(ctx), orderTime
	}
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	resp, err := f.send(ctx, r, d, body)
	if err != nil {
		f.fail(w, err)
		return
	}
	f.give(w, r, d, resp)
}

func (f *Fleet) send(ctx context.Context, r *http.Request, d *daemon, body []byte) (*http.Response, error) {
	return d.send(ctx, r.Method, target(r), carried(r), body)
}

// target is what a request asks for, without whom.
func target(r *http.Request) string {
	if r.URL.RawQuery == "" {
		return r.URL.EscapedPath()
	}
	return r.URL.EscapedPath() + "?" + r.URL.RawQuery
}

// give passes an answer on and closes it.
func (f *Fleet) give(w http.ResponseWriter, r *http.Request, d *daemon, resp *http.Response) {
	defer resp.Body.Close()
	if resp.StatusCode == http.StatusUnauthorized && rest.CallerOf(r.Context()) == "" {
		// Asking for a token would not help: none is sent on.
		rest.WriteProblem(w, http.StatusForbidden, "the daemon at "+d.url+": "+noneToPassOn)
		return
	}
	for _, n := range given {
		if v := resp.Header.Values(n); len(v) > 0 {
			w.Header()[n] = v
		}
	}
	w.Header().Set("Via", "1.1 "+via)
	w.WriteHeader(resp.StatusCode)
	if _, err := io.Copy(paced{w, http.NewResponseController(w)}, resp.Body); err != nil {
		panic(http.ErrAbortHandler) // the client shall see that something is missing
	}
}

// paced gives each write its own time.
type paced struct {
	w  http.ResponseWriter
	rc *http.ResponseController
}

const writeTime = 30 * time.Second

func (p paced) Write(b []byte) (int, error) {
	if err := p.rc.SetWriteDeadline(time.Now().Add(writeTime)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	return p.w.Write(b)
}

// bodyOf reads what was sent; its size is bounded by whoever let it in.
func bodyOf(r *http.Request) ([]byte, error) {
	if r.Body == nil {
		return nil, nil
	}
	return io.ReadAll(r.Body)
}

package rest

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"runtime/debug"
	"slices"
	"strings"

	"github.com/google/uuid"
	"go.uber.org/zap"
)

// contentPolicy lets pages use what this daemon serves and nothing else.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; " +
	"font-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// headers sets what every answer carries.
func headers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		h.Set("Cache-Control", "no-store")
		next.ServeHTTP(w, r)
	})
}

// knownHosts refuses requests whose Host is a name that nobody gave to this
// daemon: a web page whose name was pointed at this machine (DNS rebinding)
// cannot speak to it as its own origin. Numeric addresses and localhost pass.
func knownHosts(names []string, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host := hostOnly(r.Host)
		if !isLocalName(host) && !slices.ContainsFunc(names, func(n string) bool { return strings.EqualFold(n, host) }) {
			writeProblem(w, kindHost.of("this daemon is not known as "+quoteShort(host)))
			return
		}
		next.ServeHTTP(w, r)
	})
}

func hostOnly(hostport string) string {
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		return h
	}
	return strings.TrimSuffix(strings.TrimPrefix(hostport, "["), "]")
}

func isLocalName(host string) bool {
	if strings.EqualFold(host, "localhost") || strings.HasSuffix(strings.ToLower(host), ".localhost") {
		return true
	}
	_, err := netip.ParseAddr(host)
	return err == nil
}

func quoteShort(s string) string {
	if len(s) > longestEcho {
		s = s[:longestEcho] + "…"
	}
	return "\"" + strings.ToValidUTF8(s, "?") + "\""
}

// ownSite refuses what a browser sends on behalf of another web site: every
// request that changes something (by Sec-Fetch-Site, else by Origin), and
// every other one but a plain visit of a page.
func ownSite(next http.Handler) http.Handler {
	protection := http.NewCrossOriginProtection()
	protection.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		writeProblem(w, kindCrossSite.of("a page of another site may not change anything here"))
	}))
	guarded := protection.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		site, mode := r.Header.Get("Sec-Fetch-Site"), r.Header.Get("Sec-Fetch-Mode")
		if (site == "cross-site" || site == "same-site") && mode != "navigate" {
			writeProblem(w, kindCrossSite.of("a page of another site may not use this daemon"))
			return
		}
		guarded.ServeHTTP(w, r)
	})
}

// limitBody bounds what is read of a request's body.
func limitBody(most int64, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.ContentLength > most {
			w.Header().Set("Connection", "close")
			writeProblem(w, kindTooLarge.of("the body is larger than this daemon reads"))
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, most+1)
		next.ServeHTTP(w, r)
	})
}

// recovered turns a panic into a problem, if nothing was sent yet.
func recovered(log *zap.Logger, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		sent := &recorder{ResponseWriter: w}
		defer func() {
			v := recover()
			if v == nil {
				return
			}
			if v == http.ErrAbortHandler {
				panic(v)
			}
			id := uuid.NewString()
			log.Error("request panicked", zap.String("instance", id), zap.Any("panic", v), zap.String("path", r.URL.Path), zap.ByteString("stack", debug.Stack()))
			if sent.status != 0 {
				panic(http.ErrAbortHandler)
			}
			p := kindInternal.of("")
			p.Instance = "urn:uuid:" + id
			writeProblem(w, p)
		}()
		next.ServeHTTP(sent, r)
	})
}

// recorder notes the status that was sent.
type recorder struct {
	http.ResponseWriter
	status int
}

func (w *recorder) WriteHeader(status int) {
	if w.status == 0 {
		w.status = status
	}
	w.ResponseWriter.WriteHeader(status)
}

func (w *recorder) Write(b []byte) (int, error) {
	if w.status == 0 {
		w.status = http.StatusOK
	}
	return w.ResponseWriter.Write(b)
}

// Unwrap lets http.ResponseController reach the connection.
func (w *recorder) Unwrap() http.ResponseWriter { return w.ResponseWriter }

type whoKey struct{}

// WithWho notes who sends a request: the name of the token. It is what the
// journal shows beside the orders given.
func WithWho(ctx context.Context, who string) context.Context {
	return context.WithValue(ctx, whoKey{}, who)
}

// who names whoever gave an order: the authenticated name if there is one, and
// the operator's name as stated.
func who(ctx context.Context, operator string) string {
	if who := responsible(ctx, operator); who != "" {
		return who
	}
	return "rest"
}

// responsible is who answers for a run, "" where nobody is named.
func responsible(ctx context.Context, operator string) string {
	name, _ := ctx.Value(whoKey{}).(string)
	switch {
	case name != "" && operator != "" && name != operator:
		return operator + " (" + name + ")"
	case operator != "":
		return operator
	}
	return name
}

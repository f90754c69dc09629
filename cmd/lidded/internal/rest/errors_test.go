package rest_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
	"lidded/driver"
	"lidded/store"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// TestBadRequests sends what cannot be served and checks status, kind and
// words of the problem.
func TestBadRequests(t *testing.T) {
	g := serve(t, resttest.New("depot", "annex"))
	one := serve(t, resttest.New())
	id := one.begin(t, "quick", steel)
	tests := []struct {
		name, method, path, body string
		options                  []option
		status                   int
		kind, detail             string
	}{
		{name: "unknown path", method: "GET", path: "/v1/lockers", status: 404, kind: "no-such-path", detail: `there is nothing at "/v1/lockers"`},
		{name: "unknown path outside", method: "GET", path: "/wp-login", status: 404, kind: "no-such-path"},
		{name: "wrong method", method: "DELETE", path: "/v1/runs", status: 405, kind: "method-not-allowed", detail: "DELETE is not possible here; GET, HEAD, POST is"},
		{name: "options", method: "OPTIONS", path: "/v1/benches", status: 405, kind: "method-not-allowed"},
		{name: "unknown bench", method: "GET", path: "/v1/benches/barn", status: 404, kind: "not-found", detail: `no bench "barn": known are depot, annex`},
		{name: "unknown plan", method: "GET", path: "/v1/plans/sunday?bench=depot", status: 404, kind: "not-found", detail: `no plan "sunday": known are locker, quick, too-hot`},
		{name: "which bench", method: "GET", path: "/v1/plans/quick", status: 422, kind: "invalid", detail: `query.bench: there are 2 benches, so one must be named: ["depot" "annex"]`},
		{name: "unknown run", method: "GET", path: "/v1/runs/nobody", status: 404, kind: "not-found", detail: `no run "nobody"`},
		{name: "unknown capture", method: "GET", path: "/v1/captures/nothing", status: 404, kind: "not-found", detail: "capture nothing: no such capture"},
		{name: "unknown run's results", method: "GET", path: "/v1/runs/nobody/results", status: 404, kind: "not-found"},
		{name: "unknown run's page", method: "GET", path: "/v1/runs?before=nobody", status: 404, kind: "not-found"},
		{name: "unknown run stopped", method: "POST", path: "/v1/runs/nobody/stop", status: 404, kind: "not-found"},
		{name: "unknown problem", method: "GET", path: "/problems/none", status: 404, kind: "not-found"},
		{name: "unknown query", method: "GET", path: "/v1/runs?sort=up", status: 422, kind: "invalid", detail: "query.sort: unknown query parameter"},
		{name: "bad limit", method: "GET", path: "/v1/runs?limit=0", status: 422, kind: "invalid", detail: "query.limit: expected number >= 1"},
		{name: "limit no number", method: "GET", path: "/v1/runs?limit=many", status: 422, kind: "invalid"},
		{name: "bad state", method: "GET", path: "/v1/runs?state=asleep", status: 422, kind: "invalid"},
		{name: "bad kind", method: "GET", path: "/v1/runs/" + id + "/captures?kind=hold_point", status: 422, kind: "invalid"},
		{name: "step no number", method: "POST", path: "/v1/runs/" + id + "/holds/first/release", status: 422, kind: "invalid"},
		{name: "no body", method: "POST", path: "/v1/runs", status: 400, kind: "bad-request", detail: "request body is required"},
		{name: "bad JSON", method: "POST", path: "/v1/runs", body: `{"plan":`, status: 400, kind: "bad-request", detail: "body: unexpected end of JSON input"},
		{name: "null", method: "POST", path: "/v1/runs", body: `null`, status: 422, kind: "invalid"},
		{name: "list", method: "POST", path: "/v1/runs", body: `[]`, status: 422, kind: "invalid"},
		{name: "not JSON", method: "POST", path: "/v1/runs", body: "plan=quick", options: []option{with("Content-Type", "application/x-www-form-urlencoded")}, status: 415, kind: "unsupported-media-type"},
		{name: "unknown member", method: "POST", path: "/v1/runs", body: `{"plan":"quick","specimens":["locker-steel"],"colour":"red"}`, status: 422, kind: "invalid", detail: "body.colour: unexpected property"},
		{name: "which plan", method: "POST", path: "/v1/runs", body: `{"bench":"depot"}`, status: 422, kind: "invalid", detail: `body.plan: there are 3 plans, so one must be named: ["locker" "quick" "too-hot"]`},
		{name: "no specimens", method: "POST", path: "/v1/runs", body: `{"plan":"quick","specimens":[]}`, status: 422, kind: "invalid"},
		{name: "null specimens", method: "POST", path: "/v1/runs", body: `{"plan":"quick","specimens":null}`, status: 422, kind: "invalid"},
		{name: "a specimen twice", method: "POST", path: "/v1/runs", body: `{"plan":"quick","specimens":["locker-steel","locker-steel"]}`, status: 422, kind: "invalid", detail: `body.specimens[1]: specimen "locker-steel" stands twice: keep one`},
		{name: "specimens that are no names", method: "POST", path: "/v1/previews", body: `{"plan":"quick","specimens":[[],{}]}`, status: 422, kind: "invalid"},
		{name: "start on which bench", method: "POST", path: "/v1/runs", body: `{"plan":"quick","specimens":["locker-steel"]}`, status: 422, kind: "invalid", detail: `body.bench: there are 2 benches, so one must be named: ["depot" "annex"]`},
		{name: "start on no bench", method: "POST", path: "/v1/runs", body: `{"plan":"quick","bench":"barn","specimens":["locker-steel"]}`, status: 404, kind: "not-found"},
		{name: "start of no plan", method: "POST", path: "/v1/runs", body: `{"plan":"sunday","bench":"depot","specimens":["locker-steel"]}`, status: 404, kind: "not-found"},
		{name: "start with no specimen", method: "POST", path: "/v1/runs", body: `{"plan":"quick","bench":"depot","specimens":["crate"]}`, status: 404, kind: "not-found", detail: `no specimen "crate": known are locker-steel, locker-mesh, locker-vent`},
		{name: "refused", method: "POST", path: "/v1/runs", body: `{"plan":"too-hot","bench":"depot","specimens":["locker-steel"]}`, status: 422, kind: "plan-refused"},
		{name: "long name", method: "POST", path: "/v1/runs", body: `{"plan":"` + strings.Repeat("x", 101) + `","specimens":["locker-steel"]}`, status: 422, kind: "invalid"},
		{name: "too large", method: "POST", path: "/v1/runs", body: `{"plan":"` + strings.Repeat("x", 65<<10) + `"}`, status: 413, kind: "too-large"},
		{name: "order with unknown member", method: "POST", path: "/v1/benches/depot/source-off", body: `{"operater":"Ada"}`, status: 422, kind: "invalid", detail: "body.operater: unexpected property"},
		{name: "source off nowhere", method: "POST", path: "/v1/benches/barn/source-off", status: 404, kind: "not-found"},
		{name: "other host", method: "GET", path: "/v1/benches", options: []option{with("Host", "rebind.example")}, status: 421, kind: "unknown-host", detail: `this daemon is not known as "rebind.example"`},
		{name: "other host, unknown path", method: "GET", path: "/", options: []option{with("Host", "rebind.example:80")}, status: 421, kind: "unknown-host"},
		{name: "other origin", method: "POST", path: "/v1/source-off", options: []option{with("Origin", "https://elsewhere.example")}, status: 403, kind: "cross-site"},
		{name: "no origin", method: "POST", path: "/v1/source-off", options: []option{with("Origin", "null")}, status: 403, kind: "cross-site"},
		{name: "other site", method: "POST", path: "/v1/source-off", options: []option{with("Sec-Fetch-Site", "cross-site")}, status: 403, kind: "cross-site"},
		{name: "other site on the host", method: "POST", path: "/v1/source-off", options: []option{with("Sec-Fetch-Site", "same-site")}, status: 403, kind: "cross-site"},
		{name: "form of another site", method: "POST", path: "/v1/source-off", options: []option{with("Sec-Fetch-Site", "cross-site"), with("Sec-Fetch-Mode", "navigate")}, status: 403, kind: "cross-site"},
		{name: "read by another site", method: "GET", path: "/v1/events", options: []option{with("Sec-Fetch-Site", "cross-site"), with("Sec-Fetch-Mode", "cors")}, status: 403, kind: "cross-site"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := g.do(t, tt.method, tt.path, tt.body, tt.options...)
			if strings.Contains(tt.path, id) {
				p = one.do(t, tt.method, tt.path, tt.body, tt.options...)
			}
			detail := p.problem(t, tt.status, tt.kind)["detail"]
			if tt.detail != "" && detail != tt.detail {
				t.Errorf("detail\n%q, want\n%q", detail, tt.detail)
			}
			if len(p.body) > 2000 {
				t.Errorf("%d bytes of problem", len(p.body))
			}
		})
	}
	if got := g.Orders(); len(got) != 0 {
		t.Errorf("orders went through: %v", got)
	}
}

func TestAllowHeader(t *testing.T) {
	g := serve(t, resttest.New())
	for path, want := range map[string]string{"/v1/runs": "GET, HEAD, POST", "/v1/source-off": "POST", "/healthz": "GET, HEAD"} {
		if got := g.do(t, "PATCH", path, "").header.Get("Allow"); got != want {
			t.Errorf("%s: Allow %q, want %q", path, got, want)
		}
	}
}

// TestOwnSitePasses: the daemon's page, a visit from elsewhere, and scripts.
func TestOwnSitePasses(t *testing.T) {
	g := serve(t, resttest.New(), func(o *rest.Options) { o.Hosts = []string{"bench.depot.example"} })
	host := strings.TrimPrefix(g.url, "http://")
	_, port, err := net.SplitHostPort(host)
	if err != nil {
		t.Fatal(err)
	}
	for name, options := range map[string][]option{
		"script":         nil,
		"page":           {with("Sec-Fetch-Site", "same-origin"), with("Origin", g.url)},
		"old browser":    {with("Origin", g.url)},
		"typed":          {with("Sec-Fetch-Site", "none")},
		"localhost":      {with("Host", "localhost:"+port)},
		"six":            {with("Host", "[::1]:"+port)},
		"six, no port":   {with("Host", "[::1]")},
		"name of config": {with("Host", "Bench.depot.example"), with("Origin", "http://Bench.depot.example")},
	} {
		if a := g.do(t, "POST", "/v1/source-off", "", options...); a.status != 200 {
			t.Errorf("%s: %d %s", name, a.status, a.body)
		}
	}
	if a := g.do(t, "GET", "/healthz", "", with("Sec-Fetch-Site", "cross-site"), with("Sec-Fetch-Mode", "navigate")); a.status != 200 {
		t.Errorf("a visit through a link was refused: %d", a.status)
	}
}

func TestBusyBenchNamesItsRun(t *testing.T) {
	g := serve(t, resttest.New())
	id := g.begin(t, "quick", steel)
	p := g.do(t, "POST", "/v1/runs", `{"plan":"quick","specimens":["locker-mesh"]}`).problem(t, 409, "bench-busy")
	if p["run"] != id || p["hint"] == "" {
		t.Errorf("problem %v", p)
	}
}

func TestRefusalListsEveryReason(t *testing.T) {
	g := serve(t, resttest.New())
	p := g.do(t, "POST", "/v1/runs", `{"plan":"too-hot","specimens":["locker-steel"]}`).problem(t, 422, "plan-refused")
	var messages []string
	for _, e := range p["errors"].([]any) {
		e := e.(map[string]any)
		messages = append(messages, fmt.Sprintf("%v: %v", e["location"], e["message"]))
	}
	all := strings.Join(messages, "\n")
	for _, want := range []string{"points[0]: source level 25.0 dBm at 40 MHz is over bench depot's max_level 10.0 dBm", "points[1]: 2 GHz is not in may_transmit of bench depot"} {
		if !strings.Contains(all, want) {
			t.Errorf("no %q in\n%s", want, all)
		}
	}
	if p["hint"] != "Nothing was keyed. Mend what is listed and start again." {
		t.Errorf("hint %v", p["hint"])
	}
}

// TestMapping makes each port fail in each way that the mapping knows.
func TestMapping(t *testing.T) {
	d := resttest.New()
	core, logged := observer.New(zap.ErrorLevel)
	g := serve(t, d, func(o *rest.Options) { o.Log = zap.New(core) })
	id := g.begin(t, "quick", steel)
	secret := "/var/lib/depot/bench.db"
	tests := []struct {
		method string
		err    error
		call   string
		status int
		kind   string
	}{
		{"Stop", &engine.StateError{Run: sweep.RunID(id), State: sweep.Completed, Event: engine.EventStop}, "POST /v1/runs/" + id + "/stop", 409, "not-in-this-state"},
		{"Stop", fmt.Errorf("run has ended: %w", sweep.ErrConflict), "POST /v1/runs/" + id + "/stop", 409, "conflict"},
		{"Abort", context.DeadlineExceeded, "POST /v1/runs/" + id + "/abort", 503, "unavailable"},
		{"Abort", fmt.Errorf("abort: %w", context.Canceled), "POST /v1/runs/" + id + "/abort", 503, "unavailable"},
		{"Resume", &driver.Error{Instrument: "source", Kind: driver.KindRefused, Hint: "check the address"}, "POST /v1/runs/" + id + "/resume", 502, "instrument"},
		{"Resume", &driver.Error{Instrument: "source", Kind: driver.KindTimeout}, "POST /v1/runs/" + id + "/resume", 504, "instrument-timeout"},
		{"Release", &engine.HoldError{Run: sweep.RunID(id), Asked: 0, Waiting: sweep.Step{Index: 3}}, "POST /v1/runs/" + id + "/holds/0/release", 409, "not-in-this-state"},
		{"Resume", &engine.OtherRunError{Run: sweep.RunID(id), Bench: "depot", Belong: "annex"}, "POST /v1/runs/" + id + "/resume", 409, "not-in-this-state"},
		{"Resume", &engine.IdentityError{Run: sweep.RunID(id), Role: engine.RoleSource}, "POST /v1/runs/" + id + "/resume", 409, "not-in-this-state"},
		{"Resume", &engine.DownError{Bench: "depot", Role: engine.RoleSource, Err: &driver.Error{Kind: driver.KindBusy}}, "POST /v1/runs/" + id + "/resume", 504, "instrument-timeout"},
		{"Resume", &engine.DownError{Bench: "depot", Role: engine.RoleSource, Err: errors.New("away")}, "POST /v1/runs/" + id + "/resume", 502, "instrument"},
		{"Stop", fmt.Errorf("stop: %w", engine.ErrNotServing), "POST /v1/runs/" + id + "/stop", 503, "unavailable"},
		{"Release", &rest.UnavailableError{Message: "not now"}, "POST /v1/runs/" + id + "/holds/0/release", 503, "unavailable"},
		{"Release", sweep.Problem{Path: "step", Message: "wrong"}, "POST /v1/runs/" + id + "/holds/0/release", 422, "invalid"},
		{"Runs", &store.Error{Op: "list runs", Path: secret, Kind: store.KindBusy}, "GET /v1/runs", 503, "unavailable"},
		{"Runs", &store.Error{Op: "list runs", Path: secret, Kind: store.KindCorrupt}, "GET /v1/runs", 500, "internal"},
		{"Release", &store.Error{Op: "append event", Path: secret, Kind: store.KindFull}, "POST /v1/runs/" + id + "/holds/0/release", 507, "storage"},
		{"Release", &store.Error{Op: "append event", Path: secret, Kind: store.KindReadOnly}, "POST /v1/runs/" + id + "/holds/0/release", 507, "storage"},
		{"All", errors.New("something odd in " + secret), "GET /v1/benches", 500, "internal"},
		{"Plans", errors.New("something odd"), "GET /v1/plans", 500, "internal"},
		{"Evaluation", errors.New("something odd"), "GET /v1/runs/" + id + "/results", 500, "internal"},
		{"CaptureList", errors.New("something odd"), "GET /v1/runs/" + id + "/captures", 500, "internal"},
		{"Events", errors.New("something odd"), "GET /v1/runs/" + id + "/events", 500, "internal"},
		{"Keyings", errors.New("something odd"), "GET /v1/runs/" + id + "/keyings", 500, "internal"},
		{"Run", errors.New("something odd"), "GET /v1/runs/" + id, 500, "internal"},
		{"SourceOff", &driver.Error{Instrument: "source", Op: "read line", Kind: driver.KindTimeout}, "POST /v1/benches/depot/source-off", 502, "source-not-off"},
		{"SourceOff", &driver.Error{Instrument: "source", Op: "read line", Kind: driver.KindTimeout}, "POST /v1/source-off", 502, "source-not-off"},
	}
	for _, tt := range tests {
		t.Run(tt.method+" "+tt.err.Error(), func(t *testing.T) {
			g.Fail(tt.method, tt.err)
			defer g.Fail(tt.method, nil)
			before := logged.Len()
			method, path, _ := strings.Cut(tt.call, " ")
			a := g.do(t, method, path, "")
			p := a.problem(t, tt.status, tt.kind)
			if strings.Contains(string(a.body), secret) {
				t.Errorf("a path of this machine was shown: %s", a.body)
			}
			if tt.kind != "internal" {
				return
			}
			if logged.Len() != before+1 {
				t.Fatalf("%d lines logged", logged.Len()-before)
			}
			entry := logged.All()[before].ContextMap()
			if p["instance"] != "urn:uuid:"+entry["instance"].(string) || !strings.Contains(entry["error"].(string), tt.err.Error()) {
				t.Errorf("logged %v, answered %v", entry, p)
			}
		})
	}
}

// TestOrdersOutliveTheClient: an order that was taken is carried out though
// the client that gave it is gone.
func TestOrdersOutliveTheClient(t *testing.T) {
	d := resttest.New()
	begun, leave, ended := make(chan struct{}), make(chan struct{}), make(chan error, 1)
	g := serve(t, d, func(o *rest.Options) { o.Benches = slowOff{d, begun, leave, ended} })
	ctx, cancel := context.WithCancel(t.Context())
	req, err := http.NewRequestWithContext(ctx, "POST", g.url+"/v1/benches/depot/source-off", nil)
	if err != nil {
		t.Fatal(err)
	}
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		if res, err := http.DefaultClient.Do(req); err == nil {
			res.Body.Close()
		}
	}()
	<-begun
	cancel()
	<-gone
	close(leave)
	if err := <-ended; err != nil {
		t.Errorf("the order was cut short: %v", err)
	}
}

type slowOff struct {
	*resttest.Depot
	begun chan struct{}
	leave chan struct{}
	ended chan error
}

func (s slowOff) SourceOff(ctx context.Context, bench, who string) error {
	close(s.begun)
	<-s.leave
	s.ended <- ctx.Err()
	return ctx.Err()
}

func TestPanicIsAProblem(t *testing.T) {
	core, logged := observer.New(zap.ErrorLevel)
	d := resttest.New()
	g := serve(t, d, func(o *rest.Options) {
		o.Log = zap.New(core)
		o.Judge = panicking{}
	})
	id := g.begin(t, "quick", steel)
	p := g.do(t, "GET", "/v1/runs/"+id+"/results", "").problem(t, 500, "internal")
	if logged.Len() != 1 || p["instance"] == nil {
		t.Errorf("%d lines logged, instance %v", logged.Len(), p["instance"])
	}
	if strings.Contains(fmt.Sprint(p), "boom") {
		t.Errorf("the panic's value was shown: %v", p)
	}
}

type panicking struct{ rest.Judge }

func (panicking) Evaluation(context.Context, sweep.RunID) (sweep.Evaluation, error) { panic("boom") }

// TestProblemsExplainThemselves follows the type of a problem.
func TestProblemsExplainThemselves(t *testing.T) {
	g := serve(t, resttest.New())
	p := g.do(t, "GET", "/v1/benches/barn", "").problem(t, 404, "not-found")
	a := g.do(t, "GET", p["type"].(string), "")
	if a.status != 200 || !strings.Contains(string(a.body), p["title"].(string)) {
		t.Errorf("%d %s", a.status, a.body)
	}
}

func TestHeaders(t *testing.T) {
	g := serve(t, resttest.New())
	for _, path := range []string{"/healthz", "/nowhere", "/v1/runs"} {
		h := g.do(t, "GET", path, "").header
		for name, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Cache-Control": "no-store", "Referrer-Policy": "no-referrer", "Cross-Origin-Resource-Policy": "same-origin"} {
			if h.Get(name) != want {
				t.Errorf("%s: %s is %q, want %q", path, name, h.Get(name), want)
			}
		}
		csp := h.Get("Content-Security-Policy")
		if !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: policy %q", path, csp)
		}
	}
}

func TestRequestsAreTold(t *testing.T) {
	type told struct {
		route, method string
		status        int
	}
	seen := make(chan told, 10)
	g := serve(t, resttest.New(), func(o *rest.Options) {
		o.Requests = func(route, method string, status int, _ time.Duration) { seen <- told{route, method, status} }
	})
	for _, tt := range []struct {
		method, path string
		want         told
	}{
		{"GET", "/v1/benches/depot", told{"/v1/benches/{name}", "GET", 200}},
		{"GET", "/v1/benches/barn", told{"/v1/benches/{name}", "GET", 404}},
		{"GET", "/nowhere", told{"none", "GET", 404}},
		{"DELETE", "/v1/runs", told{"none", "DELETE", 405}},
	} {
		g.do(t, tt.method, tt.path, "")
		if got := <-seen; got != tt.want {
			t.Errorf("%s %s: %v, want %v", tt.method, tt.path, got, tt.want)
		}
	}
}

// TestLongBodyOfUnknownLength: a body that does not say how long it is ends at
// the limit too.
func TestLongBodyOfUnknownLength(t *testing.T) {
	g := serve(t, resttest.New())
	// Over the limit, and within what the server still reads before it closes: a
	// client that goes on writing might lose the answer to a reset.
	endless := io.MultiReader(strings.NewReader(`{"plan":"`), io.LimitReader(xs{}, 100<<10))
	req, err := http.NewRequestWithContext(t.Context(), "POST", g.url+"/v1/runs", endless)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	answer{res.StatusCode, res.Header, body}.problem(t, 413, "too-large")
}

// xs is the letter x without end.
type xs struct{}

func (xs) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = 'x'
	}
	return len(p), nil
}

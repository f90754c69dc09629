package fleet_test

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"lidded/cmd/lidded/internal/fleet"
	"lidded/cmd/lidded/internal/rest"
	"lidded/store/lab"
	"lidded/sweep"
)

// fake is a daemon that notes what it is asked.
type fake struct {
	*httptest.Server
	mu    sync.Mutex
	asked []string // "POST /v1/runs body"
	heads []http.Header
}

// newFake serves benches, and what else is given, by method and path.
func newFake(t *testing.T, benches []string, more map[string]http.HandlerFunc) *fake {
	t.Helper()
	d := &fake{}
	d.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		what := r.Method + " " + r.URL.RequestURI()
		d.mu.Lock()
		d.asked, d.heads = append(d.asked, strings.TrimSpace(what+" "+string(body))), append(d.heads, r.Header.Clone())
		d.mu.Unlock()
		if h, ok := more[r.Method+" "+r.URL.Path]; ok {
			h(w, r)
			return
		}
		w.Header().Set("Content-Type", "application/json")
		switch what {
		case "GET /healthz":
			io.WriteString(w, `{"status":"alive","version":"7"}`)
		case "GET /v1/benches":
			var list []map[string]any
			for _, b := range benches {
				list = append(list, map[string]any{"name": b, "state": "idle", "later": "a member of another version"})
			}
			json.NewEncoder(w).Encode(map[string]any{"benches": list})
		default:
			rest.WriteProblem(w, http.StatusNotFound, "no such thing here")
		}
	}))
	t.Cleanup(d.Close)
	return d
}

// orders are the requests that were no looks.
func (d *fake) orders() (out []string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, a := range d.asked {
		if a != "GET /healthz" && a != "GET /v1/benches" {
			out = append(out, a)
		}
	}
	return out
}

// records is a lab as the fleet asks it.
type records struct {
	runs    map[sweep.RunID]sweep.State
	bench   string
	benches []lab.Bench
	err     error
}

func (l *records) Benches(context.Context) ([]lab.Bench, error) { return l.benches, l.err }
func (l *records) Specimens(context.Context) ([]string, error) {
	return []string{"heron", "otter"}, l.err
}

func (l *records) Standing(_ context.Context, id sweep.RunID) (string, sweep.State, error) {
	if l.err != nil {
		return "", 0, l.err
	}
	state, ok := l.runs[id]
	if !ok {
		return "", 0, sweep.ErrNoRun
	}
	return l.bench, state, nil
}

// routes are those a fleet is asked for here.
var routes = []string{
	"GET /v1/benches", "GET /v1/benches/{name}", "GET /v1/benches/{name}/exchanges", "POST /v1/benches/{name}/source-off", "POST /v1/source-off", "GET /v1/plans", "GET /v1/plans/{name}",
	"GET /v1/specimens", "GET /v1/schedules", "POST /v1/previews", "POST /v1/runs", "GET /v1/runs", "GET /v1/runs/{id}", "GET /v1/runs/{id}/results", "POST /v1/runs/{id}/stop",
	"POST /v1/runs/{id}/holds/{step}/release", "GET /v1/events", "GET /v1/specimens/{name}/expectation",
}

// lain is a fleet behind its routes; who is the caller's name, "" for one who had
// to show no token.
type lain struct {
	*fleet.Fleet
	*httptest.Server
	t   *testing.T
	who string
}

const here = "answered here"

func lay(t *testing.T, l fleet.Lab, daemons ...string) *lain {
	t.Helper()
	o := fleet.Options{Lab: l, Every: 20 * time.Millisecond, Beat: 50 * time.Millisecond}
	for _, d := range daemons {
		o.Daemons = append(o.Daemons, fleet.Address{URL: d})
	}
	f, err := fleet.New(o)
	if err != nil {
		t.Fatal(err)
	}
	out := &lain{Fleet: f, t: t, who: "night shift"}
	mux := http.NewServeMux()
	for _, route := range routes {
		mux.HandleFunc(route, func(w http.ResponseWriter, r *http.Request) {
			f.Answer(route, w, r.WithContext(rest.WithWho(r.Context(), out.who)), func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, here) })
		})
	}
	out.Server = httptest.NewServer(mux)
	t.Cleanup(out.Server.Close)
	t.Cleanup(f.Close)
	return out
}

// serve looks after the daemons until the test ends.
func (l *lain) serve() {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = l.Serve(ctx)
	}()
	l.t.Cleanup(func() { cancel(); <-done })
}

func (l *lain) ask(method, path, body string, head ...string) (int, string, http.Header) {
	l.t.Helper()
	req, err := http.NewRequestWithContext(l.t.Context(), method, l.URL+path, strings.NewReader(body))
	if err != nil {
		l.t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer ours")
	for i := 0; i+1 < len(head); i += 2 {
		req.Header.Set(head[i], head[i+1])
	}
	resp, err := http.DefaultTransport.RoundTrip(req)
	if err != nil {
		l.t.Fatal(err)
	}
	defer resp.Body.Close()
	data, err := io.ReadAll(resp.Body)
	if err != nil {
		l.t.Fatal(err)
	}
	return resp.StatusCode, string(data), resp.Header
}

// until polls until what is waited for has come.
func until(t *testing.T, what string, come func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	end := time.After(20 * time.Second)
	for !come() {
		select {
		case <-tick.C:
		case <-end:
			t.Fatalf("waited too long until %s", what)
		}
	}
}

// An order reaches the bench's daemon alone, as it was given, and its answer comes
// back as it is.
func TestPassedOnUnchanged(t *testing.T) {
	const body = `{ "bench":"south", "plan":"night",  "operator":"Ana \u0026 Bo" }`
	other := newFake(t, []string{"north"}, nil)
	ours := newFake(t, []string{"south"}, map[string]http.HandlerFunc{"POST /v1/runs": func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/problem+json")
		w.Header().Set("Retry-After", "7")
		w.Header().Set("Location", "/v1/runs/x")
		w.Header().Set("Set-Cookie", "no=1")
		w.WriteHeader(http.StatusTeapot)
		io.WriteString(w, `{"title":"as the daemon says"}`)
	}})
	l := lay(t, &records{}, other.URL, ours.URL)
	status, said, head := l.ask("POST", "/v1/runs?x=%2F&y=a+b", body, "Idempotency-Key", `"k-1"`, "Content-Type", "application/json", "Cookie", "a=b", "X-Forwarded-Host", "elsewhere.example", "Origin", "https://elsewhere.example")
	if status != http.StatusTeapot || said != `{"title":"as the daemon says"}` || head.Get("Retry-After") != "7" || head.Get("Location") != "/v1/runs/x" || head.Get("Content-Type") != "application/problem+json" {
		t.Errorf("the answer came back as %d %s %v", status, said, head)
	}
	if head.Get("Set-Cookie") != "" || !strings.Contains(head.Get("Via"), "lidded-lab") {
		t.Errorf("header %v", head)
	}
	if got := ours.orders(); !slices.Equal(got, []string{"POST /v1/runs?x=%2F&y=a+b " + body}) {
		t.Errorf("the daemon got %q", got)
	}
	if got := other.orders(); len(got) > 0 {
		t.Errorf("the other daemon got %q", got)
	}
	sent := ours.heads[len(ours.heads)-1]
	for name, want := range map[string]string{"Authorization": "Bearer ours", "Idempotency-Key": `"k-1"`, "Content-Type": "application/json", "Cookie": "", "X-Forwarded-Host": "", "Origin": ""} {
		if got := sent.Get(name); got != want {
			t.Errorf("%s went on as %q, want %q", name, got, want)
		}
	}
}

// Whoever was let in without a token takes none along, and is told why a daemon
// does not let him in.
func TestNobodysTokenGoesAlong(t *testing.T) {
	d := newFake(t, []string{"south"}, map[string]http.HandlerFunc{"POST /v1/runs": func(w http.ResponseWriter, _ *http.Request) {
		rest.WriteProblem(w, http.StatusUnauthorized, "this daemon wants a token")
	}})
	l := lay(t, &records{}, d.URL)
	l.who = ""
	status, said, _ := l.ask("POST", "/v1/runs", `{"bench":"south"}`)
	if status != http.StatusForbidden || !strings.Contains(said, "lidded token create") {
		t.Errorf("%d %s", status, said)
	}
	for _, h := range d.heads {
		if h.Get("Authorization") != "" {
			t.Fatal("a token went along")
		}
	}
	l.who = "night shift"
	if status, said, _ = l.ask("POST", "/v1/runs", `{"bench":"south"}`); status != http.StatusUnauthorized || !strings.Contains(said, "this daemon wants a token") {
		t.Errorf("the daemon's own refusal came back as %d %s", status, said)
	}
}

// A redirect is not followed, least of all with a token.
func TestRedirectIsNotFollowed(t *testing.T) {
	trap := newFake(t, nil, nil)
	lead := func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, trap.URL+r.URL.Path, http.StatusTemporaryRedirect)
	}
	d := newFake(t, []string{"south"}, map[string]http.HandlerFunc{"POST /v1/runs": lead, "GET /v1/plans": lead})
	l := lay(t, &records{}, d.URL)
	if status, said, _ := l.ask("POST", "/v1/runs", `{"bench":"south"}`); status != http.StatusBadGateway || !strings.Contains(said, "redirect") || !strings.Contains(said, "lab.daemons") {
		t.Errorf("%d %s", status, said)
	}
	l.ask("GET", "/v1/plans", "")
	if len(trap.asked) > 0 {
		t.Errorf("it was followed: %q", trap.asked)
	}
}

// Two daemons with a bench of one name: nothing is started on either, and the
// source goes off at both.
func TestTwoClaimABench(t *testing.T) {
	off := map[string]http.HandlerFunc{"POST /v1/benches/depot/source-off": func(w http.ResponseWriter, _ *http.Request) {
		io.WriteString(w, `{"bench":"depot","source_on":false}`)
	}}
	a, b := newFake(t, []string{"depot"}, off), newFake(t, []string{"depot", "south"}, off)
	l := lay(t, &records{}, a.URL, b.URL)
	status, said, _ := l.ask("POST", "/v1/runs", `{"bench":"depot"}`)
	if status != http.StatusConflict || !strings.Contains(said, a.URL) || !strings.Contains(said, b.URL) || !strings.Contains(said, "another name") {
		t.Errorf("%d %s", status, said)
	}
	if _, said, _ = l.ask("GET", "/v1/benches", ""); strings.Count(said, `"name":"depot"`) != 1 || !strings.Contains(said, "several daemons have a bench") {
		t.Errorf("listed as %s", said)
	}
	if len(a.orders())+len(b.orders()) > 0 {
		t.Errorf("passed on: %q %q", a.orders(), b.orders())
	}
	if status, said, _ = l.ask("POST", "/v1/benches/depot/source-off", `{"operator":"Ana"}`); status != http.StatusOK || !strings.Contains(said, `"source_on":false`) {
		t.Errorf("source off: %d %s", status, said)
	}
	for _, d := range []*fake{a, b} {
		if got := d.orders(); !slices.Equal(got, []string{`POST /v1/benches/depot/source-off {"operator":"Ana"}`}) {
			t.Errorf("a daemon got %q", got)
		}
	}
}

// A daemon that is away, or hangs, delays nothing, and is shown with the reason and
// since when; it comes back by itself.
func TestDaemonAway(t *testing.T) {
	hang := make(chan struct{})
	slow := func(_ http.ResponseWriter, r *http.Request) {
		select {
		case <-hang:
		case <-r.Context().Done():
		}
	}
	well, hung := newFake(t, []string{"north"}, nil), newFake(t, []string{"south"}, nil)
	var stuck sync.Mutex
	isStuck, looks := false, 0
	mayHang := hung.Config.Handler
	hung.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		stuck.Lock()
		now := isStuck
		if now && r.URL.Path != "/healthz" {
			looks++
		}
		stuck.Unlock()
		if now {
			slow(w, r)
			return
		}
		mayHang.ServeHTTP(w, r)
	})
	shipped := time.Date(2026, 3, 1, 2, 3, 4, 0, time.UTC)
	l := lay(t, &records{benches: []lab.Bench{{Name: "south", Shipped: shipped}, {Name: "retired", Shipped: shipped}}}, well.URL, hung.URL)
	l.serve()
	type bench struct {
		Name, State, Daemon string
		Later               string
		Away                *rest.Away
	}
	benches := func() map[string]bench {
		var list struct{ Benches []bench }
		_, said, _ := l.ask("GET", "/v1/benches", "")
		if err := json.Unmarshal([]byte(said), &list); err != nil {
			t.Fatal(err)
		}
		out := map[string]bench{}
		for _, b := range list.Benches {
			out[b.Name] = b
		}
		return out
	}
	until(t, "both are up", func() bool {
		all := l.Daemons()
		return all[0].Up && all[1].Up
	})
	now := benches()
	if b := now["south"]; b.State != "idle" || b.Daemon != hung.URL || b.Later == "" || b.Away != nil {
		t.Errorf("a bench that is there: %+v", b)
	}
	if b := now["retired"]; b.State != "away" || b.Away == nil || b.Away.Shipped == nil || !b.Away.Shipped.Equal(shipped) || b.Daemon != "" {
		t.Errorf("a bench of the lab alone: %+v", b)
	}
	stuck.Lock()
	isStuck = true
	stuck.Unlock()
	until(t, "the daemon that hangs is away", func() bool { return !l.Daemons()[1].Up })
	now = benches()
	stuck.Lock()
	if looks > 0 {
		t.Errorf("a daemon known to hang was waited for %d times", looks)
	}
	stuck.Unlock()
	if b := now["south"]; b.State != "away" || b.Away == nil || !strings.Contains(b.Away.Reason, "in time") || b.Away.Since == nil || b.Away.Shipped == nil {
		t.Errorf("a bench whose daemon hangs: %+v %+v", b, b.Away)
	}
	if now["north"].State != "idle" {
		t.Errorf("the other: %+v", now["north"])
	}
	stuck.Lock()
	isStuck = false
	stuck.Unlock()
	close(hang)
	until(t, "it is back", func() bool { return l.Daemons()[1].Up })
	if b := benches()["south"]; b.State != "idle" {
		t.Errorf("a bench that came back: %+v", b)
	}
	hung.Close()
	if status, said, _ := l.ask("POST", "/v1/runs", `{"bench":"south"}`); status != http.StatusBadGateway || !strings.Contains(said, "daemon-away") || !strings.Contains(said, hung.URL) {
		t.Errorf("an order to a bench whose daemon is away: %d %s", status, said)
	}
	if status, said, _ := l.ask("POST", "/v1/source-off", `{}`); status != http.StatusBadGateway || !strings.Contains(said, "source-not-off") || !strings.Contains(said, hung.URL) {
		t.Errorf("all sources off with one daemon away: %d %s", status, said)
	}
	if status, said, _ := l.ask("POST", "/v1/benches/south/source-off", `{}`); status != http.StatusBadGateway || !strings.Contains(said, "source-not-off") || !strings.Contains(said, "by hand") {
		t.Errorf("source off with its daemon away: %d %s", status, said)
	}
}

// Which bench is meant must be said, unless there is one alone.
func TestWhichBench(t *testing.T) {
	start := map[string]http.HandlerFunc{"POST /v1/runs": func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusCreated) }}
	one := lay(t, &records{}, newFake(t, []string{"north"}, start).URL)
	two := lay(t, &records{benches: []lab.Bench{{Name: "retired"}}}, newFake(t, []string{"north"}, start).URL, newFake(t, []string{"south"}, start).URL)
	for _, c := range []struct {
		name   string
		at     *lain
		body   string
		status int
		says   string
	}{
		{"the only one", one, `{}`, 201, ""},
		{"one of two", two, `{"bench":"south"}`, 201, ""},
		{"none of two", two, `{}`, 422, "one must be named"},
		{"nobody's", two, `{"bench":"west"}`, 404, "north, south"},
		{"of the lab alone", two, `{"bench":"retired"}`, 502, "lab.daemons"},
		{"no JSON", two, `{"bench`, 400, "which bench"},
		{"another type", two, `{"bench":7}`, 400, "which bench"},
	} {
		if status, said, _ := c.at.ask("POST", "/v1/runs", c.body); status != c.status || !strings.Contains(said, c.says) {
			t.Errorf("%s: %d %s, want %d and %q", c.name, status, said, c.status, c.says)
		}
	}
}

// A run that has ended is the lab's; one that goes on is its daemon's, where that
// answers and lets the caller; orders find a run that the lab does not have yet.
func TestWhoseRun(t *testing.T) {
	const ended, going, fresh = "0190a000-0000-7000-8000-000000000001", "0190a000-0000-7000-8000-000000000002", "0190a000-0000-7000-8000-000000000003"
	more := map[string]http.HandlerFunc{}
	for _, id := range []string{going, fresh} {
		more["GET /v1/runs/"+id] = func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "the daemon's") }
		more["POST /v1/runs/"+id+"/stop"] = func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusAccepted) }
	}
	more["GET /v1/runs/"+going+"/results"] = func(w http.ResponseWriter, _ *http.Request) {
		rest.WriteProblem(w, http.StatusForbidden, "this needs more")
	}
	d := newFake(t, []string{"south"}, more)
	known := &records{bench: "south", runs: map[sweep.RunID]sweep.State{ended: sweep.Completed, going: sweep.Running}}
	l := lay(t, known, newFake(t, []string{"north"}, nil).URL, d.URL)
	asked := func(path, want string) {
		t.Helper()
		if status, said, _ := l.ask("GET", path, ""); status != 200 || said != want {
			t.Errorf("%s: %d %s, want %s", path, status, said, want)
		}
	}
	asked("/v1/runs/"+ended, here)
	asked("/v1/runs/"+ended+"/results", here)
	asked("/v1/runs/"+going, "the daemon's")
	asked("/v1/runs/"+going+"/results", here) // the daemon does not let the caller
	asked("/v1/runs/"+fresh, "the daemon's")
	asked("/v1/runs/0190a000-0000-7000-8000-000000000009", here) // nobody's: the lab says so
	stop := func(id string, want int) {
		t.Helper()
		if status, said, _ := l.ask("POST", "/v1/runs/"+id+"/stop", `{"operator":"Ana"}`); status != want {
			t.Errorf("stop %s: %d %s, want %d", id, status, said, want)
		}
	}
	stop(going, 202)
	stop(fresh, 202)
	stop("0190a000-0000-7000-8000-000000000009", 404)
	known.err = errors.New("the lab is away") // orders go on without it
	stop(going, 202)
	asked("/v1/runs/"+going, "the daemon's")
	d.Close()
	asked("/v1/runs/"+going, here)
}

// Lists of the configs are merged: what daemons have alike stands once, with their
// benches.
func TestListsMerged(t *testing.T) {
	list := func(plans, specimens, schedules string) map[string]http.HandlerFunc {
		give := func(text string) http.HandlerFunc {
			return func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, text) }
		}
		return map[string]http.HandlerFunc{"GET /v1/plans": give(plans), "GET /v1/specimens": give(specimens), "GET /v1/schedules": give(schedules)}
	}
	a := newFake(t, []string{"north"}, list(`{"plans":[{"name":"night","points":3},{"name":"long","points":9}]}`, `{"specimens":[{"name":"otter","about":"small"}]}`, `{"schedules":[{"name":"at two","bench":"north"}]}`))
	b := newFake(t, []string{"south", "west"}, list(`{"plans":[{"name":"night","points":3},{"name":"long","points":8}]}`, `{"specimens":[]}`, `{"schedules":[{"name":"at three","bench":"south"}]}`))
	l := lay(t, &records{}, a.URL, b.URL)
	for path, want := range map[string]string{
		"/v1/plans":             `{"plans":[{"name":"night","points":3,"benches":["north","south","west"]},{"name":"long","points":9,"benches":["north"]},{"name":"long","points":8,"benches":["south","west"]}]}`,
		"/v1/specimens":         `{"specimens":[{"name":"otter","about":"small","benches":["north"]},{"name":"heron"}]}`,
		"/v1/schedules":         `{"schedules":[{"name":"at two","bench":"north"},{"name":"at three","bench":"south"}]}`,
		"/v1/plans?bench=south": `{"plans":[{"name":"night","points":3},{"name":"long","points":8}]}`,
	} {
		if status, said, _ := l.ask("GET", path, ""); status != 200 || strings.TrimSpace(said) != want {
			t.Errorf("%s: %d %s\nwant %s", path, status, said, want)
		}
	}
	b.Close()
	if _, said, _ := l.ask("GET", "/v1/plans", ""); !strings.Contains(said, `"away":[{"daemon":"`+b.URL) || !strings.Contains(said, `"benches":["north"]`) {
		t.Errorf("with one away: %s", said)
	}
}

// A lab server that is named as a daemon, even its own, is found out and not asked
// round and round.
func TestLoop(t *testing.T) {
	inner := lay(t, &records{}, newFake(t, []string{"south"}, nil).URL)
	outer := lay(t, &records{}, inner.URL)
	if _, said, _ := outer.ask("GET", "/v1/benches", ""); !strings.Contains(said, "not lab servers") {
		t.Errorf("%s", said)
	}
}

// Live events of all daemons come in one stream, each whole; it ends when a
// daemon's does or one comes back, for then there is more to be asked afresh.
func TestRelay(t *testing.T) {
	send := map[string]chan string{"north": make(chan string), "south": make(chan string)}
	stream := func(name string) map[string]http.HandlerFunc {
		return map[string]http.HandlerFunc{"GET /v1/events": func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", "text/event-stream")
			io.WriteString(w, "retry: 2000\n: live\n\n")
			w.(http.Flusher).Flush()
			for {
				select {
				case text, ok := <-send[name]:
					if !ok {
						return
					}
					io.WriteString(w, text)
					w.(http.Flusher).Flush()
				case <-r.Context().Done():
					return
				}
			}
		}}
	}
	a, b := newFake(t, []string{"north"}, stream("north")), newFake(t, []string{"south"}, stream("south"))
	l := lay(t, &records{}, a.URL, b.URL)
	resp, err := http.Get(l.URL + "/v1/events?traces=true")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	send["north"] <- "event: progress\ndata: {\"bench\":\"nor"
	send["south"] <- "event: progress\ndata: {\"bench\":\"south\"}\n\n: alive\n\n"
	send["north"] <- "th\"}\n\n"
	got := make(chan string)
	go func() {
		data, _ := io.ReadAll(resp.Body)
		got <- string(data)
	}()
	close(send["south"])
	text := <-got
	for _, want := range []string{"event: progress\ndata: {\"bench\":\"south\"}\n\n", "event: progress\ndata: {\"bench\":\"north\"}\n\n"} {
		if strings.Count(text, want) != 1 {
			t.Errorf("%q is not once in %q", want, text)
		}
	}
	if strings.Count(text, "retry:") != 1 {
		t.Errorf("what only keeps a daemon's stream alive was passed on: %q", text)
	}
	if want := "GET /v1/events?traces=true"; !slices.Contains(a.orders(), want) {
		t.Errorf("the query went on as %q", a.orders())
	}
}

// Where every daemon refuses, the refusal is passed on.
func TestRelayRefused(t *testing.T) {
	d := newFake(t, []string{"north"}, map[string]http.HandlerFunc{"GET /v1/events": func(w http.ResponseWriter, _ *http.Request) {
		rest.WriteProblem(w, http.StatusForbidden, "token ours has the role scrape")
	}})
	l := lay(t, &records{}, d.URL)
	if status, said, _ := l.ask("GET", "/v1/events", ""); status != http.StatusForbidden || !strings.Contains(said, "has the role scrape") {
		t.Errorf("%d %s", status, said)
	}
}

func TestUntrusted(t *testing.T) {
	d := httptest.NewTLSServer(http.NotFoundHandler())
	defer d.Close()
	l := lay(t, &records{}, d.URL)
	if _, said, _ := l.ask("GET", "/v1/benches", ""); !strings.Contains(said, "it is not trusted") {
		t.Errorf("%s", said)
	}
	if _, err := fleet.New(fleet.Options{Daemons: []fleet.Address{{URL: d.URL, CA: "nowhere.pem"}}}); err == nil || !strings.Contains(err.Error(), "lab.daemons") {
		t.Errorf("certificates that are not there: %v", err)
	}
}

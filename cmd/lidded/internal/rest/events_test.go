package rest_test

import (
	"bufio"
	"context"
	"encoding/json"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
	"lidded/sweep"
)

// soon is how long a test waits for what must happen.
const soon = 10 * time.Second

// eventually polls a condition.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), soon)
	defer cancel()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-ctx.Done():
			t.Fatalf("never: %s", what)
		case <-tick.C:
		}
	}
}

// listener reads a live stream.
type listener struct {
	res   *http.Response
	lines *bufio.Scanner
}

func listen(t *testing.T, g *rig, query string) *listener {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), "GET", g.url+"/v1/events"+query, nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { res.Body.Close() })
	if res.StatusCode != 200 || res.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("%d %v", res.StatusCode, res.Header)
	}
	s := bufio.NewScanner(res.Body)
	s.Buffer(nil, 1<<20)
	return &listener{res, s}
}

// next returns the next event; false when the stream ends.
func (l *listener) next(t *testing.T) (map[string]any, bool) {
	t.Helper()
	for l.lines.Scan() {
		data, ok := strings.CutPrefix(l.lines.Text(), "data: ")
		if !ok {
			continue
		}
		var v map[string]any
		if err := json.Unmarshal([]byte(data), &v); err != nil {
			t.Fatalf("%v in %s", err, data)
		}
		return v, true
	}
	return nil, false
}

// comment skips to the next comment line and returns it.
func (l *listener) comment(t *testing.T) string {
	t.Helper()
	for l.lines.Scan() {
		if strings.HasPrefix(l.lines.Text(), ":") {
			return l.lines.Text()
		}
	}
	t.Fatal("the stream ended")
	return ""
}

func TestLiveEvents(t *testing.T) {
	g := serve(t, resttest.New())
	l := listen(t, g, "")
	l.comment(t)
	id := g.begin(t, "quick", steel)
	hold, ok := l.next(t)
	if !ok || hold["run"] != id || hold["kind"] != "hold" || hold["state"] != "holding" {
		t.Fatalf("first event %v", hold)
	}
	release := hold["hold"].(map[string]any)["release"].(string)
	if a := g.do(t, "POST", release, ""); a.status != 202 {
		t.Fatalf("%d %s", a.status, a.body)
	}
	if step, _ := l.next(t); step["kind"] != "step" || step["step_kind"] != "ambient" || step["hold"] != nil {
		t.Errorf("after the release %v", step)
	}
	g.Advance("depot")
	point, _ := l.next(t)
	capture, _ := point["capture"].(map[string]any)
	if point["kind"] != "point" || point["done"] != float64(1) || capture["id"] == nil {
		t.Errorf("point %v", point)
	}
	if strings.Contains(strings.ToLower(itoaAny(point)), "levels_dbm") {
		t.Error("traces are sent to every listener")
	}
}

func itoaAny(v any) string {
	b, _ := json.Marshal(v)
	return string(b)
}

// TestLateListenerSeesThePresent: the last picture of each bench comes first.
func TestLateListenerSeesThePresent(t *testing.T) {
	g := serve(t, resttest.New("depot", "annex"))
	ids := map[string]string{}
	for _, b := range []string{"depot", "annex"} {
		a := g.do(t, "POST", "/v1/runs", `{"plan":"quick","bench":"`+b+`","specimens":["locker-steel"]}`)
		ids[b] = a.object(t)["id"].(string)
	}
	l := listen(t, g, "")
	for _, b := range []string{"depot", "annex"} {
		if e, _ := l.next(t); e["bench"] != b || e["run"] != ids[b] {
			t.Errorf("event of %v, want %s", e["bench"], b)
		}
	}
	only := listen(t, g, "?bench=annex")
	if e, _ := only.next(t); e["bench"] != "annex" {
		t.Errorf("filter by bench let %v through", e["bench"])
	}
	byRun := listen(t, g, "?run="+ids["depot"])
	if e, _ := byRun.next(t); e["run"] != ids["depot"] {
		t.Errorf("filter by run let %v through", e["run"])
	}
	g.Link("annex", false, true)
	g.Link("depot", true, false)
	if e, _ := only.next(t); e["bench"] != "annex" || e["kind"] != "link" || e["analyzer_up"] != false {
		t.Errorf("event %v", e)
	}
	if e, _ := byRun.next(t); e["bench"] != "depot" || e["source_up"] != false {
		t.Errorf("event %v", e)
	}
}

func TestHeartbeat(t *testing.T) {
	g := serve(t, resttest.New(), func(o *rest.Options) { o.Heartbeat = time.Millisecond })
	l := listen(t, g, "")
	if c := l.comment(t); c != ": live" {
		t.Errorf("first line %q", c)
	}
	for range 3 {
		if c := l.comment(t); c != ": alive" {
			t.Errorf("heartbeat %q", c)
		}
	}
}

// TestSlowListenerIsDropped: one that never reads does not hold up the sweep,
// is dropped, and others see everything.
func TestSlowListenerIsDropped(t *testing.T) {
	g := serve(t, resttest.New())
	slow, err := net.Dial("tcp", strings.TrimPrefix(g.url, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer slow.Close()
	if tcp, ok := slow.(*net.TCPConn); ok {
		if err := tcp.SetReadBuffer(4096); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := slow.Write([]byte("GET /v1/events HTTP/1.1\r\nHost: localhost\r\n\r\n")); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the slow listener subscribes", func() bool { n, _ := g.Hub.Listeners(); return n == 1 })
	text := strings.Repeat("x", 4096)
	sent := 0
	// Each picture is passed on at once or not at all, so this ends.
	eventually(t, "the slow listener is dropped", func() bool {
		for range 64 {
			g.Hub.Observe(sweep.Progress{Bench: "depot", Kind: "note", Text: text, Step: sent})
			sent++
		}
		_, dropped := g.Hub.Listeners()
		return dropped == 1
	})
	if n, _ := g.Hub.Listeners(); n != 0 {
		t.Errorf("%d listeners left", n)
	}
	quick := listen(t, g, "")
	for i := range 50 {
		g.Hub.Observe(sweep.Progress{Bench: "depot", Kind: "note", Step: sent + i})
	}
	if e, _ := quick.next(t); e["step"] != float64(sent-1) {
		t.Errorf("a new listener begins with %v, want the last picture %d", e["step"], sent-1)
	}
	for i := range 50 {
		if e, ok := quick.next(t); !ok || e["step"] != float64(sent+i) {
			t.Fatalf("event %d is %v", i, e["step"])
		}
	}
}

// TestObserveNeverWaits: with a full listener that nobody reads, every call
// returns, and the listener's stream is over.
func TestObserveNeverWaits(t *testing.T) {
	h := rest.NewHub()
	drained := rest.Subscribe(h)
	for i := range 2*rest.SubscriberBuffer + 1 {
		h.Observe(sweep.Progress{Bench: "depot", Step: i})
	}
	got := 0
	for range drained {
		got++
	}
	if got != rest.SubscriberBuffer {
		t.Errorf("%d pictures waited, want %d", got, rest.SubscriberBuffer)
	}
	if n, dropped := h.Listeners(); n != 0 || dropped != 1 {
		t.Errorf("%d listeners, %d dropped", n, dropped)
	}
}

func TestVanishedListener(t *testing.T) {
	g := serve(t, resttest.New())
	conn, err := net.Dial("tcp", strings.TrimPrefix(g.url, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := conn.Write([]byte("GET /v1/events HTTP/1.1\r\nHost: localhost\r\n\r\n")); err != nil {
		t.Fatal(err)
	}
	eventually(t, "it subscribes", func() bool { n, _ := g.Hub.Listeners(); return n == 1 })
	conn.Close()
	eventually(t, "it is forgotten", func() bool { n, _ := g.Hub.Listeners(); return n == 0 })
}

func TestTooManyListeners(t *testing.T) {
	g := serve(t, resttest.New(), func(o *rest.Options) { o.MaxStreams = 2 })
	listen(t, g, "").comment(t)
	last := listen(t, g, "")
	last.comment(t)
	a := g.do(t, "GET", "/v1/events", "")
	a.problem(t, 503, "unavailable")
	if a.header.Get("Retry-After") != "5" {
		t.Errorf("Retry-After %q", a.header.Get("Retry-After"))
	}
	last.res.Body.Close()
	eventually(t, "a place is free", func() bool { n, _ := g.Hub.Listeners(); return n == 1 })
	listen(t, g, "").comment(t)
}

// TestShutdownEndsStreams: a server that shuts down does not wait for
// listeners that would stay for ever.
func TestShutdownEndsStreams(t *testing.T) {
	d := resttest.New()
	h, err := rest.New(d.Options())
	if err != nil {
		t.Fatal(err)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := rest.NewServer(h, d.Hub, nil)
	served := make(chan error, 1)
	go func() { served <- srv.Serve(ln) }()
	l := listen(t, &rig{Depot: d, url: "http://" + ln.Addr().String()}, "")
	l.comment(t)
	ctx, cancel := context.WithTimeout(t.Context(), soon)
	defer cancel()
	if err := srv.Shutdown(ctx); err != nil {
		t.Errorf("shutdown: %v", err)
	}
	if err := <-served; err != http.ErrServerClosed {
		t.Errorf("serve: %v", err)
	}
	if _, ok := l.next(t); ok {
		t.Error("an event after the end")
	}
}

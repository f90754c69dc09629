package rest_test

import (
	"encoding/json"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// carrier is a capture of a point: an off look at -120 dBm and an on look with
// a peak.
func carrier(point, points, at int, peak unit.DBm) sweep.Progress {
	look := func(on bool) sweep.Look {
		t := driver.Trace{Start: 100e6, Stop: 101e6, Levels: make([]unit.DBm, points)}
		for i := range t.Levels {
			t.Levels[i] = -120
		}
		if on {
			t.Levels[at] = peak
		}
		return sweep.Look{SourceOn: on, Trace: t}
	}
	return sweep.Progress{
		Run: "r", Bench: "depot", Kind: "point", State: sweep.Running, Point: point,
		Capture: &sweep.Capture{ID: "c", Kind: sweep.Reference, Point: point, Freq: 100.5e6, Looks: []sweep.Look{look(false), look(true), look(false)}},
	}
}

// event returns the name and the data of the next event.
func (l *listener) event(t *testing.T) (name string, data map[string]any) {
	t.Helper()
	for l.lines.Scan() {
		line := l.lines.Text()
		if after, ok := strings.CutPrefix(line, "event: "); ok {
			name = after
		}
		if after, ok := strings.CutPrefix(line, "data: "); ok {
			if err := json.Unmarshal([]byte(after), &data); err != nil {
				t.Fatalf("%v in %s", err, after)
			}
			return name, data
		}
	}
	t.Fatal("the stream ended")
	return "", nil
}

// trace skips to the next trace and returns it.
func (l *listener) trace(t *testing.T) map[string]any {
	t.Helper()
	for {
		if name, data := l.event(t); name == "trace" {
			return data
		}
	}
}

func TestLiveTrace(t *testing.T) {
	g := serve(t, resttest.New())
	l := listen(t, g, "?traces=true")
	l.comment(t)
	g.Hub.Observe(carrier(4, 10001, 7001, -41.256))
	got := l.trace(t)
	levels, _ := got["levels_dbm"].([]any)
	if len(levels) > 1001 || len(levels) < 500 || got["points"] != 10001.0 {
		t.Errorf("%d levels of %v", len(levels), got["points"])
	}
	if got["peak_dbm"] != -41.256 || got["peak_hz"] != 100.7001e6 || got["noise_floor_dbm"] != -120.0 || got["source_on"] != true || got["point"] != 4.0 {
		t.Errorf("peak %v at %v, floor %v, source %v, point %v", got["peak_dbm"], got["peak_hz"], got["noise_floor_dbm"], got["source_on"], got["point"])
	}
	top := -999.0
	for _, v := range levels {
		top = max(top, v.(float64))
	}
	if top != -41.26 {
		t.Errorf("the highest level sent is %v", top)
	}

	// One who comes later sees the last trace at once; one who did not ask sees none.
	late := listen(t, g, "?traces=true")
	if again := late.trace(t); again["point"] != 4.0 {
		t.Errorf("a late listener sees %v", again["point"])
	}
	plain := listen(t, g, "")
	plain.comment(t)
	g.Hub.Observe(carrier(5, 11, 1, -50))
	g.Hub.Observe(sweep.Progress{Bench: "depot", Kind: "note", Text: "over"})
	for {
		name, data := plain.event(t)
		if name != "progress" {
			t.Errorf("a %s for one who did not ask", name)
		}
		if data["text"] == "over" {
			break
		}
	}
}

// TestLiveTracesAreFew: of a burst, few are sent, and the newest always is.
// Sending half of them would take the listener twenty seconds.
func TestLiveTracesAreFew(t *testing.T) {
	const burst = 200
	g := serve(t, resttest.New())
	l := listen(t, g, "?traces=true&bench=depot")
	l.comment(t)
	for i := range burst {
		g.Hub.Observe(carrier(i, 1001, 7, -40))
	}
	seen := 0
	for last := -1.0; last != burst-1; seen++ {
		last, _ = l.trace(t)["point"].(float64)
	}
	if seen > burst/2 {
		t.Errorf("%d traces of %d", seen, burst)
	}
}

// TestTracesNobodyReads: what waits for a slow listener is one trace of each
// bench, and Observe neither waits nor makes anything small.
func TestTracesNobodyReads(t *testing.T) {
	h := rest.NewHub()
	take := rest.SubscribeTraces(h)
	p := carrier(0, 10001, 5000, -40)
	cost := testing.AllocsPerRun(100, func() { h.Observe(p) })
	if cost > 20 {
		t.Errorf("%v allocations for a picture with a trace", cost)
	}
	p.Bench = "annex"
	h.Observe(p)
	if n := take(); n != 2 {
		t.Errorf("%d traces wait, want one of each bench", n)
	}
	if n := take(); n != 0 {
		t.Errorf("%d traces wait after all were taken", n)
	}
}

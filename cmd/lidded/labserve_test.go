package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lidded/driver/virtual"
	"lidded/store/lab/labtest"
)

// site is a small lab: two benches with a daemon each, PostgreSQL, and the lab
// server. Every daemon knows the same tokens.
type site struct {
	north, south *served
	lab          *served
	db           labtest.Database
	tokens       map[string]string // secrets by name: reader, operator
	shared       string            // file of the tokens
}

// newSite serves a lab until the test ends.
func newSite(t *testing.T) *site {
	t.Helper()
	x := &site{db: labtest.Shared(t).Migrated(t), tokens: map[string]string{}}
	shared := filepath.Join(t.TempDir(), "tokens")
	for name, role := range map[string]string{"reader": "read", "operator": "operate"} {
		x.tokens[name] = newToken(t, shared, name, role)
	}
	x.north, x.south = x.newBench(t, "north", shared), x.newBench(t, "south", shared)
	x.shared = shared
	x.lab = x.newServer(t, x.db.Read, shared, "url: "+x.north.base, "url: "+x.south.base)
	return x
}

// newBench serves one bench that ships to the lab and knows the tokens of a file.
func (x *site) newBench(t *testing.T, name, tokens string) *served {
	t.Helper()
	mine := filepath.Join(t.TempDir(), "tokens")
	copyFile(t, tokens, mine)
	return serveBench(t, t.TempDir(), 4, func(s *served, keys *string) {
		*keys = strings.Replace(*keys, "log: {", "tokens: "+mine+", log: {", 1)
		s.token = x.tokens["operator"]
		s.edit = func(b *virtual.Bench, config string) string {
			config = strings.Replace(config, "name: depot", "name: "+name, 1)
			return strings.Replace(config, "\nplans:\n", fmt.Sprintf("\n    hands: {rule: virtual, control: %q}\nlab: {dsn: %q}\nplans:\n  - name: night\n    hold_points: rule\n    requirement: depot-spare-radio\n    positions: [front]\n    settle: 6ms\n    bands: [{freqs: [200 MHz, 440 MHz, 800 MHz], level: 0 dBm, rbw: 10 kHz, attenuation: 0 dB}]\n", b.ControlAddr(), x.db.Ship), 1)
		}
	})
}

// newServer serves the lab, with the tokens of a file ("": none).
func (x *site) newServer(t *testing.T, dsn, tokens string, daemons ...string) *served {
	t.Helper()
	s := &served{t: t, http: http.DefaultClient, token: x.tokens["operator"]}
	s.serving("lab", "serve", "-c", labConfig(t, dsn, tokens, daemons...))
	return s
}

func labConfig(t *testing.T, dsn, tokens string, daemons ...string) string {
	t.Helper()
	dir := t.TempDir()
	mine := filepath.Join(dir, "tokens")
	if tokens != "" {
		copyFile(t, tokens, mine)
	}
	text := fmt.Sprintf("daemon: {listen: \"127.0.0.1:0\", tokens: %s, log: {format: json, level: debug}}\nlab:\n  dsn: %q\n  daemons:\n", mine, dsn)
	for _, d := range daemons {
		text += "    - " + d + "\n"
	}
	path := filepath.Join(dir, "lidded.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	data, err := os.ReadFile(from)
	if err == nil {
		err = os.WriteFile(to, data, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// night runs a plan on a bench, asked for at s, to its end, and waits until the
// lab has all of it.
func (x *site) night(t *testing.T, s *served, bench string, specimens ...string) string {
	t.Helper()
	var r wireRun
	if code := s.call("POST", "/v1/runs", map[string]any{"bench": bench, "plan": "night", "specimens": specimens}, &r); code != http.StatusCreated {
		t.Fatalf("start on %s: %d %+v", bench, code, r)
	}
	s.until("run "+r.ID+" has ended", func() bool {
		s.call("GET", "/v1/runs/"+r.ID, nil, &r)
		return r.State == "completed" || r.State == "failed"
	})
	if r.State != "completed" {
		t.Fatalf("the run on %s ended %s", bench, r.State)
	}
	x.lab.until("the lab has run "+r.ID, func() bool {
		var list struct{ Runs []wireRun }
		x.lab.call("GET", "/v1/runs?bench="+bench, nil, &list)
		return slices.ContainsFunc(list.Runs, func(one wireRun) bool { return one.ID == r.ID && one.State == "completed" })
	})
	return r.ID
}

// text is the body of an answer, which must be a success.
func (s *served) text(path string) string {
	s.t.Helper()
	var out bytes.Buffer
	if code := s.raw("GET", path, nil, &out); code != http.StatusOK {
		s.t.Fatalf("%s%s: %d %s", s.base, path, code, out.String())
	}
	return out.String()
}

// What a daemon says of a run, the lab says byte for byte, and without the daemon.
// The exceptions are what is not in the lab: how specimens are made, plans and
// schedules stand in the config of the daemon.
func TestLabSaysWhatTheDaemonSays(t *testing.T) {
	x := newSite(t)
	first := x.night(t, x.north, "north", "otter", "heron")
	second := x.night(t, x.north, "north", "otter")
	t.Setenv(envToken, x.tokens["reader"])
	paths := []string{
		"/v1/specimens/otter/trend", "/v1/specimens/otter/results", "/v1/specimens/heron/results", "/v1/runs?bench=north", "/v1/runs?specimen=heron",
		"/v1/runs?limit=1", "/v1/runs/" + first + "/points/1?specimen=heron", "/v1/runs/" + first + "/explanation?specimen=otter", "/v1/runs/" + second + "/report.pdf",
	}
	var captures struct{ Captures []struct{ ID string } }
	x.north.call("GET", "/v1/runs/"+first+"/captures", nil, &captures)
	for _, c := range captures.Captures {
		paths = append(paths, "/v1/captures/"+c.ID)
	}
	var document struct{ Paths map[string]map[string]any }
	x.north.call("GET", "/openapi.json", nil, &document)
	for path, operations := range document.Paths {
		if _, reads := operations["get"]; reads && strings.HasPrefix(path, "/v1/runs/{id}") && strings.Count(path, "{") == 1 && !strings.HasSuffix(path, "/explanation") && !strings.HasSuffix(path, "/expectation") {
			paths = append(paths, strings.Replace(path, "{id}", first, 1))
		}
	}
	if len(captures.Captures) < 10 || len(paths) < 30 {
		t.Fatalf("%d captures, %d paths: too few to show anything", len(captures.Captures), len(paths))
	}
	said := map[string]string{}
	for _, path := range paths {
		said[path] = x.north.text(path)
	}
	for _, form := range []string{"--csv", "--json", "--false-alarm=0.1"} { // as from the store, so from a daemon
		stored := []string{"trend", "otter", form, "--store", filepath.Join(x.north.dir, "lidded.db")}
		_, here, _ := ran(t, stored...)
		code, there, errs := ran(t, "trend", "otter", form, "--url", x.north.base)
		if code != exitOK || here != there || len(here) < 300 {
			t.Errorf("trend %s: %d %s\nstore  %.900s\ndaemon %.900s", form, code, errs, here, there)
		}
	}
	x.north.stop()
	for _, path := range paths {
		if here := x.lab.text(path); here != said[path] {
			t.Errorf("%s differs:\nlab    %.600s\ndaemon %.600s", path, here, said[path])
		}
	}
}

// Orders given to the lab's server reach the bench's own daemon with the caller's
// own right, and its journal says whose they were.
func TestLabPassesOrdersOn(t *testing.T) {
	x := newSite(t)
	x.lab.bench = x.south.bench
	start := map[string]any{"bench": "south", "plan": "quick", "specimens": []string{"otter"}, "operator": "night shift"}
	var preview struct {
		Accepted bool
		Bench    string
	}
	if code := x.lab.call("POST", "/v1/previews", start, &preview); code != http.StatusOK || !preview.Accepted || preview.Bench != "south" {
		t.Errorf("preview: %d %+v", code, preview)
	}
	var first, again, busy wireRun
	if code := x.lab.call("POST", "/v1/runs", start, &first, "Idempotency-Key", "tuesday"); code != http.StatusCreated {
		t.Fatalf("start: %d %+v", code, first)
	}
	if code := x.lab.call("POST", "/v1/runs", start, &again, "Idempotency-Key", "tuesday"); code != http.StatusOK || again.ID != first.ID {
		t.Errorf("the same key: %d, run %q, want 200 and %q", code, again.ID, first.ID)
	}
	if code := x.lab.call("POST", "/v1/runs", start, &busy); code != http.StatusConflict || busy.Run != first.ID {
		t.Errorf("a busy bench: %d %+v", code, busy)
	}
	if r := x.lab.operate(first.ID); r.State != "completed" { // releases hold points
		t.Fatalf("ended %s", r.State)
	}
	var events struct{ Events []struct{ Kind, Who string } }
	x.south.call("GET", "/v1/runs/"+first.ID+"/events", nil, &events)
	who := map[string]bool{}
	for _, e := range events.Events {
		who[e.Who] = true
	}
	if !who["operator"] {
		t.Errorf("the journal names %v", who)
	}
	var long, now wireRun
	start["plan"] = "long"
	x.lab.call("POST", "/v1/runs", start, &long)
	x.lab.until("the first hold point waits", func() bool {
		x.lab.call("GET", "/v1/runs/"+long.ID, nil, &now)
		return now.Hold != nil
	})
	x.south.bench.Place("front", "vertical")
	if code := x.lab.call("POST", now.Hold.Release, map[string]any{"operator": "night shift"}, nil); code != http.StatusAccepted {
		t.Errorf("release: %d", code)
	}
	x.south.until("the source was keyed", func() bool { return x.south.bench.SourceOn() })
	var off struct{ Benches []struct{ Bench string } }
	if code := x.lab.call("POST", "/v1/source-off", nil, &off); code != http.StatusOK || len(off.Benches) != 2 || x.south.bench.SourceOn() {
		t.Errorf("all sources off: %d %+v", code, off)
	}
	x.south.until("the run has ended", func() bool {
		x.south.call("GET", "/v1/runs/"+long.ID, nil, &now)
		return now.State == "failed" || now.State == "aborted"
	})
	if len(x.north.bench.Ledger()) > 0 {
		t.Error("the other bench was keyed")
	}
	var plan struct{ Bench string }
	if code := x.lab.call("GET", "/v1/plans/night?bench=north", nil, &plan); code != http.StatusOK || plan.Bench != "north" {
		t.Errorf("a plan on a bench: %d %+v", code, plan)
	}
	var said struct{ Source struct{ Up bool } }
	if code := x.lab.call("GET", "/v1/benches/south/exchanges", nil, &said); code != http.StatusOK || !said.Source.Up {
		t.Errorf("exchanges: %d %+v", code, said)
	}
}

// Whoever may less at a bench's daemon than at the lab's server may less there.
func TestLabGivesNoRights(t *testing.T) {
	x := newSite(t)
	weak := filepath.Join(t.TempDir(), "weak")
	copyFile(t, x.shared, weak)
	text, err := os.ReadFile(weak)
	if err == nil {
		err = os.WriteFile(weak, bytes.ReplaceAll(text, []byte("role: operate"), []byte("role: read")), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	west := x.newBench(t, "west", weak)
	server := x.newServer(t, x.db.Read, x.shared, "url: "+x.north.base, "url: "+west.base)
	start := map[string]any{"bench": "west", "plan": "night", "specimens": []string{"otter"}}
	said := func(s *served, token string) string {
		var out bytes.Buffer
		code := s.raw("POST", "/v1/runs", start, &out, "Authorization", "Bearer "+token)
		return fmt.Sprint(code, " ", out.String())
	}
	own := said(west, x.tokens["operator"])
	if !strings.HasPrefix(own, "403 ") || !strings.Contains(own, "has the role read") {
		t.Fatalf("the daemon says %s", own)
	}
	if got := said(server, x.tokens["operator"]); got != own {
		t.Errorf("through the lab: %s\nat the daemon:   %s", got, own)
	}
	if got := said(server, x.tokens["reader"]); !strings.HasPrefix(got, "403 ") || !strings.Contains(got, "token reader has the role read") {
		t.Errorf("a token that may read here: %s", got)
	}
	stranger := newToken(t, filepath.Join(t.TempDir(), "other"), "stranger", "administer")
	if got := said(server, stranger); !strings.HasPrefix(got, "401 ") {
		t.Errorf("a token of nobody: %s", got)
	}
	if len(west.bench.Ledger()) > 0 {
		t.Error("something was keyed")
	}
	for name, log := range map[string]string{"lab server": server.log(), "west": west.log(), "north": x.north.log()} {
		for _, secret := range []string{x.tokens["operator"], x.tokens["reader"], stranger} {
			if strings.Contains(log, secret) {
				t.Errorf("the log of the %s holds a token", name)
			}
		}
	}
	open := x.newServer(t, x.db.Read, "", "url: "+west.base)
	if got := said(open, x.tokens["operator"]); !strings.HasPrefix(got, "403 ") || !strings.Contains(got, "none to pass on") {
		t.Errorf("a server without tokens: %s", got)
	}
}

// A bench whose daemon is away is shown so; what the lab has of it stays to be
// seen, and the others go on.
func TestLabWithADaemonAway(t *testing.T) {
	x := newSite(t)
	id := x.night(t, x.south, "south", "otter")
	x.lab.text("/v1/benches") // so that it is known whose bench south is
	x.south.stop()
	var list struct {
		Benches []struct {
			Name, State string
			Away        *struct {
				Reason  string
				Since   string
				Shipped string `json:"last_shipped"`
			}
		}
		Away []struct{ Daemon string }
	}
	x.lab.until("the daemon is seen to be away", func() bool {
		x.lab.call("GET", "/v1/benches", nil, &list)
		return len(list.Away) == 1
	})
	if len(list.Benches) != 2 || list.Benches[0].Name != "north" || list.Benches[0].State != "idle" {
		t.Fatalf("benches %+v", list.Benches)
	}
	if b := list.Benches[1]; b.Name != "south" || b.State != "away" || b.Away == nil || b.Away.Since == "" || b.Away.Shipped == "" || !strings.Contains(b.Away.Reason, "refused") {
		t.Errorf("the bench that is away: %+v %+v", b, b.Away)
	}
	var problem struct{ Type, Detail, Hint string }
	if code := x.lab.call("POST", "/v1/runs", map[string]any{"bench": "south", "plan": "night", "specimens": []string{"otter"}}, &problem); code != http.StatusBadGateway || problem.Type != "/problems/daemon-away" || problem.Hint == "" {
		t.Errorf("start: %d %+v", code, problem)
	}
	if code := x.lab.call("POST", "/v1/runs/"+id+"/resume", nil, &problem); code != http.StatusBadGateway {
		t.Errorf("resume: %d %+v", code, problem)
	}
	if text := x.lab.text("/v1/runs/" + id + "/results"); !strings.Contains(text, "otter") {
		t.Errorf("results %s", text)
	}
	x.night(t, x.lab, "north", "heron")
	// The listings from the terminal, over the lab.
	t.Setenv(envToken, x.tokens["reader"])
	listed := func(wants []string, without string, args ...string) {
		t.Helper()
		code, out, errs := ran(t, append(args, "--url", x.lab.base)...)
		if code != exitOK || without != "" && strings.Contains(out, without) || slices.ContainsFunc(wants, func(w string) bool { return !strings.Contains(out, w) }) {
			t.Errorf("lidded %s: %d %s\n%swants %q and not %q", strings.Join(args, " "), code, errs, out, wants, without)
		}
	}
	listed([]string{"north", "south", "LAST SHIPPED", "away", x.south.base}, "", "benches")
	listed([]string{"north", "south"}, "", "runs")
	listed([]string{"south", id}, "north", "runs", "--bench", "south")
	listed([]string{"SCHEDULE"}, "", "schedules")
	listed([]string{"otter"}, "", "show", id)
	listed([]string{id, "otter at 200 MHz", "reference level: "}, "", "trend", "otter", "--bench", "south")
	both, south := ledgerOf(t, x.lab), ledgerOf(t, x.lab, "--bench", "south")
	if own := ledgerOf(t, x.north); len(own) < 3 || len(south) < 3 || len(both) != len(own)+len(south) {
		t.Errorf("%d keyings in the lab, %d of south, %d at north", len(both), len(south), len(own))
	}
	for i, k := range ledgerOf(t, x.lab, "--run", id) {
		if want := south[i]; k.Run != id || !k.On.Equal(want.On) || k.Freq != want.Freq || k.Off == nil {
			t.Errorf("keying %d of the run: %+v, of the bench: %+v", i, k, want)
		}
	}
	var d struct {
		Lab     bool
		Daemons []struct {
			Up      bool
			Benches []string
		}
	}
	x.lab.call("GET", "/v1/daemon", nil, &d)
	if !d.Lab || len(d.Daemons) != 2 || !d.Daemons[0].Up || d.Daemons[1].Up || !slices.Equal(d.Daemons[1].Benches, []string{"south"}) {
		t.Errorf("daemons %+v", d)
	}
	metrics := x.lab.text("/metrics")
	for _, want := range []string{"lidded_lab_readable 1", fmt.Sprintf("lidded_lab_daemon_up{daemon=%q} 1", x.north.base), fmt.Sprintf("lidded_lab_daemon_up{daemon=%q} 0", x.south.base)} {
		if !strings.Contains(metrics, want) {
			t.Errorf("the metrics lack %s", want)
		}
	}
}

// ledgerOf is what 'lidded keyings' lists of a server.
func ledgerOf(t *testing.T, s *served, args ...string) []ledgerEntry {
	t.Helper()
	code, out, errs := ran(t, append([]string{"keyings", "--json", "--url", s.base}, args...)...)
	var list struct{ Keyings []ledgerEntry }
	if err := json.Unmarshal([]byte(out), &list); code != exitOK || err != nil {
		t.Fatalf("keyings %q: %d %s %v", args, code, errs, err)
	}
	return list.Keyings
}

// The lab's server bears PostgreSQL being away from the start and later, says so,
// and comes back by itself; orders still reach the benches.
func TestLabAwayAndBack(t *testing.T) {
	pg := labtest.Own(t, "127.0.0.1", "fsync=off")
	x := &site{db: pg.Migrated(t), tokens: map[string]string{}}
	north := serveBench(t, t.TempDir(), 4, func(s *served, _ *string) {
		s.edit = func(b *virtual.Bench, config string) string {
			return strings.Replace(config, "\nplans:\n", fmt.Sprintf("\nlab: {dsn: %q}\nplans:\n", x.db.Ship), 1)
		}
	})
	pg.Kill()
	s := &served{t: t, http: http.DefaultClient}
	s.startServing("lab", "serve", "-c", labConfig(t, x.db.Read, "", "url: "+north.base))
	var ready struct {
		Ready  bool
		Detail string
		Errors []struct{ Location, Message string }
	}
	if code := s.call("GET", "/readyz", nil, &ready); code != http.StatusServiceUnavailable || len(ready.Errors) != 1 || ready.Errors[0].Location != "lab" || ready.Errors[0].Message == "" {
		t.Errorf("/readyz: %d %+v", code, ready)
	}
	away := func(path string) {
		t.Helper()
		var p struct{ Type, Detail, Hint string }
		if code := s.call("GET", path, nil, &p); code != http.StatusServiceUnavailable || p.Type != "/problems/lab-away" || p.Detail == "" || !strings.Contains(p.Hint, "PostgreSQL") {
			t.Errorf("%s: %d %+v", path, code, p)
		}
	}
	away("/v1/runs")
	away("/v1/runs/0190a000-0000-7000-8000-000000000001/results")
	away("/v1/specimens/otter/trend")
	var run wireRun
	if code := s.call("POST", "/v1/runs", map[string]any{"bench": "depot", "plan": "quick", "specimens": []string{"otter"}}, &run); code != http.StatusCreated {
		t.Fatalf("start without the lab: %d", code)
	}
	if code := s.call("POST", "/v1/runs/"+run.ID+"/abort", nil, nil); code != http.StatusAccepted {
		t.Errorf("abort without the lab: %d", code)
	}
	back := func() {
		t.Helper()
		if err := pg.Start(); err != nil {
			t.Fatal(err)
		}
		s.until("the lab is back, with the run", func() bool {
			var list struct{ Runs []wireRun }
			return s.call("GET", "/v1/runs", nil, &list) == http.StatusOK && len(list.Runs) == 1 && list.Runs[0].State == "aborted"
		})
		if code := s.call("GET", "/readyz", nil, &ready); code != http.StatusOK || !ready.Ready {
			t.Errorf("/readyz: %d %+v", code, ready)
		}
	}
	back()
	pg.Kill()
	away("/v1/runs")
	if text := s.text("/v1/benches"); !strings.Contains(text, `"depot"`) {
		t.Errorf("benches without the lab: %s", text)
	}
	back()
}

// Over TLS a daemon is trusted by the certificate that the config names, and not
// without.
func TestLabOverTLS(t *testing.T) {
	h := newHouse(t)
	db := labtest.Shared(t).Migrated(t)
	x := &site{db: db, tokens: map[string]string{"operator": h.secrets["the operate one"]}}
	state := func(s *served) string {
		var list struct {
			Benches []struct{ State string }
			Away    []struct{ Reason string }
		}
		s.call("GET", "/v1/benches", nil, &list)
		return fmt.Sprint(list)
	}
	if got := state(x.newServer(t, db.Read, h.tokens, "{url: \""+h.base+"\", ca: "+h.certs.CA+"}")); got != "{[{idle}] []}" {
		t.Errorf("with its certificate: %s", got)
	}
	if got := state(x.newServer(t, db.Read, h.tokens, "url: "+h.base)); !strings.Contains(got, "it is not trusted") {
		t.Errorf("without: %s", got)
	}
}

package main

import (
	"bytes"
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
	x.lab = x.newServer(t, x.db.Read, shared, x.north.base, x.south.base)
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
		text += "    - url: " + d + "\n"
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
	x.north.stop()
	for _, path := range paths {
		if here := x.lab.text(path); here != said[path] {
			t.Errorf("%s differs:\nlab    %.600s\ndaemon %.600s", path, here, said[path])
		}
	}
}

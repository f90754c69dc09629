package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"lidded/cmd/lidded/internal/metrics"
)

// peer finds a program that a test compares with. Where it is not installed the
// test is skipped, unless LIDDED_PEERS=required.
func peer(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("LIDDED_PEERS") == "required" {
			t.Fatalf("%s is not installed", name)
		}
		t.Skipf("%s is not installed: this is not tested here", name)
	}
	return path
}

// expressions finds every query of a dashboard: of its panels, and of the
// choices at its top.
func expressions(v any) []string {
	var out []string
	switch v := v.(type) {
	case map[string]any:
		for k, x := range v {
			if s, ok := x.(string); ok && (k == "expr" || k == "query" && strings.HasPrefix(s, "label_values(")) {
				out = append(out, s)
				continue
			}
			out = append(out, expressions(x)...)
		}
	case []any:
		for _, x := range v {
			out = append(out, expressions(x)...)
		}
	}
	return out
}

var labelValues = regexp.MustCompile(`^label_values\((.*), (\w+)\)$`)

// asGrafanaAsks is a dashboard's query as Grafana sends it.
func asGrafanaAsks(expr string) string {
	if m := labelValues.FindStringSubmatch(expr); m != nil {
		expr = fmt.Sprintf("count by (%s) (%s)", m[2], m[1])
	}
	return strings.NewReplacer("$bench", ".*", "$specimen", ".*", "$__rate_interval", "20s", "$__range", "10m").Replace(expr)
}

// mayBeEmpty are queries that rightly have no result on a bench that rests.
var mayBeEmpty = regexp.MustCompile(`lidded_run_left_seconds`)

var metricName = regexp.MustCompile(`\blidded_\w+`)

// TestMonitoring: a real Prometheus scrapes the daemon after a run; every query
// of the dashboard has a result there, every rule is taken and evaluated, every
// metric that they name is one of the daemon's.
func TestMonitoring(t *testing.T) {
	peer(t, "prometheus")
	d := newDepot(t, "\nspecimens:", "\nschedules: [{name: yearly, bench: depot, plan: spare-radio, cron: \"0 3 1 1 *\"}]\nspecimens:")
	d.night(t)
	rules, err := filepath.Abs("../../deploy/prometheus/lidded.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	conf := fmt.Sprintf("global: {scrape_interval: 250ms, evaluation_interval: 500ms}\nrule_files: [%s]\nscrape_configs: [{job_name: lidded, static_configs: [{targets: [%q]}]}]\n", rules, d.Addr())
	p := prometheus(t, t.TempDir(), conf)
	list := p.board("lidded.json", 20)
	p.result(`ALERTS{alertname="LiddedFallsShort", specimen="otter", alertstate="firing"}`, false)

	p.healthy()

	var known map[string]any
	p.get("/api/v1/metadata", &known)
	text, err := os.ReadFile(rules)
	if err != nil {
		t.Fatal(err)
	}
	lab := labNames()
	for _, name := range metricName.FindAllString(strings.Join(list, "\n")+recorded.ReplaceAllString(string(text), ""), -1) {
		if lab[name] { // the demo has no lab
			continue
		}
		if known[name] == nil && known[strings.TrimSuffix(name, "_total")] == nil { // a counter is known by its name without
			t.Errorf("%s is not a metric of the daemon", name)
		}
	}
}

// recorded are the names of recording rules.
var recorded = regexp.MustCompile(`\b(bench|lab|lidded):\w+:\w+`)

// labNames are the metrics that a daemon has only if it ships to a lab, and those
// of the lab's server.
func labNames() map[string]bool {
	m := metrics.New(metrics.Options{
		Shipping: func() (metrics.Shipping, bool) { return metrics.Shipping{}, true },
		Fleet:    func() metrics.Fleet { return metrics.Fleet{Daemons: []metrics.OtherDaemon{{URL: "https://bench"}}} },
	})
	rec := httptest.NewRecorder()
	m.Handler().ServeHTTP(rec, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	names := map[string]bool{}
	for _, name := range metricName.FindAllString(rec.Body.String(), -1) {
		names[name] = strings.HasPrefix(name, "lidded_lab_")
	}
	return names
}

// TestMonitoringFleet: a real Prometheus with the example for many daemons, as it
// is shipped, scrapes two daemons that ship to a lab, and the lab's server. Every
// query of the fleet's dashboard has a result there. A daemon that is written
// into the list while Prometheus runs is scraped without a restart.
func TestMonitoringFleet(t *testing.T) {
	peer(t, "prometheus")
	x := newSite(t)
	conf, err := os.ReadFile("../../deploy/prometheus/prometheus.fleet.yml")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	address := func(s *served) string { return strings.TrimPrefix(s.base, "http://") }
	list := func(name string, s *served) {
		path := filepath.Join(dir, "lidded.d", name)
		text := fmt.Sprintf("- targets: [%q]\n  labels: {site: depot}\n", address(s))
		err := os.WriteFile(path+".part", []byte(text), 0o600)
		if err == nil {
			err = os.Rename(path+".part", path)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(dir, "lidded.d"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "lidded.token"), []byte(x.tokens["reader"]+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	rules, err := filepath.Abs("../../deploy/prometheus/lidded.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	list("north.yml", x.north)
	p := prometheus(t, dir, strings.NewReplacer("/etc/prometheus/", dir+"/", "lab.depot.example:7461", address(x.lab), "scheme: https", "scheme: http",
		"15s", "250ms", "lidded.rules.yml", rules).Replace(string(conf)))
	p.result(`up{job="lidded", site="depot"} == 1`, false)
	p.result(`up{job="lidded-lab"} == 1`, false)
	list("south.yml", x.south)
	p.result(`count(up{job="lidded", site="depot"} == 1) == 2`, false)

	x.night(t, x.north, "north", "otter")
	x.night(t, x.south, "south", "heron")
	p.board("lidded-fleet.json", 25)
	p.result(`lab:lidded_benches:count == 2`, false)
	p.result(`lab:lidded_runs:increase1d > 0`, false)
	p.result(`bench:lidded_source_on_hours:increase1d{bench="south"} > 0`, false)
	p.result(`lab:lidded_lab_up:avg == 1`, false)
	p.result(`lidded_lab_partitions_ahead_months == 0`, false)
	if code, _, errs := ran(t, "lab", "partitions", "--dsn", x.db.Owner); code != exitOK {
		t.Fatal(errs)
	}
	p.result(`lidded_lab_partitions_ahead_months == 3`, false)
	p.healthy()
	x.south.stop()
	p.result(`ALERTS{alertname="LiddedLabDaemonAway", daemon="`+x.south.base+`", alertstate="pending"}`, false)
}

// prometheus runs a real one in a folder until the test ends.
func prometheus(t *testing.T, dir, conf string) prom {
	t.Helper()
	program, listen := peer(t, "prometheus"), freePort(t)
	if err := os.WriteFile(filepath.Join(dir, "prometheus.yml"), []byte(conf), 0o600); err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	c := exec.Command(program, "--config.file="+filepath.Join(dir, "prometheus.yml"), "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+listen, "--log.level=warn")
	c.Stdout, c.Stderr = &log, &log
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = c.Process.Kill()
		_ = c.Wait()
		if t.Failed() {
			t.Log(log.String())
		}
	})
	return prom{t, "http://" + listen}
}

// TestMonitoringFromAnotherRoom: the scrape example with TLS and a token, as it
// is shipped, works with a real Prometheus, and no longer when the token is
// revoked.
func TestMonitoringFromAnotherRoom(t *testing.T) {
	peer(t, "prometheus")
	h := newHouse(t)
	data, err := os.ReadFile("../../deploy/prometheus/prometheus.remote.yml")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	rules, err := filepath.Abs("../../deploy/prometheus/lidded.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	conf := strings.NewReplacer("bench.depot.example:7460", strings.TrimPrefix(h.base, "https://"), "15s", "250ms", "lidded.rules.yml", rules).Replace(string(data))
	ca, err := os.ReadFile(h.certs.CA)
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string][]byte{"lidded-ca.pem": ca, "lidded.token": []byte(h.secrets["the scrape one"] + "\n")} {
		if err := os.WriteFile(filepath.Join(dir, name), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	p := prometheus(t, dir, conf)
	p.result(`up{job="lidded"} == 1`, false)
	p.result(`lidded_instrument_up == 1`, false)
	if code, _, errs := ran(t, "token", "revoke", "the scrape one", "--tokens", h.tokens); code != exitOK {
		t.Fatal(errs)
	}
	p.result(`up{job="lidded"} == 0`, false)
}

// prom asks a Prometheus.
type prom struct {
	t    *testing.T
	base string
}

// get decodes the data of an answer, waiting for the server to start.
func (p prom) get(path string, to any) {
	p.t.Helper()
	if !p.until(func() bool {
		resp, err := http.Get(p.base + path)
		if err != nil {
			return false
		}
		defer resp.Body.Close()
		answer := struct {
			Status, Error string
			Data          any
		}{Data: to}
		if err := json.NewDecoder(resp.Body).Decode(&answer); err != nil {
			return false // not ready yet: it says so in words
		}
		if answer.Status != "success" {
			p.t.Errorf("%s: %s", path, answer.Error)
		}
		return true
	}) {
		p.t.Fatalf("%s: no answer", path)
	}
}

// board asks every query of a dashboard, of which there are at least so many, and
// returns them.
func (p prom) board(file string, least int) []string {
	p.t.Helper()
	data, err := os.ReadFile(filepath.Join("../../deploy/grafana", file))
	if err != nil {
		p.t.Fatal(err)
	}
	var board any
	if err := json.Unmarshal(data, &board); err != nil {
		p.t.Fatal(err)
	}
	list := expressions(board)
	if len(list) < least {
		p.t.Errorf("only %d queries", len(list))
	}
	for _, expr := range list {
		p.result(asGrafanaAsks(expr), mayBeEmpty.MatchString(expr))
	}
	return list
}

// healthy looks whether all rules are taken and evaluated.
func (p prom) healthy() {
	p.t.Helper()
	var groups struct {
		Groups []struct {
			Rules []struct{ Name, Health, LastError string }
		}
	}
	p.get("/api/v1/rules", &groups)
	n := 0
	for _, g := range groups.Groups {
		for _, r := range g.Rules {
			n++
			if r.Health == "err" || r.LastError != "" {
				p.t.Errorf("rule %s: %s", r.Name, r.LastError)
			}
		}
	}
	if n < 40 {
		p.t.Errorf("%d rules", n)
	}
}

// result waits for a query to have a result.
func (p prom) result(expr string, mayBeEmpty bool) {
	p.t.Helper()
	if !p.until(func() bool {
		var data struct{ Result []any }
		p.get("/api/v1/query?query="+url.QueryEscape(expr), &data)
		return len(data.Result) > 0 || mayBeEmpty || p.t.Failed()
	}) {
		p.t.Errorf("no result: %s", expr)
	}
}

func (p prom) until(done func() bool) bool {
	tick, end := time.NewTicker(200*time.Millisecond), time.After(30*time.Second)
	defer tick.Stop()
	for !done() {
		select {
		case <-tick.C:
		case <-end:
			return false
		}
	}
	return true
}

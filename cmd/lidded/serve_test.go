package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"lidded/driver/virtual"
)

// served is 'lidded serve' running in this process on a virtual bench, spoken
// to over HTTP alone.
type served struct {
	t     *testing.T
	bench *virtual.Bench
	base  string
	http  *http.Client
	token string // sent with every call; "": none
	// before puts something before an instrument's address.
	before func(address string) string
	edit   func(b *virtual.Bench, config string) string
	stop   func() (code int, stderr string)
	log    func() string // stderr so far
	dir    string        // of config and store
}

// safeBuffer may be written and read at once.
type safeBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *safeBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *safeBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// serveBench serves until the test ends. Each change may alter what is served,
// and the keys of the daemon section.
func serveBench(t *testing.T, dir string, scale float64, change ...func(s *served, keys *string)) *served {
	t.Helper()
	s := &served{t: t, dir: dir, http: http.DefaultClient, before: func(address string) string { return address }}
	s.edit = func(_ *virtual.Bench, config string) string { return config }
	keys := `listen: "127.0.0.1:0", store: lidded.db, guardian: false, log: {format: json}`
	for _, c := range change {
		c(s, &keys)
	}
	world, err := virtual.Preset("depot")
	if err != nil {
		t.Fatal(err)
	}
	bench, err := virtual.Start(context.Background(), virtual.Config{World: world, Seed: 3, TimeScale: scale, Control: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { bench.Close() })
	text := fmt.Sprintf(`
daemon: {%s}
benches:
  - name: depot
    analyzer: {address: "tcp://%s", dialect: analyzer-opc, expect: VIRTUAL-ANALYZER}
    source: {address: "tcp://%s", dialect: source-scpi, max_level: 0 dBm}
    may_transmit: [{from: 100 MHz, to: 900 MHz, max_level: 0 dBm, basis: virtual bench}]
    conducted: true
    frequency_error_ppm: 2
    time_scale: %g
plans:
  - name: quick
    requirement: depot-spare-radio
    positions: [front]
    settle: 6ms
    bands: [{freqs: [200 MHz, 440 MHz, 800 MHz], level: 0 dBm, rbw: 10 kHz, attenuation: 0 dB}]
  - name: long
    positions: [front]
    hold_points: operator
    settle: 6ms
    bands: [{from: 100 MHz, to: 900 MHz, count: 400, level: 0 dBm, rbw: 10 kHz, attenuation: 0 dB}]
  - name: too-high
    bands: [{freqs: [950 MHz], level: 0 dBm, rbw: 10 kHz}]
specimens: [{name: heron}, {name: otter}]
`, keys, s.before(bench.AnalyzerAddr()), s.before(bench.SourceAddr()), max(scale, 1))
	path := filepath.Join(dir, "lidded.yaml")
	if err := os.WriteFile(path, []byte(s.edit(bench, text)), 0o600); err != nil {
		t.Fatal(err)
	}
	s.bench = bench
	s.serving("serve", "-c", path)
	t.Cleanup(func() {
		s.stop()
		if bench.SourceOn() {
			t.Error("the source is on after the daemon ended")
		}
	})
	return s
}

// serving runs a command that serves until the test ends, and waits until it is
// ready.
func (s *served) serving(args ...string) {
	s.t.Helper()
	s.startServing(args...)
	s.until("the daemon is ready", func() bool {
		var ready struct{ Ready bool }
		return s.call("GET", "/readyz", nil, &ready) == 200 && ready.Ready
	})
}

// startServing is serving that waits for the address alone.
func (s *served) startServing(args ...string) {
	t := s.t
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	var stdout bytes.Buffer
	var stderr safeBuffer
	code, done := 0, make(chan struct{})
	go func() {
		defer close(done)
		code = run(ctx, args, &stdout, &stderr)
	}()
	s.stop = func() (int, string) {
		cancel()
		<-done
		return code, stderr.String()
	}
	s.log = stderr.String
	t.Cleanup(func() { s.stop() })
	where := regexp.MustCompile(`"address":"(https?://[^"]+)"`)
	s.until("the daemon serves", func() bool {
		select {
		case <-done:
			t.Fatalf("serve ended with %d: %s", code, stderr.String())
		default:
		}
		if m := where.FindStringSubmatch(stderr.String()); m != nil {
			s.base = m[1]
			return true
		}
		return false
	})
}

// until polls until what is waited for has come, for a minute at most.
func (s *served) until(what string, come func() bool) {
	s.t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	end := time.After(time.Minute)
	for !come() {
		select {
		case <-tick.C:
		case <-end:
			s.t.Fatalf("waited a minute until %s", what)
		}
	}
}

// call makes a request and decodes the reply; it returns the status.
func (s *served) call(method, path string, in, out any, headers ...string) int {
	s.t.Helper()
	var reply bytes.Buffer
	status := s.raw(method, path, in, &reply, headers...)
	if out != nil {
		if err := json.Unmarshal(reply.Bytes(), out); err != nil {
			s.t.Fatalf("%s %s: %v", method, path, err)
		}
	}
	return status
}

// raw makes a request and writes the reply; it returns the status.
func (s *served) raw(method, path string, in any, reply io.Writer, headers ...string) int {
	s.t.Helper()
	var body io.Reader
	if in != nil {
		b, err := json.Marshal(in)
		if err != nil {
			s.t.Fatal(err)
		}
		body = bytes.NewReader(b)
	}
	req, err := http.NewRequestWithContext(s.t.Context(), method, s.base+path, body)
	if err != nil {
		s.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	if s.token != "" {
		req.Header.Set("Authorization", "Bearer "+s.token)
	}
	for i := 0; i+1 < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	resp, err := s.http.Do(req)
	if err != nil {
		s.t.Fatal(err)
	}
	defer resp.Body.Close()
	if _, err := io.Copy(reply, resp.Body); err != nil {
		s.t.Fatal(err)
	}
	return resp.StatusCode
}

type wireRun struct {
	ID    string `json:"id"`
	State string `json:"state"`
	Run   string `json:"run"` // of a problem
	Title string `json:"title"`
	Hold  *struct {
		Instruction string `json:"instruction"`
		Release     string `json:"release"`
		At          struct {
			Specimen     string `json:"specimen"`
			Position     string `json:"position"`
			Polarization string `json:"polarization"`
		} `json:"at"`
	} `json:"hold"`
}

// operate does what each hold point asks for and releases it, until the run ends.
func (s *served) operate(id string) wireRun {
	var r wireRun
	s.until("run "+id+" ends", func() bool {
		r = wireRun{}
		s.call("GET", "/v1/runs/"+id, nil, &r)
		if r.Hold != nil {
			if s.bench.SourceOn() {
				s.t.Error("the source is on at a hold point")
			}
			s.bench.Open()
			if err := s.bench.Place(r.Hold.At.Position, r.Hold.At.Polarization); err != nil {
				s.t.Fatal(err)
			}
			if r.Hold.At.Specimen != "" {
				if err := s.bench.Link(r.Hold.At.Specimen); err != nil {
					s.t.Fatal(err)
				}
			}
			s.call("POST", r.Hold.Release, nil, nil)
		}
		return strings.Contains("completed stopped aborted failed interrupted", r.State)
	})
	return r
}

// A lab script's whole day over REST: start, a busy bench, a repeated trigger,
// hold points, results, files, and the end of the daemon.
func TestADayOverREST(t *testing.T) {
	dir := t.TempDir()
	s := serveBench(t, dir, 1)
	start := map[string]any{"plan": "quick", "specimens": []string{"otter", "heron"}, "operator": "night shift"}
	var first, again, second wireRun
	if code := s.call("POST", "/v1/runs", start, &first, "Idempotency-Key", "tuesday"); code != http.StatusCreated {
		t.Fatalf("start: %d %+v", code, first)
	}
	if code := s.call("POST", "/v1/runs", start, &again, "Idempotency-Key", "tuesday"); code != http.StatusOK || again.ID != first.ID {
		t.Errorf("the same key: %d, run %q, want 200 and %q", code, again.ID, first.ID)
	}
	if code := s.call("POST", "/v1/runs", start, &second); code != http.StatusConflict || second.Run != first.ID {
		t.Errorf("a busy bench: %d, run %q, want 409 and %q", code, second.Run, first.ID)
	}
	if r := s.operate(first.ID); r.State != "completed" {
		t.Fatalf("ended %s", r.State)
	}
	var results struct {
		Results []struct {
			Freq    float64 `json:"freq_hz"`
			Outcome string  `json:"outcome"`
			SE      *struct {
				Relation string  `json:"relation"`
				Value    float64 `json:"se_db"`
			} `json:"se"`
		} `json:"results"`
		Summaries []struct{ Specimen, Sentence, Verdict string }
	}
	s.call("GET", "/v1/runs/"+first.ID+"/results", nil, &results)
	if len(results.Results) != 6 || len(results.Summaries) != 2 {
		t.Fatalf("%d results of %d specimens", len(results.Results), len(results.Summaries))
	}
	verdicts := map[string]string{}
	for _, x := range results.Summaries {
		verdicts[x.Specimen] = x.Verdict
	}
	if verdicts["otter"] != "falls short" || verdicts["heron"] != "meets" {
		t.Errorf("verdicts %v of %+v", verdicts, results.Summaries)
	}
	var refused wireRun
	if code := s.call("POST", "/v1/runs", map[string]any{"plan": "too-high", "specimens": []string{"otter"}}, &refused); code != http.StatusUnprocessableEntity {
		t.Errorf("a frequency without permission: %d %+v, want 422", code, refused)
	}
	for _, k := range s.bench.Ledger() {
		if k.Freq < 100e6 || k.Freq > 900e6 {
			t.Errorf("keyed at %v, outside the permission", k.Freq)
		}
	}
	var stdout, stderr bytes.Buffer
	if code := run(t.Context(), []string{"export", "latest", "--store", filepath.Join(dir, "lidded.db"), "-o", filepath.Join(dir, "out"), "--traces"}, &stdout, &stderr); code != exitOK {
		t.Errorf("export beside the daemon: %d %s", code, stderr.String())
	}
	code, log := s.stop()
	if code != exitOK || !strings.Contains(log, `"msg":"ended"`) {
		t.Errorf("the end: code %d, log\n%s", code, log)
	}
}

// Stop finishes the point in hand; abort and the daemon's own end switch the
// source off at once; an interrupted run is resumed by the next daemon.
func TestEndsOfARun(t *testing.T) {
	dir := t.TempDir()
	s := serveBench(t, dir, 4)
	begin := func() string {
		var r wireRun
		if code := s.call("POST", "/v1/runs", map[string]any{"plan": "long", "specimens": []string{"otter"}}, &r); code != http.StatusCreated {
			t.Fatalf("start: %d %+v", code, r)
		}
		s.until("the first hold point waits", func() bool {
			var now wireRun
			s.call("GET", "/v1/runs/"+r.ID, nil, &now)
			return now.Hold != nil
		})
		s.bench.Place("front", "vertical")
		s.call("POST", "/v1/runs/"+r.ID+"/holds/0/release", nil, nil)
		s.until("the source was keyed", func() bool { return len(s.bench.Ledger()) > 0 && s.bench.SourceOn() })
		return r.ID
	}
	ended := func(id, want string) {
		t.Helper()
		var r wireRun
		s.until("run "+id+" is "+want, func() bool {
			r = wireRun{}
			s.call("GET", "/v1/runs/"+id, nil, &r)
			return r.State == want
		})
		if s.bench.SourceOn() {
			t.Errorf("the source is on after the run was %s", want)
		}
	}
	id := begin()
	s.call("POST", "/v1/runs/"+id+"/stop", nil, nil)
	ended(id, "stopped")
	id = begin()
	s.call("POST", "/v1/runs/"+id+"/abort", nil, nil)
	ended(id, "aborted")
	id = begin()
	s.call("POST", "/v1/source-off", nil, nil)
	ended(id, "aborted")
	if code := s.call("POST", "/v1/runs/"+id+"/resume", nil, nil); code != http.StatusConflict {
		t.Errorf("an aborted run resumed: %d", code)
	}
	id = begin()
	if code, log := s.stop(); code != exitOK {
		t.Fatalf("the end of the daemon: %d\n%s", code, log)
	}
	if s.bench.SourceOn() {
		t.Error("the source is on after the daemon ended")
	}
}

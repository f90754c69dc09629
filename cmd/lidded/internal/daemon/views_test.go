package daemon_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lidded/sweep"
)

// ask sends a request to the lab's daemon and reads the answer.
func (l *lab) ask(t testing.TB, method, path, body string, to any) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, "http://"+l.daemon.Addr()+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	data, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	if res.StatusCode != http.StatusOK {
		t.Fatalf("%s %s: %d %s", method, path, res.StatusCode, data)
	}
	if err := json.NewDecoder(bytes.NewReader(data)).Decode(to); err != nil {
		t.Fatalf("%s %s: %v in %s", method, path, err, data)
	}
}

type briefsOnWire struct {
	Pending int
	Runs    []struct {
		Run      string
		State    string
		Freq     []float64  `json:"freq_hz"`
		SE       []*float64 `json:"se_db"`
		Relation []string
	}
}

const viewsPlan = `
  - name: linked
    hold_points: rule
    positions: [front]
    strategy: fixed
    settle: 10ms
    bands: [{from: 120 MHz, to: 900 MHz, count: 4, level: 0 dBm, rbw: 10 kHz, attenuation: 0 dB}]
schedules: [{name: night, bench: depot, plan: linked, specimens: [otter], cron: "0 3 1 1 *", zone: Europe/Vienna}]
`

// What the views of the page show of a run on instruments, and again after the
// daemon was restarted.
func TestViewsOfARun(t *testing.T) {
	spec := labSpec{
		analyzerDialect: "analyzer-opc", analyzerTraits: "modern-opc", sourceDialect: "source-scpi", sourceTraits: "source-scpi",
		world: "depot", seed: 4, scale: 20, plans: viewsPlan, store: filepath.Join(t.TempDir(), "lidded.db"),
	}
	l := startLab(t, spec)
	run, e := l.run(t, "linked", "otter")

	var p struct {
		Result struct {
			SE struct {
				Relation string
				SE       float64 `json:"se_db"`
			}
		}
		Traces []struct {
			Kind   string
			Values []*float64 `json:"values_dbm"`
			Peak   struct {
				Freq  float64 `json:"freq_hz"`
				Level float64 `json:"level_dbm"`
			}
		}
		Captures []struct{ ID, Kind string }
		Budget   struct{ Entries []any }
	}
	for _, r := range e.Results {
		l.ask(t, "GET", fmt.Sprintf("/v1/runs/%s/points/%d?specimen=otter", run.ID, r.Point), "", &p)
		if p.Result.SE.Relation != r.SE.Relation.String() || math.Abs(p.Result.SE.SE-float64(r.SE.Value)) > 1e-9 || len(p.Budget.Entries) == 0 {
			t.Errorf("point %d: %+v, want %v; budget %v", r.Point, p.Result, r.SE, p.Budget.Entries)
		}
		if len(p.Captures) != 4 || len(p.Traces) != 5 {
			t.Errorf("point %d: %d captures, %d traces", r.Point, len(p.Captures), len(p.Traces))
		}
		for _, tr := range p.Traces {
			if tr.Kind == "reference" && (math.Abs(tr.Peak.Level-float64(r.Reference)) > 1 || math.Abs(tr.Peak.Freq-float64(r.Freq)) > 2e4) {
				t.Errorf("point %d: the reference's peak is %+v, want %v at %v", r.Point, tr.Peak, r.Reference, r.Freq)
			}
		}
	}

	var x struct {
		Analyzer, Source struct {
			Up        bool
			Exchanges []struct{ Direction, Text string }
		}
	}
	l.ask(t, "GET", "/v1/benches/depot/exchanges", "", &x)
	for role, said := range map[string][]struct{ Direction, Text string }{"analyzer": x.Analyzer.Exchanges, "source": x.Source.Exchanges} {
		sent, received := 0, 0
		for _, s := range said {
			switch s.Direction {
			case "sent":
				sent++
			case "received":
				received++
			}
			if len([]rune(s.Text)) > 200 {
				t.Errorf("the %s said %q", role, s.Text)
			}
		}
		if sent < 10 || received < 5 || sent > 220 {
			t.Errorf("%s: %d sent, %d received", role, sent, received)
		}
	}
	if !x.Analyzer.Up || !x.Source.Up {
		t.Errorf("%+v", x)
	}

	check := func(l *lab) {
		t.Helper()
		var d struct {
			Version  string
			Started  time.Time
			DiskFree int64 `json:"disk_free_bytes"`
			Store    int64 `json:"store_bytes"`
			Guardian []struct{ Bench, State string }
		}
		l.ask(t, "GET", "/v1/daemon", "", &d)
		if d.Version != "test" || time.Since(d.Started) > time.Hour || d.DiskFree <= 0 || d.Store <= 0 || len(d.Guardian) != 1 || d.Guardian[0].State != "none" {
			t.Errorf("daemon %+v", d)
		}
		var s struct {
			Schedules []struct {
				Name string
				Next time.Time  `json:"next_run"`
				Last *time.Time `json:"last_missed"`
			}
		}
		l.ask(t, "GET", "/v1/schedules", "", &s)
		if len(s.Schedules) != 1 || s.Schedules[0].Next.Month() != time.January || s.Schedules[0].Next.UTC().Hour() != 2 || s.Schedules[0].Last != nil {
			t.Errorf("schedules %+v", s)
		}
		var b briefsOnWire
		l.ask(t, "GET", "/v1/specimens/otter/results", "", &b)
		if b.Pending != 0 || len(b.Runs) != 1 || b.Runs[0].Run != string(run.ID) || b.Runs[0].State != "completed" {
			t.Fatalf("briefs %+v", b)
		}
		for i, w := range e.Summaries[0].Worst {
			r := b.Runs[0]
			if r.Freq[i] != float64(w.Freq) || r.Relation[i] != w.SE.Relation.String() || math.Abs(*r.SE[i]-float64(w.SE.Value)) > 0.001 {
				t.Errorf("row %d: %g %s %g, want %+v", i, r.Freq[i], r.Relation[i], *r.SE[i], w)
			}
		}
	}
	check(l)
	var pre struct {
		Accepted bool
		Refusals []any
		Time     float64 `json:"time_s"`
	}
	l.ask(t, "POST", "/v1/previews", `{"plan":"linked","specimens":["heron"]}`, &pre)
	if !pre.Accepted || pre.Time <= 0 {
		t.Errorf("preview %+v", pre)
	}
	if runs, err := l.daemon.Store().Runs(t.Context(), sweep.RunFilter{}); err != nil || len(runs) != 1 {
		t.Errorf("%d runs after a preview, %v", len(runs), err)
	}
	if err := l.end(); err != nil {
		t.Fatal(err)
	}
	check(startLab(t, spec))
}

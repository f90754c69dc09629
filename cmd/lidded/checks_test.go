package main

import (
	"bytes"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lidded/driver/virtual"
)

// TestChecksOfTheReferenceUnattended: a plan with both checks, released by the
// virtual bench's own hands, shows them in the outlook, in the results over REST,
// in the tables and in the report; the bench is as it was when the run ends.
func TestChecksOfTheReferenceUnattended(t *testing.T) {
	dir := t.TempDir()
	s := serveBench(t, dir, 1, func(s *served, _ *string) {
		s.edit = func(b *virtual.Bench, text string) string {
			text = strings.Replace(text, "    conducted: true\n", fmt.Sprintf(`    conducted: true
    hands: {rule: virtual, control: %q}
    step_attenuator: [{value: 20 dB, uncertainty: 0.2 dB}]
    suspend: {floor: {trip: 8 dB, resume: 4 dB}, drift: {off: true}}
`, b.ControlAddr()), 1)
			return strings.Replace(text, "  - name: too-high\n", `  - name: checked
    hold_points: rule
    positions: [front]
    settle: 6ms
    leakage_check: source_loaded
    linearity_check: step_attenuator
    bands: [{freqs: [200 MHz, 440 MHz, 800 MHz], level: 0 dBm, rbw: 10 kHz, attenuation: 0 dB}]
  - name: too-high
`, 1)
		}
	})
	var stdout, stderr bytes.Buffer
	if code := run(t.Context(), []string{"plan", "checked", "-c", filepath.Join(dir, "lidded.yaml")}, &stdout, &stderr); code != exitOK {
		t.Fatalf("plan: %d %s", code, stderr.String())
	}
	for _, want := range []string{"leakage (source_loaded)", "linearity (step_attenuator, 20.0 dB)"} {
		if !strings.Contains(stdout.String(), want) {
			t.Errorf("the plan lacks %q:\n%s", want, stdout.String())
		}
	}
	var r wireRun
	if code := s.call("POST", "/v1/runs", map[string]any{"plan": "checked", "specimens": []string{"otter"}}, &r); code != http.StatusCreated {
		t.Fatalf("start: %d %+v", code, r)
	}
	s.until("the run ends", func() bool {
		s.call("GET", "/v1/runs/"+r.ID, nil, &r)
		return strings.Contains("completed stopped aborted failed interrupted", r.State)
	})
	var results struct {
		Results []struct {
			Outcome string `json:"outcome"`
			Leakage *struct {
				Relation string  `json:"relation"`
				Level    float64 `json:"level_dbm"`
			} `json:"leakage"`
		} `json:"results"`
		Linearity []struct {
			Deviation *float64 `json:"deviation_db"`
			Over      bool     `json:"over"`
		} `json:"linearity"`
	}
	s.call("GET", "/v1/runs/"+r.ID+"/results", nil, &results)
	if r.State != "completed" || len(results.Results) != 3 || len(results.Linearity) != 3 {
		t.Fatalf("ended %s with %d results and %d steps of linearity, want 3 of each", r.State, len(results.Results), len(results.Linearity))
	}
	for i, q := range results.Results {
		// The depot's world has nothing round its boxes: what is left is noise.
		if q.Outcome != "measured" || q.Leakage == nil || q.Leakage.Relation != "<=" || q.Leakage.Level > -90 {
			t.Errorf("result %d: %s, leakage %+v", i, q.Outcome, q.Leakage)
		}
	}
	for i, l := range results.Linearity {
		if l.Deviation == nil || *l.Deviation > 0.5 || *l.Deviation < -0.5 || l.Over {
			t.Errorf("linearity %d: %+v", i, l)
		}
	}
	report := filepath.Join(dir, "report.html")
	if code := run(t.Context(), []string{"report", "latest", "--store", filepath.Join(dir, "lidded.db"), "--format", "html", "-o", report}, &stdout, &stderr); code != exitOK {
		t.Fatalf("report: %d %s", code, stderr.String())
	}
	html, err := os.ReadFile(report)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Leakage round the specimen", "how far the level fell from the known step", "source in a load"} {
		if !bytes.Contains(html, []byte(want)) {
			t.Errorf("the report lacks %q", want)
		}
	}
	if s.bench.Specimen() != "" {
		t.Errorf("the lid of %s is still closed", s.bench.Specimen())
	}
}

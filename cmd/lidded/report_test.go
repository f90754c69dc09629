package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// prints runs the program in this process.
func prints(t *testing.T, wantCode int, args ...string) string {
	t.Helper()
	var stdout, stderr bytes.Buffer
	if code := run(context.Background(), args, &stdout, &stderr); code != wantCode {
		t.Fatalf("lidded %s: exit code %d, want %d: %s", strings.Join(args, " "), code, wantCode, stderr.String())
	}
	return stdout.String() + stderr.String()
}

func fetch(t *testing.T, url string) ([]byte, http.Header) {
	t.Helper()
	resp, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	data, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s, %v\n%s", url, resp.Status, err, data)
	}
	return data, resp.Header
}

// TestReport: a run and its retest, reported by REST and by command with the
// same bytes; what the config and a file state stands in it; doctor and backup
// beside the daemon.
func TestReport(t *testing.T) {
	d := newDepot(t, "    conducted: true\n", "    conducted: true\n    report: {organisation: \"Depot workshop\", witnesses: \"the night shift's lead\"}\n",
		"about: \"drying locker with a mesh door\"", "about: \"drying locker with a mesh door\", report: {owner: \"the river-rescue depot\"}",
		"    settle: 6ms\n", "    settle: 6ms\n    report: {method: \"cabled, as on the bench's card\"}\n")
	first := d.night(t, "otter")
	second := d.night(t, "otter", "heron")
	for _, kind := range []string{"html", "pdf"} {
		for form, file := range map[string]string{"full": "report.", "short": "report-short."} {
			got, head := fetch(t, d.base+"/v1/runs/"+string(first.ID)+"/"+file+kind)
			if ct := head.Get("Content-Type"); !strings.Contains(ct, kind) {
				t.Errorf("%s: content type %s", file+kind, ct)
			}
			out := filepath.Join(t.TempDir(), "r."+kind)
			if said := prints(t, exitOK, "report", string(first.ID), "--store", d.store, "--form", form, "--format", kind, "-o", out); strings.TrimSpace(said) != out {
				t.Errorf("said %q", said)
			}
			again, err := os.ReadFile(out)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got, again) {
				t.Errorf("%s %s: REST and the command write different bytes", form, kind)
			}
		}
	}
	t.Chdir(t.TempDir()) // without a config: the daemon is asked
	t.Setenv("LIDDED_URL", d.base)
	if said, name := prints(t, exitOK, "report", "latest", "--format", "html"), string(second.ID)+".html"; strings.TrimSpace(said) != name {
		t.Errorf("said %q, want %q", said, name)
	} else if got, _ := fetch(t, d.base+"/v1/runs/"+string(second.ID)+"/report.html"); prints(t, exitOK, "report", "latest", "--url", d.base, "--store", "none.db", "--format", "html", "-o", "-") != string(got) {
		t.Error("asked of the daemon by its address, the report differs")
	}
	prints(t, exitUsage, "report", "latest", "--facts", "facts.yaml")
	facts := filepath.Join(t.TempDir(), "facts.yaml")
	if err := os.WriteFile(facts, []byte("bench: {environment: \"18 °C, dry\"}\nspecimens: {otter: {repairs: \"mesh soldered anew\"}}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	page := prints(t, exitOK, "report", string(first.ID), "--store", d.store, "--format", "html", "--facts", facts, "-o", "-")
	for _, want := range []string{
		"Depot workshop", "the night shift&#39;s lead", "the river-rescue depot", "cabled, as on the bench&#39;s card", "18 °C, dry (stated after the run)", "mesh soldered anew (stated after the run)",
		string(second.ID), "otter: falls short of", "virtual bench: nothing is radiated", "lidded 1.2.3",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("nowhere in the report: %s", want)
		}
	}
	if err := os.WriteFile(facts, []byte("bench: {enviroment: dry}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if said := prints(t, exitUsage, "report", "latest", "--store", d.store, "--facts", facts); !strings.Contains(said, `did you mean "environment"?`) {
		t.Errorf("a misspelt fact: %s", said)
	}
	if err := os.WriteFile(facts, []byte("specimens: {ottre: {owner: nobody}}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if said := prints(t, exitUsage, "report", "latest", "--store", d.store, "--facts", facts); !strings.Contains(said, `specimen "ottre" is not part of run`) {
		t.Errorf("a fact of nobody: %s", said)
	}
	prints(t, exitUsage, "report", "latest", "--store", d.store, "--form", "long")
	prints(t, exitUsage, "report", "latest", "--store", d.store, "--format", "doc")

	backup := filepath.Join(t.TempDir(), "copy.db")
	prints(t, exitOK, "backup", "--store", d.store, backup)
	if said := prints(t, exitFailed, "backup", "--store", d.store, backup); !strings.Contains(said, backup) {
		t.Errorf("a second backup over the first: %s", said)
	}
	copied := prints(t, exitOK, "report", string(first.ID), "--store", backup, "--format", "html", "-o", "-")
	if plain := prints(t, exitOK, "report", string(first.ID), "--store", d.store, "--format", "html", "-o", "-"); plain != copied {
		t.Error("the report from the backup differs")
	}
}

// TestDoctorBesideDaemon: all is well, by table and as JSON.
func TestDoctorBesideDaemon(t *testing.T) {
	d := newDepot(t)
	d.night(t, "otter")
	path := filepath.Join(d.dir, "lidded.yaml")
	cfg := d.Lab().Config
	text := strings.NewReplacer("@listen@", d.Addr(), "@store@", d.store, "@analyzer@", cfg.Benches[0].Analyzer.Address, "@source@", cfg.Benches[0].Source.Address, "@control@", cfg.Benches[0].Hands.Control).
		Replace(demoConfig(t))
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	said := prints(t, exitOK, "doctor", "-c", path)
	for _, want := range []string{"ok     daemon: version 1.2.3 answers", "ok     store lock: held by process", "ok     runs: none is left over", "ok     bench depot: idle, source off", "ok     depot/analyzer:"} {
		if !strings.Contains(said, want) {
			t.Errorf("no %q in\n%s", want, said)
		}
	}
	var found []struct{ About, State, Found, Do string }
	if err := json.Unmarshal([]byte(prints(t, exitOK, "doctor", "-c", path, "--json")), &found); err != nil || len(found) < 6 {
		t.Errorf("%d findings as JSON, %v", len(found), err)
	}
}

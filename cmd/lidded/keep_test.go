package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lidded/cmd/lidded/internal/daemon"
	"lidded/cmd/lidded/internal/rest"
	"lidded/driver"
	"lidded/driver/unit"
	"lidded/store"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

// shown is everything that REST shows of a run, by where.
func shown(t *testing.T, base, id string) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	for _, what := range []string{
		"", "/results", "/captures", "/explanation?specimen=heron", "/events", "/keyings", "/results.csv", "/worst.csv", "/specimens.csv", "/captures.csv", "/traces.csv",
		"/datapackage.json", "/tables.txt", "/report.html", "/report.pdf", "/report-short.html",
	} {
		resp, err := http.Get(base + "/v1/runs/" + id + what)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		_, err = b.ReadFrom(resp.Body)
		resp.Body.Close()
		if err != nil || resp.StatusCode != http.StatusOK {
			t.Fatalf("%s: %s, %v\n%s", what, resp.Status, err, b.Bytes())
		}
		out[what] = b.Bytes()
	}
	return out
}

// TestTracesLeaveResultsStay: an old run is pruned by the daemon's rule; REST,
// CSV and report give the same bytes before and after, by the archive; without
// the archive the results stay, and the rest says where it is.
func TestTracesLeaveResultsStay(t *testing.T) {
	archive := filepath.Join(t.TempDir(), "archive")
	d := newDepot(t, "\n\nbenches:", "\n  keep: {traces: 1 day, archive: "+archive+"}\nbenches:")
	later := time.Now().Add(25 * time.Hour)
	old, newer := d.night(t), d.night(t)
	id := string(old.ID)
	want, err := d.Evaluation(t.Context(), old.ID)
	if err != nil {
		t.Fatal(err)
	}
	before, kept := shown(t, d.base, id), shown(t, d.base, string(newer.ID))

	if _, err := d.LetTracesGo(t.Context(), later); err == nil || !strings.Contains(err.Error(), "the folder of archives "+archive+" is not there: make it") {
		t.Fatalf("without the folder: %v", err)
	}
	if err := os.Mkdir(archive, 0o700); err != nil {
		t.Fatal(err)
	}
	if gone, err := d.LetTracesGo(t.Context(), time.Now()); err != nil || gone != 0 {
		t.Errorf("before its time: %d runs gone, %v", gone, err)
	}
	size, err := d.Store().Size()
	if err != nil {
		t.Fatal(err)
	}
	if gone, err := d.LetTracesGo(t.Context(), later); err != nil || gone != 1 {
		t.Fatalf("%d runs gone, %v", gone, err)
	}
	now, err := d.Store().Size()
	if err != nil || now >= size {
		t.Errorf("the store takes %d of %d bytes, %v", now, size, err)
	}
	same := func(what string, id string, want map[string][]byte) {
		t.Helper()
		for at, got := range shown(t, d.base, id) {
			if !bytes.Equal(got, want[at]) {
				t.Errorf("%s: %q of %s differs", what, at, id)
			}
		}
	}
	same("pruned", id, before)
	same("pruned", string(newer.ID), kept)
	out := t.TempDir()
	prints(t, 0, "export", id, "--traces", "--store", d.store, "--to", out)
	for _, f := range []string{"results.csv", "captures.csv", "traces.csv"} {
		if got, err := os.ReadFile(filepath.Join(out, f)); err != nil || !bytes.Equal(got, before["/"+f]) {
			t.Errorf("exported %s differs, %v", f, err)
		}
	}
	page := filepath.Join(out, "report.html")
	prints(t, 0, "report", id, "--format", "html", "--store", d.store, "--output", page)
	if got, err := os.ReadFile(page); err != nil || !bytes.Equal(got, before["/report.html"]) {
		t.Errorf("the report made anew differs, %v", err)
	}

	file := filepath.Join(archive, "run-"+id+".db")
	if err := os.Rename(file, file+".away"); err != nil {
		t.Fatal(err)
	}
	for _, f := range []string{"results.csv", "worst.csv", "specimens.csv"} {
		if got, _ := fetch(t, d.base+"/v1/runs/"+id+"/"+f); !bytes.Equal(got, before["/"+f]) {
			t.Errorf("%s differs without the archive", f)
		}
	}
	for _, f := range []string{"traces.csv", "captures.csv", "report.html"} {
		resp, err := http.Get(d.base + "/v1/runs/" + id + "/" + f)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != http.StatusServiceUnavailable {
			t.Errorf("%s without the archive: %s", f, resp.Status)
		}
	}
	out = t.TempDir()
	if said := prints(t, 0, "export", id, "--store", d.store, "--to", out); !strings.Contains(said, "captures and traces are left out: ") || !strings.Contains(said, file) {
		t.Errorf("export without the archive: %s", said)
	}
	if got, err := os.ReadFile(filepath.Join(out, "results.csv")); err != nil || !bytes.Equal(got, before["/results.csv"]) {
		t.Errorf("exported results differ without the archive, %v", err)
	}
	evaluationWithoutArchive(t, d, old.ID, want)
	if said := prints(t, 1, "restore", file, "--store", d.store); !strings.Contains(said, "in use") {
		t.Errorf("restore beside the daemon: %s", said)
	}
	if err := os.Rename(file+".away", file); err != nil {
		t.Fatal(err)
	}
	same("archive back", id, before)
	if gone, err := d.LetTracesGo(t.Context(), later); err != nil || gone != 0 {
		t.Errorf("again: %d runs gone, %v", gone, err)
	}
}

// evaluationWithoutArchive starts a daemon on a copy of the store and asks what
// the run means.
func evaluationWithoutArchive(t *testing.T, d *depot, id sweep.RunID, want sweep.Evaluation) {
	t.Helper()
	other := filepath.Join(t.TempDir(), "copy.db")
	prints(t, 0, "backup", other, "--store", d.store)
	cfg := *d.Lab().Config
	cfg.Daemon.Store, cfg.Benches = other, nil
	fresh, err := daemon.Open(t.Context(), &cfg, daemon.Options{Software: "1.2.3"})
	if err != nil {
		t.Fatal(err)
	}
	defer fresh.Close()
	got, err := fresh.Evaluation(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(got.Notes); n == 0 || !strings.HasPrefix(got.Notes[n-1], "as judged by lidded 1.2.3 before ") {
		t.Errorf("notes %q do not say what the results are", got.Notes)
	} else {
		got.Notes = got.Notes[:n-1]
	}
	a, e1 := json.Marshal(want)
	b, e2 := json.Marshal(got)
	if e1 != nil || e2 != nil || !bytes.Equal(a, b) {
		t.Errorf("results without the archive differ: %v, %v", e1, e2)
	}
}

// oldNights puts completed runs of one specimen into a store that ended so many
// days ago.
func oldNights(t *testing.T, s *store.Store, days ...int) (ids []string) {
	t.Helper()
	for _, d := range days {
		at := time.Now().Add(-time.Duration(d) * 24 * time.Hour).UTC()
		r := sweep.Run{
			ID: newRunID(), Bench: sweep.Bench{Name: "depot"}, Plan: sweep.Plan{Name: "night", Points: []sweep.Point{{Freq: 30e6, Field: requirement.PlaneWave}}},
			Specimens: []sweep.Specimen{{Name: "heron"}}, Created: at, State: sweep.Pending,
		}
		c := sweep.Capture{Kind: sweep.Enclosed, At: sweep.Setting{Specimen: "heron"}, Freq: 30e6}
		for range 40 {
			c.Looks = append(c.Looks, sweep.Look{Trace: driver.Trace{Start: 29e6, Stop: 31e6, Levels: make([]unit.DBm, 10001)}})
		}
		err := errors.Join(s.Create(t.Context(), r), s.Commit(t.Context(), r.ID, sweep.Checkpoint{}, c), s.Transition(t.Context(), r.ID, at, sweep.Completed, "", ""))
		if err != nil {
			t.Fatal(err)
		}
		ids = append(ids, string(r.ID))
	}
	return ids
}

// TestNothingLeavesWhileARunGoesOn: what is due waits for the bench.
func TestNothingLeavesWhileARunGoesOn(t *testing.T) {
	archive := t.TempDir()
	d := newDepot(t, "hold_points: rule", "hold_points: operator", "\n\nbenches:", "\n  keep: {traces: 400 days, archive: "+archive+"}\nbenches:")
	ids := oldNights(t, d.Store(), 900, 800)
	run, err := d.StartWhenServing(t.Context(), rest.StartRequest{Operator: "ann", Trigger: "test"})
	if err != nil {
		t.Fatal(err)
	}
	short, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	if gone, err := d.LetTracesGo(short, time.Now()); gone != 0 || !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("%d runs gone while run %s goes on, %v", gone, run.ID, err)
	}
	prints(t, 0, "abort", string(run.ID), "--url", d.base)
	if _, err := d.Wait(t.Context(), run.Bench.Name, run.ID); err != nil {
		t.Fatal(err)
	}
	if gone, err := d.LetTracesGo(t.Context(), time.Now()); gone != 1 || err != nil {
		t.Errorf("%d runs gone, %v", gone, err)
	}
	if _, pruned, err := d.Store().Pruned(t.Context(), sweep.RunID(ids[0])); !pruned || err != nil {
		t.Errorf("the older of the two did not go, %v", err)
	}
	events, err := d.Store().Events(t.Context(), "", 0, 0)
	if err != nil || !strings.HasPrefix(events[len(events)-1].Text, "the traces of 1 runs left the store, which took ") {
		t.Errorf("the last event is %+v, %v", events[len(events)-1], err)
	}
}

// TestTracesWaitForTheLab: old traces stay until the lab has them; what makes the
// store too large goes.
func TestTracesWaitForTheLab(t *testing.T) {
	const nobody = "postgres://shipper@127.0.0.1:1/lab?sslmode=disable"
	archive := t.TempDir()
	d := newDepot(t, "\n\nbenches:", "\n  keep: {traces: 400 days, archive: "+archive+"}\nlab: {dsn: '"+nobody+"'}\nbenches:")
	ids := oldNights(t, d.Store(), 900, 800, 300)
	if gone, err := d.LetTracesGo(t.Context(), time.Now()); gone != 0 || err != nil {
		t.Errorf("%d runs gone that were not shipped, %v", gone, err)
	}
	events, err := d.Store().Events(t.Context(), sweep.RunID(ids[0]), 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	config := filepath.Join(d.dir, "prune.yaml")
	for _, c := range []struct {
		rule, which, says string
		at                int64
	}{
		{"traces: 400 days", "", "the traces of 2 more runs are old enough, and stay until the lab has them", 0},
		{"traces: 400 days", "", "the traces of 2 more runs", events[len(events)-1].Seq - 1},
		{"traces: 400 days", "0", "the traces of 1 more runs", events[len(events)-1].Seq},
		{"traces: 400 days, largest: 1 MB", "01", "a store larger than 1 MB", 0},
	} {
		at, err := json.Marshal(store.Position{Event: c.at})
		if err == nil {
			err = os.WriteFile(d.store+".shipped", at, 0o600)
		}
		text := strings.NewReplacer("@listen@", "127.0.0.1:0", "@store@", d.store+"\n  keep: {"+c.rule+", archive: "+archive+"}\nlab: {dsn: '"+nobody+"'}\n#",
			"@analyzer@", "tcp://127.0.0.1:1", "@source@", "tcp://127.0.0.1:2", "@control@", "127.0.0.1:1").Replace(strings.Replace(demoConfig(t), `"@store@"`, "@store@", 1))
		if err := errors.Join(err, os.WriteFile(config, []byte(text), 0o600)); err != nil {
			t.Fatal(err)
		}
		out, which := prints(t, 0, "prune", "--dry-run", "--config", config), ""
		for i, id := range ids {
			if strings.Contains(out, id) {
				which += string(rune('0' + i))
			}
		}
		if which != c.which || !strings.Contains(out, c.says) {
			t.Errorf("%s at %d: %q go, want %q:\n%s", c.rule, c.at, which, c.which, out)
		}
	}
}

// TestPruneCommand: which runs go by which rule, and where they come back from.
func TestPruneCommand(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "lidded.db")
	s, err := store.Open(t.Context(), path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	ids := oldNights(t, s, 900, 500, 300, 100, 800) // the last stays, whatever its age
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	config := filepath.Join(dir, "lidded.yaml")
	keep := func(rule string) {
		t.Helper()
		text := strings.Replace(goodConfig, "  - name: quick\n", "  - name: quick\n    hold_points: rule\n", 1)
		text = strings.Replace(text, "    conducted: true\n", "    conducted: true\n    hands: {rule: unattended}\n", 1)
		if err := os.WriteFile(config, []byte("daemon: {store: "+path+rule+"}\n"+text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	going := func(args ...string) (out string, which string) {
		t.Helper()
		out = prints(t, 0, append([]string{"prune", "--config", config}, args...)...)
		for i, id := range ids {
			if strings.Contains(out, "run-"+id) || len(args) > 0 && strings.Contains(out, id) {
				which += string(rune('0' + i))
			}
		}
		return out, which
	}
	for _, c := range []struct{ rule, which, says string }{
		{"", "", "nothing leaves the store: daemon.keep in " + config + " says neither traces nor largest"},
		{", keep: {traces: 3 years, archive: .}", "", "no traces are due to leave the store"},
		{", keep: {traces: 400 days, archive: .}", "01", "traces older than 400 days"},
		{", keep: {largest: 20 MB, archive: .}", "", "no traces are due"},
		{", keep: {largest: 8 MB, archive: .}", "0", "a store larger than 8 MB"},
		{", keep: {traces: 850 days, largest: 6 MB, archive: .}", "01", "a store larger than 6 MB"},
		{", keep: {largest: 1 MB, archive: .}", "0123", " larger than 1 MB: what is left must stay"},
	} {
		keep(c.rule)
		if out, which := going("--dry-run"); which != c.which || !strings.Contains(out, c.says) {
			t.Errorf("%s: %q go, want %q:\n%s", c.rule, which, c.which, out)
		}
	}
	keep(", keep: {traces: 400 days, archive: away}")
	if out := prints(t, 1, "prune", "--config", config); !strings.Contains(out, "the folder of archives "+filepath.Join(dir, "away")+" is not there: make it, or mount its disk") {
		t.Errorf("no folder: %s", out)
	}
	if err := os.Mkdir(filepath.Join(dir, "away"), 0o700); err != nil {
		t.Fatal(err)
	}
	out, which := going()
	if which != "01" || !strings.Contains(out, "the store took ") {
		t.Errorf("%q went:\n%s", which, out)
	}
	if _, which := going(); which != "" {
		t.Errorf("%q went again", which)
	}
	file := filepath.Join(dir, "away", "run-"+ids[0]+".db")
	if out := prints(t, 0, "restore", file, "--config", config); !strings.Contains(out, "run "+ids[0]+" is back from run-"+ids[0]+".db") {
		t.Error(out)
	}
	if out := prints(t, 1, "restore", file, "--config", config); !strings.Contains(out, "has its traces here") {
		t.Error(out)
	}
	// By hand: one, or all old ones; nothing leaves the store.
	if out := prints(t, 0, "archive", ids[3], "--config", config); !strings.Contains(out, "run-"+ids[3]+".db") {
		t.Error(out)
	}
	if out := prints(t, 0, "archive", "--older-than", "250 days", "--config", config); !strings.Contains(out, ids[0]) || strings.Contains(out, ids[1]) || !strings.Contains(out, ids[2]) || strings.Contains(out, ids[3]) || !strings.Contains(out, ids[4]) {
		t.Error(out)
	}
	for _, wrong := range [][]string{{"archive"}, {"archive", "latest", "--older-than", "1 day"}} {
		if out := prints(t, 2, append(wrong, "--config", config)...); !strings.Contains(out, "name one run (or latest), or say --older-than") {
			t.Error(out)
		}
	}
	if out := prints(t, 2, "archive", "--older-than", "1 hour", "--config", config); !strings.Contains(out, `--older-than: "1 hour" is no length of time`) {
		t.Error(out)
	}
	if out := prints(t, 2, "archive", "latest", "--store", path); !strings.Contains(out, "no folder: name one with --to") {
		t.Error(out)
	}
}

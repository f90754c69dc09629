package doctor_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"lidded/cmd/lidded/internal/access"
	"lidded/cmd/lidded/internal/access/accesstest"
	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/doctor"
)

// TestAccess: what keeps everybody out, or soon will, is found.
func TestAccess(t *testing.T) {
	dir := t.TempDir()
	accesstest.New(t, dir)
	file := access.File{Path: filepath.Join(dir, "lidded.db.tokens")}
	now := time.Now()
	look := func(keys string, at time.Time) []doctor.Finding {
		t.Helper()
		text := fmt.Sprintf("daemon: {store: lidded.db%s}\nbenches: []\n", keys)
		cfg, err := config.Parse(filepath.Join(dir, "lidded.yaml"), []byte(text), nil)
		if err != nil {
			t.Fatal(err)
		}
		return doctor.Examine(t.Context(), doctor.Case{Config: cfg, Ask: absent, Path: "lidded.yaml", Now: at})
	}
	want(t, look("", now), "tokens", doctor.Well, "whoever is on this computer may use the daemon", "")
	want(t, look(", auth: required", now), "tokens", doctor.Fault, "nobody comes in without", "lidded token create NAME --role operate -c lidded.yaml")
	want(t, look(`, web_config: web.yaml, listen: "0.0.0.0:7460"`, now), "tokens", doctor.Fault, "nobody comes in without", "token create")
	want(t, look(", web_config: web.yaml", now), "certificate", doctor.Note, "it ends on", "put a new one in its place")
	want(t, look(", web_config: web.yaml", now.Add(2*time.Hour)), "certificate", doctor.Fault, "clients refuse the daemon", "put a new one in its place")
	want(t, look(", web_config: web.yaml", now.AddDate(0, -1, 0)), "certificate", doctor.Well, "good until", "")
	want(t, look(", web_config: none.yaml", now), "certificate", doctor.Fault, "no such file", "mend the web config")

	if _, _, err := file.Create("night", access.Operate, time.Hour, now); err != nil {
		t.Fatal(err)
	}
	want(t, look("", now), "tokens", doctor.Well, "1 in "+file.Path, "")
	want(t, look("", now.Add(2*time.Hour)), "tokens", doctor.Note, "1 of them expired", "token list")
	if err := os.Chmod(file.Path, 0o644); err != nil {
		t.Fatal(err)
	}
	want(t, look("", now), "tokens", doctor.Fault, "chmod 600", "the daemon lets nobody in")
}

// TestKeptOut: a daemon that does not let us in is no fault of the bench.
func TestKeptOut(t *testing.T) {
	refuse := func(ctx context.Context, path string, out any) error {
		if path == "/healthz" {
			return present()(ctx, path, out)
		}
		return fmt.Errorf("%w: a token is wanted", doctor.ErrRefused)
	}
	found := examine(t, refuse, filepath.Join(t.TempDir(), "lidded.db"), "tcp://127.0.0.1:1", "tcp://127.0.0.1:2")
	want(t, found, "daemon", doctor.Note, "a token is wanted", "$LIDDED_TOKEN")
	want(t, found, "bench depot", doctor.Note, "not looked at", "see above")
	for _, f := range found {
		if f.State == doctor.Fault {
			t.Errorf("%s: %s", f.About, f.Found)
		}
	}
}

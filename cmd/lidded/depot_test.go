package main

import (
	"context"
	"path/filepath"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/daemon"
	"lidded/cmd/lidded/internal/rest"
	"lidded/configs"
	"lidded/driver/virtual"
	"lidded/sweep"
)

// depot is the demonstration with few frequencies, served in this process.
type depot struct {
	*daemon.Daemon
	base  string // URL
	store string
	dir   string
}

// newDepot serves the demonstration until the test ends. edit changes its
// config, "old" to "new" in pairs.
func newDepot(t *testing.T, edit ...string) *depot {
	t.Helper()
	world, err := virtual.Preset("depot")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	bench, err := virtual.Start(ctx, virtual.Config{World: world, Seed: 1, Control: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	text := demoConfig(t)
	d := &depot{dir: t.TempDir()}
	d.store = filepath.Join(d.dir, "lidded.db")
	filled := strings.NewReplacer(append(edit, "@listen@", "127.0.0.1:0", "@store@", d.store, "count: 40", "count: 5",
		"@analyzer@", "tcp://"+bench.AnalyzerAddr(), "@source@", "tcp://"+bench.SourceAddr(), "@control@", bench.ControlAddr())...).Replace(text)
	cfg, err := config.Parse(filepath.Join(d.dir, "lidded.yaml"), []byte(filled), nil)
	if err != nil {
		t.Fatal(err)
	}
	if d.Daemon, err = daemon.Open(ctx, cfg, daemon.Options{Software: "1.2.3"}); err != nil {
		t.Fatal(err)
	}
	d.base = "http://" + d.Addr()
	served := make(chan error, 1)
	go func() { served <- d.Serve(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-served; err != nil {
			t.Error(err)
		}
		if err := bench.Close(); err != nil {
			t.Error(err)
		}
	})
	return d
}

// night runs the plan once, to its end.
func (d *depot) night(t *testing.T, specimens ...string) sweep.Run {
	t.Helper()
	run, err := d.StartWhenServing(t.Context(), rest.StartRequest{Operator: "night shift", Trigger: "test", Specimens: specimens})
	if err != nil {
		t.Fatal(err)
	}
	if run, err = d.Wait(t.Context(), run.Bench.Name, run.ID); err != nil {
		t.Fatal(err)
	}
	if run.State != sweep.Completed {
		t.Fatalf("the run ended %v: %s", run.State, run.Reason)
	}
	return run
}

// demoConfig is the demonstration's config, not filled in.
func demoConfig(t *testing.T) string {
	t.Helper()
	text, err := configs.FS.ReadFile("benches/depot-demo.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

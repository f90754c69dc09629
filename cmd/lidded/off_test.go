package main

import (
	"bufio"
	"bytes"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lidded/driver/virtual"
)

// offBench is a virtual bench whose source somebody left on, and a config for it.
func offBench(t *testing.T) (*virtual.Bench, string) {
	t.Helper()
	world, err := virtual.Preset("depot")
	if err != nil {
		t.Fatal(err)
	}
	traits, err := virtual.TraitPreset("source-scpi")
	if err != nil {
		t.Fatal(err)
	}
	traits.MaxClients = 1
	b, err := virtual.Start(t.Context(), virtual.Config{World: world, Source: virtual.InstrumentConfig{Traits: traits}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	conn, err := net.Dial("tcp", b.SourceAddr())
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprintln(conn, "FREQ 100 MHZ;:OUTP ON;:OUTP?")
	if reply, err := bufio.NewReader(conn).ReadString('\n'); err != nil || strings.TrimSpace(reply) != "1" {
		t.Fatalf("%q %v", reply, err)
	}
	conn.Close()
	path := filepath.Join(t.TempDir(), "lidded.yaml")
	text := strings.NewReplacer("tcp://127.0.0.1:1", "tcp://"+b.AnalyzerAddr(), "tcp://127.0.0.1:2", "tcp://"+b.SourceAddr(),
		"hold_points: rule", "", "schedules:", "# ").Replace(goodConfig)
	if err := os.WriteFile(path, []byte("daemon: {listen: \""+freePort(t)+"\"}\n"+text), 0o600); err != nil {
		t.Fatal(err)
	}
	return b, path
}

func TestOffWithoutADaemon(t *testing.T) {
	b, config := offBench(t)
	var stdout, stderr bytes.Buffer
	if code := run(t.Context(), []string{"off", "--config", config}, &stdout, &stderr); code != exitOK {
		t.Fatalf("exit code %d: %s", code, stderr.String())
	}
	if b.SourceOn() {
		t.Error("the source is on")
	}
	if want := "bench depot: source off, read back here: no daemon answered\n"; stdout.String() != want {
		t.Errorf("%q, want %q", stdout.String(), want)
	}
}

// A fault on the way is tried again, not taken for success.
func TestOffTriesAgain(t *testing.T) {
	b, config := offBench(t)
	if err := b.Fault(virtual.RoleSource, virtual.Fault{Kind: virtual.FaultDrop, Count: 2}); err != nil {
		t.Fatal(err)
	}
	var stdout, stderr bytes.Buffer
	if code := run(t.Context(), []string{"off", "--config", config}, &stdout, &stderr); code != exitOK {
		t.Fatalf("exit code %d: %s", code, stderr.String())
	}
	if b.SourceOn() {
		t.Error("the source is on")
	}
}

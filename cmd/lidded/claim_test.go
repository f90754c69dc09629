package main

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/daemon"
)

// TestOneDaemonToABench: a second daemon with a store of its own, but the same
// source or analyzer, is refused, however its address is written; once the first
// has ended it is not.
func TestOneDaemonToABench(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("claims need abstract sockets")
	}
	d := newDepot(t)
	own := d.Lab().Config.Benches[0]
	for _, c := range []struct {
		name             string
		source, analyzer string
		role             string // of what is taken; empty: nothing
	}{
		{"both", own.Source.Address, own.Analyzer.Address, "source"},
		{"the source, written otherwise", strings.Replace(own.Source.Address, "tcp://127.0.0.1", "TCP://LocalHost", 1), "tcp://127.0.0.1:1", "source"},
		{"the analyzer", "tcp://127.0.0.1:1", own.Analyzer.Address, "analyzer"},
		{"the analyzer as a source", own.Analyzer.Address, "tcp://127.0.0.1:1", "source"},
		{"neither", "tcp://127.0.0.1:1", "tcp://127.0.0.1:2", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			cfg := *d.Lab().Config
			bench := own
			bench.Source.Address, bench.Analyzer.Address = c.source, c.analyzer
			cfg.Benches = append(cfg.Benches[:0:0], bench)
			cfg.Daemon.Store = filepath.Join(t.TempDir(), "other.db")
			second, err := daemon.Open(t.Context(), &cfg, daemon.Options{})
			if err == nil {
				err = second.Close()
				if c.role != "" || err != nil {
					t.Errorf("opened, %v", err)
				}
				return
			}
			address := map[string]string{"source": c.source, "analyzer": c.analyzer}[c.role]
			want := fmt.Sprintf("bench depot: process %d runs the %s %s: stop it first, or take the bench out of one of the two configs: an instrument has one daemon", os.Getpid(), c.role, address)
			if err.Error() != want {
				t.Errorf("got  %v\nwant %s", err, want)
			}
		})
	}
}

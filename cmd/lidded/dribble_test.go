package main

import (
	"io"
	"net"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"lidded/driver/virtual"
)

// dribbler stands before an instrument. Once it is told, what the instrument says
// on the connections there are goes nowhere, and a byte comes now and then
// instead, each before the time-out between two pieces.
type dribbler struct {
	address string
	on      atomic.Bool
}

func newDribbler(t *testing.T, to string) *dribbler {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { ln.Close() })
	d := &dribbler{address: ln.Addr().String()}
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			go d.carry(c, to, d.on.Load())
		}
	}()
	return d
}

func (d *dribbler) carry(c net.Conn, to string, later bool) {
	defer c.Close()
	in, err := net.Dial("tcp", to)
	if err != nil {
		return
	}
	defer in.Close()
	go func() {
		_, _ = io.Copy(in, c)
		c.Close()
		in.Close()
	}()
	b := make([]byte, 4096)
	for {
		n, err := in.Read(b)
		if err != nil {
			return
		}
		if d.on.Load() && !later {
			tick := time.NewTicker(700 * time.Millisecond)
			defer tick.Stop()
			for ; err == nil; <-tick.C {
				_, err = c.Write([]byte("1"))
			}
			return
		}
		if _, err := c.Write(b[:n]); err != nil {
			return
		}
	}
}

// TestDribblerLeavesTheSourceOff: an instrument that sends a byte now and then
// for ever keeps no source on, though nobody stated a limit and nobody asks.
func TestDribblerLeavesTheSourceOff(t *testing.T) {
	for _, role := range []virtual.Role{virtual.RoleAnalyzer, virtual.RoleSource} {
		t.Run(role.String(), func(t *testing.T) {
			t.Parallel()
			a := newAssault(t, "source-scpi", 0)
			address := a.bench.AnalyzerAddr()
			if role == virtual.RoleSource {
				address = a.bench.SourceAddr()
			}
			d := newDribbler(t, address)
			text, err := os.ReadFile(a.config)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(a.config, []byte(strings.Replace(string(text), address, d.address, 1)), 0o600); err != nil {
				t.Fatal(err)
			}
			a.serve()
			a.begin()
			if !a.poll(20*time.Second, 200*time.Microsecond, a.bench.SourceOn) {
				t.Fatal("the source is never on")
			}
			d.on.Store(true)
			a.wait(55*time.Second, "end of the source's transmission", func() bool { return !a.bench.SourceOn() })
			var most time.Duration
			for _, k := range a.bench.Ledger() {
				most = max(most, k.Off.Sub(k.On))
			}
			t.Logf("on for %v at the longest", most.Round(time.Millisecond))
			_ = a.cmd.Process.Kill()
			<-a.exited
		})
	}
}

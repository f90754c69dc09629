package main

import (
	"net/http"
	"slices"
	"syscall"
	"testing"
	"time"

	"lidded/driver/virtual"
)

// How often each fault is tried; more by the environment.
const ordersVariable, fewOrders = "LIDDED_ORDERS", 1

// TestSourceOffWhateverHangs: the daemon, a process of its own, is told to switch
// off by REST while an instrument hangs. It answers that the source is off, and
// it is, by the virtual source's own ledger; then the daemon ends as it should.
func TestSourceOffWhateverHangs(t *testing.T) {
	forever := func(k virtual.Kind, match string) virtual.Fault {
		return virtual.Fault{Kind: k, Match: match, Count: -1}
	}
	for _, c := range []struct {
		name    string
		clients int // of the source
		role    virtual.Role
		fault   virtual.Fault
		keyed   bool // the order comes while it transmits
	}{
		{"nothing hangs", 0, virtual.RoleAnalyzer, virtual.Fault{}, true},
		{"the analyzer never answers", 0, virtual.RoleAnalyzer, forever(virtual.FaultStall, ""), true},
		{"the analyzer never answers, source with one connection", 1, virtual.RoleAnalyzer, forever(virtual.FaultStall, ""), true},
		{"the analyzer goes away for long", 0, virtual.RoleAnalyzer, virtual.Fault{Kind: virtual.FaultRefuse, Delay: time.Hour, Count: 1}, true},
		{"an answer of the source stalls", 0, virtual.RoleSource, virtual.Fault{Kind: virtual.FaultStall, Match: "OUTP?", Count: 1}, true},
		{"an answer of the source stalls, source with one connection", 1, virtual.RoleSource, virtual.Fault{Kind: virtual.FaultStall, Match: "OUTP?", Count: 1}, true},
		{"idle, the analyzer never answers", 0, virtual.RoleAnalyzer, forever(virtual.FaultStall, ""), false},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := newAssault(t, "source-scpi", c.clients)
			var took []time.Duration
			for range times(t, ordersVariable, fewOrders) {
				a.serve()
				if c.keyed {
					a.begin()
				}
				if c.fault.Kind != virtual.FaultUnknown {
					if c.keyed && !a.poll(20*time.Second, 200*time.Microsecond, a.bench.SourceOn) {
						t.Fatal("the source is never on")
					}
					if err := a.bench.Fault(c.role, c.fault); err != nil {
						t.Fatal(err)
					}
				}
				settled := time.NewTimer(300 * time.Millisecond) // let it hang
				<-settled.C
				begun := time.Now()
				a.call(http.MethodPost, "/v1/source-off", nil) // an error is fatal
				took = append(took, time.Since(begun))
				if a.bench.SourceOn() {
					t.Error("the source is on after it was said to be off")
				}
				if err := a.bench.CalmDown(c.role); err != nil {
					t.Fatal(err)
				}
				if err := a.cmd.Process.Signal(syscall.SIGTERM); err != nil {
					t.Fatal(err)
				}
				select {
				case <-a.exited:
				case <-time.After(60 * time.Second):
					t.Fatal("the daemon does not end")
				}
				if c.fault.Kind == virtual.FaultRefuse {
					break // it stays away
				}
			}
			slices.Sort(took)
			t.Logf("answered %d times, after %v (median), %v (longest)", len(took), took[len(took)/2].Round(time.Millisecond), took[len(took)-1].Round(time.Millisecond))
		})
	}
}

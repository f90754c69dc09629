package drivertest

import (
	"context"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
)

// Fault is something that goes wrong with an instrument or its link.
type Fault uint8

// The faults the suites ask for.
const (
	FaultUnknown Fault = iota
	Drop               // the link is cut instead of carrying out a command
	DropMid            // the link is cut in the middle of a reply
	Stall              // a command is carried out and never answered
	Late               // a reply comes after the time-out
	Truncate           // half a reply comes
	Garbage            // random bytes come instead of a reply
	Restart            // the instrument loses power and comes back
)

// String names the fault.
func (f Fault) String() string {
	return [...]string{"unknown", "drop", "drop-mid", "stall", "late", "truncate", "garbage", "restart"}[f]
}

// Faults lists every fault.
func Faults() []Fault {
	return []Fault{Drop, DropMid, Stall, Late, Truncate, Garbage, Restart}
}

// allowed says which kinds a fault may show as.
func (f Fault) allowed() []driver.Kind {
	switch f {
	case Drop, DropMid, Restart:
		return []driver.Kind{driver.KindClosed, driver.KindTimeout, driver.KindBusy, driver.KindFraming, driver.KindPowerCycled}
	case Garbage:
		return []driver.Kind{driver.KindFraming, driver.KindFormat, driver.KindTimeout, driver.KindBusy, driver.KindReadback, driver.KindClosed, driver.KindIdentity}
	}
	return []driver.Kind{driver.KindTimeout, driver.KindBusy, driver.KindFraming, driver.KindClosed}
}

// AnalyzerRig is an analyzer under test and the hands that move the truth
// around it.
type AnalyzerRig struct {
	Open func(ctx context.Context) (driver.Analyzer, error)

	// Carrier puts a carrier on the analyzer's input, or takes it away.
	Carrier func(t *testing.T, f unit.Hz, p unit.DBm, on bool)

	// Pass lets instrument time pass, for held sweeps.
	Pass func(d time.Duration)

	// Fault makes the fault strike at the next command.
	Fault func(t *testing.T, f Fault)

	// Gone takes the link away for good and brings it back, as a lid does; nil
	// if the rig cannot.
	Gone, Back func(t *testing.T)

	// Detectors and Frequency suit the instrument; Settings are changed from a
	// base of 1 MHz span and 30 kHz RBW.
	Detectors []driver.Detector
	Frequency unit.Hz

	// Points is a number of points the instrument can be set to; 0: leave it.
	Points int

	// MayRestart is true when a restart can be told from a lost link.
	MayRestart bool
}

// SourceRig is a source under test and the truth about it.
type SourceRig struct {
	Open  func(ctx context.Context) (driver.Source, error)
	Truth func() (f unit.Hz, p unit.DBm, on bool)
	Fault func(t *testing.T, f Fault)
}

// limitTime bounds one test of a suite; it is no measurement of speed.
const limitTime = 60 * time.Second

func patience(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), limitTime)
	t.Cleanup(cancel)
	return ctx
}

func isOneOf(k driver.Kind, kinds []driver.Kind) bool {
	for _, x := range kinds {
		if x == k {
			return true
		}
	}
	return false
}

func checkKind(t *testing.T, f Fault, err error) {
	t.Helper()
	if k := driver.KindOf(err); !isOneOf(k, f.allowed()) {
		t.Errorf("a %s shows as kind %v: %v", f, k, err)
	}
}

// recoverSoon calls Recover until it works, as an engine does.
func recoverSoon(ctx context.Context, t *testing.T, i driver.Instrument) {
	t.Helper()
	for range 3 {
		err := i.Recover(ctx)
		if err == nil {
			return
		}
		if !driver.Retryable(err) {
			t.Fatalf("recover: %v", err)
		}
		t.Log("recover again:", err)
	}
	t.Fatal("no recovery in three tries")
}

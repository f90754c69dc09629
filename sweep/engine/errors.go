package engine

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"lidded/driver"
	"lidded/sweep"
)

// ErrNotServing is given while nobody runs the bench: Serve has not begun or
// has ended.
var ErrNotServing = errors.New("the bench is not being served: the daemon is starting or ending")

// BusyError is a bench occupied by a run.
type BusyError struct {
	Bench string
	Run   sweep.RunID
}

func (e *BusyError) Error() string {
	return fmt.Sprintf("bench %s is busy with run %s: wait for its end, or stop it", e.Bench, e.Run)
}

// RefusedError is a request that cannot or may not be done, with every reason.
// Nothing was keyed or stored.
type RefusedError struct {
	What     string // "plan night on bench depot"
	Problems []sweep.Problem
}

func (e *RefusedError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s is refused", e.What)
	for i, p := range e.Problems {
		if i == 0 {
			b.WriteString(": ")
		} else {
			b.WriteString("; ")
		}
		b.WriteString(p.Error())
	}
	return b.String()
}

// DownError is an instrument that cannot be reached.
type DownError struct {
	Bench string
	Role  Role
	Err   error
}

func (e *DownError) Error() string {
	return fmt.Sprintf("bench %s: the %v cannot be reached: %v", e.Bench, e.Role, e.Err)
}

func (e *DownError) Unwrap() error { return e.Err }

// OtherRunError is a request for a run of another bench.
type OtherRunError struct {
	Run    sweep.RunID
	Bench  string // asked
	Belong string // where the run belongs
}

func (e *OtherRunError) Error() string {
	return fmt.Sprintf("run %s belongs to bench %s, not to %s", e.Run, e.Belong, e.Bench)
}

// HoldError is a release of another hold point than the one that waits.
type HoldError struct {
	Run     sweep.RunID
	Asked   int
	Waiting sweep.Step
}

func (e *HoldError) Error() string {
	return fmt.Sprintf("run %s: hold point %d does not wait; step %d does: %s", e.Run, e.Asked, e.Waiting.Index, e.Waiting.Instruction)
}

// IdentityError is a run to be resumed on other instruments than it began with.
type IdentityError struct {
	Run  sweep.RunID
	Role Role
	Was  driver.Identity
	Is   driver.Identity
}

func (e *IdentityError) Error() string {
	return fmt.Sprintf("run %s began with the %v %q, now %q answers: connect the first again, or start a new run", e.Run, e.Role, e.Was, e.Is)
}

// Role names one of the two instruments of a bench.
type Role uint8

// Roles.
const (
	RoleUnknown Role = iota
	RoleAnalyzer
	RoleSource
)

// String gives the role in words.
func (r Role) String() string {
	switch r {
	case RoleAnalyzer:
		return "analyzer"
	case RoleSource:
		return "source"
	}
	return "unknown"
}

// fault is what went wrong with one instrument.
type fault struct {
	role Role
	err  error
}

func (f *fault) Error() string { return fmt.Sprintf("%v: %v", f.role, f.err) }
func (f *fault) Unwrap() error { return f.err }

// again reports whether the same may succeed on a link set up afresh. A plain
// error says nothing about itself and gets the benefit of the doubt.
func (f *fault) again() bool {
	switch driver.KindOf(f.err) {
	case driver.KindUnknown, driver.KindCancelled:
		return true
	}
	return driver.Retryable(f.err)
}

func wrong(role Role, err error) error {
	if err == nil {
		return nil
	}
	return &fault{role, err}
}

// voidError means that there is no valid capture at a point, and trying again
// would not change it.
type voidError struct{ reason string }

func (e *voidError) Error() string { return e.reason }

func voidf(format string, args ...any) error { return &voidError{fmt.Sprintf(format, args...)} }

// ruleError ends the run.
type ruleError struct {
	rule string
	err  error
}

func (e *ruleError) Error() string { return e.rule + ": " + e.err.Error() }
func (e *ruleError) Unwrap() error { return e.err }

// The rules by which a run ends early, as its reason names them.
const (
	ruleJournal    = "the journal cannot be written"
	ruleSourceOff  = "the source cannot be confirmed off"
	ruleReadback   = "the source's state reads back wrong"
	rulePermission = "not permitted to transmit"
	ruleKeyedLong  = "the source was on for longer than allowed"
	ruleOrdered    = "the source was ordered off"
	ruleGuardian   = "nobody stands by to switch the source off"
	ruleLinkDown   = "an instrument stayed away"
	ruleWaited     = "a condition of the bench did not clear"
	ruleIdentity   = "another instrument answers"
	ruleVoids      = "too many void points in a row"
	ruleHands      = "a hold point cannot be released by rule"
	ruleSealed     = "the armed sweep cannot tell the points apart"
	ruleInternal   = "a fault of this program"
)

// errEnding is the cause with which work is cut when a run ends.
var errEnding = errors.New("the run is ending")

// durable is a context that the cancellation of ctx does not reach.
func (b *Bench) durable(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(context.WithoutCancel(ctx), b.rules.JournalTimeout)
}

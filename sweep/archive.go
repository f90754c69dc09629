package sweep

import (
	"context"
	"errors"
	"iter"
	"time"
)

// ErrNoCapture is given for a capture that is not in the archive.
var ErrNoCapture = errors.New("no such capture")

// Archive reads what a Journal has kept. Lists come in the order in which
// things were stored, never by the clock, which may step backwards.
type Archive interface {
	// Run gives one run with its snapshot; ErrNoRun if there is none.
	Run(ctx context.Context, id RunID) (Run, error)
	// RunByKey finds a run by the idempotency key of its trigger; ErrNoRun.
	RunByKey(ctx context.Context, bench, key string) (Run, error)
	// Runs lists runs, newest first.
	Runs(ctx context.Context, f RunFilter) ([]RunInfo, error)
	// LatestRuns gives, for each specimen of the bench, the newest completed or
	// stopped run that captured it enclosed, by name of the specimen. An empty
	// bench or specimen means all.
	LatestRuns(ctx context.Context, bench, specimen string) ([]SpecimenRun, error)
	// LastSuccess gives the newest completed run of the plan, imports apart; an
	// empty plan means any. ErrNoRun if there is none.
	LastSuccess(ctx context.Context, bench, plan string) (RunInfo, error)

	// Captures gives a run's captures with their traces, in order of Seq.
	Captures(ctx context.Context, id RunID) ([]Capture, error)
	// EachCapture is Captures one by one, for runs too large to hold; the
	// sequence ends after the first error.
	EachCapture(ctx context.Context, id RunID) iter.Seq2[Capture, error]
	// CaptureList gives a run's captures without their looks, in order of Seq.
	CaptureList(ctx context.Context, id RunID, f CaptureFilter) ([]Capture, error)
	// Capture gives one capture with its traces; ErrNoCapture.
	Capture(ctx context.Context, id string) (Capture, error)

	// Events gives events after the number given, oldest first, at most limit
	// (none or negative: all). An empty run means all runs.
	Events(ctx context.Context, run RunID, after int64, limit int) ([]Event, error)
	// Keyings gives entries of the transmission ledger, oldest first.
	Keyings(ctx context.Context, f KeyingFilter) ([]Keying, error)
}

// RunFilter chooses runs; empty fields choose all.
type RunFilter struct {
	Bench    string
	Plan     string
	Specimen string
	State    State
	Before   RunID // only runs stored before this one: the last of the page before
	Limit    int   // none or negative: all
}

// RunInfo is a line in a list of runs: a Run without its snapshot.
type RunInfo struct {
	ID         RunID      `json:"id"`
	Bench      string     `json:"bench"`
	Plan       string     `json:"plan"`
	Specimens  []string   `json:"specimens"`
	Operator   string     `json:"operator,omitempty"`
	DoorCycle  *int64     `json:"door_cycle,omitempty"`
	Trigger    string     `json:"trigger"`
	Key        string     `json:"key,omitempty"`
	Software   string     `json:"software"`
	HandRead   bool       `json:"hand_read"`
	Created    time.Time  `json:"created"`           // UTC
	Started    *time.Time `json:"started,omitempty"` // UTC
	Ended      *time.Time `json:"ended,omitempty"`   // UTC
	State      State      `json:"state"`
	Reason     string     `json:"reason,omitempty"`
	Checkpoint Checkpoint `json:"checkpoint"`
	Captures   int        `json:"captures"` // committed so far
}

// SpecimenRun is the newest run that says something about a specimen.
type SpecimenRun struct {
	Specimen string  `json:"specimen"`
	Run      RunInfo `json:"run"`
}

// CaptureFilter chooses captures of a run; empty fields choose all.
type CaptureFilter struct {
	Kind     StepKind
	Specimen string
	After    int // only captures with a higher Seq
	Limit    int // none or negative: all
}

// KeyingFilter chooses entries of the transmission ledger; empty fields choose all.
type KeyingFilter struct {
	Run      RunID
	Bench    string
	From, To time.Time // keyed on at or after From, before To
	Open     bool      // only entries without an end
	After    int64     // only entries with a higher number
	Limit    int       // none or negative: all
}

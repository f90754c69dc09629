package sweep

import (
	"context"
	"errors"
	"time"
)

// Errors the ports give; test with errors.Is.
var (
	ErrNoRun    = errors.New("no such run")
	ErrConflict = errors.New("conflict")
)

// Journal keeps runs. It is append-only: what was captured is never rewritten.
// Each method is one transaction, durable when it returns.
type Journal interface {
	// Create stores a new run. A run with the same non-empty Key on the same
	// bench is ErrConflict.
	Create(ctx context.Context, r Run) error
	// Begin notes identities and the starting time.
	Begin(ctx context.Context, r Run) error
	// Transition appends a state event and makes it the run's state; a final
	// state also ends the run.
	Transition(ctx context.Context, id RunID, at time.Time, to State, reason, who string) error
	// Commit appends captures and moves the checkpoint, together. Seq numbers
	// are given here.
	Commit(ctx context.Context, id RunID, next Checkpoint, captures ...Capture) error
	// Note appends an event that changes nothing.
	Note(ctx context.Context, e Event) error
	// KeyOn opens a ledger entry before the source is keyed and returns its
	// number; KeyOff closes it. An entry left open shows a crash while keyed.
	KeyOn(ctx context.Context, k Keying) (int64, error)
	KeyOff(ctx context.Context, entry int64, off time.Time, notConfirmed string) error
	// Run and Captures read back.
	Run(ctx context.Context, id RunID) (Run, error)
	Captures(ctx context.Context, id RunID) ([]Capture, error)
	// Unfinished lists runs in a state that is neither final nor Interrupted.
	Unfinished(ctx context.Context) ([]Run, error)
}

// Observer is told what happens, as it happens. It must not block: a slow
// listener loses events, never time of the sweep.
type Observer interface {
	Observe(Progress)
}

// Progress is a live picture of a run: enough to draw it, never needed to
// resume it.
type Progress struct {
	Run      RunID         `json:"run"`
	Bench    string        `json:"bench"`
	Plan     string        `json:"plan"`
	Time     time.Time     `json:"time"`
	Kind     string        `json:"kind"` // state, step, point, hold, source, link, note
	State    State         `json:"state"`
	Step     int           `json:"step"`
	Steps    int           `json:"steps"`
	StepKind StepKind      `json:"step_kind"`
	At       Setting       `json:"at"`
	Point    int           `json:"point"`
	Points   int           `json:"points"`
	Done     int           `json:"done"`            // captures committed
	Total    int           `json:"total"`           // captures planned
	Left     time.Duration `json:"left_ns"`         // at the pace so far
	Planned  time.Duration `json:"left_by_plan_ns"` // the plan's own estimate for the same work
	SourceOn bool          `json:"source_on"`
	Hold     *Step         `json:"hold,omitempty"`    // the hold point that waits
	Capture  *Capture      `json:"capture,omitempty"` // the one just committed
	Text     string        `json:"text,omitempty"`
	Analyzer bool          `json:"analyzer_up"`
	SourceUp bool          `json:"source_up"`
}

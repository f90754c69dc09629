package sweep

import (
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep/requirement"
)

// RunID names a run: a UUID version 7 (RFC 9562), unique everywhere and
// ordered by time.
type RunID string

// State of a run.
type State uint8

// States. Completed, Stopped, Aborted and Failed are final; Interrupted can be
// resumed.
const (
	StateUnknown State = iota
	Pending            // accepted, not begun
	Running            // capturing
	Holding            // a hold point waits for release
	Suspended          // a condition of the bench (link down, …) is waited out
	Stopping           // stop asked; the point in hand is finished
	Completed          // every step done
	Stopped            // ended by the operator after a point; what was captured counts
	Aborted            // ended by the operator at once
	Failed             // ended by a stated rule or fault
	Interrupted        // the daemon went away; can be resumed
)

// StepKind is what a step of a run does.
type StepKind uint8

// Kinds of step.
const (
	StepUnknown StepKind = iota
	HoldPoint            // work stops until somebody confirms the instruction
	Ambient              // source off, no shield
	Reference            // source on, no shield
	Enclosed             // through the shield
	Closing              // the reference again
	Leakage              // the receiver terminated or the source loaded, source on: what goes round the specimen
	Linearity            // the reference lowered by a known step
)

// Setting is where a capture was made.
type Setting struct {
	Specimen     string       `json:"specimen,omitempty"` // empty: no shield
	Position     string       `json:"position"`
	Polarization Polarization `json:"polarization"`
	Repeat       int          `json:"repeat"` // from 1
}

// Step is one stage of a run. The list of steps is data, made by Steps from
// the plan, so that it can be printed, timed and checked without hardware.
type Step struct {
	Index       int      `json:"index"`
	Kind        StepKind `json:"kind"`
	At          Setting  `json:"at"`
	Instruction string   `json:"instruction,omitempty"` // hold points: what to do
	Cautions    []string `json:"cautions,omitempty"`    // hold points
	// For a sealed capture, hold points close and open the lid around it.
	Lid LidMove `json:"lid,omitempty"`
	// Fitting is what stands in the path during the captures that follow a hold
	// point, and during a capture itself.
	Fitting Fitting `json:"fitting,omitempty"`
	Lower   unit.DB `json:"lower_db,omitempty"` // linearity: the known step
	Only    []int   `json:"only,omitempty"`     // points captured; empty: all
}

// Captures returns the points that the step captures, in order.
func (s Step) Captures(p Plan) []int {
	switch {
	case s.Kind == HoldPoint:
		return nil
	case len(s.Only) > 0:
		return s.Only
	}
	all := make([]int, len(p.Points))
	for i := range all {
		all[i] = i
	}
	return all
}

// Fitting is what stands in the path between source and receiver for a check.
type Fitting uint8

// Fittings.
const (
	FittedAsUsed       Fitting = iota // antennas and cables as for reference and enclosures
	ReceiverTerminated                // a load instead of the receiving antenna, at the end of its cable
	SourceLoaded                      // a load instead of the transmitting antenna, at the end of its cable
	StepAttenuator                    // the stated attenuator between receiving antenna and analyzer
	SourceLowered                     // nothing is fitted: the source's level is set lower
)

// LidMove is what a hold point of a sealed capture does with the lid.
type LidMove uint8

// Lid moves.
const (
	LidStays LidMove = iota
	LidCloses
	LidOpens
)

// Checkpoint is where a run stands: the next point to capture.
type Checkpoint struct {
	Step  int `json:"step"`
	Point int `json:"point"`
}

// Run is one execution of a plan on a bench, with a snapshot of all it depends on.
type Run struct {
	ID         RunID             `json:"id"`
	Plan       Plan              `json:"plan"`
	Bench      Bench             `json:"bench"`
	Specimens  []Specimen        `json:"specimens"`
	Line       *requirement.Line `json:"requirement,omitempty"` // snapshot of the requirement line
	Steps      []Step            `json:"steps"`
	Operator   string            `json:"operator,omitempty"`
	DoorCycle  *int64            `json:"door_cycle,omitempty"` // how often the specimens' doors had been closed, as stated at the start
	Trigger    string            `json:"trigger"`              // "cli", "rest", "schedule nightly", "import"
	Key        string            `json:"key,omitempty"`        // idempotency key of the trigger
	Software   string            `json:"software"`             // version of lidded
	Analyzer   driver.Identity   `json:"analyzer"`             // as identified at the start
	Source     driver.Identity   `json:"source"`               // as identified at the start
	HandRead   bool              `json:"hand_read"`            // levels were read by hand and imported
	Predicted  time.Duration     `json:"predicted_ns"`         // the plan's estimate
	Created    time.Time         `json:"created"`              // UTC
	Started    *time.Time        `json:"started,omitempty"`    // UTC
	Ended      *time.Time        `json:"ended,omitempty"`      // UTC
	State      State             `json:"state"`
	Reason     string            `json:"reason,omitempty"` // why it stopped, failed, holds or is suspended
	Checkpoint Checkpoint        `json:"checkpoint"`
}

// Began is when the run began, or was made where it has not.
func (r Run) Began() time.Time { return began(r.Started, r.Created) }

// Began is when the run began, or was made where it has not.
func (r RunInfo) Began() time.Time { return began(r.Started, r.Created) }

func began(started *time.Time, created time.Time) time.Time {
	if started != nil {
		return *started
	}
	return created
}

// Look is one trace of a point with the source on or off.
type Look struct {
	SourceOn bool         `json:"source_on"`
	Trace    driver.Trace `json:"trace"`
}

// WholeTrace is the Point of a capture that keeps the whole held trace of a
// sealed step; the points' own captures keep the part around their frequency.
const WholeTrace = -1

// Capture is what was taken at one point of one step: raw traces, settings as
// read back, times. It is written once and never changed.
type Capture struct {
	ID          string          `json:"id"` // UUID version 7
	Run         RunID           `json:"run"`
	Seq         int             `json:"seq"` // from 1, in order of commitment
	Step        int             `json:"step"`
	Kind        StepKind        `json:"kind"`
	At          Setting         `json:"at"`
	Point       int             `json:"point"` // index in the plan, or WholeTrace
	Freq        unit.Hz         `json:"freq_hz"`
	Rung        int             `json:"rung,omitempty"`             // later rungs of a point are narrower or longer looks at it
	SourceFreq  unit.Hz         `json:"source_freq_hz,omitempty"`   // as read back
	SourceLevel *unit.DBm       `json:"source_level_dbm,omitempty"` // as read back
	Settings    driver.Settings `json:"settings"`                   // as read back
	Looks       []Look          `json:"looks"`
	HoldSweeps  int             `json:"hold_sweeps,omitempty"` // sealed: whole sweeps that saw the step
	HeldSweeps  int             `json:"held_sweeps,omitempty"` // sealed: whole sweeps the trace was held over
	HandLevel   *unit.DBm       `json:"hand_level_dbm,omitempty"`
	HandNoise   *unit.DBm       `json:"hand_noise_dbm,omitempty"`
	Overload    bool            `json:"overload,omitempty"`
	Void        string          `json:"void,omitempty"` // not empty: no valid capture, and why
	Begun       time.Time       `json:"begun"`          // UTC
	Took        time.Duration   `json:"took_ns"`
	Nominal     time.Duration   `json:"nominal_ns,omitempty"` // analyzer time by its own sweep time
}

// Event is one line of a run's journal, append-only.
type Event struct {
	Run   RunID     `json:"run"`
	Seq   int64     `json:"seq"` // per store, rising
	Time  time.Time `json:"time"`
	Kind  string    `json:"kind"` // state, hold, release, step, point, keying, note, fault
	State State     `json:"state,omitempty"`
	Step  int       `json:"step"`
	Point int       `json:"point"`
	Text  string    `json:"text,omitempty"`
	Who   string    `json:"who,omitempty"`
	Extra any       `json:"extra,omitempty"`
}

// Keying is one entry of the transmission ledger, append-only.
type Keying struct {
	Entry  int64     `json:"entry"` // number in the ledger, given by the journal
	Run    RunID     `json:"run"`
	Step   int       `json:"step"`
	Point  int       `json:"point"`
	Freq   unit.Hz   `json:"freq_hz"`
	Level  unit.DBm  `json:"level_dbm"`
	On     time.Time `json:"on"`
	Off    time.Time `json:"off"`
	OffNot string    `json:"off_not_confirmed,omitempty"` // why off could not be confirmed
}

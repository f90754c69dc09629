package rest

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"lidded/driver"
	"lidded/driver/link"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

// Benches shows the benches as they are now and makes them safe.
type Benches interface {
	// All lists the benches, in the order of the config.
	All(ctx context.Context) ([]BenchNow, error)
	// SourceOff puts a bench's source into its safe state and returns when it
	// was read back as off. It works whatever else the bench is doing; a run in
	// progress ends as failed or aborted.
	SourceOff(ctx context.Context, bench, who string) error
	// Exchanges gives what was last said to and by a bench's instruments.
	Exchanges(ctx context.Context, bench string) (Talks, error)
}

// Talks are the last exchanges with both instruments of a bench, oldest first.
type Talks struct{ Analyzer, Source []link.Exchange }

// Upkeep knows what keeps a daemon going.
type Upkeep interface {
	// Schedules lists the schedules, in the order of the config.
	Schedules(ctx context.Context) ([]ScheduleNow, error)
	// Daemon tells how the daemon itself stands.
	Daemon(ctx context.Context) (DaemonNow, error)
}

// ScheduleNow is a schedule and what became of it.
type ScheduleNow struct {
	Name, Bench, Plan string
	Specimens         []string // none: all of the config
	Cron, Zone        string
	CatchUp           bool           // a missed run is made up for once
	Next              time.Time      // zero: never
	Last              *sweep.RunInfo // the last run it started; nil: none
	Missed            time.Time      // when a run was last due and did not begin; zero: none known
	MissedWhy         string
}

// DaemonNow is the daemon as it is now. A negative number of bytes is not known.
type DaemonNow struct {
	Started              time.Time
	DiskFree, StoreBytes int64
	Guardians            []GuardianNow // per bench, in the order of the config
	Lab                  bool          // it is a lab server
	Daemons              []OtherDaemon // of a lab server, in the order of the config
}

// GuardianNow is the process that stands by for a bench.
type GuardianNow struct {
	Bench string
	State string // "standing by", "away" or "none"
}

// Briefs remembers in short what many runs found.
type Briefs interface {
	// Of gives, for each run, what it found of the specimen, or why that cannot be
	// had; neither where it is not worked out by the time the context ends.
	Of(ctx context.Context, specimen string, runs []sweep.RunInfo) []BriefOrWhy
}

// BriefOrWhy is what a run found, or why that cannot be had.
type BriefOrWhy struct {
	*sweep.Brief
	Err error
}

// BenchNow is a bench and its present state.
type BenchNow struct {
	Bench    sweep.Bench
	Analyzer InstrumentNow
	Source   InstrumentNow
	SourceOn *bool           // nil: not known
	Run      *sweep.Progress // the run that occupies the bench; nil when it is idle
}

// InstrumentNow is an instrument and the state of its link.
type InstrumentNow struct {
	Dialect  string
	Up       bool
	Identity driver.Identity // as last identified
	Since    time.Time       // when it came up or went down; zero: not known
	Fault    string          // why it is down
}

// Plans knows the frequency plans of the config.
type Plans interface {
	// All lists the plans, in the order of the config.
	All(ctx context.Context) ([]PlanEntry, error)
	// On compiles a plan for a bench and tells what running it there would
	// take. What the bench refuses is in Refusals, not an error.
	On(ctx context.Context, plan, bench string, specimens []string) (PlanOn, error)
}

// Specimens knows what is tested.
type Specimens interface {
	// Specimens lists the specimens: of a config in its order, of records by name.
	Specimens(ctx context.Context) ([]sweep.Specimen, error)
}

// PlanEntry is a plan in a listing.
type PlanEntry struct {
	Name        string
	About       string
	Capture     sweep.CaptureMode
	Points      int
	Requirement string
}

// PlanOn is a plan as a bench would run it.
type PlanOn struct {
	Plan      sweep.Plan
	Bench     string
	Specimens []string
	Steps     []sweep.Step
	Line      *requirement.Line // nil: the plan asks for nothing
	Estimate  sweep.Estimate
	Refusals  []sweep.Problem // why the bench will not run it; empty: it will
	Warnings  []string
}

// Runs starts and steers runs. A method that steers returns as soon as the
// order is taken, not when it is carried out.
type Runs interface {
	// Start begins a run, or returns, with reused true, the one that an earlier
	// request with the same key had started on the bench.
	Start(ctx context.Context, req StartRequest) (run sweep.Run, reused bool, err error)
	Stop(ctx context.Context, id sweep.RunID, who string) error
	Abort(ctx context.Context, id sweep.RunID, who string) error
	Resume(ctx context.Context, id sweep.RunID, who string) error
	// Release confirms the hold point at a step.
	Release(ctx context.Context, id sweep.RunID, step int, who string) error
}

// StartRequest asks for a run.
type StartRequest struct {
	Bench     string
	Plan      string
	Specimens []string // none: all of the config
	Operator  string
	DoorCycle *int64 // door cycles of the specimens so far; nil: not stated
	Trigger   string
	Key       string // idempotency key; empty: none
}

// Records reads what was kept: the part of sweep.Archive that is shown here.
type Records interface {
	Run(ctx context.Context, id sweep.RunID) (sweep.Run, error)
	Runs(ctx context.Context, f sweep.RunFilter) ([]sweep.RunInfo, error)
	CaptureList(ctx context.Context, id sweep.RunID, f sweep.CaptureFilter) ([]sweep.Capture, error)
	Capture(ctx context.Context, id string) (sweep.Capture, error)
	Events(ctx context.Context, run sweep.RunID, after int64, limit int) ([]sweep.Event, error)
	Keyings(ctx context.Context, f sweep.KeyingFilter) ([]sweep.Keying, error)
}

// Judge says what a run captured so far means. An open page asks every few
// seconds while a run goes on, so it should remember what it knows already.
type Judge interface {
	Evaluation(ctx context.Context, id sweep.RunID) (sweep.Evaluation, error)
	// Evidence says what the result of a point at a setting of the run stands on.
	Evidence(ctx context.Context, id sweep.RunID, at sweep.Setting, point int) (sweep.Evidence, error)
}

// Export is one file a run can be had as.
type Export struct {
	File    string // last part of the path, such as "export.csv"
	Type    string // media type
	Summary string
	// Write renders the run. It may fail before the first byte with any error
	// of this package; later the connection is cut, so that a torso is not
	// taken for the whole.
	Write func(ctx context.Context, id sweep.RunID, w io.Writer) error
}

// Check is one thing the daemon needs in order to be ready. Empty Reason: good.
type Check struct {
	Name   string
	Reason string
}

// NotFoundError says that a named thing does not exist.
type NotFoundError struct {
	What  string // "bench", "plan", "specimen", "capture"
	Name  string
	Known []string // what exists instead, if that helps
}

func (e *NotFoundError) Error() string {
	if e.Name == "" && len(e.Known) > 0 {
		return fmt.Sprintf("there is more than one %s, so name it: %s", e.What, strings.Join(e.Known, ", "))
	}
	s := fmt.Sprintf("no %s %q", e.What, e.Name)
	if len(e.Known) > 0 {
		s += ": known are " + strings.Join(e.Known, ", ")
	}
	return s
}

// UnavailableError says that something cannot be had just now.
type UnavailableError struct {
	Message string
	Retry   time.Duration // worth trying again after; zero: not known
}

func (e *UnavailableError) Error() string { return e.Message }

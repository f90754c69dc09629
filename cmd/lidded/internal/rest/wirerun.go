package rest

import (
	"fmt"
	"time"

	"lidded/sweep"
)

// RunInfo is a run in a listing.
type RunInfo struct {
	ID        string     `json:"id" doc:"UUID version 7: later runs sort after earlier ones"`
	Bench     string     `json:"bench"`
	Plan      string     `json:"plan"`
	Specimens []string   `json:"specimens"`
	State     string     `json:"state" enum:"pending,running,holding,suspended,stopping,completed,stopped,aborted,failed,interrupted"`
	Reason    string     `json:"reason,omitempty" doc:"Why it stopped, failed, holds or is suspended"`
	Operator  string     `json:"operator,omitempty"`
	DoorCycle *int64     `json:"door_cycle,omitempty" doc:"How often the specimens' doors had been closed, as stated at the start"`
	Trigger   string     `json:"trigger" doc:"What started it"`
	HandRead  bool       `json:"hand_read" doc:"Levels were read by hand and imported"`
	Software  string     `json:"software" doc:"Version of the daemon"`
	Created   time.Time  `json:"created"`
	Started   *time.Time `json:"started,omitempty"`
	Ended     *time.Time `json:"ended,omitempty"`
	Captures  *int       `json:"captures,omitempty" doc:"Committed so far"`
}

func runInfoOf(r sweep.RunInfo) RunInfo {
	return RunInfo{
		ID: string(r.ID), Bench: r.Bench, Plan: r.Plan, Specimens: listOf(r.Specimens), State: r.State.String(), Reason: r.Reason,
		Operator: r.Operator, DoorCycle: r.DoorCycle, Trigger: r.Trigger, HandRead: r.HandRead, Software: r.Software,
		Created: r.Created.UTC(), Started: timeAt(r.Started), Ended: timeAt(r.Ended), Captures: &r.Captures,
	}
}

// Run is a run with the snapshot of all it depends on.
type Run struct {
	RunInfo
	Predicted   float64      `json:"predicted_s" doc:"What the plan was expected to take"`
	Analyzer    *Identity    `json:"analyzer,omitempty" doc:"As identified at the start"`
	Source      *Identity    `json:"source,omitempty" doc:"As identified at the start"`
	About       []Specimen   `json:"specimens_about"`
	Requirement *Requirement `json:"requirement,omitempty"`
	Settings    Plan         `json:"plan_settings"`
	Steps       []Step       `json:"steps"`
	NextStep    int          `json:"next_step" doc:"Index of the step to go on with"`
	NextPoint   int          `json:"next_point" doc:"Index of the point to go on with"`
	Hold        *Hold        `json:"hold,omitempty" doc:"The hold point that waits"`
	Progress    *Progress    `json:"progress,omitempty" doc:"The last live picture, while the run occupies its bench"`
}

// Hold is a hold point that waits for release.
type Hold struct {
	Step
	Release string `json:"release" doc:"POST here once it is done"`
}

func holdOf(id sweep.RunID, s sweep.Step) *Hold {
	return &Hold{stepOf(s), fmt.Sprintf("/v1/runs/%s/holds/%d/release", id, s.Index)}
}

func runOf(r sweep.Run, live *sweep.Progress) Run {
	names := each(r.Specimens, func(s sweep.Specimen) string { return s.Name })
	out := Run{
		RunInfo: runInfoOf(sweep.RunInfo{
			ID: r.ID, Bench: r.Bench.Name, Plan: r.Plan.Name, Specimens: names, State: r.State, Reason: r.Reason,
			Operator: r.Operator, DoorCycle: r.DoorCycle, Trigger: r.Trigger, HandRead: r.HandRead, Software: r.Software,
			Created: r.Created, Started: r.Started, Ended: r.Ended,
		}),
		Predicted: seconds(r.Predicted), Analyzer: identityOf(r.Analyzer), Source: identityOf(r.Source),
		About: each(r.Specimens, specimenOf), Requirement: requirementOf(r.Line), Settings: planOf(r.Plan),
		Steps: each(r.Steps, stepOf), NextStep: r.Checkpoint.Step, NextPoint: r.Checkpoint.Point,
	}
	out.Captures = nil
	if live != nil && live.Run == r.ID && r.State.Busy() {
		p := progressOf(*live)
		out.Progress, out.Hold = &p, p.Hold
	}
	if at := r.Checkpoint.Step; out.Hold == nil && r.State == sweep.Holding && at >= 0 && at < len(r.Steps) && r.Steps[at].Kind == sweep.HoldPoint {
		out.Hold = holdOf(r.ID, r.Steps[at])
	}
	return out
}

// Progress is a live picture of a run.
type Progress struct {
	Run      string    `json:"run"`
	Bench    string    `json:"bench"`
	Plan     string    `json:"plan"`
	Time     time.Time `json:"time"`
	Kind     string    `json:"kind" doc:"What happened: state, step, point, hold, source, link, note"`
	State    string    `json:"state"`
	Step     int       `json:"step" doc:"Index of the step"`
	Steps    int       `json:"steps"`
	StepKind string    `json:"step_kind"`
	At       Setting   `json:"at"`
	Point    int       `json:"point" doc:"Index of the point"`
	Points   int       `json:"points"`
	Done     int       `json:"done" doc:"Captures committed"`
	Total    int       `json:"total" doc:"Captures planned"`
	Left     float64   `json:"left_s" doc:"Time left, without the time people need at hold points"`
	Planned  float64   `json:"left_by_plan_s" doc:"What the plan's own estimate gives for the same work; more than left_s: it goes faster than planned"`
	SourceOn bool      `json:"source_on"`
	Analyzer bool      `json:"analyzer_up"`
	Source   bool      `json:"source_up"`
	Hold     *Hold     `json:"hold,omitempty" doc:"The hold point that waits"`
	Capture  *Capture  `json:"capture,omitempty" doc:"The one just committed, without its traces"`
	Text     string    `json:"text,omitempty"`
}

func progressOf(p sweep.Progress) Progress {
	out := Progress{
		Run: string(p.Run), Bench: p.Bench, Plan: p.Plan, Time: p.Time.UTC(), Kind: p.Kind, State: p.State.String(),
		Step: p.Step, Steps: p.Steps, StepKind: p.StepKind.String(), At: settingOf(p.At), Point: p.Point, Points: p.Points,
		Done: p.Done, Total: p.Total, Left: seconds(p.Left), Planned: seconds(p.Planned), SourceOn: p.SourceOn, Analyzer: p.Analyzer, Source: p.SourceUp,
		Text: p.Text,
	}
	if p.Hold != nil {
		out.Hold = holdOf(p.Run, *p.Hold)
	}
	if p.Capture != nil {
		c := captureOf(*p.Capture)
		out.Capture = &c
	}
	return out
}

// Capture is what was taken at one point, without traces.
type Capture struct {
	ID          string    `json:"id"`
	Run         string    `json:"run"`
	Seq         int       `json:"seq" doc:"From 1, in order of commitment"`
	Step        int       `json:"step"`
	Kind        string    `json:"kind" enum:"ambient,reference,enclosed,closing_reference,leakage,linearity"`
	At          Setting   `json:"at"`
	Point       int       `json:"point" doc:"Index of the point; -1 for the whole trace of a sealed step"`
	Freq        float64   `json:"freq_hz"`
	Rung        int       `json:"rung,omitempty" doc:"Later rungs are narrower or longer looks at the same point"`
	SourceFreq  *float64  `json:"source_freq_hz,omitempty" doc:"As read back"`
	SourceLevel *float64  `json:"source_level_dbm,omitempty" doc:"As read back"`
	Settings    Settings  `json:"settings" doc:"As read back"`
	HoldSweeps  int       `json:"hold_sweeps,omitempty" doc:"Sealed: whole sweeps that saw the step"`
	HeldSweeps  int       `json:"held_sweeps,omitempty" doc:"Sealed: whole sweeps the trace was held over"`
	HandLevel   *float64  `json:"hand_level_dbm,omitempty" doc:"Read by hand"`
	HandNoise   *float64  `json:"hand_noise_dbm,omitempty" doc:"Read by hand"`
	Overload    bool      `json:"overload"`
	Void        string    `json:"void,omitempty" doc:"No valid capture, and why"`
	Begun       time.Time `json:"begun"`
	Took        float64   `json:"took_s"`
	Nominal     *float64  `json:"nominal_s,omitempty" doc:"Analyzer time by its own sweep time"`
}

func captureOf(c sweep.Capture) Capture {
	return Capture{
		ID: c.ID, Run: string(c.Run), Seq: c.Seq, Step: c.Step, Kind: c.Kind.String(), At: settingOf(c.At), Point: c.Point,
		Freq: float64(c.Freq), Rung: c.Rung, SourceFreq: positive(c.SourceFreq), SourceLevel: numberAt(c.SourceLevel),
		Settings: settingsOf(c.Settings), HoldSweeps: c.HoldSweeps, HeldSweeps: c.HeldSweeps,
		HandLevel: numberAt(c.HandLevel), HandNoise: numberAt(c.HandNoise), Overload: c.Overload, Void: c.Void,
		Begun: c.Begun.UTC(), Took: seconds(c.Took), Nominal: secondsIf(c.Nominal),
	}
}

// CaptureTraces is a capture with its raw traces.
type CaptureTraces struct {
	Capture
	Looks []Look `json:"looks"`
}

// Look is one trace with the source on or off.
type Look struct {
	SourceOn bool  `json:"source_on"`
	Trace    Trace `json:"trace"`
}

func captureTracesOf(c sweep.Capture) CaptureTraces {
	return CaptureTraces{captureOf(c), each(c.Looks, func(l sweep.Look) Look { return Look{l.SourceOn, traceOf(l.Trace)} })}
}

// Event is a line of a run's journal.
type Event struct {
	Seq   int64     `json:"seq" doc:"Rising; give the last one as after to go on"`
	Time  time.Time `json:"time"`
	Kind  string    `json:"kind"`
	State string    `json:"state,omitempty"`
	Step  int       `json:"step"`
	Point int       `json:"point"`
	Text  string    `json:"text,omitempty"`
	Who   string    `json:"who,omitempty"`
}

func eventOf(e sweep.Event) Event {
	out := Event{Seq: e.Seq, Time: e.Time.UTC(), Kind: e.Kind, Step: e.Step, Point: e.Point, Text: e.Text, Who: e.Who}
	if e.State != sweep.StateUnknown {
		out.State = e.State.String()
	}
	return out
}

// Keying is an entry of the transmission ledger.
type Keying struct {
	Entry int64      `json:"entry"`
	Step  int        `json:"step"`
	Point int        `json:"point"`
	Freq  float64    `json:"freq_hz"`
	Level float64    `json:"level_dbm"`
	On    time.Time  `json:"on"`
	Off   *time.Time `json:"off" doc:"null: still on, or off was never noted"`
	Doubt string     `json:"off_not_confirmed,omitempty" doc:"Why off could not be confirmed"`
}

func keyingOf(k sweep.Keying) Keying {
	return Keying{k.Entry, k.Step, k.Point, float64(k.Freq), float64(k.Level), k.On.UTC(), timeIf(k.Off), k.OffNot}
}

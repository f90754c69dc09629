package engine

import (
	"fmt"

	"lidded/driver/word"
	"lidded/sweep"
)

// Event is what happens to a run.
type Event uint8

// The events. Those of the operator come in by Bench's methods, the others
// from the goroutine that owns the run.
const (
	EventUnknown  Event = iota
	EventBegin          // the instruments are ready, the first step begins
	EventHold           // a hold point is reached
	EventRelease        // somebody confirmed the hold point
	EventSuspend        // a condition of the bench has to be waited out
	EventRestored       // it is over
	EventStop           // the operator ends the run after the point in hand
	EventPoint          // the point in hand is committed
	EventAbort          // the operator ends the run at once
	EventFinish         // every step is done
	EventFail           // a stated rule ends the run
	EventShutdown       // the daemon goes away, or was found to have gone
	EventResume         // the operator takes an interrupted run up again
)

var eventNames = word.List{"unknown", "begin", "hold", "release", "suspend", "restored", "stop", "point", "abort", "finish", "fail", "shutdown", "resume"}

// String gives the name used in messages and in states.md.
func (e Event) String() string { return eventNames.Of(int(e)) }

// Action is what the owner of the run does on a move.
type Action uint8

// The actions.
const (
	ActionUnknown     Action = iota
	ActionStay               // nothing changes
	ActionWork               // take the next point
	ActionWait               // source read back as off, then wait for the release
	ActionWaitOut            // try to restore, with growing pauses, up to a limit
	ActionFinishPoint        // finish and commit the point in hand
	ActionCut                // stop what is under way, source off at once, end
	ActionEnd                // source off, end
)

var actionNames = word.List{"unknown", "stay", "work", "wait", "wait it out", "finish the point", "cut", "end"}

// String gives the name used in states.md.
func (a Action) String() string { return actionNames.Of(int(a)) }

// Move is one entry of the table.
type Move struct {
	Next   sweep.State
	Action Action
}

// The states and events of the table, in the order in which it is printed.
var (
	states = []sweep.State{sweep.Pending, sweep.Running, sweep.Holding, sweep.Suspended, sweep.Stopping, sweep.Interrupted, sweep.Completed, sweep.Stopped, sweep.Aborted, sweep.Failed}
	events = []Event{EventBegin, EventHold, EventRelease, EventSuspend, EventRestored, EventStop, EventPoint, EventAbort, EventFinish, EventFail, EventShutdown, EventResume}
)

// table is the whole state machine. What is not in it is illegal.
//
// A stop that meets a hold point or a condition to be waited out has no point
// in hand to finish, and ends the run there. An interrupted run can be taken
// up, or closed for good by a stop or an abort.
var table = map[sweep.State]map[Event]Move{
	sweep.Pending: {
		EventBegin:    {sweep.Running, ActionWork},
		EventStop:     {sweep.Stopped, ActionEnd},
		EventAbort:    {sweep.Aborted, ActionCut},
		EventFail:     {sweep.Failed, ActionCut},
		EventShutdown: {sweep.Interrupted, ActionCut},
	},
	sweep.Running: {
		EventHold:     {sweep.Holding, ActionWait},
		EventSuspend:  {sweep.Suspended, ActionWaitOut},
		EventStop:     {sweep.Stopping, ActionFinishPoint},
		EventPoint:    {sweep.Running, ActionStay},
		EventAbort:    {sweep.Aborted, ActionCut},
		EventFinish:   {sweep.Completed, ActionEnd},
		EventFail:     {sweep.Failed, ActionCut},
		EventShutdown: {sweep.Interrupted, ActionCut},
	},
	sweep.Holding: {
		EventRelease:  {sweep.Running, ActionWork},
		EventStop:     {sweep.Stopped, ActionCut},
		EventAbort:    {sweep.Aborted, ActionCut},
		EventFail:     {sweep.Failed, ActionCut},
		EventShutdown: {sweep.Interrupted, ActionCut},
	},
	sweep.Suspended: {
		EventRestored: {sweep.Running, ActionWork},
		EventStop:     {sweep.Stopped, ActionCut},
		EventAbort:    {sweep.Aborted, ActionCut},
		EventFail:     {sweep.Failed, ActionCut},
		EventShutdown: {sweep.Interrupted, ActionCut},
	},
	sweep.Stopping: {
		EventHold:     {sweep.Stopped, ActionCut},
		EventSuspend:  {sweep.Stopped, ActionCut},
		EventStop:     {sweep.Stopping, ActionStay},
		EventPoint:    {sweep.Stopped, ActionEnd},
		EventAbort:    {sweep.Aborted, ActionCut},
		EventFinish:   {sweep.Completed, ActionEnd},
		EventFail:     {sweep.Failed, ActionCut},
		EventShutdown: {sweep.Interrupted, ActionCut},
	},
	sweep.Interrupted: {
		EventResume: {sweep.Running, ActionWork},
		EventStop:   {sweep.Stopped, ActionEnd},
		EventAbort:  {sweep.Aborted, ActionEnd},
	},
	sweep.Completed: {},
	sweep.Stopped:   {},
	sweep.Aborted:   {},
	sweep.Failed:    {},
}

// Next looks an event up in the table. An illegal one is a *StateError.
func Next(s sweep.State, e Event) (Move, error) {
	m, ok := table[s][e]
	if !ok {
		return Move{}, &StateError{State: s, Event: e}
	}
	return m, nil
}

// ends reports whether a state leaves the bench free.
func ends(s sweep.State) bool { return s.Final() || s == sweep.Interrupted }

// StateError is an event that is illegal in the state a run is in.
type StateError struct {
	Run   sweep.RunID // empty from Next
	State sweep.State
	Event Event
}

func (e *StateError) Error() string {
	who := "the run"
	if e.Run != "" {
		who = fmt.Sprintf("run %s", e.Run)
	}
	cure := ""
	switch {
	case e.State.Final():
		cure = ": it is over; start a new one"
	case e.State == sweep.Interrupted:
		cure = ": resume it first"
	case e.Event == EventRelease:
		cure = ": no hold point waits"
	case e.Event == EventResume:
		cure = ": only an interrupted run can be resumed"
	}
	return fmt.Sprintf("%s is %v, which allows no %v%s", who, e.State, e.Event, cure)
}

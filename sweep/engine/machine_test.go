package engine_test

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"lidded/sweep"
	"lidded/sweep/engine"
)

var update = flag.Bool("update", false, "write states.md anew")

var allStates = []sweep.State{
	sweep.StateUnknown, sweep.Pending, sweep.Running, sweep.Holding, sweep.Suspended, sweep.Stopping,
	sweep.Completed, sweep.Stopped, sweep.Aborted, sweep.Failed, sweep.Interrupted,
}

func allEvents() []engine.Event {
	var out []engine.Event
	for e := engine.EventUnknown; e <= engine.EventResume; e++ {
		out = append(out, e)
	}
	return out
}

// legal is the state machine a second time, as a person reads it: state,
// events and where they lead. Everything not here must be refused.
const legal = `
pending:     begin>running stop>stopped abort>aborted fail>failed shutdown>interrupted
running:     hold>holding suspend>suspended stop>stopping point>running abort>aborted finish>completed fail>failed shutdown>interrupted
holding:     release>running stop>stopped abort>aborted fail>failed shutdown>interrupted
suspended:   restored>running stop>stopped abort>aborted fail>failed shutdown>interrupted
stopping:    hold>stopped suspend>stopped stop>stopping point>stopped abort>aborted finish>completed fail>failed shutdown>interrupted
interrupted: resume>running stop>stopped abort>aborted
`

func TestTableIsExactlyWhatIsWritten(t *testing.T) {
	want := map[string]string{}
	for line := range strings.Lines(legal) {
		state, moves, _ := strings.Cut(strings.TrimSpace(line), ":")
		for _, m := range strings.Fields(moves) {
			event, next, _ := strings.Cut(m, ">")
			want[state+" "+event] = next
		}
	}
	seen := 0
	for _, s := range allStates {
		for _, e := range allEvents() {
			key := s.String() + " " + e.String()
			move, err := engine.Next(s, e)
			next, ok := want[key]
			var illegal *engine.StateError
			switch {
			case !ok && !errors.As(err, &illegal):
				t.Errorf("%s: leads to %v, want a StateError", key, move.Next)
			case !ok && (illegal.State != s || illegal.Event != e):
				t.Errorf("%s: the error names %v and %v", key, illegal.State, illegal.Event)
			case ok && err != nil:
				t.Errorf("%s: %v, want %s", key, err, next)
			case ok && move.Next.String() != next:
				t.Errorf("%s: leads to %v, want %s", key, move.Next, next)
			}
			if ok {
				seen++
			}
		}
	}
	if seen != len(want) {
		t.Errorf("%d of the %d moves written here name a known state and event", seen, len(want))
	}
}

func TestEveryEndCutsOrEnds(t *testing.T) {
	for _, s := range allStates {
		for _, e := range allEvents() {
			m, err := engine.Next(s, e)
			if err != nil {
				continue
			}
			over := m.Next.Final() || m.Next == sweep.Interrupted
			cuts := m.Action == engine.ActionCut || m.Action == engine.ActionEnd
			if over != cuts {
				t.Errorf("%v on %v: to %v by %v; the source is switched off when, and only when, a run ends", s, e, m.Next, m.Action)
			}
		}
	}
	// Whatever a busy run does, these three reach it.
	for _, s := range allStates {
		if !s.Busy() {
			continue
		}
		for _, e := range []engine.Event{engine.EventAbort, engine.EventFail, engine.EventShutdown} {
			if _, err := engine.Next(s, e); err != nil {
				t.Errorf("%v: %v", s, err)
			}
		}
	}
}

func TestStatesFileIsTheTable(t *testing.T) {
	got := engine.States()
	if *update {
		if err := os.WriteFile("states.md", []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("states.md")
	if err != nil {
		t.Fatal(err)
	}
	if string(want) != got {
		t.Errorf("states.md is not the table any more: run go test ./sweep/engine -run States -update\n%s", got)
	}
}

func ExampleNext() {
	m, _ := engine.Next(sweep.Running, engine.EventStop)
	fmt.Println(m.Next, "by:", m.Action)
	_, err := engine.Next(sweep.Completed, engine.EventResume)
	fmt.Println(err)
	// Output:
	// stopping by: finish the point
	// the run is completed, which allows no resume: it is over; start a new one
}

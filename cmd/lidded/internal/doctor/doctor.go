// Package doctor finds out why a bench is stuck: config, store, disk, daemon,
// runs left over, sources left on, instruments and who else holds them. Each
// finding says what to do.
//
// It only looks: it changes nothing, keys nothing, and sends no command to an
// instrument, since one that is armed for a sealed capture would lose its trace.
package doctor

import (
	"context"
	"errors"
	"fmt"
	"time"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/rest"
	"lidded/driver/word"
)

// State of what was looked at.
type State uint8

// The states.
const (
	StateUnknown State = iota
	Well               // as it should be
	Note               // worth knowing
	Fault              // keeps the bench from working, or is unsafe
)

var stateNames = word.List{"unknown", "ok", "note", "FAULT"}

// String gives the state as it is printed.
func (s State) String() string { return stateNames.Of(int(s)) }

// MarshalText writes the name.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Finding is one thing that was looked at.
type Finding struct {
	About string `json:"about"`
	State State  `json:"state"`
	Found string `json:"found"`
	Do    string `json:"do,omitempty"` // what to do about it
}

// ErrRefused is the error of a daemon that does not let us in.
var ErrRefused = errors.New("the daemon does not let us in")

// Daemon asks a running daemon for something of its REST service.
type Daemon func(ctx context.Context, path string, out any) error

// Case is what is examined.
type Case struct {
	Config *config.Config
	Ask    Daemon
	Path   string    // of the config, as it is written in advice
	Now    time.Time // zero: now
}

// Examine looks at everything, in the order in which a stuck bench is best
// looked at. It never fails: what cannot be looked at is a finding.
func Examine(ctx context.Context, c Case) []Finding {
	e := &examination{Case: c}
	e.well("config", "%d benches, %d plans, %d specimens, %d schedules", len(c.Config.Benches), len(c.Config.Plans), len(c.Config.Specimens), len(c.Config.Schedules))
	if e.Now.IsZero() {
		e.Now = time.Now()
	}
	e.access()
	e.daemon(ctx)
	e.store(ctx)
	for _, b := range c.Config.Benches {
		e.bench(ctx, b)
	}
	return e.found
}

// examination gathers findings.
type examination struct {
	Case
	found   []Finding
	alive   bool // a daemon answers
	keptOut bool // and does not let us in
	benches map[string]rest.Bench
}

func (e *examination) well(about, format string, args ...any) {
	e.found = append(e.found, Finding{About: about, State: Well, Found: fmt.Sprintf(format, args...)})
}

func (e *examination) note(about, do, format string, args ...any) {
	e.found = append(e.found, Finding{about, Note, fmt.Sprintf(format, args...), do})
}

func (e *examination) fault(about, do, format string, args ...any) {
	e.found = append(e.found, Finding{about, Fault, fmt.Sprintf(format, args...), do})
}

// command is a command of this program on the same config.
func (e *examination) command(c string) string { return fmt.Sprintf("lidded %s -c %s", c, e.Path) }

// daemon asks the daemon how it is.
func (e *examination) daemon(ctx context.Context) {
	address := e.Config.Daemon.URL()
	var health rest.Health
	if err := e.Ask(ctx, "/healthz", &health); err != nil {
		e.note("daemon", "start it: "+e.command("serve")+", or: systemctl start lidded", "none answers at %s", address)
		return
	}
	e.alive = true
	e.well("daemon", "version %s answers at %s", health.Version, address)
	var list struct {
		Benches []rest.Bench `json:"benches"`
	}
	switch err := e.Ask(ctx, "/v1/benches", &list); {
	case errors.Is(err, ErrRefused):
		e.note("daemon", "give a token of the role read: --token-file, $LIDDED_TOKEN or daemon.client_token", "does not tell of its benches: %v", err)
		e.keptOut = true
		return
	case err != nil:
		e.fault("daemon", "see its log: journalctl -u lidded", "does not tell of its benches: %v", err)
		return
	}
	e.benches = map[string]rest.Bench{}
	for _, b := range list.Benches {
		e.benches[b.Name] = b
	}
	for _, b := range e.Config.Benches {
		if _, ok := e.benches[b.Name]; !ok {
			e.fault("bench "+b.Name, "restart the daemon: it runs on an older config", "is in the config, but the daemon does not know it")
		}
	}
}

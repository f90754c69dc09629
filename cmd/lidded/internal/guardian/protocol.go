package guardian

import (
	"errors"
	"fmt"
	"time"
)

// What goes through the pipes, a line each. The daemon begins with a Job as one
// line of JSON; the process answers ready, or an error.
const (
	wordReady = "ready" // process: it holds the lock and stands by
	wordError = "error" // process: "error TEXT", and it ends
	wordBeat  = "beat"  // daemon: alive
	wordOn    = "on"    // daemon: "on N LIMIT", it is about to key, for LIMIT nanoseconds at most
	wordArmed = "armed" // process: "armed N", it does nothing to the source
	wordOff   = "off"   // daemon: the source was read back as off
	wordLost  = "lost"  // daemon: the source could not be switched off at a try
	wordBye   = "bye"   // daemon: it ends
)

// Job is what the process is told to guard.
type Job struct {
	Bench    string `json:"bench"`
	Address  string `json:"address"`    // of the source, as in the config
	Dialect  string `json:"dialect"`    // of the source, by name
	Dialects string `json:"dialects"`   // folder of further dialects; "" for none
	Lock     string `json:"lock"`       // file that one guardian of this source holds
	Daemon   int    `json:"daemon"`     // process id
	Format   string `json:"log_format"` // of the log, as in the config
	Level    string `json:"log_level"`  //
	Timing   Timing `json:"timing"`     //
}

// Timing is how patient a guardian is. Zero fields take their defaults.
type Timing struct {
	Beat   time.Duration `json:"beat_ns"`    // how often the daemon beats; default 100 ms
	Miss   time.Duration `json:"miss_ns"`    // without a beat for so long, the daemon hangs; default 1.5 s
	Grace  time.Duration `json:"grace_ns"`   // after a loss, the daemon's own time to get the source back; default 2 s
	MaxOn  time.Duration `json:"max_on_ns"`  // on for longer without a word, the daemon hangs though it beats; 0: no limit
	GiveUp time.Duration `json:"give_up_ns"` // stop trying to reach a source; 0: never
	Lock   time.Duration `json:"lock_ns"`    // wait so long for another guardian of the source to leave; default 10 s
}

func (t Timing) withDefaults() Timing {
	for _, d := range []struct {
		to  *time.Duration
		def time.Duration
	}{{&t.Beat, 100 * time.Millisecond}, {&t.Miss, 1500 * time.Millisecond}, {&t.Grace, 2 * time.Second}, {&t.Lock, 10 * time.Second}} {
		if *d.to <= 0 {
			*d.to = d.def
		}
	}
	return t
}

// HeldError is a source that another daemon's guardian guards.
type HeldError struct {
	Address string
	Holder  int // process id, 0 where it is not known
}

func (e *HeldError) Error() string {
	return fmt.Sprintf("the source at %s is guarded for another daemon (process %d): one daemon at a time may use a source; stop the other first", e.Address, e.Holder)
}

var errClosed = errors.New("the guardian was told to end")

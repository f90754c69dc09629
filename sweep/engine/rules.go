package engine

import (
	"time"

	"lidded/driver/unit"
)

// Rules are the stated rules by which the engine tries again, gives a point up
// or ends a run. A zero field takes its default.
type Rules struct {
	PointTries  int // how often a point (sealed: a step) is tried before it is void; default 3
	VoidsInARow int // so many points void one after another end the run; default 10

	LinkDown Patience // waiting for an instrument that went away; at its end the run fails
	Reopen   Patience // the same without a run; only its pauses count
	Hands    Patience // a hold point that cannot be released by rule; at its end the run fails
	Off      Patience // putting the source off until it reads back as off

	OffTimeout     time.Duration // real time for each try of putting the source off; default 10 s
	OffTotal       time.Duration // real time for all of them together; default 30 s
	JournalTimeout time.Duration // real time for one transaction of the journal; default 30 s
	IdleCheck      time.Duration // how often an idle bench is asked whether it is there and off; default 30 s, negative never

	LevelTolerance unit.DB // between the source level asked for and read back; default 0.1 dB
	FreqTolerance  unit.Hz // the same for its frequency, besides 1e-9 of it; default 1 Hz

	Suspend Suspend // conditions that a run waits out; zero: the defaults

	// MaxKeyed is the longest the source may be on without a break. Without one it
	// is DefaultMaxOn, or half as much again as a keying should take, and never
	// more than LongestMaxOn.
	MaxKeyed       time.Duration
	MaxKeyedPerRun time.Duration // longest altogether in a run; none by default

	// MaxKeyedPerHour is the longest altogether within any hour, over all runs of
	// the bench since Serve; a run waits, source off, until it may go on. None by
	// default.
	MaxKeyedPerHour time.Duration
}

// DefaultMaxOn is how long a source may be on without a break where nothing is
// stated: time-out timers of land mobile radios, which guard against the same
// stuck key, are commonly set to a minute (common practice, no source). Longer
// keyings have to be asked for beyond LongestMaxOn (ours, no source).
const (
	DefaultMaxOn = time.Minute
	LongestMaxOn = 10 * time.Minute
)

// longestOn is how long the source may be on for work that should take expect.
func (r Rules) longestOn(expect time.Duration) time.Duration {
	if r.MaxKeyed > 0 {
		return r.MaxKeyed
	}
	return min(max(DefaultMaxOn, expect+expect/2), LongestMaxOn)
}

// Patience is how often and with what pauses something is tried again.
type Patience struct {
	Tries   int
	First   time.Duration // the first pause; each next is twice as long
	Longest time.Duration
	Settle  time.Duration // waited after success
}

func (p Patience) pause(try int) time.Duration {
	d := p.First
	for range try {
		if d *= 2; d >= p.Longest {
			return max(p.Longest, p.First)
		}
	}
	return d
}

func (r Rules) withDefaults() Rules {
	def(&r.PointTries, 3)
	def(&r.VoidsInARow, 10)
	r.LinkDown = r.LinkDown.or(Patience{Tries: 14, First: 500 * time.Millisecond, Longest: time.Minute, Settle: 200 * time.Millisecond})
	r.Reopen = r.Reopen.or(Patience{Tries: 1, First: time.Second, Longest: 30 * time.Second})
	r.Hands = r.Hands.or(Patience{Tries: 3, First: time.Second, Longest: 10 * time.Second})
	r.Off = r.Off.or(Patience{Tries: 12, First: 100 * time.Millisecond, Longest: 5 * time.Second})
	r.Suspend = r.Suspend.withDefaults()
	def(&r.OffTimeout, 10*time.Second)
	def(&r.OffTotal, 30*time.Second)
	def(&r.JournalTimeout, 30*time.Second)
	def(&r.IdleCheck, 30*time.Second)
	def(&r.LevelTolerance, 0.1)
	def(&r.FreqTolerance, 1)
	return r
}

func (p Patience) or(d Patience) Patience {
	if p == (Patience{}) {
		return d
	}
	p.Tries = max(p.Tries, 1)
	return p
}

func def[T comparable](v *T, d T) {
	var zero T
	if *v == zero {
		*v = d
	}
}

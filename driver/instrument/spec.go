package instrument

import (
	"time"

	"go.uber.org/zap"

	"lidded/driver/dialect"
	"lidded/driver/link"
)

// Spec says which instrument to open and how.
type Spec struct {
	Name    string       // the bench's name for it: in errors, logs and metrics
	Address link.Address // where it is
	Dialect *dialect.Dialect

	// Timeouts override the dialect's where they are not zero.
	Timeouts link.Timeouts

	// Quiet is how long a serial line must be silent after opening before it
	// is trusted; zero takes the dialect's, or 200 ms.
	Quiet time.Duration

	// Tries is how often Recover dials before it gives up, 5 if zero; between
	// tries it waits Backoff (200 ms if zero), doubled each time up to 5 s.
	Tries   int
	Backoff time.Duration

	// FastClock says that the instrument's time runs faster than ours, as on a
	// virtual bench with a time scale: Check then does not mind a sweep that
	// ends early.
	FastClock bool

	Logger   *zap.Logger // nil: none
	Ring     *link.Ring  // records the exchanges; nil: none
	Observer Observer    // is told of exchanges and reconnects; nil: nobody
}

// Observer counts what happens on a link. Its methods must not block.
type Observer interface {
	// Exchange is called after each command, with the command as sent, the time
	// until its reply was complete, and what went wrong.
	Exchange(instrument, command string, took time.Duration, err error)
	// Reconnect is called each time a link was re-established.
	Reconnect(instrument string)
}

const maxBackoff = 5 * time.Second

func (s Spec) withDefaults() Spec {
	if s.Tries <= 0 {
		s.Tries = 5
	}
	if s.Backoff <= 0 {
		s.Backoff = 200 * time.Millisecond
	}
	if s.Logger == nil {
		s.Logger = zap.NewNop()
	}
	if s.Name == "" {
		s.Name = s.Address.String()
	}
	if s.Quiet <= 0 && s.Dialect != nil {
		s.Quiet = s.Dialect.Link.Quiet
	}
	if s.Quiet <= 0 {
		s.Quiet = 200 * time.Millisecond
	}
	s.Logger = s.Logger.With(zap.String("instrument", s.Name))
	return s
}

// options merges the dialect's link with the overrides.
func (s Spec) options() link.Options {
	l := s.Dialect.Link
	o := link.Options{
		Timeouts: link.Timeouts{Dial: l.DialTimeout, Write: l.WriteTimeout, FirstReply: l.FirstReplyTimeout, Reply: l.ReplyTimeout, Gap: l.GapTimeout},
		Name:     s.Name, WriteEnd: l.WriteEnd, ReadEnd: l.ReadEnd, Echo: l.Echo, Prompt: l.Prompt,
		MinGap: l.MinGap, AfterConnect: l.AfterConnect, MaxLine: l.MaxLine, MaxReply: l.MaxReply, Log: s.Ring,
	}
	for _, t := range []struct{ to, from *time.Duration }{
		{&o.Dial, &s.Timeouts.Dial}, {&o.Write, &s.Timeouts.Write}, {&o.FirstReply, &s.Timeouts.FirstReply},
		{&o.Reply, &s.Timeouts.Reply}, {&o.Gap, &s.Timeouts.Gap},
	} {
		if *t.from > 0 {
			*t.to = *t.from
		}
	}
	return o
}

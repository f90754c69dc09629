package link

import "time"

// Timeouts bounds the waits on a link. A zero field takes the default.
type Timeouts struct {
	Dial       time.Duration // to connect, 3 s
	Write      time.Duration // to hand one command line to the system, 2 s
	FirstReply time.Duration // to the first byte of the first reply after connecting, 10 s
	Reply      time.Duration // to the first byte of any later reply, 3 s
	Gap        time.Duration // from one piece of a reply to the next, 1 s
}

// A reply has an end, too: a peer that sends a byte now and then would renew the
// time-out between pieces for ever. From its first byte on, a reply may take
// twice Gap (2 s at least) and, for each byte that has come, the time that it
// takes at leastRate, but never more than for as many bytes as are expected.
const (
	leastSlack = 2 * time.Second
	// leastRate is slower than what any instrument on a network does: a serial
	// line of 9600 baud behind a gateway carries five times as much (common
	// practice, no source).
	leastRate = 200 // bytes a second
	// lineSize is the most that a reply is allowed time for where nobody said how
	// long it is.
	lineSize = 4096
)

// Options says how an instrument is talked to. The zero value is right for
// most instruments on TCP.
type Options struct {
	Timeouts

	// Name is the instrument's name in errors; the address if empty.
	Name string

	// WriteEnd ends each command line, "\n" if empty.
	WriteEnd string

	// ReadEnd ends each reply: "\n" (the default; a "\r" before it is
	// dropped) or "\r" (a "\n" after it is dropped).
	ReadEnd string

	// Echo is set when the instrument sends each command line back before
	// anything else; WriteLine reads and compares it.
	Echo bool

	// Prompt is what the instrument sends when it is ready for the next
	// command, after each reply and after each command without one; WriteLine
	// waits for it before it sends the next line. Line ends before it do not
	// matter, but there must be something else in it.
	Prompt string

	// MinGap is the least time from the end of one exchange to the next
	// command.
	MinGap time.Duration

	// AfterConnect is how long to wait after connecting. What arrives
	// meanwhile (a banner, a first prompt) is discarded.
	AfterConnect time.Duration

	// MaxLine is the longest command line in bytes, its end included; 0 means
	// no limit.
	MaxLine int

	// MaxReply is the longest reply in bytes, 64 MiB if zero.
	MaxReply int

	// Log records every exchange if not nil.
	Log *Ring
}

const defaultMaxReply = 64 << 20

// withDefaults fills the zero fields that have a default.
func (o Options) withDefaults() Options {
	def := func(d *time.Duration, v time.Duration) {
		if *d <= 0 {
			*d = v
		}
	}
	def(&o.Dial, 3*time.Second)
	def(&o.Write, 2*time.Second)
	def(&o.FirstReply, 10*time.Second)
	def(&o.Reply, 3*time.Second)
	def(&o.Gap, time.Second)
	if o.WriteEnd == "" {
		o.WriteEnd = "\n"
	}
	if o.ReadEnd == "" {
		o.ReadEnd = "\n"
	}
	if o.MaxReply <= 0 {
		o.MaxReply = defaultMaxReply
	}
	return o
}

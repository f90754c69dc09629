package dialect

import (
	"regexp"
	"time"

	"lidded/driver/scpi"
	"lidded/driver/word"
)

// Role says what a dialect drives.
type Role uint8

// The roles.
const (
	RoleUnknown Role = iota
	Analyzer
	Source
)

var roleNames = word.List{"unknown", "analyzer", "source"}

// String gives the name used in files.
func (r Role) String() string { return roleNames.Of(int(r)) }

// Dialect is a checked dialect, ready to be talked. It is never changed after
// loading and may be shared.
type Dialect struct {
	Name    string   // the file's name without ".yaml"
	File    string   // where it came from, for people
	Role    Role     //
	Summary string   // one line for listings
	Traits  []string // what is peculiar, in a few words each

	Link     Link
	Ack      *regexp.Regexp // what a command of Expect Ack answers; nil: none does
	Refused  *regexp.Regexp // what it answers instead when it will not; nil: not known
	Identity Identity
	Errors   Errors
	Status   Status

	Connect []Command // after each connection, before the identity; must not touch a held trace
	Preset  []Command // a known state, after the identity, unless a held trace waits
	Release []Command // before the link is let go: back to local

	Sweep   Sweep   // analyzer
	MaxHold MaxHold // analyzer
	Trace   Trace   // analyzer
	Safe    Safe    // source

	settings [itemCount]*Setting
}

// Setting returns how an item is set and read, nil when the dialect has none.
func (d *Dialect) Setting(i Item) *Setting { return d.settings[i] }

// Link is how the bytes travel; zero durations take package link's defaults.
type Link struct {
	WriteEnd, ReadEnd string
	Echo              bool
	Prompt            string
	Compound          bool // commands may be joined by ';', and the replies then are too
	MaxLine, MaxReply int  // bytes; 0: no stated limit
	MinGap            time.Duration
	AfterConnect      time.Duration
	DialTimeout       time.Duration
	WriteTimeout      time.Duration
	FirstReplyTimeout time.Duration
	ReplyTimeout      time.Duration
	GapTimeout        time.Duration
	Quiet             time.Duration // silence that ends stray input on a serial line before it is trusted again
}

// Expect is what comes back after a command.
type Expect uint8

// The expectations.
const (
	ExpectUnknown Expect = iota
	None
	Line  // one line
	Ack   // one line that matches Dialect.Ack
	Lines // a stated number of lines
	Block // a block
)

var expectNames = word.List{"unknown", "none", "line", "ack", "lines", "block"}

// String gives the name used in files.
func (e Expect) String() string { return expectNames.Of(int(e)) }

// Command is one exchange, ready to be sent.
type Command struct {
	Send    string         // without its line end; empty: only wait
	Expect  Expect         //
	Lines   int            // for Lines
	Match   *regexp.Regexp // what the reply must match; nil: anything
	Timeout time.Duration  // to the first byte of the reply; 0: the link's
	Settle  time.Duration  // to wait afterwards
}

// Identity is how an instrument says who it is.
type Identity struct {
	Query Command        // Send is empty when it cannot be asked
	Match *regexp.Regexp // what the answer must match; nil: any
	Fixed string         // who it is, when Query is absent or only proves presence
}

// Errors is how an instrument reports its errors.
type Errors struct {
	Query Command // the error queue; Send is empty when there is none
	All   bool    // one reply holds the whole queue
	Event Command // an event register that stands in for the queue
	Mask  int     // its error bits
}

// Status holds the other status commands; each may be absent.
type Status struct {
	Clear        []Command
	Event        Command // the standard event register; reading clears it
	PowerOn      int     // mask of its power-on bit
	Overload     Command
	OverloadMask int
	Temperature  Command // of the instrument itself
	Scale        TemperatureScale
}

// TemperatureScale turns a temperature as read into degrees Celsius: (v −
// Offset)·Factor.
type TemperatureScale struct{ Offset, Factor float64 }

// Celsius applies the scale.
func (s TemperatureScale) Celsius(v float64) float64 { return (v - s.Offset) * s.Factor }

var temperatureScales = map[string]TemperatureScale{
	"celsius": {0, 1}, "kelvin": {273.15, 1}, "fahrenheit": {32, 5. / 9},
}

// MaxHold is what is peculiar about the held trace.
type MaxHold struct {
	Clear          []Command // clears it; empty when one of the following does
	ClearedBySet   bool      // sending the hold setting again clears it
	ClearedByMode  bool      // leaving max hold and coming back clears it
	ClearedByStart bool      // starting a sweep clears it
	ForcesDetector bool      // setting the hold mode may change the detector
	Supported      bool      // the hold setting knows max_hold
}

// Completion is how the end of a sweep is known.
type Completion uint8

// The ways.
const (
	CompletionUnknown Completion = iota
	OPCQuery                     // a query that is answered at the end
	OPCPoll                      // *OPC, then the event register until the bit is set
	Condition                    // a condition register's bit
	WAI                          // *WAI: the next query is answered at the end
	Wait                         // the sweep time and some more
	Answer                       // the start command itself answers at the end
)

var completionNames = word.List{"unknown", "opc_query", "opc_poll", "condition", "wai", "wait", "answer"}

// String gives the name used in files.
func (c Completion) String() string { return completionNames.Of(int(c)) }

// Sweep is how sweeps are run.
type Sweep struct {
	Single     []Command // sweep only when started
	Continuous []Command // sweep without an end, started
	Start      []Command // one sweep
	Stop       []Command // end a sweep; inert afterwards
	Freeze     []Command // end the sweeps and keep the held trace

	By      Completion
	Query   Command        // OPCQuery, OPCPoll, Condition
	Send    Command        // OPCPoll, WAI: what asks for the notice
	Reply   *regexp.Regexp // OPCQuery, Answer: what ends the wait
	Mask    int            // OPCPoll, Condition
	Busy    bool           // Condition: the bit is set while sweeping
	Every   time.Duration  // OPCPoll, Condition
	First   time.Duration  // Condition: when to look first
	Factor  float64        // Wait: times the sweep time
	Plus    time.Duration  // Wait: and this
	Timeout time.Duration  // how much longer than twice the sweep time may be waited

	Law *TimeLaw // used when the instrument does not report its sweep time
}

// TimeLaw computes a sweep time: K·span/(RBW·min(RBW, VBW)) + PerPoint·points,
// at least Minimum; in zero span ZeroSpan.
type TimeLaw struct {
	K                           float64
	PerPoint, Minimum, ZeroSpan time.Duration
	UsesVBW                     bool
}

// Shape is how a trace arrives.
type Shape uint8

// The shapes.
const (
	ShapeUnknown Shape = iota
	OneLine            // one line with all values
	ManyLines          // values over several lines
	OneBlock           // a block
	PerPoint           // one query and one line per point
)

var shapeNames = word.List{"unknown", "line", "lines", "block", "each"}

// String gives the name used in files.
func (s Shape) String() string { return shapeNames.Of(int(s)) }

// Numbers is how the values of a trace are written.
type Numbers uint8

// The ways.
const (
	NumbersUnknown Numbers = iota
	ASCII
	Hex // hexadecimal text, a fixed number of digits
	Real32
	Real64
	Int32
	Int16
	Uint16
	Int8
	Uint8
)

var numbersNames = word.List{"unknown", "ascii", "hex", "real32", "real64", "int32", "int16", "uint16", "int8", "uint8"}

// String gives the name used in files.
func (n Numbers) String() string { return numbersNames.Of(int(n)) }

// Width returns the bytes of one value, 0 for text.
func (n Numbers) Width() int {
	return [...]int{Real32: 4, Real64: 8, Int32: 4, Int16: 2, Uint16: 2, Int8: 1, Uint8: 1}[n]
}

// Framing is what announces a block's length.
type Framing uint8

// The framings.
const (
	FramingUnknown Framing = iota
	Definite               // a header with the length
	Indefinite             // "#0": the length is the known number of points
	Bare                   // no header: the length is the known number of points
)

var framingNames = word.List{"unknown", "definite", "indefinite", "none"}

// String gives the name used in files.
func (f Framing) String() string { return framingNames.Of(int(f)) }

// Trace is how a trace is asked for and read.
type Trace struct {
	Format     []Command // number format and byte order, after each connection
	Before     []Command // sent before Query
	Query      Command   // its reply is the trace; for PerPoint see PointQuery
	Shape      Shape
	LineCount  int    // ManyLines: so many; 0: until Until or the known number of points
	Until      string // ManyLines: a line that ends the trace, "prompt" excluded
	AtPrompt   bool   // ManyLines: the prompt ends the trace
	Header     int    // lines to pass over
	SkipFields int    // fields to pass over in the first line
	FirstIndex int    // PerPoint
	Numbers    Numbers
	Digits     int // Hex
	Order      scpi.Order
	Framing    Framing
	Separator  byte // ASCII; ' ' stands for any run of blanks
	Pairs      bool // x,y pairs
	XScale     float64
	Scale      float64 // dBm = value·Scale + Offset
	Offset     float64
	Missing    []string // texts that stand for no value, besides 9.91E37
	Timeout    time.Duration

	point template
}

// PointQuery returns the query of one point, counted from 0.
func (t *Trace) PointQuery(i int) Command {
	c := t.Query
	c.Send = t.point.number(float64(i + t.FirstIndex))
	return c
}

// Safe is how a source is made safe.
type Safe struct {
	Send []Command
	// ByAck: the instrument cannot be asked for its output, and the
	// acknowledgement of the last command stands for it.
	ByAck bool
	// Timer switches the output off whoever has gone; nil: the instrument has none.
	Timer *Timer
}

// Timer is one of the instrument's own that counts from when the output goes on
// and then switches it off.
type Timer struct {
	set     []step
	Get     Command
	Longest time.Duration // 0: no limit is known
}

// Set returns the commands that set the timer to d, in whole seconds and no
// shorter, and what it is set to.
func (t *Timer) Set(d time.Duration) ([]Command, time.Duration) {
	d = (max(d, time.Second) + time.Second - 1).Truncate(time.Second)
	if t.Longest > 0 {
		d = min(d, t.Longest)
	}
	out := make([]Command, len(t.set))
	for i, s := range t.set {
		out[i] = s.Command
		if s.template.quantity() != QuantityUnknown {
			out[i].Send = s.template.number(d.Seconds())
		}
	}
	return out, d
}

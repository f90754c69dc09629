package dialect

import (
	"errors"
	"fmt"
	"math"
	"path"
	"regexp"
	"strings"
	"time"

	"lidded/driver"
	"lidded/driver/scpi"
	"lidded/driver/strict"
	"lidded/driver/word"
)

// Load reads and checks one dialect. The name is used in errors and, without
// its folder and ".yaml", as the dialect's name. All problems are reported,
// joined, each a *strict.Problem.
func Load(name string, data []byte) (*Dialect, error) {
	var f file
	doc, err := strict.Read(name, data, &f)
	if err != nil {
		return nil, err
	}
	c := compiler{doc: doc, file: f}
	d := c.dialect(name)
	if err := errors.Join(c.errs...); err != nil {
		return nil, err
	}
	return d, nil
}

type compiler struct {
	doc  *strict.Document
	file file
	d    *Dialect
	errs []error
}

func (c *compiler) failf(at, format string, args ...any) {
	c.errs = append(c.errs, c.doc.Errorf(at, format, args...))
}

// choice finds a word of a list; empty takes the default, or is an error when
// there is none (0).
func (c *compiler) choice(at string, l word.List, text string, def int) int {
	if text == "" {
		if def == 0 {
			c.failf(at, "is missing: state one of %s", strings.Join(l[1:], ", "))
		}
		return def
	}
	i, err := l.Find(at[strings.LastIndexByte(at, '.')+1:], text)
	if err != nil {
		near := strict.Nearest(text, l[1:])
		if near != "" {
			c.failf(at, "unknown value %q: did you mean %q?", text, near)
		} else {
			c.failf(at, "unknown value %q: known are %s", text, strings.Join(l[1:], ", "))
		}
	}
	return i
}

func (c *compiler) regexp(at, text string) *regexp.Regexp {
	if text == "" {
		return nil
	}
	re, err := regexp.Compile(text)
	if err != nil {
		c.failf(at, "not a regular expression: %v", err)
	}
	return re
}

func (c *compiler) dialect(name string) *Dialect {
	f := &c.file
	d := &Dialect{Name: strings.TrimSuffix(path.Base(name), ".yaml"), File: name, Summary: f.Summary, Traits: f.Traits}
	c.d = d
	d.Role = Role(c.choice("role", roleNames, f.Role, 0))
	if f.Summary == "" {
		c.failf("summary", "is missing: say in one line what kind of instrument this is")
	}
	c.link()
	if f.Acknowledge != nil {
		if f.Acknowledge.OK == "" {
			c.failf("acknowledge.ok", "is missing: give the regular expression of a good acknowledgement, for example \"^OK$\"")
		}
		d.Ack = c.regexp("acknowledge.ok", f.Acknowledge.OK)
		d.Refused = c.regexp("acknowledge.refused", f.Acknowledge.Refused)
	}
	c.identity()
	c.errors()
	c.status()
	d.Connect = c.commands("connect", f.Connect)
	d.Preset = c.commands("preset", f.Preset)
	d.Release = c.commands("release", f.Release)
	for _, key := range sortedKeys(f.Settings) {
		c.setting(key, f.Settings[key])
	}
	switch d.Role {
	case Analyzer:
		c.analyzer()
	case Source:
		c.source()
	}
	return d
}

var lineEnds = map[string]string{"": "\n", "lf": "\n", "cr": "\r", "crlf": "\r\n"}

func (c *compiler) link() {
	l := c.file.Link
	end := func(at, text string) string {
		e, ok := lineEnds[text]
		if !ok {
			c.failf(at, "unknown line end %q: known are lf, cr, crlf", text)
		}
		return e
	}
	if l.ReadEnd == "crlf" {
		l.ReadEnd = "lf" // a CR before it is dropped by the link
	}
	c.d.Link = Link{
		WriteEnd: end("link.write_end", l.WriteEnd), ReadEnd: end("link.read_end", l.ReadEnd),
		Echo: l.Echo, Prompt: l.Prompt, Compound: l.Compound, MaxLine: l.MaxLine, MaxReply: l.MaxReply,
		MinGap: l.MinGap, AfterConnect: l.AfterConnect, DialTimeout: l.DialTimeout, WriteTimeout: l.WriteTimeout,
		FirstReplyTimeout: l.FirstTimeout, ReplyTimeout: l.ReplyTimeout, GapTimeout: l.GapTimeout, Quiet: l.QuietOnResync,
	}
	for _, n := range []struct {
		at string
		v  int
	}{{"link.max_line_bytes", l.MaxLine}, {"link.max_reply_bytes", l.MaxReply}} {
		if n.v < 0 {
			c.failf(n.at, "must not be negative: leave it out for no limit")
		}
	}
	for _, n := range []struct {
		at string
		v  time.Duration
	}{{"link.min_gap", l.MinGap}, {"link.after_connect", l.AfterConnect}, {"link.reply_timeout", l.ReplyTimeout}, {"link.dial_timeout", l.DialTimeout},
		{"link.write_timeout", l.WriteTimeout}, {"link.first_reply_timeout", l.FirstTimeout}, {"link.gap_timeout", l.GapTimeout}, {"link.quiet_on_resync", l.QuietOnResync}} {
		if n.v < 0 {
			c.failf(n.at, "must not be negative")
		}
	}
}

func (c *compiler) identity() {
	f := c.file.Identity
	id := &c.d.Identity
	id.Query = c.query("identity.query", f.Query)
	id.Match = c.regexp("identity.match", f.Match)
	id.Fixed = f.Fixed
	switch {
	case id.Query.Send == "" && id.Fixed == "":
		c.failf("identity", "is missing: give a query (\"*IDN?\"), or for an instrument without one a fixed text")
	case id.Query.Send == "" && id.Match != nil:
		c.failf("identity.match", "has no query whose answer it could match: add identity.query")
	}
}

func (c *compiler) errors() {
	f := c.file.Errors
	if f == nil {
		c.failf("errors", "is missing: give the query of the error queue (\"SYST:ERR?\"), or state none: true")
		return
	}
	e := &c.d.Errors
	e.Query = c.query("errors.query", f.Query)
	e.Event = c.query("errors.event", f.Event)
	e.All = f.All
	e.Mask = 0x3c // query, device, execution and command error: IEEE 488.2 11.5.1.1
	if f.Mask != nil {
		e.Mask = *f.Mask
	}
	n := 0
	for _, on := range []bool{f.None, e.Query.Send != "", e.Event.Send != ""} {
		if on {
			n++
		}
	}
	if n != 1 {
		c.failf("errors", "needs exactly one of query, event and none: true")
	}
	if e.Mask <= 0 {
		c.failf("errors.mask", "must have at least one bit set")
	}
}

func (c *compiler) status() {
	f := c.file.Status
	s := &c.d.Status
	s.Clear = c.commands("status.clear", f.Clear)
	s.Event = c.query("status.event", f.Event)
	s.PowerOn = 1 << 7 // IEEE 488.2 11.5.1.1
	if f.PowerOn != nil {
		if *f.PowerOn < 0 || *f.PowerOn > 15 {
			c.failf("status.power_on_bit", "must be from 0 to 15")
		} else {
			s.PowerOn = 1 << *f.PowerOn
		}
		if s.Event.Send == "" {
			c.failf("status.power_on_bit", "has no register to be in: add status.event (\"*ESR?\")")
		}
	}
	if f.Overload != nil {
		s.Overload = c.query("status.overload.query", f.Overload.Query)
		s.OverloadMask = f.Overload.Mask
		if s.Overload.Send == "" {
			c.failf("status.overload.query", "is missing: give the query of the register")
		}
		if s.OverloadMask <= 0 {
			c.failf("status.overload.mask", "must have at least one bit set")
		}
	}
	if t := f.Temperature; t != nil {
		if s.Temperature = c.query("status.temperature.query", t.Query); s.Temperature.Send == "" {
			c.failf("status.temperature.query", "is missing: give the query of the temperature")
		}
		var known bool
		if s.Scale, known = temperatureScales[t.Unit]; !known {
			c.failf("status.temperature.unit", "%q is not known: write celsius, kelvin or fahrenheit", t.Unit)
		}
	}
}

// query compiles a step whose reply matters; it expects a line unless stated
// otherwise.
func (c *compiler) query(at string, f stepFile) Command {
	if f.Send == "" {
		if c.doc.Has(at) {
			c.failf(at, "has no command: give send")
		}
		return Command{}
	}
	if f.Expect == "" {
		f.Expect = Line.String()
	}
	s := c.step(at, f, QuantityUnknown)
	if s.Expect != Line {
		c.failf(at+".expect", "must be line: the reply is needed")
	}
	return s.Command
}

func (c *compiler) commands(at string, f stepsFile) []Command {
	steps := c.steps(at, f, QuantityUnknown)
	if len(steps) == 0 {
		return nil
	}
	out := make([]Command, len(steps))
	for i, s := range steps {
		out[i] = s.Command
	}
	return out
}

func (c *compiler) steps(at string, f stepsFile, q Quantity) []step {
	var out []step
	for i, s := range f {
		p := fmt.Sprintf("%s[%d]", at, i)
		if !c.doc.Has(p) {
			p = at // the short form
		}
		out = append(out, c.step(p, s, q))
	}
	return out
}

// step compiles one exchange whose placeholder, if any, must be of kind q.
func (c *compiler) step(at string, f stepFile, q Quantity) step {
	t, err := parseTemplate(f.Send)
	if err != nil {
		c.failf(at, "%v", err)
		return step{template: template{value: &placeholder{quantity: q}}} // one error is enough
	}
	s := step{template: t, Command: Command{Send: t.before + t.after, Lines: f.Lines, Timeout: f.Timeout, Settle: f.Settle}}
	c.text(at, s.Send)
	if have := t.quantity(); have != QuantityUnknown && have != q {
		if q == QuantityUnknown {
			c.failf(at, "has the placeholder {%s}, but there is no value here: write the command out", have)
		} else {
			c.failf(at, "has the placeholder {%s} where a %s is set: write {%s}", have, q, q)
		}
	}
	def := None
	if c.file.Acknowledge != nil {
		def = Ack
	}
	if f.Send == "" {
		def = None
		if f.Settle <= 0 {
			c.failf(at, "does nothing: give send, or settle for a mere wait")
		}
	}
	s.Expect = Expect(c.choice(at+".expect", expectNames, f.Expect, int(def)))
	s.Match = c.regexp(at+".match", f.Match)
	switch {
	case f.Expect == "" && strings.Contains(f.Send, "?"):
		c.failf(at, "%q looks like a query: state expect: line, or expect: none if it is not answered", f.Send)
	case s.Expect == Ack && c.file.Acknowledge == nil:
		c.failf(at+".expect", "is ack, but the dialect has no acknowledge.ok that says what one looks like")
	case s.Expect == Lines && s.Lines < 1:
		c.failf(at+".lines", "must be at least 1 when expect is lines")
	case s.Expect != Lines && s.Lines != 0:
		c.failf(at+".lines", "only goes with expect: lines")
	case s.Match != nil && (s.Expect == None || s.Expect == Block):
		c.failf(at+".match", "has no reply to match: state expect: line")
	case f.Timeout < 0 || f.Settle < 0:
		c.failf(at, "times must not be negative")
	}
	return s
}

// longestNumber is the room a value takes in a command line, for the check of
// max_line_bytes.
const longestNumber = 24

func (c *compiler) text(at, send string) {
	for i := 0; i < len(send); i++ {
		if send[i] < ' ' || send[i] > '~' {
			c.failf(at, "holds the byte %#02x: commands are printable ASCII, and the line end is added by the link", send[i])
			return
		}
	}
	l := c.file.Link
	if strings.Contains(send, ";") && !l.Compound {
		c.failf(at, "joins commands with ';' but link.compound is not true: write two steps, or set it if the instrument takes them")
	}
	if l.MaxLine > 0 && len(send)+len(lineEnds[l.WriteEnd]) > l.MaxLine {
		c.failf(at, "is %d bytes, longer than link.max_line_bytes %d", len(send)+1, l.MaxLine)
	}
}

func (c *compiler) source() {
	f := c.file
	for _, n := range []string{"max_hold", "sweep", "trace"} {
		if c.doc.Has(n) {
			c.failf(n, "belongs to an analyzer: remove it")
		}
	}
	c.require(CarrierFrequency, "the carrier frequency")
	c.require(CarrierLevel, "the output level")
	out := c.require(Output, "the output switch")
	if out != nil && out.fixed {
		c.failf("settings.output.fixed", "a source whose output cannot be switched cannot be made safe")
	}
	if f.Safe == nil {
		c.failf("safe", "is missing: say what makes the source safe, for example {send: \"OUTP OFF\", confirm: readback}")
		return
	}
	s := &c.d.Safe
	s.Send = c.commands("safe.send", f.Safe.Send)
	if len(s.Send) == 0 {
		c.failf("safe.send", "is missing: give the command that switches the output off")
	}
	switch f.Safe.Confirm {
	case "readback":
		if out != nil && out.Get.Send == "" {
			c.failf("safe.confirm", "is readback, but settings.output has no get: add it, or confirm: ack if the instrument acknowledges commands")
		}
	case "ack":
		s.ByAck = true
		if n := len(s.Send); n > 0 && s.Send[n-1].Expect != Ack {
			c.failf("safe.confirm", "is ack, but the last command of safe.send is not acknowledged")
		}
		if out != nil && out.Get.Send != "" {
			c.failf("safe.confirm", "is ack, but settings.output has a get: confirm: readback is the better proof")
		}
	case "":
		c.failf("safe.confirm", "is missing: readback (the output is asked for) or ack (the acknowledgement must do)")
	default:
		c.failf("safe.confirm", "unknown value %q: known are readback, ack", f.Safe.Confirm)
	}
	c.timer(f.Safe.Timer)
}

// timer compiles the timer that switches the output off by itself. One that
// cannot be read back is not relied on.
func (c *compiler) timer(f *timerFile) {
	if f == nil {
		return
	}
	t := &Timer{set: c.steps("safe.timer.set", f.Set, Seconds), Get: c.query("safe.timer.get", f.Get), Longest: f.Longest}
	if !takesValue(t.set) {
		c.failf("safe.timer.set", "has no {seconds}: give the command that sets the timer, for example \"OUTP:TIM {seconds}\"")
	}
	if t.Get.Send == "" && !c.doc.Has("safe.timer.get") {
		c.failf("safe.timer.get", "is missing: a timer that cannot be read back may not be there")
	}
	if t.Longest < 0 || t.Longest > 0 && t.Longest < time.Second {
		c.failf("safe.timer.longest", "%v: need a second or more", t.Longest)
	}
	c.d.Safe.Timer = t
}

func (c *compiler) require(i Item, what string) *Setting {
	s := c.d.settings[i]
	if s == nil && !c.doc.Has("settings."+i.String()) {
		c.failf("settings."+i.String(), "is missing: say how %s is set", what)
	}
	return s
}

func (c *compiler) analyzer() {
	f := &c.file
	if c.doc.Has("safe") {
		c.failf("safe", "belongs to a source: remove it")
	}
	has := func(i Item) bool { return c.doc.Has("settings." + i.String()) }
	switch {
	case has(Start) || has(Stop):
		c.require(Start, "the start frequency")
		c.require(Stop, "the stop frequency")
		if has(Center) || has(Span) {
			c.failf("settings", "has both center/span and start/stop: keep one pair")
		}
	default:
		c.require(Center, "the center frequency")
		c.require(Span, "the span")
	}
	c.require(RBW, "the resolution bandwidth")
	c.require(Detector, "the detector")
	hold := c.require(Hold, "max hold")
	if hold != nil {
		for _, n := range []string{"clear_write", "max_hold"} {
			if n == "clear_write" && !hold.Knows(n) && !hold.fixed {
				c.failf("settings.hold", "has no %s: add it to words or steps", n)
			}
		}
		c.d.MaxHold.Supported = hold.Knows("max_hold")
	}
	c.maxHold()
	if f.Sweep == nil {
		c.failf("sweep", "is missing: say how a sweep is started and how its end is known")
	} else {
		c.sweep()
	}
	if f.Trace == nil {
		c.failf("trace", "is missing: say how the trace is asked for and read")
	} else {
		c.trace()
	}
}

func (c *compiler) maxHold() {
	f, h := c.file.MaxHold, &c.d.MaxHold
	if f == nil {
		if h.Supported {
			c.failf("max_hold", "is missing: say how the held trace is cleared (clear, or cleared_by: [set], [mode] or [start])")
		}
		return
	}
	if !h.Supported {
		c.failf("max_hold", "is stated, but settings.hold has no max_hold")
	}
	h.Clear = c.commands("max_hold.clear", f.Clear)
	h.ForcesDetector = f.ForcesDetector
	for i, by := range f.ClearedBy {
		switch by {
		case "set":
			h.ClearedBySet = true
		case "mode":
			h.ClearedByMode = true
		case "start":
			h.ClearedByStart = true
		default:
			c.failf(fmt.Sprintf("max_hold.cleared_by[%d]", i), "unknown value %q: known are set, mode, start", by)
		}
	}
	if len(h.Clear) == 0 && !h.ClearedBySet && !h.ClearedByMode && !h.ClearedByStart {
		c.failf("max_hold", "says nothing of how the held trace is cleared: give clear, or cleared_by: [set], [mode] or [start]")
	}
}

func (c *compiler) sweep() {
	f, s := c.file.Sweep, &c.d.Sweep
	s.Single = c.commands("sweep.single", f.Single)
	s.Continuous = c.commands("sweep.continuous", f.Continuous)
	s.Start = c.startSteps(f.Start, f.Complete.By)
	s.Stop = c.commands("sweep.stop", f.Stop)
	s.Freeze = c.commands("sweep.freeze", f.Freeze)
	if len(s.Start) == 0 {
		c.failf("sweep.start", "is missing: give the command that starts one sweep, for example \"INIT\"")
	}
	if c.d.MaxHold.Supported {
		if len(s.Continuous) == 0 {
			c.failf("sweep.continuous", "is missing: say how sweeping without an end is started (needed for max hold)")
		}
		if len(s.Freeze) == 0 {
			c.failf("sweep.freeze", "is missing: say how sweeping ends without clearing the held trace, for example \"INIT:CONT OFF\"")
		}
	}
	if l := f.TimeLaw; l != nil {
		if l.K < 0 || l.PerPoint < 0 || l.Minimum < 0 || l.ZeroSpan < 0 || (l.K == 0 && l.PerPoint == 0 && l.Minimum == 0) {
			c.failf("sweep.time_law", "gives no time: state k (for example 2.5), per_point or minimum, none negative")
		}
		s.Law = &TimeLaw{K: l.K, PerPoint: l.PerPoint, Minimum: l.Minimum, ZeroSpan: l.ZeroSpan, UsesVBW: l.UsesVideo}
	}
	st := c.d.settings[SweepTime]
	if s.Law == nil && (st == nil || (st.Get.Send == "" && !st.fixed)) {
		c.failf("sweep.time_law", "is missing: the sweep time is not reported (settings.sweep_time.get), so say how it follows from the span and the RBW")
	}
	c.complete()
}

// startSteps compiles sweep.start; for completion by answer its last command
// is answered when the sweep has ended.
func (c *compiler) startSteps(f stepsFile, by string) []Command {
	if n := len(f); n > 0 && by == Answer.String() && f[n-1].Expect == "" {
		f = append(stepsFile(nil), f...)
		f[n-1].Expect = Line.String()
	}
	return c.commands("sweep.start", f)
}

func (c *compiler) complete() {
	f, s := c.file.Sweep.Complete, &c.d.Sweep
	at := "sweep.complete"
	s.By = Completion(c.choice(at+".by", completionNames, f.By, 0))
	s.Query = c.query(at+".query", f.Query)
	s.Reply = c.regexp(at+".reply", f.Reply)
	s.Mask, s.Every, s.First, s.Factor, s.Plus, s.Timeout = f.Mask, f.Every, f.First, f.Factor, f.Plus, f.Timeout
	if s.Every == 0 {
		s.Every = 20 * time.Millisecond
	}
	send := f.Send
	line := func(def string) {
		if s.Query.Send == "" {
			s.Query = Command{Send: def, Expect: Line}
			c.text(at, def)
		}
	}
	switch s.By {
	case OPCQuery:
		line("*OPC?")
		if s.Reply == nil {
			s.Reply = regexp.MustCompile(`^\+?1$`)
		}
	case OPCPoll:
		line("*ESR?")
		if send.Send == "" {
			send.Send = "*OPC"
		}
		if s.Mask == 0 {
			s.Mask = 1 // operation complete: IEEE 488.2 11.5.1.1
		}
	case Condition:
		if s.Query.Send == "" {
			c.failf(at+".query", "is missing: give the query of the condition register, for example \"STAT:OPER:COND?\"")
		}
		if s.Mask <= 0 {
			c.failf(at+".mask", "is missing: the value of the bit to look at, for example 8 for bit 3 (sweeping)")
		}
		if f.Busy == nil || (*f.Busy != 0 && *f.Busy != 1) {
			c.failf(at+".busy", "is missing: 1 if the bit is set while sweeping, 0 if it is set when the sweep has ended")
		} else {
			s.Busy = *f.Busy == 1
		}
	case WAI:
		if send.Send == "" {
			send.Send = "*WAI"
		}
	case Wait:
		if s.Factor == 0 {
			s.Factor = 1.1
		}
		if s.Factor < 1 {
			c.failf(at+".factor", "must be at least 1, or the trace is read before the sweep has ended")
		}
	case Answer:
		if n := len(s.Start); n > 0 && s.Start[n-1].Expect == None {
			c.failf(at+".by", "is answer, but the last command of sweep.start expects none")
		}
	}
	if send.Send != "" {
		if s.By != OPCPoll && s.By != WAI {
			c.failf(at+".send", "only goes with opc_poll and wai")
		}
		s.Send = c.step(at+".send", send, QuantityUnknown).Command
	}
	if f.Reply != "" && s.By != OPCQuery && s.By != Answer {
		c.failf(at+".reply", "only goes with opc_query and answer")
	}
	if s.Every < 0 || s.First < 0 || s.Plus < 0 || s.Timeout < 0 {
		c.failf(at, "times must not be negative")
	}
}

func (c *compiler) trace() {
	f, t := c.file.Trace, &c.d.Trace
	t.Shape = Shape(c.choice("trace.shape", shapeNames, f.Shape, 0))
	t.Numbers = Numbers(c.choice("trace.numbers", numbersNames, f.Numbers, int(ASCII)))
	t.Format = c.commands("trace.format", f.Format)
	t.LineCount, t.Until, t.Header, t.SkipFields, t.FirstIndex, t.Digits = f.Lines, f.Until, f.Header, f.SkipFields, f.FirstIndex, f.Digits
	t.Missing = f.Missing
	if f.Timeout != "" {
		d, err := time.ParseDuration(f.Timeout)
		if err != nil || d < 0 {
			c.failf("trace.timeout", "need a time with its unit, for example \"20s\", have %q", f.Timeout)
		}
		t.Timeout = d
	}
	c.traceQuery()
	c.traceNumbers()
	known := c.pointsKnown()
	switch t.Shape {
	case OneBlock:
		t.Framing = Framing(c.choice("trace.block", framingNames, f.Block, int(Definite)))
		if t.Framing != Definite && !known {
			c.failf("trace.block", "%s tells no length, so the number of points must be known: add settings.points with get or fixed", t.Framing)
		}
	case ManyLines:
		t.AtPrompt = f.Until == "prompt"
		switch {
		case t.AtPrompt && c.file.Link.Prompt == "":
			c.failf("trace.until", "is prompt, but link.prompt is not stated")
		case t.LineCount < 0:
			c.failf("trace.lines", "must not be negative")
		case t.LineCount > 0 && t.Until != "":
			c.failf("trace.until", "and trace.lines are both stated: keep one")
		case t.LineCount == 0 && t.Until == "" && !known:
			c.failf("trace.lines", "is missing: state how many lines, or until (a last line, or prompt), or settings.points with get or fixed")
		}
	case PerPoint:
		if !known {
			c.failf("trace.shape", "is each, so the number of points must be known: add settings.points with get or fixed")
		}
	}
	if f.Block != "" && t.Shape != OneBlock {
		c.failf("trace.block", "only goes with shape: block")
	}
	if (f.Lines != 0 || f.Until != "") && t.Shape != ManyLines {
		c.failf("trace.shape", "must be lines when trace.lines or trace.until is stated")
	}
	if t.Header < 0 || t.SkipFields < 0 {
		c.failf("trace", "header_lines and skip_fields must not be negative")
	}
}

func (c *compiler) pointsKnown() bool {
	p := c.d.settings[Points]
	return p != nil && (p.fixed || p.Get.Send != "")
}

func (c *compiler) traceQuery() {
	f, t := c.file.Trace, &c.d.Trace
	n := len(f.Query)
	if n == 0 {
		c.failf("trace.query", "is missing: give the query of the trace, for example \"TRAC? TRACE1\"")
		return
	}
	want := map[Shape]Expect{OneLine: Line, ManyLines: Lines, OneBlock: Block, PerPoint: Line}[t.Shape]
	q := append(stepsFile(nil), f.Query...)
	last := &q[n-1]
	if last.Expect != "" && last.Expect != want.String() {
		c.failf("trace.query", "expect follows from trace.shape: remove it")
	}
	last.Expect, last.Lines = want.String(), 0
	if want == Lines {
		last.Lines = 1
	}
	kind := QuantityUnknown
	if t.Shape == PerPoint {
		kind = Integer
	}
	steps := c.steps("trace.query", q, kind)
	for _, s := range steps[:n-1] {
		t.Before = append(t.Before, s.Command)
	}
	t.Query, t.point = steps[n-1].Command, steps[n-1].template
	if t.Shape == PerPoint && t.point.value == nil {
		c.failf("trace.query", "asks for the same point each time: put {integer} where the point's number stands")
	}
}

func (c *compiler) traceNumbers() {
	f, t := c.file.Trace, &c.d.Trace
	t.Scale, t.Offset = 1, f.Offset
	if t.Numbers == Int32 {
		t.Scale = 1e-3 // thousandths of a dBm
	}
	if f.Scale != nil {
		t.Scale = *f.Scale
		if t.Scale == 0 || math.IsNaN(t.Scale) || math.IsInf(t.Scale, 0) {
			c.failf("trace.scale", "must be a number other than 0")
		}
	}
	w := t.Numbers.Width()
	switch {
	case w > 0 && t.Shape != OneBlock:
		c.failf("trace.numbers", "%s are bytes and come in a block: state shape: block", t.Numbers)
	case w > 1 && f.Order == "":
		c.failf("trace.byte_order", "is missing: state big or little, and set it in trace.format, since defaults differ")
	case w > 1 && !c.doc.Has("trace.format"):
		c.failf("trace.format", "is missing: set the number format and the byte order after each connection, since defaults differ; write [] for an instrument that has only one")
	case w == 0 && f.Order != "":
		c.failf("trace.byte_order", "means nothing for numbers as text: remove it")
	}
	switch f.Order {
	case "", "big":
		t.Order = scpi.BigEndian
	case "little":
		t.Order = scpi.LittleEndian
	default:
		c.failf("trace.byte_order", "unknown value %q: known are big, little", f.Order)
	}
	if (t.Numbers == Hex) != (t.Digits != 0) || t.Digits < 0 || t.Digits > 16 {
		c.failf("trace.digits", "goes with numbers: hex, and is the digits of one value (1 to 16)")
	}
	switch f.Separator {
	case "", "comma":
		t.Separator = ','
	case "blank":
		t.Separator = ' '
	case "semicolon":
		t.Separator = ';'
	default:
		c.failf("trace.separator", "unknown value %q: known are comma, semicolon, blank", f.Separator)
	}
	x, ok := wireNamed(Frequency, f.XUnit)
	switch f.Columns {
	case "", "y":
		if f.XUnit != "" {
			c.failf("trace.x_unit", "only goes with columns: xy")
		}
	case "xy":
		t.Pairs = true
		if f.XUnit == "" {
			x, ok = wireNamed(Frequency, "Hz")
		}
		if !ok {
			c.failf("trace.x_unit", "unknown unit %q: known are %s", f.XUnit, wireNames(Frequency))
		}
		t.XScale = x.scale
	default:
		c.failf("trace.columns", "unknown value %q: known are y, xy", f.Columns)
	}
}

var detectorNames = func() []string {
	var names []string
	for d := driver.Sample; d <= driver.NegativePeak; d++ {
		names = append(names, d.String())
	}
	return names
}()

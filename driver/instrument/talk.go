package instrument

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/link"
	"lidded/driver/scpi"
)

// talker owns the link of one instrument and the conversation on it.
type talker struct {
	spec     Spec
	dialect  *dialect.Dialect
	opts     link.Options
	conn     *link.Conn // nil when there is none
	identity atomic.Pointer[driver.Identity]

	restarted bool          // the power-on bit was seen since the settings were applied
	reported  bool          // ... and not yet told by Health
	patience  time.Duration // longer time-out for the next reply only
	pending   string        // commands that go with the next question for errors
	limits    limits
	events    int             // error bits of an event register, read on the way and not yet reported
	both      dialect.Command // event register and error queue in one line; Send is empty when not possible
}

// limit is what the instrument itself says about an item.
type limit struct{ min, max float64 }

type limits [dialect.Output + 1]limit

func (t *talker) init(spec Spec) {
	t.spec = spec.withDefaults()
	t.dialect = spec.Dialect
	t.opts = t.spec.options()
	if e, event := t.dialect.Errors.Query, t.dialect.Status.Event; t.dialect.Link.Compound && e.Send != "" && event.Send != "" {
		t.both = e
		t.both.Send = event.Send + ";" + rooted(e.Send)
	}
}

// Identity returns who answered when the link was last established.
func (t *talker) Identity() driver.Identity {
	if id := t.identity.Load(); id != nil {
		return *id
	}
	return driver.Identity{}
}

// Dialect returns what the instrument is talked to in.
func (t *talker) Dialect() *dialect.Dialect { return t.dialect }

func (t *talker) fail(op, command string, kind driver.Kind, err error, reply, hint string) error {
	return &driver.Error{Op: op, Instrument: t.spec.Name, Command: command, Reply: reply, Kind: kind, Hint: hint, Err: err}
}

// drop gives the link up: whatever still comes on it is never read.
func (t *talker) drop() {
	t.patience, t.pending = 0, ""
	if t.conn != nil {
		t.conn.Close()
		t.conn = nil
	}
}

// distrust gives the link up because of an answer that makes no sense, and
// returns the error to report.
func (t *talker) distrust(op string, c dialect.Command, kind driver.Kind, err error, reply string) error {
	t.drop()
	return t.fail(op, c.Send, kind, err, reply, "")
}

var errNoLink = errors.New("there is no link")

// do sends one command and reads what the dialect says comes back. The reply is
// valid until the next command. Lines are joined by "\n".
func (t *talker) do(ctx context.Context, c dialect.Command) ([]byte, error) {
	if c.Send == "" {
		return nil, t.pause(ctx, c.Settle)
	}
	if t.conn == nil {
		return nil, t.fail("write", c.Send, driver.KindClosed, errNoLink, "", "recover it first")
	}
	begun := time.Now()
	reply, err := t.exchange(ctx, c)
	if t.spec.Observer != nil {
		t.spec.Observer.Exchange(t.spec.Name, c.Send, time.Since(begun), err)
	}
	if err == nil && c.Settle > 0 {
		err = t.pause(ctx, c.Settle)
	}
	return reply, err
}

func (t *talker) exchange(ctx context.Context, c dialect.Command) ([]byte, error) {
	if err := t.conn.WriteLine(ctx, c.Send); err != nil {
		return nil, t.lost(err)
	}
	timeout := max(c.Timeout, t.patience)
	var reply []byte
	var err error
	switch c.Expect {
	case dialect.Line, dialect.Ack:
		t.patience = 0
		reply, err = t.conn.ReadLine(ctx, timeout)
	case dialect.Lines:
		t.patience = 0
		reply, err = t.lines(ctx, c.Lines, timeout)
	case dialect.Block:
		t.patience = 0
		reply, err = t.conn.ReadBlock(ctx, 0, timeout)
	}
	if err != nil {
		return nil, t.lost(err)
	}
	return reply, t.expected(c, reply)
}

// lost lets go of a link that failed; errors that left it usable keep it.
func (t *talker) lost(err error) error {
	if t.conn != nil && t.conn.Poisoned() != nil {
		t.drop()
	}
	return err
}

func (t *talker) lines(ctx context.Context, n int, timeout time.Duration) ([]byte, error) {
	var all []byte
	for i := range n {
		b, err := t.conn.ReadLine(ctx, timeout)
		if err != nil {
			return nil, err
		}
		if i > 0 {
			all = append(all, '\n')
		}
		all = append(all, b...)
		timeout = 0
	}
	return all, nil
}

// expected checks a reply against what the dialect says of it.
func (t *talker) expected(c dialect.Command, reply []byte) error {
	if c.Expect == dialect.Ack && !t.dialect.Ack.Match(reply) {
		if r := t.dialect.Refused; r != nil && r.Match(reply) {
			return t.fail("acknowledge", c.Send, driver.KindDeviceSettings, errors.New("the instrument refused the command"), string(reply), "")
		}
		return t.distrust("acknowledge", c, driver.KindFraming, errors.New("the reply is no acknowledgement"), string(reply))
	}
	if c.Match != nil && !c.Match.Match(reply) {
		return t.fail("compare", c.Send, driver.KindReadback, fmt.Errorf("the reply does not match %s", c.Match), string(reply), "")
	}
	return nil
}

// pause waits, unless the caller gives up.
func (t *talker) pause(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return nil
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return t.fail("wait", "", driver.KindOf(ctx.Err()), context.Cause(ctx), "", "")
	}
}

// run does commands whose replies do not matter, one after the other.
func (t *talker) run(ctx context.Context, cmds []dialect.Command) error {
	for _, c := range cmds {
		if _, err := t.do(ctx, c); err != nil {
			return err
		}
	}
	return nil
}

// apply does commands and then asks what the instrument thinks of them.
func (t *talker) apply(ctx context.Context, cmds []dialect.Command) error {
	if len(cmds) == 0 {
		return nil
	}
	if err := t.run(ctx, cmds); err != nil {
		return err
	}
	return t.verify(ctx, cmds[len(cmds)-1].Send)
}

// number asks for a number.
func (t *talker) number(ctx context.Context, s *dialect.Setting) (float64, error) {
	reply, err := t.do(ctx, s.Get)
	if err != nil {
		return 0, err
	}
	v, err := s.ReadNumber(string(reply))
	if err != nil {
		return 0, t.distrust("read back", s.Get, driver.KindFormat, err, string(reply))
	}
	return v, nil
}

// choice asks for a choice.
func (t *talker) choice(ctx context.Context, s *dialect.Setting, preferred string) (string, error) {
	reply, err := t.do(ctx, s.Get)
	if err != nil {
		return "", err
	}
	v, err := s.ReadChoice(string(reply), preferred)
	if err != nil {
		return "", t.distrust("read back", s.Get, driver.KindFormat, err, string(reply))
	}
	return v, nil
}

// register asks for a status register.
func (t *talker) register(ctx context.Context, c dialect.Command) (int, error) {
	reply, err := t.do(ctx, c)
	if err != nil {
		return 0, err
	}
	return t.registerValue(c, reply)
}

func (t *talker) registerValue(c dialect.Command, reply []byte) (int, error) {
	v, err := scpi.ParseInt(reply)
	if err != nil {
		return 0, t.distrust("read status", c, driver.KindFormat, err, string(reply))
	}
	if c.Send == t.dialect.Status.Event.Send {
		t.note(int(v))
	}
	if e := t.dialect.Errors; c.Send == e.Event.Send {
		t.events |= int(v) & e.Mask
	}
	return int(v), nil
}

// note looks for the power-on bit in the standard event register.
func (t *talker) note(events int) {
	if events&t.dialect.Status.PowerOn != 0 {
		t.restarted, t.reported = true, true
	}
}

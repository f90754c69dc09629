package link

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"lidded/driver"
)

// endBytes are the line-end bytes that may follow what was read, now or later,
// and that then belong to it.
type endBytes uint8

const (
	optionalCR endBytes = 1 << iota
	optionalLF
)

// dropEnd consumes optional line-end bytes at the front of the buffer, each at
// most once and in any order.
func (c *Conn) dropEnd() {
	for c.optional != 0 && c.r < c.w {
		switch b := c.buf[c.r]; {
		case b == '\r' && c.optional&optionalCR != 0:
			c.optional &^= optionalCR
		case b == '\n' && c.optional&optionalLF != 0:
			c.optional &^= optionalLF
		default:
			c.optional = 0
			return
		}
		c.r++
	}
}

// WriteLine sends one command line, to which Options.WriteEnd is added. It
// waits for the prompt first, if there is one, and reads the echo after, if
// there is one. Input that nobody read is an error and poisons the link: query
// and reply are out of step. A line that is too long or holds a line end is
// refused before anything is sent, and so is a cancelled context; the link
// stays usable then.
func (c *Conn) WriteLine(ctx context.Context, line string) error {
	o, err := c.begin(ctx, "write")
	if err != nil {
		return err
	}
	defer o.end()
	if err := o.checkLine(line); err != nil {
		return err
	}
	if err := o.pause(); err != nil {
		return err
	}
	c.compact()
	if err := o.awaitPrompt(); err != nil {
		return err
	}
	if err := o.noExtraInput(); err != nil {
		return err
	}
	c.out = append(append(c.out[:0], line...), c.opts.WriteEnd...)
	if c.opts.Log != nil {
		c.opts.Log.begin(time.Now(), line)
	}
	o.writeDeadline(time.Now().Add(c.opts.Write))
	if _, err := c.t.Write(c.out); err != nil {
		return o.broken(err, c.opts.Write, nil, "the instrument did not take the command")
	}
	c.promptDue = len(c.prompt) > 0
	if c.opts.Echo {
		return o.readEcho(line)
	}
	return nil
}

// checkLine refuses what must not be sent.
func (o *operation) checkLine(line string) error {
	c := o.c
	if err := o.ctx.Err(); err != nil {
		return o.refuse(driver.KindOf(err), line, context.Cause(o.ctx), "")
	}
	if n := len(line) + len(c.opts.WriteEnd); c.opts.MaxLine > 0 && n > c.opts.MaxLine {
		return o.refuse(driver.KindDeviceDialect, line,
			fmt.Errorf("the line has %d bytes with its end, the instrument takes %d", n, c.opts.MaxLine),
			"send fewer commands in one line")
	}
	if line == "" || strings.ContainsAny(line, "\r\n\x00") || strings.Contains(line, c.opts.WriteEnd) {
		return o.refuse(driver.KindDeviceDialect, line,
			errors.New("the line is empty or holds a line end"), "send one command line at a time")
	}
	return nil
}

// pause keeps the least gap between exchanges.
func (o *operation) pause() error {
	c := o.c
	if c.opts.MinGap <= 0 || c.lastUse.IsZero() {
		return nil
	}
	wait := c.opts.MinGap - time.Since(c.lastUse)
	if wait <= 0 {
		return nil
	}
	t := time.NewTimer(wait)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-o.ctx.Done():
		return o.refuse(driver.KindOf(o.ctx.Err()), "", context.Cause(o.ctx), "")
	}
}

// awaitPrompt reads the prompt that ends the previous command.
func (o *operation) awaitPrompt() error {
	c := o.c
	if !c.promptDue {
		return nil
	}
	prompt := c.prompt
	for {
		for c.r < c.w && (c.buf[c.r] == '\r' || c.buf[c.r] == '\n') {
			c.r++
		}
		got := c.unread()
		if len(got) >= len(prompt) || !bytes.HasPrefix(prompt, got) {
			break
		}
		if err := o.fill(c.firstByte(0), fmt.Sprintf("no prompt %q came", c.opts.Prompt)); err != nil {
			return err
		}
	}
	if !bytes.HasPrefix(c.unread(), prompt) {
		return o.fail(driver.KindFraming, fmt.Errorf("something else came where the prompt %q was due", c.opts.Prompt), c.unread(), "")
	}
	c.r += len(prompt)
	c.promptDue = false
	c.optional = 0
	return nil
}

// noExtraInput makes sure that nothing unread is left before a command.
func (o *operation) noExtraInput() error {
	c := o.c
	c.dropEnd()
	if c.r == c.w {
		c.r, c.w = 0, 0
		if err := c.poll(); err != nil {
			return o.broken(err, 0, nil, "")
		}
		c.dropEnd()
	}
	if c.r < c.w {
		return o.fail(driver.KindFraming, errors.New("extra input before a command: query and reply are out of step"), c.unread(), "")
	}
	return nil
}

// readEcho reads the line back and compares.
func (o *operation) readEcho(line string) error {
	c := o.c
	for c.dropEnd(); c.w-c.r < len(line); c.dropEnd() {
		if err := o.fill(c.firstByte(0), "no echo came"); err != nil {
			return err
		}
	}
	if got := c.buf[c.r : c.r+len(line)]; string(got) != line {
		return o.fail(driver.KindFraming, errors.New("the echo differs from the command"), c.unread(), "is echo set for an instrument that has none?")
	}
	c.r += len(line)
	c.optional = optionalCR | optionalLF
	c.dropEnd()
	return nil
}

// ReadLine reads one reply line and returns it without its end; the slice is
// valid until the next call on the Conn. timeout is the time to the first byte,
// 0 for Options.Reply; after it Options.Gap holds between the pieces.
func (c *Conn) ReadLine(ctx context.Context, timeout time.Duration) ([]byte, error) {
	o, err := c.begin(ctx, "read line")
	if err != nil {
		return nil, err
	}
	defer o.end()
	c.compact()
	wait := c.firstByte(timeout)
	end := c.opts.ReadEnd[0]
	for from := 0; ; {
		c.dropEnd()
		from = max(from, c.r)
		if i := bytes.IndexByte(c.buf[from:c.w], end); i >= 0 {
			i += from
			line := c.buf[c.r:i]
			c.r = i + 1
			if end == '\r' {
				c.optional = optionalLF
			} else {
				c.optional = optionalCR // a few send "\n\r"
				line = bytes.TrimSuffix(line, []byte{'\r'})
			}
			c.dropEnd()
			o.received(line, len(line))
			return line, nil
		}
		from = c.w
		if c.w-c.r > c.opts.MaxReply {
			return nil, o.fail(driver.KindFraming, fmt.Errorf("no line end in %d bytes", c.w-c.r), c.unread(), "")
		}
		if err := o.fill(wait, "no reply came"); err != nil {
			return nil, err
		}
	}
}

// received notes a whole reply of n bytes in the log.
func (o *operation) received(reply []byte, n int) {
	if log := o.c.opts.Log; log != nil {
		log.end(time.Now(), reply, n, nil)
	}
}

// Quiet reads and discards until nothing has come for the time quietFor, then
// discards what the system still holds. It is the first thing to do on a newly
// opened serial port, which cannot be connected anew: a late reply to an
// earlier owner is gone after it. A line that does not fall quiet within ten
// times quietFor (2 s at least) poisons the link.
func (c *Conn) Quiet(ctx context.Context, quietFor time.Duration) error {
	o, err := c.begin(ctx, "wait for quiet")
	if err != nil {
		return err
	}
	defer o.end()
	limit := time.Now().Add(max(10*quietFor, 2*time.Second))
	for {
		quiet, err := o.discard(time.Now().Add(quietFor))
		if err != nil {
			return err
		}
		if quiet {
			break
		}
		if time.Now().After(limit) {
			return o.fail(driver.KindFraming, errors.New("the line does not fall quiet"), nil, "is something else sending on it?")
		}
	}
	if err := c.t.flushInput(); err != nil {
		return o.broken(err, 0, nil, "")
	}
	c.promptDue = false
	return nil
}

package link

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"syscall"
	"time"

	"lidded/driver"
)

// transport is a byte stream with deadlines: a TCP connection or a serial port.
type transport interface {
	io.ReadWriteCloser
	SetReadDeadline(time.Time) error
	SetWriteDeadline(time.Time) error
	SyscallConn() (syscall.RawConn, error)

	// flushInput discards what the system holds unread.
	flushInput() error

	// abandon closes and drops what was written but has not left yet, so that
	// it is not delivered later.
	abandon() error
}

// Conn is one link to one instrument. One goroutine owns it for a whole
// exchange; only Close, Poisoned and Address may be called from others.
//
// Errors are *driver.Error. After any of them that leaves the link in doubt
// (time-out, cancellation, framing, loss) the Conn is poisoned: it is closed at
// once, and every later call fails with driver.KindClosed wrapping the first
// cause.
type Conn struct {
	addr Address
	opts Options
	t    transport
	raw  syscall.RawConn

	buf  []byte // buf[r:w] is unread
	r, w int
	out  []byte // the last line written, with its end

	prompt    []byte    // Options.Prompt without line ends before it
	heard     bool      // something was received since connecting
	optional  endBytes  // line-end bytes that may still follow a reply
	promptDue bool      // a prompt must come before the next command
	lastUse   time.Time // end of the last operation, kept for MinGap
	pollRead  func(fd uintptr)
	polled    int
	pollErr   error

	expect int // bytes of the next reply, 0 if nobody said

	mu        sync.Mutex
	cause     error           // the first failure
	watched   <-chan struct{} // of the context whose end ends operations
	watchNo   uint64
	stopWatch func() bool
}

// Address returns where the link leads.
func (c *Conn) Address() Address { return c.addr }

// Poisoned returns the failure that ended the link, or nil while it is usable.
func (c *Conn) Poisoned() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.cause
}

// Close ends the link. It may be called at any time and more than once; an
// operation under way in another goroutine fails with driver.KindClosed.
func (c *Conn) Close() error {
	c.mu.Lock()
	if c.cause != nil { // poisoned, which closed the transport, or closed before
		c.mu.Unlock()
		return nil
	}
	c.cause = &driver.Error{Op: "close", Instrument: c.name(), Kind: driver.KindClosed, Err: errClosed}
	c.unwatch()
	c.mu.Unlock()
	if err := c.t.Close(); err != nil {
		return &driver.Error{Op: "close", Instrument: c.name(), Kind: driver.KindClosed, Err: err}
	}
	return nil
}

var errClosed = errors.New("the link was closed")

func (c *Conn) name() string {
	if c.opts.Name != "" {
		return c.opts.Name
	}
	return c.addr.String()
}

// newConn wraps a connected transport. opts has its defaults.
func newConn(addr Address, opts Options, t transport) (*Conn, error) {
	raw, err := t.SyscallConn()
	if err != nil {
		return nil, err
	}
	c := &Conn{addr: addr, opts: opts, t: t, raw: raw, buf: make([]byte, 4096),
		prompt: bytes.TrimLeft([]byte(opts.Prompt), "\r\n")}
	c.pollRead = func(fd uintptr) { c.polled, c.pollErr = syscall.Read(int(fd), c.buf[c.w:]) }
	return c, nil
}

// operation is one call that uses the transport.
type operation struct {
	c    *Conn
	ctx  context.Context
	name string

	begun time.Time // when it first waited for input
	first time.Time // when the reply began
	size  int       // bytes expected; 0: lineSize
}

// Expect says how many bytes the next reply may have, so that a long one gets
// its time. It holds for one read; ReadBlock and ReadN go by what they are told.
func (c *Conn) Expect(bytes int) { c.expect = bytes }

// rate is how many bytes a second are the least: of a slow serial line, a third
// of what it carries.
func (c *Conn) rate() float64 {
	if c.addr.Scheme == SchemeSerial && c.addr.Baud > 0 {
		return min(leastRate, float64(c.addr.Baud)/10/3)
	}
	return leastRate
}

// due is when the reply that has begun must be complete, given what has come.
func (o *operation) due() time.Time {
	c := o.c
	size := o.size
	if size <= 0 {
		size = max(c.expect, lineSize)
	}
	return o.first.Add(c.Allowance(min(c.w-c.r, size) + 1))
}

func (c *Conn) slack() time.Duration { return max(2*c.opts.Gap, leastSlack) }

// Allowance is how long a reply of so many bytes may take from its first byte
// on, for whoever reads one in several pieces.
func (c *Conn) Allowance(bytes int) time.Duration {
	return c.slack() + time.Duration(float64(bytes)/c.rate()*float64(time.Second))
}

// long ago, as a deadline that has passed.
var past = time.Unix(1, 0)

// begin starts an operation, or says why it cannot be.
func (c *Conn) begin(ctx context.Context, name string) (operation, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.cause != nil {
		return operation{}, &driver.Error{Op: name, Instrument: c.name(), Kind: driver.KindClosed,
			Err: fmt.Errorf("the link was given up: %w", c.cause)}
	}
	if done := ctx.Done(); done != c.watched {
		c.unwatch()
		c.watch(ctx)
	}
	return operation{c: c, ctx: ctx, name: name}, nil
}

// watch lets the end of ctx end the reads and writes of operations under it.
// It stays in force from one operation to the next, since setting it up anew
// for each would cost several percent of a query; each operation sets its own
// deadlines, so it does not matter if ctx ends between two. c.mu is held.
func (c *Conn) watch(ctx context.Context) {
	c.watched = ctx.Done()
	if c.watched == nil {
		return
	}
	c.watchNo++
	no := c.watchNo
	c.stopWatch = context.AfterFunc(ctx, func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		if c.watched != nil && c.watchNo == no {
			c.t.SetReadDeadline(past)
			c.t.SetWriteDeadline(past)
		}
	})
}

// unwatch ends the effect of the last watch. c.mu is held.
func (c *Conn) unwatch() {
	if c.watched != nil {
		c.stopWatch()
	}
	c.watched, c.stopWatch = nil, nil
}

// end finishes the operation.
func (o *operation) end() {
	o.c.expect = 0
	if o.c.opts.MinGap > 0 {
		o.c.lastUse = time.Now()
	}
}

// fail poisons the link and returns the error for the caller. partial is what
// had arrived of a reply.
func (o *operation) fail(kind driver.Kind, err error, partial []byte, hint string) error {
	c := o.c
	e := &driver.Error{Op: o.name, Instrument: c.name(), Command: c.command(), Kind: kind, Err: err,
		Reply: string(partial[:min(len(partial), 256)]), Hint: hint}
	if c.opts.Log != nil {
		c.opts.Log.end(time.Now(), partial, len(partial), e)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.cause == nil {
		c.cause = e
		c.unwatch()
		c.t.abandon()
	}
	return e
}

// refuse returns an error for a call that never reached the transport; the
// link stays usable.
func (o *operation) refuse(kind driver.Kind, command string, err error, hint string) error {
	return &driver.Error{Op: o.name, Instrument: o.c.name(), Command: command, Kind: kind, Err: err, Hint: hint}
}

// broken turns an error of the transport into the caller's error. waited is
// the time-out that was in force.
func (o *operation) broken(err error, waited time.Duration, partial []byte, what string) error {
	c := o.c
	if errors.Is(err, os.ErrDeadlineExceeded) {
		if ctxErr := o.ctx.Err(); ctxErr != nil {
			return o.fail(driver.KindOf(ctxErr), context.Cause(o.ctx), partial, "")
		}
		err = fmt.Errorf("%s within %v", what, waited)
		if !c.heard && c.addr.Scheme == SchemeTCP {
			return o.fail(driver.KindBusy, err, partial, "connected but silent: busy with another client?")
		}
		hint := ""
		if !c.heard {
			hint = "check cable, power, baud rate and line ends"
		}
		return o.fail(driver.KindTimeout, err, partial, hint)
	}
	if err == io.EOF || errors.Is(err, syscall.EIO) {
		err = errors.New("the instrument closed the link")
		if c.addr.Scheme == SchemeSerial {
			err = errors.New("the serial port is gone")
		}
	}
	hint := ""
	if !c.heard && c.addr.Scheme == SchemeTCP {
		hint = "closed before it said anything: busy with another client?"
	}
	return o.fail(driver.KindClosed, err, partial, hint)
}

// readDeadline sets when a read gives up; a cancelled context wins.
func (o *operation) readDeadline(d time.Time) {
	o.c.t.SetReadDeadline(d)
	if o.ctx.Err() != nil { // it may have ended before the line above
		o.c.t.SetReadDeadline(past)
	}
}

func (o *operation) writeDeadline(d time.Time) {
	o.c.t.SetWriteDeadline(d)
	if o.ctx.Err() != nil {
		o.c.t.SetWriteDeadline(past)
	}
}

// command returns the last line written, without its end.
func (c *Conn) command() string {
	return string(c.out[:max(0, len(c.out)-len(c.opts.WriteEnd))])
}

// unread returns the bytes received and not consumed.
func (c *Conn) unread() []byte { return c.buf[c.r:c.w] }

// compact moves the unread bytes to the front; it ends the validity of what
// the last read returned.
func (c *Conn) compact() {
	if c.r > 0 {
		c.w = copy(c.buf, c.buf[c.r:c.w])
		c.r = 0
	}
}

// room makes space for at least n more bytes.
func (c *Conn) room(n int) {
	if len(c.buf)-c.w >= n {
		return
	}
	b := make([]byte, max(2*len(c.buf), c.w+n))
	copy(b, c.buf[:c.w])
	c.buf = b
}

// fill reads at least one more byte. For the first byte of a reply the wait is
// first; between the pieces of one, or when it has begun, it is Options.Gap.
func (o *operation) fill(first time.Duration, what string) error {
	c := o.c
	now := time.Now()
	if o.begun.IsZero() {
		o.begun = now
	}
	wait, until := first, o.begun.Add(first)
	if c.w > c.r {
		if o.first.IsZero() {
			o.first = now
		}
		wait, what = c.opts.Gap, "the reply stopped, nothing more came"
		until = now.Add(wait)
		if due := o.due(); due.Before(until) {
			wait, what, until = due.Sub(o.first), "the reply goes on too slowly and was not complete", due
		}
	}
	c.room(1)
	o.readDeadline(until)
	n, err := c.t.Read(c.buf[c.w:])
	if n > 0 {
		c.w += n
		c.heard = true
		return nil
	}
	if err == nil {
		err = io.EOF
	}
	return o.broken(err, wait, c.unread(), what)
}

// poll takes what has arrived without waiting.
func (c *Conn) poll() error {
	c.room(1)
	for {
		if err := c.raw.Control(c.pollRead); err != nil {
			return err
		}
		switch {
		case c.polled > 0:
			c.w += c.polled
			c.heard = true
			return nil
		case c.pollErr == syscall.EINTR:
			continue
		case c.pollErr == syscall.EAGAIN:
			return nil
		case c.pollErr != nil:
			return c.pollErr
		}
		return io.EOF
	}
}

// firstByte returns the time to wait for the first byte of a reply; timeout 0
// means the configured one.
func (c *Conn) firstByte(timeout time.Duration) time.Duration {
	if timeout <= 0 {
		timeout = c.opts.Reply
	}
	if !c.heard {
		timeout = max(timeout, c.opts.FirstReply)
	}
	return timeout
}

package link

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"lidded/driver"
	"lidded/driver/scpi"
)

// ErrNoTrace is wrapped by the error for a bare "#0": the instrument has no
// valid trace to give. The link stays usable.
var ErrNoTrace = errors.New("an empty block (#0): the instrument has no valid trace")

// ReadBlock reads one block reply (IEEE 488.2 8.7.9 and 8.7.10, and the older
// forms of scpi.ParseHeader) and returns its payload, valid until the next call
// on the Conn. The payload is read by its length, never to a line end; a line
// end after it is dropped, whenever it comes. timeout is as for ReadLine.
//
// expectBytes is the payload length that must come, 0 if it is not known. A
// definite block of another length is a framing error. An indefinite block
// ("#0...") can only be told apart from what follows when its length is known;
// a bare "#0" gives ErrNoTrace.
func (c *Conn) ReadBlock(ctx context.Context, expectBytes int, timeout time.Duration) ([]byte, error) {
	o, err := c.begin(ctx, "read block")
	if err != nil {
		return nil, err
	}
	defer o.end()
	c.compact()
	wait := c.firstByte(timeout)
	var h scpi.Header
	for {
		c.dropEnd()
		h, err = scpi.ParseHeader(c.unread(), c.opts.MaxReply)
		if err == nil {
			break
		}
		if !errors.Is(err, scpi.ErrShort) {
			return nil, o.fail(driver.KindFraming, err, c.unread(), "")
		}
		if err := o.fill(wait, "no reply came"); err != nil {
			return nil, err
		}
	}
	switch {
	case h.Form == scpi.FormIndefinite:
		return o.indefinite(h, expectBytes)
	case expectBytes > 0 && h.Len != expectBytes:
		return nil, o.fail(driver.KindFraming, fmt.Errorf("the block has %d bytes, expected %d", h.Len, expectBytes), c.unread(), "")
	}
	payload, err := o.take(h.Size, h.Len, wait)
	if err != nil {
		return nil, err
	}
	return payload, o.afterBinary(len(payload))
}

// ReadN reads exactly n bytes, for binary replies without a header; the slice
// is valid until the next call on the Conn. A line end after them is dropped.
// timeout is as for ReadLine.
func (c *Conn) ReadN(ctx context.Context, n int, timeout time.Duration) ([]byte, error) {
	o, err := c.begin(ctx, "read bytes")
	if err != nil {
		return nil, err
	}
	defer o.end()
	if n <= 0 || n > c.opts.MaxReply {
		return nil, o.refuse(driver.KindFormat, c.command(), fmt.Errorf("a reply of %d bytes cannot be asked for", n), "")
	}
	c.compact()
	c.dropEnd()
	wait := c.firstByte(timeout)
	for c.r == c.w {
		if err := o.fill(wait, "no reply came"); err != nil {
			return nil, err
		}
		c.dropEnd()
	}
	b, err := o.take(0, n, wait)
	if err != nil {
		return nil, err
	}
	return b, o.afterBinary(n)
}

// take skips some bytes and consumes the n after them.
func (o *operation) take(skip, n int, wait time.Duration) ([]byte, error) {
	c := o.c
	c.room(skip + n + 2 - (c.w - c.r))
	o.size = skip + n
	for c.w-c.r < skip+n {
		if err := o.fill(wait, "no reply came"); err != nil {
			return nil, err
		}
	}
	b := c.buf[c.r+skip : c.r+skip+n]
	c.r += skip + n
	return b, nil
}

// afterBinary allows for a line end after a binary reply and for the prompt,
// and for nothing else.
func (o *operation) afterBinary(n int) error {
	c := o.c
	c.optional = optionalCR | optionalLF
	c.dropEnd()
	if rest := c.unread(); len(rest) > 0 {
		p := c.prompt
		rest = bytes.TrimLeft(rest, "\r\n")
		if len(p) == 0 || !bytes.HasPrefix(p, rest[:min(len(rest), len(p))]) {
			return o.fail(driver.KindFraming, errors.New("bytes follow the end of the block"), c.unread(), "")
		}
	}
	o.received(nil, n)
	return nil
}

// indefinite reads the payload of "#0". Without more bytes within a gap there
// is no trace; this wait is the only way to tell.
func (o *operation) indefinite(h scpi.Header, expect int) ([]byte, error) {
	c := o.c
	for c.w-c.r-h.Size < max(expect, len("\r\n")+1) {
		c.room(max(1, expect))
		if o.first.IsZero() {
			o.first = time.Now()
		}
		o.size = h.Size + max(expect, 1)
		until := time.Now().Add(c.opts.Gap)
		if due := o.due(); due.Before(until) {
			until = due
		}
		o.readDeadline(until)
		n, err := c.t.Read(c.buf[c.w:])
		c.w += n
		if n > 0 {
			continue
		}
		got := c.buf[c.r+h.Size : c.w]
		if errors.Is(err, os.ErrDeadlineExceeded) && o.ctx.Err() == nil && len(bytes.Trim(got, "\r\n")) == 0 && len(got) <= 2 {
			c.r, c.optional = c.w, 0
			o.received([]byte("#0"), 2)
			return nil, o.refuse(driver.KindDeviceOther, c.command(), ErrNoTrace, "take a sweep before reading the trace")
		}
		return nil, o.broken(err, c.opts.Gap, c.unread(), "the block stopped, nothing more came")
	}
	if expect <= 0 {
		return nil, o.fail(driver.KindFraming, errors.New("an indefinite block whose length is not known has no end on this link"),
			c.unread(), "let the dialect state the number of points")
	}
	payload, err := o.take(h.Size, expect, c.opts.Gap)
	if err != nil {
		return nil, err
	}
	return payload, o.afterBinary(len(payload))
}

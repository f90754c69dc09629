package link

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"
	"syscall"
	"time"

	"lidded/driver"
)

// Dial opens a link. It does not talk to the instrument: a link that opens may
// still be silent, which the first read then reports as driver.KindBusy.
// Options with an unusable ReadEnd are refused.
func Dial(ctx context.Context, addr Address, opts Options) (*Conn, error) {
	opts = opts.withDefaults()
	name := opts.Name
	if name == "" {
		name = addr.String()
	}
	fail := func(kind driver.Kind, err error, hint string) (*Conn, error) {
		return nil, &driver.Error{Op: "dial", Instrument: name, Kind: kind, Err: err, Hint: hint}
	}
	if opts.ReadEnd != "\n" && opts.ReadEnd != "\r" {
		return fail(driver.KindRefused, fmt.Errorf("replies cannot end in %q", opts.ReadEnd), `want "\n" or "\r"`)
	}
	if opts.Prompt != "" && strings.Trim(opts.Prompt, "\r\n") == "" {
		return fail(driver.KindRefused, fmt.Errorf("the prompt %q is only a line end", opts.Prompt), "write down what is visible of it")
	}
	if err := ctx.Err(); err != nil {
		return fail(driver.KindOf(err), err, "")
	}
	var t transport
	var err error
	switch addr.Scheme {
	case SchemeTCP:
		t, err = dialTCP(ctx, addr, opts)
	case SchemeSerial:
		t, err = openSerial(addr)
	default:
		err = errors.New("the address is empty: " + addressForms)
	}
	if err != nil {
		var d *dialError
		if errors.As(err, &d) {
			return fail(d.kind, d.err, d.hint)
		}
		return fail(driver.KindRefused, err, "")
	}
	c, err := newConn(addr, opts, t)
	if err != nil {
		t.Close()
		return fail(driver.KindRefused, err, "")
	}
	if opts.AfterConnect > 0 {
		if err := c.settle(ctx); err != nil {
			c.Close()
			return nil, err
		}
	}
	return c, nil
}

// dialError is a failed dial with what is to be done about it.
type dialError struct {
	kind driver.Kind
	err  error
	hint string
}

func (e *dialError) Error() string { return e.err.Error() }

// settle waits Options.AfterConnect and drops what comes meanwhile.
func (c *Conn) settle(ctx context.Context) error {
	o, err := c.begin(ctx, "settle after connecting")
	if err != nil {
		return err
	}
	defer o.end()
	until := time.Now().Add(c.opts.AfterConnect)
	for {
		done, err := o.discard(until)
		if err != nil || done {
			return err
		}
	}
}

// discard drops input until the time given; done is false when it dropped some
// and returned early.
func (o *operation) discard(until time.Time) (done bool, err error) {
	c := o.c
	c.r, c.w, c.optional = 0, 0, 0
	o.readDeadline(until)
	n, err := c.t.Read(c.buf)
	switch {
	case n > 0:
		c.heard = true
		return false, nil
	case errors.Is(err, os.ErrDeadlineExceeded) && o.ctx.Err() == nil:
		return true, nil
	}
	return false, o.broken(err, 0, nil, "")
}

// tcpConn is a TCP connection as a transport.
type tcpConn struct{ *net.TCPConn }

// dialTCP connects. The keep-alive notices a dead peer within about 11 s of
// idling, where the system's default takes minutes.
func dialTCP(ctx context.Context, addr Address, opts Options) (transport, error) {
	d := net.Dialer{
		Timeout: opts.Dial,
		KeepAliveConfig: net.KeepAliveConfig{
			Enable: true, Idle: 5 * time.Second, Interval: 2 * time.Second, Count: 3,
		},
	}
	conn, err := d.DialContext(ctx, "tcp", addr.Host)
	if err != nil {
		return nil, tcpError(ctx, err, opts.Dial)
	}
	c := conn.(*net.TCPConn)
	if err := c.SetNoDelay(true); err != nil {
		c.Close()
		return nil, err
	}
	return tcpConn{c}, nil
}

func tcpError(ctx context.Context, err error, limit time.Duration) error {
	var dns *net.DNSError
	var timeout net.Error
	switch {
	case errors.Is(ctx.Err(), context.Canceled):
		return &dialError{driver.KindCancelled, context.Cause(ctx), ""}
	case errors.As(err, &dns):
		return &dialError{driver.KindRefused, err, "check the host name in the address"}
	case errors.Is(err, syscall.ECONNREFUSED):
		return &dialError{driver.KindRefused, errors.New("the host refused the connection"), "check the port, and that the instrument's remote control is on"}
	case errors.As(err, &timeout) && timeout.Timeout():
		return &dialError{driver.KindTimeout, fmt.Errorf("no connection within %v", limit), "check that the instrument is on and in this network"}
	}
	return &dialError{driver.KindRefused, err, "check the address and the network"}
}

// flushInput has nothing to do: a new connection has no old input.
func (t tcpConn) flushInput() error { return nil }

// abandon resets the connection, so that unsent commands are not delivered when
// a pulled cable is put back.
func (t tcpConn) abandon() error {
	t.SetLinger(0)
	return t.Close()
}

package labtest

import (
	"bytes"
	"context"
	"net"
	"sync"
	"testing"
	"time"

	"golang.org/x/time/rate"
)

// Proxy stands between a shipper and the server, and can be such a network as
// loopback is not: stopped, it takes connections and what is sent, and neither
// end hears of the other any more, nor of the end of a connection.
type Proxy struct {
	listener net.Listener
	to       string

	mu    sync.Mutex
	held  bool
	after []byte        // stops it once the client has sent this; nil: nothing
	slow  *rate.Limiter // of bytes to the server; nil: none
	conns []net.Conn
}

// NewProxy makes one to an address, which ends with the test.
func NewProxy(t testing.TB, to string) *Proxy {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &Proxy{listener: ln, to: to}
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			wg.Go(func() { p.pass(&wg, c) })
		}
	})
	t.Cleanup(func() {
		ln.Close()
		p.mu.Lock()
		p.held = true
		p.mu.Unlock()
		p.GoOn()
		wg.Wait()
	})
	return p
}

// Addr is where it listens.
func (p *Proxy) Addr() string { return p.listener.Addr().String() }

// Stop holds everything back from now on.
func (p *Proxy) Stop() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.held = true
}

// StopAfter stops once a client has sent these bytes, which still come through.
func (p *Proxy) StopAfter(text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.after = []byte(text)
}

// Stopped reports whether it holds everything back.
func (p *Proxy) Stopped() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.held
}

// Slow lets so many bytes a second through to the server.
func (p *Proxy) Slow(bytes int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.slow = rate.NewLimiter(rate.Limit(bytes), chunk)
}

// GoOn ends what was held and lets new connections through.
func (p *Proxy) GoOn() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.held {
		return
	}
	p.held = false
	for _, c := range p.conns {
		c.Close()
	}
	p.conns = nil
}

const chunk = 1 << 13

// keep notes a connection; it reports whether the proxy is stopped.
func (p *Proxy) keep(c net.Conn) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.conns = append(p.conns, c)
	return p.held
}

func (p *Proxy) pass(wg *sync.WaitGroup, c net.Conn) {
	_ = c.(*net.TCPConn).SetReadBuffer(8 * chunk) // what waits in between is little
	if p.keep(c) {
		return
	}
	s, err := net.DialTimeout("tcp", p.to, time.Second)
	if err != nil {
		c.Close()
		return
	}
	p.keep(s)
	wg.Go(func() { p.copy(s, c, true) })
	p.copy(c, s, false)
}

func (p *Proxy) copy(to, from net.Conn, up bool) {
	buf := make([]byte, chunk)
	for {
		n, err := from.Read(buf)
		p.mu.Lock()
		held, slow := p.held, p.slow
		if up && !held && p.after != nil && bytes.Contains(buf[:n], p.after) {
			p.held, p.after = true, nil
		}
		p.mu.Unlock()
		if held {
			return // neither end hears of it
		}
		if up && slow != nil {
			_ = slow.WaitN(context.Background(), n)
		}
		if err == nil {
			_, err = to.Write(buf[:n])
		}
		if err != nil {
			to.Close()
			from.Close()
			return
		}
	}
}

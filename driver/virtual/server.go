package virtual

import (
	"context"
	"fmt"
	"net"
	"os"
	"sync"
	"time"

	"github.com/creack/pty"
)

// server gives one instrument its ports.
type server struct {
	dev *device

	mu       sync.Mutex
	addr     *net.TCPAddr
	ln       net.Listener
	accepted chan struct{} // closed when the accept loop of ln is over
	keeper   *keeper       // holds the TCP port while nobody listens
	clients  map[net.Conn]struct{}
	most     int // clients served at once, 0 for no limit
	serving  int
	freed    chan struct{} // closed and renewed when a client leaves
	off      map[string]int

	master, slave *os.File
	link          string
	wg            sync.WaitGroup
	ctx           context.Context
}

// open starts the ports that the configuration asks for.
func (v *server) open(ctx context.Context, c InstrumentConfig) error {
	v.ctx = ctx
	v.clients = map[net.Conn]struct{}{}
	v.freed = make(chan struct{})
	v.off = map[string]int{}
	v.most = v.dev.traits.MaxClients
	if c.Listen != NoTCP {
		ln, err := listenLoopback(c.Listen)
		if err != nil {
			return fmt.Errorf("%s: %w", v.dev.role, err)
		}
		v.addr = ln.Addr().(*net.TCPAddr)
		v.mu.Lock()
		v.listen(ln)
		v.mu.Unlock()
	}
	if !c.PTY && c.PTYLink == "" {
		return nil
	}
	master, slave, err := pty.Open()
	if err != nil {
		return fmt.Errorf("%s: pty: %w", v.dev.role, err)
	}
	v.slave = slave
	if master, err = pollable(master); err != nil {
		slave.Close()
		return fmt.Errorf("%s: pty: %w", v.dev.role, err)
	}
	v.master = master
	if err := makeRaw(slave); err != nil {
		return fmt.Errorf("%s: pty: %w", v.dev.role, err)
	}
	if c.PTYLink != "" {
		os.Remove(c.PTYLink)
		if err := os.Symlink(slave.Name(), c.PTYLink); err != nil {
			return fmt.Errorf("%s: pty link: %w", v.dev.role, err)
		}
		v.link = c.PTYLink
	}
	v.wg.Go(func() {
		s := session{srv: v, dev: v.dev, port: gate{master, v}}
		s.serve()
	})
	return nil
}

// listenLoopback listens on a loopback address and refuses any other: the bench
// has no authentication.
func listenLoopback(addr string) (net.Listener, error) {
	if addr == "" {
		addr = "127.0.0.1:0"
	}
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, fmt.Errorf("listen address %q: %w", addr, err)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("listen address %q is not loopback: use 127.0.0.1:PORT", addr)
	}
	return net.Listen("tcp", addr)
}

// listen takes a listener into service, under the lock.
func (v *server) listen(ln net.Listener) {
	done := make(chan struct{})
	v.ln, v.accepted = ln, done
	v.wg.Go(func() {
		defer close(done)
		for {
			conn, err := ln.Accept()
			if err != nil {
				return
			}
			v.mu.Lock()
			if v.ln != ln {
				v.mu.Unlock()
				conn.Close()
				continue
			}
			v.clients[conn] = struct{}{}
			v.wg.Go(func() { v.client(conn) })
			v.mu.Unlock()
		}
	})
}

// client waits for its turn and is served. More clients than the instrument
// takes are connected but hear nothing.
func (v *server) client(conn net.Conn) {
	defer func() {
		conn.Close()
		v.mu.Lock()
		delete(v.clients, conn)
		v.mu.Unlock()
	}()
	for {
		v.mu.Lock()
		if _, ok := v.clients[conn]; !ok {
			v.mu.Unlock()
			return
		}
		if v.most == 0 || v.serving < v.most {
			v.serving++
			v.mu.Unlock()
			break
		}
		freed := v.freed
		v.mu.Unlock()
		select {
		case <-freed:
		case <-v.ctx.Done():
			return
		}
	}
	s := session{srv: v, dev: v.dev, port: conn, end: func() { conn.Close() }}
	s.serve()
	v.mu.Lock()
	v.serving--
	v.release()
	v.mu.Unlock()
}

// release wakes the clients that wait, under the lock.
func (v *server) release() {
	close(v.freed)
	v.freed = make(chan struct{})
}

func (v *server) limit(n int) {
	v.mu.Lock()
	v.most = n
	v.mu.Unlock()
}

func (v *server) isOffline() bool {
	v.mu.Lock()
	defer v.mu.Unlock()
	return len(v.off) > 0
}

// offline closes the ports for a reason; they open again when every reason is
// gone. TCP clients are cut and new ones refused, a pty falls silent.
func (v *server) offline(reason string) {
	// The listener goes first: a client that is cut and dials again at once must
	// not be taken into the backlog of a port that is about to close.
	v.mu.Lock()
	v.off[reason]++
	ln, done := v.ln, v.accepted
	v.ln = nil
	v.mu.Unlock()
	var k *keeper
	if ln != nil {
		ln.Close()
		<-done
		k, _ = keepPort(v.addr) // without it the port is only likely to be free later
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if k != nil {
		v.keeper = k
	}
	for c := range v.clients {
		if t, ok := c.(*net.TCPConn); ok {
			t.SetLinger(0)
		}
		c.Close()
		delete(v.clients, c)
	}
	v.release()
}

// online takes one reason back.
func (v *server) online(reason string) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.off[reason]--; v.off[reason] <= 0 {
		delete(v.off, reason)
	}
	if len(v.off) > 0 || v.ctx.Err() != nil {
		return nil
	}
	if v.slave != nil {
		flush(v.master, v.slave) // what was sent into the unplugged cable is lost
	}
	if v.addr == nil || v.ln != nil {
		return nil
	}
	ln, err := v.keeper.listen()
	v.keeper = nil
	if err != nil {
		if ln, err = net.Listen("tcp", v.addr.String()); err != nil {
			return fmt.Errorf("%s: listen again: %w", v.dev.role, err)
		}
	}
	v.listen(ln)
	return nil
}

// refuse takes the ports away for a while of real time.
func (v *server) refuse(d time.Duration) {
	v.offline("fault")
	v.wg.Go(func() {
		t := time.NewTimer(d)
		defer t.Stop()
		select {
		case <-t.C:
		case <-v.ctx.Done():
			return
		}
		if err := v.online("fault"); err != nil {
			v.dev.bench.note(err)
		}
	})
}

// close ends every port and waits for its goroutines. The context must be done.
func (v *server) close() {
	v.offline("closed")
	v.mu.Lock()
	v.keeper.close()
	v.keeper = nil
	v.mu.Unlock()
	if v.master != nil {
		v.master.Close()
		v.slave.Close()
	}
	if v.link != "" {
		os.Remove(v.link)
	}
	v.wg.Wait()
}

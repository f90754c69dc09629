package link_test

import (
	"bufio"
	"context"
	"io"
	"net"
	"os"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"

	"lidded/driver/link"
)

// peer is the instrument's end of a link.
type peer struct {
	io.ReadWriteCloser
	in *bufio.Reader
}

// line reads one command line, ended by end; "" when the link is gone.
func (p *peer) line(end byte) string {
	s, err := p.in.ReadString(end)
	if err != nil {
		return ""
	}
	return s[:len(s)-1]
}

// send writes pieces, each in a write of its own.
func (p *peer) send(pieces ...string) {
	for _, s := range pieces {
		if _, err := io.WriteString(p, s); err != nil {
			return
		}
	}
}

// bytewise writes s one byte at a time.
func (p *peer) bytewise(s string) {
	for i := range len(s) {
		p.send(s[i : i+1])
	}
}

// start runs an instrument and returns its address. For TCP it is run once for
// each connection, for a pty once in all.
type start func(t *testing.T, instrument func(*peer)) link.Address

// transports are the two kinds of link; each test of behaviour runs over both.
var transports = map[string]start{"tcp": startTCP, "pty": startPTY}

func overBoth(t *testing.T, test func(t *testing.T, start start)) {
	t.Helper()
	for name, s := range transports {
		t.Run(name, func(t *testing.T) { test(t, s) })
	}
}

func startTCP(t *testing.T, instrument func(*peer)) link.Address {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	var mu sync.Mutex
	var conns []net.Conn
	wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			mu.Lock()
			conns = append(conns, c)
			mu.Unlock()
			wg.Go(func() {
				defer c.Close()
				instrument(&peer{c, bufio.NewReader(c)})
			})
		}
	})
	t.Cleanup(func() {
		l.Close()
		mu.Lock()
		for _, c := range conns {
			c.Close()
		}
		mu.Unlock()
		wg.Wait()
	})
	return address(t, "tcp://"+l.Addr().String())
}

func startPTY(t *testing.T, instrument func(*peer)) link.Address {
	t.Helper()
	master, slave := openPTY(t)
	done := make(chan struct{})
	go func() {
		defer close(done)
		instrument(&peer{master, bufio.NewReader(master)})
	}()
	t.Cleanup(func() {
		master.Close()
		<-done
	})
	return address(t, "serial://"+slave+"?baud=115200")
}

// openPTY returns the instrument's end of a pty and the name of the other. The
// other end is held open in raw mode, so that it survives a redial.
func openPTY(t *testing.T) (master *os.File, slave string) {
	t.Helper()
	blocking, hold, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer blocking.Close()
	fd, err := syscall.Dup(int(blocking.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	if err := syscall.SetNonblock(fd, true); err != nil { // so that Close ends a read
		t.Fatal(err)
	}
	master = os.NewFile(uintptr(fd), blocking.Name())
	t.Cleanup(func() {
		hold.Close()
		master.Close()
	})
	if _, err := term.MakeRaw(int(hold.Fd())); err != nil {
		t.Fatal(err)
	}
	return master, hold.Name()
}

func address(t *testing.T, s string) link.Address {
	t.Helper()
	a, err := link.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// quick are options for tests in which nothing is late on purpose.
func quick() link.Options { return link.Options{} }

// impatient are options for tests in which something never comes.
func impatient() link.Options {
	const wait = 60 * time.Millisecond
	return link.Options{Timeouts: link.Timeouts{Write: wait, FirstReply: wait, Reply: wait, Gap: wait}}
}

func dial(t *testing.T, addr link.Address, opts link.Options) *link.Conn {
	t.Helper()
	c, err := link.Dial(t.Context(), addr, opts)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func write(t *testing.T, c *link.Conn, line string) {
	t.Helper()
	if err := c.WriteLine(t.Context(), line); err != nil {
		t.Fatal(err)
	}
}

func query(t *testing.T, c *link.Conn, line, want string) {
	t.Helper()
	write(t, c, line)
	got, err := c.ReadLine(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want {
		t.Fatalf("%s answered %q, want %q", line, got, want)
	}
}

func background() context.Context { return context.Background() }

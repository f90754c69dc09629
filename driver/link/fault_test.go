package link_test

import (
	"context"
	"errors"
	"io"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/link"
)

func TestPeerVanishes(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		addr := start(t, func(p *peer) {
			p.line('\n')
			p.send("half a re")
			p.Close()
		})
		conn := dial(t, addr, quick())
		write(t, conn, "*IDN?")
		_, err := conn.ReadLine(t.Context(), 0)
		if driver.KindOf(err) != driver.KindClosed || !driver.Retryable(err) {
			t.Fatalf("peer gone in mid-reply: %v", err)
		}
		if err := conn.WriteLine(t.Context(), "*IDN?"); driver.KindOf(err) != driver.KindClosed {
			t.Fatalf("write after it: %v", err)
		}
		if err := conn.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
}

func TestPeerVanishesBetweenExchanges(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		leave := make(chan struct{})
		addr := start(t, func(p *peer) {
			p.line('\n')
			p.send("1\n")
			<-leave
			p.Close()
		})
		conn := dial(t, addr, quick())
		query(t, conn, "*OPC?", "1")
		close(leave)
		// The end of the link is seen before the next command or, at the
		// latest, instead of its reply.
		err := conn.WriteLine(t.Context(), "*OPC?")
		if err == nil {
			_, err = conn.ReadLine(t.Context(), 0)
		}
		if driver.KindOf(err) != driver.KindClosed {
			t.Fatalf("peer gone: %v", err)
		}
	})
}

// A peer that reads nothing blocks a write; the time-out ends it, and no
// goroutine stays behind.
func TestWriteToAPeerThatDoesNotRead(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		release := make(chan struct{})
		addr := start(t, func(p *peer) { <-release })
		defer close(release)
		before := runtime.NumGoroutine()
		conn := dial(t, addr, impatient())
		err := conn.WriteLine(t.Context(), strings.Repeat("x", 32<<20))
		if driver.KindOf(err) != driver.KindBusy && driver.KindOf(err) != driver.KindTimeout {
			t.Fatalf("blocked write: %v", err)
		}
		if !strings.Contains(err.Error(), "the instrument did not take the command") {
			t.Errorf("message: %v", err)
		}
		if err := conn.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
		if after := runtime.NumGoroutine(); after > before+1 { // accept starts one for TCP
			t.Errorf("%d goroutines before, %d after", before, after)
		}
	})
}

func TestCancellation(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		t.Run("read", func(t *testing.T) {
			ctx, cancel := context.WithCancelCause(t.Context())
			why := errors.New("the operator pressed stop")
			addr := start(t, func(p *peer) {
				p.line('\n')
				cancel(why)
				p.line('\n')
			})
			conn := dial(t, addr, quick())
			if err := conn.WriteLine(ctx, "TRAC?"); err != nil && driver.KindOf(err) != driver.KindCancelled {
				t.Fatal(err)
			}
			_, err := conn.ReadLine(ctx, time.Hour)
			if conn.Poisoned() == nil || !errors.Is(err, why) {
				t.Fatalf("cancelled read: %v", err)
			}
			if driver.KindOf(conn.Poisoned()) != driver.KindCancelled {
				t.Errorf("poisoned by %v", conn.Poisoned())
			}
		})
		t.Run("block", func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			addr := start(t, func(p *peer) {
				p.line('\n')
				p.send("#540004 some of it")
				cancel()
				p.line('\n')
			})
			conn := dial(t, addr, link.Options{Timeouts: link.Timeouts{Gap: time.Hour}})
			write(t, conn, "TRAC?")
			if _, err := conn.ReadBlock(ctx, 40004, time.Hour); driver.KindOf(err) != driver.KindCancelled || driver.Retryable(err) {
				t.Fatalf("cancelled block: %v", err)
			}
		})
		t.Run("write", func(t *testing.T) {
			release := make(chan struct{})
			ctx, cancel := context.WithCancel(t.Context())
			addr := start(t, func(p *peer) {
				io.ReadFull(p, make([]byte, 1))
				cancel()
				<-release
			})
			defer close(release)
			conn := dial(t, addr, link.Options{Timeouts: link.Timeouts{Write: time.Hour}})
			if err := conn.WriteLine(ctx, strings.Repeat("x", 32<<20)); driver.KindOf(err) != driver.KindCancelled {
				t.Fatalf("cancelled write: %v", err)
			}
		})
		t.Run("deadline", func(t *testing.T) {
			addr := start(t, func(p *peer) { io.Copy(io.Discard, p) })
			conn := dial(t, addr, quick())
			write(t, conn, "TRAC?")
			ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
			defer cancel()
			if _, err := conn.ReadLine(ctx, time.Hour); driver.KindOf(err) != driver.KindTimeout || !errors.Is(err, context.DeadlineExceeded) {
				t.Fatalf("deadline: %v", err)
			}
		})
	})
}

// A context that ended between two operations must not disturb the next one
// under another context.
func TestEndedContextLeavesTheNextOperationAlone(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		addr := start(t, func(p *peer) {
			for p.line('\n') != "" {
				p.send("1\n")
			}
		})
		conn := dial(t, addr, quick())
		for range 200 {
			ctx, cancel := context.WithCancel(t.Context())
			if err := conn.WriteLine(ctx, "*OPC?"); err != nil {
				t.Fatal(err)
			}
			cancel()
			if _, err := conn.ReadLine(background(), 0); err != nil {
				t.Fatal(err)
			}
		}
	})
}

func TestCloseFromAnotherGoroutine(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		asked := make(chan struct{})
		addr := start(t, func(p *peer) {
			p.line('\n')
			close(asked)
			p.line('\n')
		})
		conn := dial(t, addr, quick())
		done := make(chan error)
		go func() {
			<-asked
			done <- errors.Join(conn.Close(), conn.Close())
		}()
		write(t, conn, "TRAC?")
		if _, err := conn.ReadLine(t.Context(), time.Hour); driver.KindOf(err) != driver.KindClosed {
			t.Fatalf("read on a closed link: %v", err)
		}
		if err := <-done; err != nil {
			t.Errorf("close: %v", err)
		}
		if err := conn.WriteLine(t.Context(), "x"); driver.KindOf(err) != driver.KindClosed {
			t.Errorf("write on a closed link: %v", err)
		}
	})
}

// An instrument that serves one connection lets a second one connect and then
// says nothing.
func TestBusyInstrument(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0") // connects, and nobody accepts
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	opts := impatient()
	opts.Name = "analyzer"
	conn := dial(t, address(t, "tcp://"+l.Addr().String()), opts)
	write(t, conn, "*IDN?")
	_, err = conn.ReadLine(t.Context(), 0)
	want := `analyzer: read line "*IDN?": busy: no reply came within 60ms; connected but silent: busy with another client?`
	if err == nil || err.Error() != want || !driver.Retryable(err) {
		t.Fatalf("silent instrument: %v\nwant %s", err, want)
	}
}

func TestFirstReplyMayTakeLonger(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		asked, release := make(chan struct{}), make(chan struct{})
		addr := start(t, func(p *peer) {
			p.line('\n')
			close(asked)
			<-release
			p.send("1\n")
			p.line('\n')
		})
		conn := dial(t, addr, link.Options{Timeouts: link.Timeouts{Reply: time.Nanosecond, FirstReply: time.Hour}})
		write(t, conn, "*IDN?")
		go func() { <-asked; close(release) }()
		if got, err := conn.ReadLine(t.Context(), time.Nanosecond); err != nil || string(got) != "1" {
			t.Fatalf("first reply: %q, %v", got, err)
		}
		write(t, conn, "*IDN?")
		if _, err := conn.ReadLine(t.Context(), 0); driver.KindOf(err) != driver.KindTimeout {
			t.Fatalf("second reply: %v", err)
		}
	})
}

func TestDialRefused(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	free := l.Addr().String()
	l.Close()
	dir := t.TempDir()
	plain := filepath.Join(dir, "plain")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	cancelled, cancel := context.WithCancel(t.Context())
	cancel()
	for name, c := range map[string]struct {
		ctx     context.Context
		address string
		opts    link.Options
		kind    driver.Kind
		want    string
	}{
		"closed port":    {t.Context(), "tcp://" + free, link.Options{}, driver.KindRefused, "the host refused the connection; check the port"},
		"missing device": {t.Context(), "serial://" + dir + "/ttyUSB9?baud=9600", link.Options{}, driver.KindRefused, "no such device; is the adapter plugged in?"},
		"plain file":     {t.Context(), "serial://" + plain + "?baud=9600", link.Options{}, driver.KindRefused, "not a serial port"},
		"null device":    {t.Context(), "serial:///dev/null?baud=9600", link.Options{}, driver.KindRefused, "not a serial port"},
		"folder":         {t.Context(), "serial://" + dir + "?baud=9600", link.Options{}, driver.KindRefused, "is a directory"},
		"prompt":         {t.Context(), "tcp://" + free, link.Options{Prompt: "\r\n"}, driver.KindRefused, `the prompt "\r\n" is only a line end`},
		"read end":       {t.Context(), "tcp://" + free, link.Options{ReadEnd: ";"}, driver.KindRefused, `replies cannot end in ";"`},
		"cancelled":      {cancelled, "tcp://" + free, link.Options{}, driver.KindCancelled, "context canceled"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := link.Dial(c.ctx, address(t, c.address), c.opts)
			if driver.KindOf(err) != c.kind || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v; want %v: %s", err, c.kind, c.want)
			}
		})
	}
	if _, err := link.Dial(t.Context(), link.Address{}, link.Options{}); err == nil || !strings.Contains(err.Error(), "the address is empty") {
		t.Errorf("empty address: %v", err)
	}
}

func TestSerialPortIsHeldAlone(t *testing.T) {
	_, slave := openPTY(t)
	addr := address(t, "serial://"+slave+"?baud=115200")
	conn := dial(t, addr, quick())
	if _, err := link.Dial(t.Context(), addr, quick()); driver.KindOf(err) != driver.KindRefused || !strings.Contains(err.Error(), "in use by another program") {
		t.Fatalf("second opener: %v", err)
	}
	if err := conn.Close(); err != nil {
		t.Fatal(err)
	}
	dial(t, addr, quick())
}

// A name that is a link, as below /dev/serial/by-id, is followed at each dial.
func TestSerialNameIsFollowedAnew(t *testing.T) {
	name := filepath.Join(t.TempDir(), "by-id")
	addr := address(t, "serial://"+name+"?baud=115200")
	for _, reply := range []string{"first", "second"} {
		to := startPTY(t, func(p *peer) {
			p.line('\n')
			p.send(reply + "\n")
			p.line('\n')
		})
		os.Remove(name)
		if err := os.Symlink(to.Path, name); err != nil {
			t.Fatal(err)
		}
		conn := dial(t, addr, quick())
		query(t, conn, "*IDN?", reply)
		conn.Close()
	}
}

// Serial I/O works on descriptors beyond the 1024 that select can handle.
func TestSerialOnHighDescriptors(t *testing.T) {
	var limit syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_NOFILE, &limit); err != nil || limit.Cur < 1200 {
		t.Skipf("only %d descriptors allowed", limit.Cur)
	}
	addr := startPTY(t, func(p *peer) {
		for p.line('\n') != "" {
			p.send("1\n")
		}
	})
	for {
		f, err := os.Open(os.DevNull)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if f.Fd() > 1050 {
			break
		}
	}
	conn := dial(t, addr, quick())
	query(t, conn, "*OPC?", "1")
	if err := conn.Quiet(t.Context(), 10*time.Millisecond); err != nil {
		t.Fatal(err)
	}
	query(t, conn, "*OPC?", "1")
}

func TestNothingLeaks(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		addr := start(t, func(p *peer) {
			for p.line('\n') != "" {
				p.send("1\n")
			}
		})
		count := func() int {
			d, err := os.ReadDir("/proc/self/fd")
			if err != nil {
				t.Skip(err)
			}
			return len(d)
		}
		var before int
		for i := range 30 {
			conn := dial(t, addr, quick())
			query(t, conn, "*OPC?", "1")
			conn.Close()
			if i == 4 {
				before = count()
			}
		}
		// The instrument's ends of the last connections may still be closing.
		if after := count(); after > before+8 {
			t.Errorf("%d descriptors before, %d after", before, after)
		}
	})
}

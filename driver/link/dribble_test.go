package link_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/link"
)

// A peer that sends a byte now and then, each before the time-out between two
// pieces, comes to an end all the same: the context's is far away.
func TestDribblingReplyEnds(t *testing.T) {
	dribble := func(first, rest string) func(*peer, <-chan struct{}) {
		return func(p *peer, done <-chan struct{}) {
			p.line('\n')
			p.send(first)
			tick := time.NewTicker(20 * time.Millisecond)
			defer tick.Stop()
			for i := 0; ; i++ {
				select {
				case <-done:
					return
				case <-tick.C:
					p.send(rest[i%len(rest) : i%len(rest)+1])
				}
			}
		}
	}
	prompted := func(o link.Options) link.Options { o.Prompt = "> "; return o }
	echoing := func(o link.Options) link.Options { o.Echo = true; return o }
	plain := func(o link.Options) link.Options { return o }
	for _, c := range []struct {
		name        string
		first, rest string
		options     func(link.Options) link.Options
		read        func(context.Context, *link.Conn) error
	}{
		{"line", "", "1", plain, func(ctx context.Context, c *link.Conn) error { _, err := c.ReadLine(ctx, 0); return err }},
		{"block", "#6100000", "\x01", plain, func(ctx context.Context, c *link.Conn) error { _, err := c.ReadBlock(ctx, 0, 0); return err }},
		{"block of unknown length", "#0", "\x01", plain, func(ctx context.Context, c *link.Conn) error { _, err := c.ReadBlock(ctx, 100000, 0); return err }},
		{"bytes", "", "\x01", plain, func(ctx context.Context, c *link.Conn) error { _, err := c.ReadN(ctx, 100000, 0); return err }},
		{"line or prompt", "", "1", prompted, func(ctx context.Context, c *link.Conn) error { _, _, err := c.ReadLineOrPrompt(ctx, 0); return err }},
		{"no prompt, only line ends", "", "\n", prompted, func(ctx context.Context, c *link.Conn) error { return c.WriteLine(ctx, "SWE") }},
		{"echo", "", "T", echoing, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			overBoth(t, func(t *testing.T, start start) {
				t.Parallel()
				done := make(chan struct{})
				defer close(done)
				addr := start(t, func(p *peer) { dribble(c.first, c.rest)(p, done) })
				o := c.options(quick())
				o.Gap = 200 * time.Millisecond
				o.Reply, o.FirstReply = time.Second, time.Second
				conn := dial(t, addr, o)
				ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
				defer cancel()
				line := "TRAC?"
				if c.read == nil {
					line = strings.Repeat("T", 1000)
				}
				err := conn.WriteLine(ctx, line)
				if err == nil && c.read != nil {
					err = c.read(ctx, conn)
				}
				if err == nil || ctx.Err() != nil {
					t.Fatalf("it went on to the end of the context: %v", err)
				}
				if k := driver.KindOf(err); k != driver.KindTimeout && k != driver.KindFraming && k != driver.KindBusy {
					t.Errorf("%v: %v", k, err)
				}
			})
		})
	}
}

// A long reply that comes slowly but steadily is no dribble.
func TestSlowReplyIsRead(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		t.Parallel()
		want := strings.Repeat("-12.34,", 400)
		addr := start(t, func(p *peer) {
			p.line('\n')
			tick := time.NewTicker(50 * time.Millisecond)
			defer tick.Stop()
			for i := 0; i < len(want); i += 50 {
				<-tick.C
				p.send(want[i:min(i+50, len(want))])
			}
			p.send("\n")
		})
		o := quick()
		o.Gap = time.Second
		conn := dial(t, addr, o)
		write(t, conn, "TRAC?")
		conn.Expect(len(want))
		got, err := conn.ReadLine(t.Context(), 10*time.Second)
		if err != nil || string(got) != want {
			t.Fatalf("%d bytes of %d: %v", len(got), len(want), err)
		}
	})
}

// What a serial line can carry is allowed for, twice over, at any rate.
func TestAllowanceOfSlowLines(t *testing.T) {
	for _, baud := range []int{300, 1200, 9600, 115200} {
		for _, bytes := range []int{10, 4004, 100000} {
			t.Run(fmt.Sprintf("%d bytes at %d baud", bytes, baud), func(t *testing.T) {
				_, slave := openPTY(t)
				conn := dial(t, address(t, fmt.Sprintf("serial://%s?baud=%d", slave, baud)), quick())
				// A start bit, eight of data and a stop bit.
				onTheLine := time.Duration(float64(bytes) * 10 / float64(baud) * float64(time.Second))
				if got := conn.Allowance(bytes); got < 2*onTheLine {
					t.Errorf("%v are allowed, the line takes %v", got, onTheLine)
				}
			})
		}
	}
}

package link_test

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/link"
)

func TestReadLine(t *testing.T) {
	for name, c := range map[string]struct {
		send string
		end  string
		want []string
	}{
		"LF":             {"abc\n", "\n", []string{"abc"}},
		"CR LF":          {"abc\r\n", "\n", []string{"abc"}},
		"LF CR":          {"abc\n\rdef\n\r", "\n", []string{"abc", "def"}},
		"CR":             {"abc\r", "\r", []string{"abc"}},
		"CR, then LF":    {"abc\r\ndef\r\n", "\r", []string{"abc", "def"}},
		"empty":          {"\r\nx\r\n", "\n", []string{"", "x"}},
		"several":        {"1\n2\n3\n", "\n", []string{"1", "2", "3"}},
		"any byte":       {"\x00\x03\x11\x13\xff\r\n", "\n", []string{"\x00\x03\x11\x13\xff"}},
		"beyond buffers": {strings.Repeat("-8.75E+01,", 20000) + "\n", "\n", []string{strings.Repeat("-8.75E+01,", 20000)}},
	} {
		t.Run(name, func(t *testing.T) {
			overBoth(t, func(t *testing.T, start start) {
				addr := start(t, func(p *peer) {
					for p.line('\n') != "" {
						if len(c.send) > 1000 {
							p.send(c.send[:777], c.send[777:90000], c.send[90000:])
						} else {
							p.bytewise(c.send)
						}
					}
				})
				opts := quick()
				opts.ReadEnd = c.end
				conn := dial(t, addr, opts)
				for range 3 {
					write(t, conn, "GO?")
					for _, want := range c.want {
						got, err := conn.ReadLine(t.Context(), 0)
						if err != nil || string(got) != want {
							t.Fatalf("got %.40q, %v; want %.40q", got, err, want)
						}
					}
				}
			})
		})
	}
}

func TestWriteEnd(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		addr := start(t, func(p *peer) { p.send(p.line('\r') + "!\r") })
		conn := dial(t, addr, link.Options{WriteEnd: "\r", ReadEnd: "\r"})
		query(t, conn, "*IDN?", "*IDN?!")
	})
}

func TestWriteLineRefuses(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		addr := start(t, func(p *peer) {
			for p.line('\n') != "" {
				p.send("ok\n")
			}
		})
		conn := dial(t, addr, link.Options{MaxLine: 10, Name: "analyzer"})
		for line, want := range map[string]string{
			"0123456789": `analyzer: write "0123456789": device: command not known: the line has 11 bytes with its end, the instrument takes 10; send fewer commands in one line`,
			"a\nb":       `analyzer: write "a\nb": device: command not known: the line is empty or holds a line end; send one command line at a time`,
			"a\rb":       `analyzer: write "a\rb": device: command not known: the line is empty or holds a line end; send one command line at a time`,
			"":           `analyzer: write: device: command not known: the line is empty or holds a line end; send one command line at a time`,
		} {
			if err := conn.WriteLine(t.Context(), line); err == nil || err.Error() != want {
				t.Errorf("%q: %v\nwant %s", line, err, want)
			}
		}
		cancelled, cancel := context.WithCancel(t.Context())
		cancel()
		if err := conn.WriteLine(cancelled, "x"); !errors.Is(err, context.Canceled) || driver.KindOf(err) != driver.KindCancelled {
			t.Errorf("cancelled before writing: %v", err)
		}
		query(t, conn, "012345678", "ok")
	})
}

// The rule that matters most: a reply that comes after its time-out is never
// taken for the reply to a later query.
func TestLateReplyNeverAnswersTheNextQuery(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		release := make(chan struct{})
		addr := start(t, func(p *peer) {
			for {
				switch p.line('\n') {
				case "SLOW?":
					p.send("par")
					<-release
					p.send("tial\n")
				case "*IDN?":
					p.send("Depot,Listener,7,1\n")
				case "":
					return
				}
			}
		})
		conn := dial(t, addr, impatient())
		write(t, conn, "SLOW?")
		_, err := conn.ReadLine(t.Context(), 0)
		if driver.KindOf(err) != driver.KindTimeout || !driver.Retryable(err) {
			t.Fatalf("late reply: %v", err)
		}
		if !strings.Contains(err.Error(), `(reply "par")`) || !strings.Contains(err.Error(), `"SLOW?"`) {
			t.Errorf("the message hides what is known: %v", err)
		}
		close(release)
		if err := conn.WriteLine(t.Context(), "*IDN?"); driver.KindOf(err) != driver.KindClosed {
			t.Fatalf("write on a poisoned link: %v", err)
		}
		if _, err := conn.ReadLine(t.Context(), 0); driver.KindOf(err) != driver.KindClosed || !errors.Is(err, conn.Poisoned()) {
			t.Fatalf("read on a poisoned link: %v", err)
		}
		conn.Close()

		again := dial(t, addr, quick())
		if err := again.Quiet(t.Context(), 50*time.Millisecond); err != nil {
			t.Fatal(err)
		}
		for range 3 {
			query(t, again, "*IDN?", "Depot,Listener,7,1")
		}
	})
}

func TestExtraInputIsAnAlarm(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		sent := make(chan struct{})
		addr := start(t, func(p *peer) {
			p.line('\n')
			p.send("1\n")
			p.line('\n')
			p.send("2\n1\n")
			close(sent)
			p.line('\n')
		})
		conn := dial(t, addr, quick())
		query(t, conn, "*OPC?", "1")
		query(t, conn, "*OPC?", "2")
		<-sent
		err := conn.WriteLine(t.Context(), "*OPC?")
		if driver.KindOf(err) != driver.KindFraming || !strings.Contains(err.Error(), `extra input before a command: query and reply are out of step (reply "1\n")`) {
			t.Fatalf("write with input unread: %v", err)
		}
		if conn.Poisoned() == nil {
			t.Error("the link is still usable")
		}
	})
}

func TestEcho(t *testing.T) {
	for name, echo := range map[string]func(string) string{
		"same":       func(s string) string { return s + "\n" },
		"CR LF":      func(s string) string { return s + "\r\n" },
		"no end":     func(s string) string { return s },
		"wrong":      func(s string) string { return strings.ToLower(s) + "\n" },
		"none":       func(s string) string { return "" },
		"other text": func(s string) string { return "Depot,Listener,7,1\n" },
	} {
		t.Run(name, func(t *testing.T) {
			overBoth(t, func(t *testing.T, start start) {
				addr := start(t, func(p *peer) {
					for {
						s := p.line('\n')
						if s == "" {
							return
						}
						p.bytewise(echo(s))
						if strings.HasSuffix(s, "?") && name != "none" {
							p.send("42\n")
						}
					}
				})
				opts := impatient()
				opts.Echo = true
				if name == "same" || name == "CR LF" || name == "no end" {
					opts.Timeouts = link.Timeouts{}
				}
				conn := dial(t, addr, opts)
				var err error
				switch name {
				case "wrong", "other text":
					err = conn.WriteLine(t.Context(), "FREQ?")
					if driver.KindOf(err) != driver.KindFraming {
						t.Fatalf("echo: %v", err)
					}
				case "none":
					err = conn.WriteLine(t.Context(), "FREQ?")
					if driver.KindOf(err) != driver.KindTimeout && driver.KindOf(err) != driver.KindBusy {
						t.Fatalf("echo: %v", err)
					}
				default:
					for range 3 {
						write(t, conn, "FREQ 1E9")
						query(t, conn, "FREQ?", "42")
					}
				}
			})
		})
	}
}

func TestPrompt(t *testing.T) {
	for _, prompt := range []string{"> ", "\r\nREADY>", "CMD>\r\n"} {
		t.Run(prompt, func(t *testing.T) {
			overBoth(t, func(t *testing.T, start start) {
				addr := start(t, func(p *peer) {
					for {
						switch s := p.line('\n'); s {
						case "":
							return
						case "TRAC?":
							p.send("#13\n\n\n\n")
						case "BAD":
							p.send("oops\n")
						default:
							if strings.HasSuffix(s, "?") {
								p.send("42\r\n")
							}
						}
						p.bytewise(prompt)
					}
				})
				conn := dial(t, addr, link.Options{Prompt: prompt})
				for range 2 {
					write(t, conn, "FREQ 1E9")
					query(t, conn, "FREQ?", "42")
					write(t, conn, "TRAC?")
					b, err := conn.ReadBlock(t.Context(), 3, 0)
					if err != nil || string(b) != "\n\n\n" {
						t.Fatalf("block %q, %v", b, err)
					}
				}
				write(t, conn, "BAD")
				err := conn.WriteLine(t.Context(), "FREQ?")
				if driver.KindOf(err) != driver.KindFraming || !strings.Contains(err.Error(), "prompt") {
					t.Fatalf("a line instead of the prompt: %v", err)
				}
			})
		})
	}
}

func TestPromptThatNeverComes(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		addr := start(t, func(p *peer) { io.Copy(io.Discard, p) })
		opts := impatient()
		opts.Prompt = "> "
		conn := dial(t, addr, opts)
		write(t, conn, "FREQ 1E9")
		err := conn.WriteLine(t.Context(), "FREQ 2E9")
		if k := driver.KindOf(err); (k != driver.KindTimeout && k != driver.KindBusy) || !strings.Contains(err.Error(), `no prompt "> " came`) {
			t.Fatalf("no prompt: %v", err)
		}
	})
}

func TestReplyWithoutEnd(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		addr := start(t, func(p *peer) {
			p.line('\n')
			p.send(strings.Repeat("x", 5000))
			p.line('\n')
		})
		conn := dial(t, addr, link.Options{MaxReply: 1000})
		write(t, conn, "GO?")
		if _, err := conn.ReadLine(t.Context(), 0); driver.KindOf(err) != driver.KindFraming || !strings.Contains(err.Error(), "no line end in") {
			t.Fatalf("endless line: %v", err)
		}
	})
}

func TestMinGap(t *testing.T) {
	const gap = 30 * time.Millisecond
	overBoth(t, func(t *testing.T, start start) {
		addr := start(t, func(p *peer) { io.Copy(io.Discard, p) })
		conn := dial(t, addr, link.Options{MinGap: gap})
		write(t, conn, "A")
		first := time.Now()
		write(t, conn, "B")
		if d := time.Since(first); d < gap-time.Millisecond {
			t.Errorf("the second command left after %v", d)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := conn.WriteLine(ctx, "C"); driver.KindOf(err) != driver.KindCancelled || conn.Poisoned() != nil {
			t.Errorf("cancelled in the gap: %v, poisoned %v", err, conn.Poisoned())
		}
	})
}

func TestBannerIsDiscarded(t *testing.T) {
	master, slave := openPTY(t)
	if _, err := io.WriteString(master, "Welcome\r\nSCPI> "); err != nil {
		t.Fatal(err)
	}
	conn := dial(t, address(t, "serial://"+slave+"?baud=9600"), link.Options{AfterConnect: 50 * time.Millisecond})
	if err := conn.WriteLine(t.Context(), "*CLS"); err != nil {
		t.Fatal(err)
	}
}

func TestQuietOnALineThatIsNot(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		stop := make(chan struct{})
		addr := start(t, func(p *peer) {
			tick := time.NewTicker(5 * time.Millisecond)
			defer tick.Stop()
			for {
				select {
				case <-tick.C:
					p.send("noise\n")
				case <-stop:
					return
				}
			}
		})
		t.Cleanup(func() { close(stop) })
		conn := dial(t, addr, quick())
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		if err := conn.Quiet(ctx, time.Minute); driver.KindOf(err) != driver.KindTimeout || !errors.Is(err, context.DeadlineExceeded) {
			t.Fatalf("quiet under a deadline: %v", err)
		}
	})
}

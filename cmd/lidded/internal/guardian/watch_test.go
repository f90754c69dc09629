package guardian_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"lidded/cmd/lidded/internal/guardian"
)

// bubble is a subtest in which time passes only while everybody waits.
func bubble(t *testing.T, name string, f func(*testing.T)) {
	t.Run(name, func(t *testing.T) { synctest.Test(t, f) })
}

// post is a guardian at its post, with a daemon and a source made of channels.
type post struct {
	t       *testing.T
	daemon  *io.PipeWriter
	answers *bufio.Scanner
	ended   chan error
	given   chan struct{}
	killed  chan struct{}

	mu    sync.Mutex
	fails int           // tries that fail yet
	tries int           // so far
	busy  bool          // a try is under way
	hold  chan struct{} // not nil: a try waits for it or its context
	tried chan struct{} // told of each try
}

var errAway = errors.New("the source does not answer")

func (p *post) safe(ctx context.Context) error {
	p.mu.Lock()
	p.tries++
	p.busy = true
	fails, hold := p.fails > 0, p.hold
	if fails {
		p.fails--
	}
	p.mu.Unlock()
	defer func() {
		p.mu.Lock()
		p.busy = false
		p.mu.Unlock()
	}()
	select {
	case p.tried <- struct{}{}:
	default:
	}
	if hold != nil {
		select {
		case <-hold:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if fails {
		return errAway
	}
	return nil
}

func (p *post) count() (tries int, busy bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.tries, p.busy
}

// long is never reached by a beat that is not sent.
const long = time.Hour

func stand(t *testing.T, timing guardian.Timing, edit func(*post)) *post {
	t.Helper()
	p := &post{t: t, ended: make(chan error, 1), given: make(chan struct{}, 1), killed: make(chan struct{}, 9), tried: make(chan struct{}, 99)}
	if edit != nil {
		edit(p)
	}
	in, daemon := io.Pipe()
	back, out := io.Pipe()
	p.daemon, p.answers = daemon, bufio.NewScanner(back)
	w := guardian.Watch{Timing: timing, Safe: p.safe, Handover: p.given, Kill: func() error { p.killed <- struct{}{}; return nil }}
	ctx, cancel := context.WithCancel(context.Background())
	go func() { p.ended <- w.Run(ctx, in, out) }()
	t.Cleanup(func() { cancel(); daemon.Close(); back.Close() })
	return p
}

func (p *post) say(word string) {
	p.t.Helper()
	if _, err := fmt.Fprintln(p.daemon, word); err != nil {
		p.t.Fatal(err)
	}
}

func (p *post) hears(want string) {
	p.t.Helper()
	if !p.answers.Scan() || p.answers.Text() != want {
		p.t.Fatalf("heard %q, want %q", p.answers.Text(), want)
	}
}

func (p *post) end() error {
	p.t.Helper()
	select {
	case err := <-p.ended:
		return err
	case <-time.After(10 * time.Second):
		p.t.Fatal("the guardian does not end")
		return nil
	}
}

func (p *post) soon(what string, ch <-chan struct{}) {
	p.t.Helper()
	select {
	case <-ch:
	case <-time.After(10 * time.Second):
		p.t.Fatalf("no %s", what)
	}
}

func (p *post) quiet() {
	p.t.Helper()
	if n, _ := p.count(); n > 0 || len(p.killed) > 0 {
		p.t.Errorf("%d tries, %d kills", n, len(p.killed))
	}
}

func TestFarewellWithTheSourceOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := stand(t, guardian.Timing{Miss: long}, nil)
		p.say("on 1")
		p.hears("armed 1")
		p.say("off")
		p.say("bye")
		if err := p.end(); err != nil {
			t.Error(err)
		}
		p.quiet()
	})
}

// Whatever the daemon last said, its end without a farewell makes the source safe.
func TestTheDaemonIsKilled(t *testing.T) {
	for _, last := range []string{"", "beat", "on 1", "off", "lost"} {
		bubble(t, "after "+last, func(t *testing.T) {
			p := stand(t, guardian.Timing{Miss: long, Grace: long}, func(p *post) { p.fails = 3 })
			if last != "" {
				p.say(last)
			}
			if last == "on 1" {
				p.hears("armed 1")
			}
			p.daemon.Close()
			if err := p.end(); err != nil {
				t.Error(err)
			}
			if n, _ := p.count(); n != 5 { // three fail, one succeeds, one more after a while
				t.Errorf("%d tries, want 5", n)
			}
			if len(p.killed) > 0 {
				t.Error("a daemon that is gone was killed")
			}
		})
	}
}

func TestAFarewellWithTheSourceOnIsNone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := stand(t, guardian.Timing{Miss: long}, nil)
		p.say("on 1")
		p.hears("armed 1")
		p.say("bye")
		if err := p.end(); err != nil {
			t.Error(err)
		}
		if n, _ := p.count(); n == 0 {
			t.Error("nobody switched the source off")
		}
	})
}

// A source that was away from the start was never keyed: nobody looks for it for
// ever.
func TestASourceThatWasNeverThere(t *testing.T) {
	bubble(t, "farewell", func(t *testing.T) {
		p := stand(t, guardian.Timing{Miss: long}, nil)
		p.say("beat")
		p.say("bye")
		if err := p.end(); err != nil {
			t.Error(err)
		}
		p.quiet()
	})
	bubble(t, "killed", func(t *testing.T) {
		p := stand(t, guardian.Timing{Miss: long}, func(p *post) { p.fails = 1 << 30 })
		begun := time.Now()
		p.daemon.Close()
		if err := <-p.ended; !errors.Is(err, errAway) {
			t.Error(err)
		}
		if d := time.Since(begun); d < time.Minute || d > time.Minute+5*time.Second {
			t.Errorf("given up after %v", d)
		}
	})
	bubble(t, "keyed once", func(t *testing.T) {
		p := stand(t, guardian.Timing{Miss: long}, func(p *post) { p.fails = 1000 })
		p.say("on 1")
		p.hears("armed 1")
		p.daemon.Close()
		if err := <-p.ended; err != nil { // about half an hour
			t.Error(err)
		}
	})
}

func TestMissedBeats(t *testing.T) {
	bubble(t, "source on", func(t *testing.T) {
		p := stand(t, guardian.Timing{}, nil)
		p.say("on 1")
		p.hears("armed 1")
		begun := time.Now()
		p.soon("kill", p.killed)
		if d := time.Since(begun); d != 1600*time.Millisecond { // the last beat is waited for a moment more
			t.Errorf("killed after %v, want 1.6 s", d)
		}
		if err := p.end(); err != nil {
			t.Error(err)
		}
		if n, _ := p.count(); n == 0 {
			t.Error("nobody switched the source off")
		}
	})
	bubble(t, "before the first word", func(t *testing.T) {
		p := stand(t, guardian.Timing{}, nil)
		p.soon("kill", p.killed)
	})
	bubble(t, "source off", func(t *testing.T) {
		// The beats stop for much longer than allowed; the daemon then goes on.
		p := stand(t, guardian.Timing{}, nil)
		p.say("off")
		<-time.After(time.Minute)
		p.say("off")
		p.say("bye")
		if err := p.end(); err != nil {
			t.Error(err)
		}
		p.quiet()
	})
}

func TestBeatsKeepItQuiet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := stand(t, guardian.Timing{}, nil)
		p.say("on 1")
		p.hears("armed 1")
		tick := time.NewTicker(200 * time.Millisecond)
		defer tick.Stop()
		for range 50 {
			<-tick.C
			p.say("beat")
		}
		p.say("off")
		p.say("bye")
		if err := p.end(); err != nil {
			t.Error(err)
		}
		p.quiet()
	})
}

// A daemon that beats but has its source on for too long hangs all the same.
func TestOnForTooLong(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := stand(t, guardian.Timing{Miss: long, MaxOn: 5 * time.Second}, nil)
		p.say("on 1")
		p.hears("armed 1")
		begun := time.Now()
		p.soon("kill", p.killed)
		if d := time.Since(begun); d != 5*time.Second {
			t.Errorf("killed after %v, want 5 s", d)
		}
		if err := p.end(); err != nil {
			t.Error(err)
		}
	})
}

// A source that the daemon lost is tried by the guardian too; the daemon lives
// on, and keys again only when the guardian has let go of the source.
func TestALostSource(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := stand(t, guardian.Timing{Miss: long, Grace: time.Millisecond}, func(p *post) { p.hold = make(chan struct{}) })
		p.say("on 1")
		p.hears("armed 1")
		p.say("lost")
		p.say("lost")
		p.soon("try", p.tried)
		p.say("on 2")
		p.hears("armed 2")
		if _, busy := p.count(); busy {
			t.Error("armed while it still tries")
		}
		p.say("off")
		p.say("bye")
		if err := p.end(); err != nil {
			t.Error(err)
		}
		if len(p.killed) > 0 {
			t.Error("the daemon was killed")
		}
	})
}

func TestALostSourceIsGotBackInTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := stand(t, guardian.Timing{Miss: long, Grace: long}, nil)
		p.say("on 1")
		p.hears("armed 1")
		p.say("lost")
		p.say("off")
		p.say("bye")
		if err := p.end(); err != nil {
			t.Error(err)
		}
		p.quiet()
	})
}

func TestHandoverCountsOnlyWithoutADaemon(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := stand(t, guardian.Timing{Miss: long}, func(p *post) { p.hold = make(chan struct{}) })
		p.say("on 1")
		p.hears("armed 1")
		p.daemon.Close()
		p.soon("try", p.tried)
		p.given <- struct{}{}
		if err := p.end(); err != nil {
			t.Error(err)
		}
		if _, busy := p.count(); busy {
			t.Error("it left while it still tried")
		}
	})
}

func TestGivingUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := stand(t, guardian.Timing{Miss: long, GiveUp: time.Nanosecond}, func(p *post) { p.fails = 1 << 30 })
		p.daemon.Close()
		if err := p.end(); !errors.Is(err, errAway) {
			t.Error(err)
		}
	})
}

// A keying is announced with how long it may last; a daemon that beats but says
// nothing of its end for that long, and for what switching off may take, hangs.
func TestOnForLongerThanAnnounced(t *testing.T) {
	for _, c := range []struct {
		name   string
		timing guardian.Timing
		words  []string // after the first
		want   time.Duration
	}{
		{"announced", guardian.Timing{}, nil, 72*time.Second + guardian.OffAllowance},
		{"announced anew", guardian.Timing{}, []string{"on 2 10000000000"}, 12*time.Second + guardian.OffAllowance},
		{"no longer than the config's", guardian.Timing{MaxOn: 30 * time.Second}, nil, 30 * time.Second},
		{"off in time", guardian.Timing{}, []string{"off"}, 0},
	} {
		bubble(t, c.name, func(t *testing.T) {
			c.timing.Miss = long
			p := stand(t, c.timing, nil)
			p.say("on 1 60000000000")
			p.hears("armed 1")
			for _, w := range c.words {
				p.say(w)
				if w == "on 2 10000000000" {
					p.hears("armed 2")
				}
			}
			begun := time.Now()
			select {
			case <-p.killed:
				if d := time.Since(begun); c.want == 0 || d != c.want {
					t.Errorf("killed after %v, want %v", d, c.want)
				}
				if err := p.end(); err != nil {
					t.Error(err)
				}
			case <-time.After(50 * time.Minute):
				if c.want > 0 {
					t.Error("never killed")
				}
			}
		})
	}
}

// The daemon has its time to get a lost source back, counted from the first word
// of it and not from the last.
func TestGraceOfALostSource(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := stand(t, guardian.Timing{Miss: long}, nil)
		p.say("on 1")
		p.hears("armed 1")
		begun := time.Now()
		p.say("lost")
		<-time.After(1500 * time.Millisecond)
		p.say("lost")
		p.soon("try", p.tried)
		if d := time.Since(begun); d != 2*time.Second {
			t.Errorf("tried after %v, want 2 s", d)
		}
	})
}

// A try ends by itself, each later; and no later than is worth waiting for.
func TestTriesEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := stand(t, guardian.Timing{Miss: long}, func(p *post) { p.hold = make(chan struct{}) })
		p.say("on 1")
		p.hears("armed 1")
		p.daemon.Close()
		<-p.tried
		last := time.Now()
		var got []time.Duration
		for range 8 {
			<-p.tried
			got = append(got, time.Since(last).Round(10*time.Millisecond))
			last = time.Now()
		}
		// The time-out of a try, doubled each time up to 20 s, and the pause after it,
		// doubled up to 2 s.
		want := []time.Duration{720, 1440, 2880, 5760, 11520, 20640, 21280, 22000}
		for i := range want {
			if got[i] != want[i]*time.Millisecond {
				t.Fatalf("pauses between tries %v, want %v ms", got, want)
			}
		}
	})
}

// A source that does not read back as off is not off: the guardian neither ends
// nor hands over what it has not done.
func TestOnlyTheReadBackEndsIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := stand(t, guardian.Timing{Miss: long}, func(p *post) { p.fails = 40 })
		p.say("on 1")
		p.hears("armed 1")
		p.daemon.Close()
		for range 40 {
			<-p.tried
			select {
			case err := <-p.ended:
				t.Fatalf("it ended with the source on: %v", err)
			default:
			}
		}
		if err := <-p.ended; err != nil {
			t.Error(err)
		}
		if n, _ := p.count(); n != 42 {
			t.Errorf("%d tries, want 42", n)
		}
	})
}

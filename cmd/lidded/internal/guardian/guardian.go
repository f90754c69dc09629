package guardian

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"time"

	"go.uber.org/zap"
)

// Options of a guardian, as the daemon starts it.
type Options struct {
	Command []string // program and arguments of the guardian's process
	Job     Job      // Lock and Daemon are filled in
	Log     *zap.Logger
	Stderr  *os.File // where the process logs; nil: this process's
}

// Guardian is the daemon's side: it starts the process, beats at it, and starts
// another should it end. It implements the engine's Guardian. Its methods may be
// called from any goroutine.
type Guardian struct {
	o    Options
	stop context.CancelFunc
	done chan struct{}

	keying sync.Mutex // one at a time

	mu     sync.Mutex
	ward   *ward // nil: none
	off    bool  // the source was read back as off
	maybe  bool  // it was keyed, or may be on, at any time
	closed bool
	number int
}

const (
	startPatience = 5 * time.Second // besides waiting for the lock
	armPatience   = 2 * time.Second
	writePatience = time.Second
	byePatience   = 2 * time.Second

	longestReplace = 30 * time.Second  // between tries to start another process
	childMark      = "LIDDED_GUARDIAN" // in the environment of the process
)

// New prepares a guardian; nothing is started before Start.
func New(o Options) *Guardian {
	o.Job.Timing = o.Job.Timing.withDefaults()
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	o.Log = o.Log.Named("guardian").With(zap.String("bench", o.Job.Bench))
	if o.Stderr == nil {
		o.Stderr = os.Stderr
	}
	return &Guardian{o: o}
}

// Start starts the process and returns when it stands by. Until the first Off
// the source counts as on. A source that is guarded for another daemon is a
// *HeldError by its text.
func (g *Guardian) Start(ctx context.Context) error {
	if len(g.o.Command) == 0 {
		return errors.New("guardian: no command to start it")
	}
	if os.Getenv(childMark) != "" {
		return errors.New("guardian: a guardian does not start another: is the command for it understood by this program?")
	}
	var err error
	if g.o.Job.Lock == "" {
		if g.o.Job.Lock, err = LockFile(g.o.Job.Address); err != nil {
			return err
		}
	}
	g.o.Job.Daemon = os.Getpid()
	w, err := g.spawn(ctx)
	if err != nil {
		return err
	}
	bctx, stop := context.WithCancel(context.Background())
	g.mu.Lock()
	g.ward, g.stop, g.done = w, stop, make(chan struct{})
	g.mu.Unlock()
	go g.beat(bctx)
	return nil
}

// beat says again and again that the daemon is alive, and starts another process
// when one ends.
func (g *Guardian) beat(ctx context.Context) {
	defer close(g.done)
	tick := time.NewTicker(g.o.Job.Timing.Beat)
	defer tick.Stop()
	var last time.Time
	var wait time.Duration
	g.mu.Lock()
	w := g.ward
	g.mu.Unlock()
	for {
		ended := w.ended
		if wait > 0 {
			ended = nil // seen already: the pauses between tries count
		}
		select {
		case <-ctx.Done():
			return
		case <-ended:
		case <-tick.C:
		}
		g.mu.Lock()
		w = g.ward
		g.mu.Unlock()
		if w.say(wordBeat) == nil {
			wait = 0
			continue
		}
		if time.Since(last) < wait {
			continue
		}
		last, wait = time.Now(), min(2*wait+time.Second, longestReplace)
		if err := g.replace(ctx, w); err != nil && ctx.Err() == nil {
			g.o.Log.Error("no guardian stands by, so nothing is keyed", zap.Error(err), zap.Duration("again_in", wait))
		}
	}
}

// replace starts another process in place of one that does not answer.
func (g *Guardian) replace(ctx context.Context, old *ward) error {
	g.keying.Lock()
	defer g.keying.Unlock()
	return g.replaceLocked(ctx, old)
}

func (g *Guardian) replaceLocked(ctx context.Context, old *ward) error {
	g.mu.Lock()
	now, closed := g.ward, g.closed
	g.mu.Unlock()
	if closed {
		return errClosed
	}
	if now != old {
		return nil // somebody else did
	}
	old.kill()
	g.o.Log.Warn("the guardian's process ended: starting another")
	w, err := g.spawn(ctx)
	if err != nil {
		return err
	}
	g.mu.Lock()
	g.ward = w
	off, maybe := g.off, g.maybe
	g.mu.Unlock()
	switch {
	case off:
		return w.say(wordOff)
	case maybe: // what the one before knew
		return w.say(wordOn + " 0")
	}
	return nil
}

// Keying returns once the guardian stands by and does nothing to the source. An
// error means that nobody does, and the source must not be keyed. limit is how
// long the source may be on; a daemon that is still silent about it some time
// later hangs though it beats. Zero: Timing.MaxOn alone counts.
func (g *Guardian) Keying(ctx context.Context, limit time.Duration) error {
	g.keying.Lock()
	defer g.keying.Unlock()
	var last error
	for range 2 {
		g.mu.Lock()
		w, closed := g.ward, g.closed
		g.number++
		n := g.number
		g.off, g.maybe = false, true
		g.mu.Unlock()
		if closed || w == nil {
			return errClosed
		}
		if last = w.arm(ctx, n, limit); last == nil || ctx.Err() != nil {
			return last
		}
		if err := g.replaceLocked(ctx, w); err != nil {
			return errors.Join(last, err)
		}
	}
	return last
}

// Off tells that the source was read back as off.
func (g *Guardian) Off() { g.tell(wordOff, true) }

// Lost tells that the source could not be switched off at a try.
func (g *Guardian) Lost() { g.tell(wordLost, false) }

func (g *Guardian) tell(word string, off bool) {
	g.mu.Lock()
	g.off, g.maybe = off, g.maybe || !off
	w := g.ward
	g.mu.Unlock()
	if w != nil {
		_ = w.say(word) // one that does not hear is replaced at the next beat, and told
	}
}

// Close says goodbye. With the source off it waits for the process to end; with
// the source not confirmed off the process stays, and goes on trying.
func (g *Guardian) Close() error {
	g.mu.Lock()
	w, off, was := g.ward, g.off || !g.maybe, g.closed
	g.closed = true
	g.mu.Unlock()
	if w == nil || was {
		return nil
	}
	g.stop()
	<-g.done
	err := w.say(wordBye)
	w.in.Close()
	if !off {
		g.o.Log.Warn("the source is not confirmed off: the guardian's process goes on trying", zap.Int("process", w.cmd.Process.Pid))
		return nil
	}
	select {
	case <-w.ended:
	case <-time.After(byePatience):
		w.kill()
		return errors.Join(err, errors.New("the guardian's process did not end and was killed"))
	}
	return err
}

// StandsBy reports whether a process stands by; while none does, nothing is keyed.
func (g *Guardian) StandsBy() bool {
	g.mu.Lock()
	w, closed := g.ward, g.closed
	g.mu.Unlock()
	if w == nil || closed {
		return false
	}
	select {
	case <-w.ended:
		return false
	default:
		return true
	}
}

// Process is the number of the guardian's process, 0 while there is none.
func (g *Guardian) Process() int {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.ward == nil {
		return 0
	}
	return g.ward.cmd.Process.Pid
}

// ward is one process.
type ward struct {
	cmd   *exec.Cmd
	in    *os.File
	mu    sync.Mutex // one word at a time
	armed chan string
	ended chan struct{}
}

// spawn starts a process in a session of its own, where no signal meant for the
// daemon's group reaches it, and waits until it stands by.
func (g *Guardian) spawn(ctx context.Context) (*ward, error) {
	inR, inW, err := os.Pipe()
	if err != nil {
		return nil, fmt.Errorf("guardian: %w", err)
	}
	outR, outW, err := os.Pipe()
	if err != nil {
		inR.Close()
		inW.Close()
		return nil, fmt.Errorf("guardian: %w", err)
	}
	cmd := exec.Command(g.o.Command[0], g.o.Command[1:]...)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = inR, outW, g.o.Stderr
	cmd.Env = append(os.Environ(), childMark+"=1")
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	err = cmd.Start()
	inR.Close()
	outW.Close()
	if err != nil {
		inW.Close()
		outR.Close()
		return nil, fmt.Errorf("guardian: %w", err)
	}
	w := &ward{cmd: cmd, in: inW, armed: make(chan string, 1), ended: make(chan struct{})}
	ready := make(chan error, 1)
	go func() {
		w.listen(outR, ready)
		outR.Close()
		_ = cmd.Wait()
		close(w.ended)
	}()
	job, err := json.Marshal(g.o.Job)
	if err == nil {
		err = w.say(string(job))
	}
	if err == nil {
		select {
		case err = <-ready:
		case <-time.After(g.o.Job.Timing.Lock + startPatience):
			err = errors.New("it does not get ready")
		case <-ctx.Done():
			err = context.Cause(ctx)
		}
	}
	if err != nil {
		w.kill()
		return nil, fmt.Errorf("guardian: %w", err)
	}
	g.o.Log.Info("stands by", zap.Int("process", cmd.Process.Pid))
	return w, nil
}

// listen takes what the process says until it ends.
func (w *ward) listen(out io.Reader, ready chan<- error) {
	lines := bufio.NewScanner(out)
	begun := false
	for lines.Scan() {
		verb, rest, _ := strings.Cut(lines.Text(), " ")
		switch {
		case !begun && verb == wordReady:
			begun = true
			ready <- nil
		case !begun && verb == wordError:
			begun = true
			ready <- errors.New(rest)
		case verb == wordArmed:
			select {
			case <-w.armed: // an answer that nobody waited for
			default:
			}
			w.armed <- rest
		}
	}
	if !begun {
		ready <- errors.New("it ended before it was ready")
	}
	close(w.armed)
}

// say sends a word; a process that does not read is an error after a while.
func (w *ward) say(word string) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if err := w.in.SetWriteDeadline(time.Now().Add(writePatience)); err != nil {
		return fmt.Errorf("guardian: %w", err)
	}
	if _, err := io.WriteString(w.in, word+"\n"); err != nil {
		return fmt.Errorf("guardian: %w", err)
	}
	return nil
}

// arm says that the source is about to be keyed and waits for the answer.
func (w *ward) arm(ctx context.Context, n int, limit time.Duration) error {
	if err := w.say(fmt.Sprintf("%s %d %d", wordOn, n, limit)); err != nil {
		return err
	}
	t := time.NewTimer(armPatience)
	defer t.Stop()
	for {
		select {
		case got, ok := <-w.armed:
			if !ok {
				return errors.New("guardian: its process has ended")
			}
			if got == fmt.Sprint(n) {
				return nil
			}
		case <-t.C:
			return errors.New("guardian: its process does not answer")
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// kill ends a process that is of no use, and waits for its end.
func (w *ward) kill() {
	w.in.Close()
	_ = w.cmd.Process.Kill()
	<-w.ended
}

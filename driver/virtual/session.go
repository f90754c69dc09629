package virtual

import (
	"bufio"
	"errors"
	"io"
	"os"
	"sync"
	"time"

	"lidded/driver/virtual/internal/program"
)

// port is a TCP connection or the master side of a pty.
type port interface {
	io.ReadWriter
	SetReadDeadline(time.Time) error
}

// session serves one client, or the pty, until its port closes.
type session struct {
	srv  *server
	dev  *device
	port port
	end  func() // closes a TCP connection; nil on a pty, which stays
	in   *bufio.Reader
	last time.Time // when the last line was done
	out  []byte
}

const inputBuffer = 1 << 16

func (s *session) serve() {
	s.in = bufio.NewReaderSize(s.port, inputBuffer)
	if d := s.dev.traits.ConnectDelay; d > 0 && !s.sleep(d) {
		return
	}
	if p := s.dev.traits.Prompt; p != "" && s.end != nil {
		if _, err := s.port.Write([]byte(p)); err != nil {
			return
		}
	}
	for {
		line, whole, err := s.readLine()
		if err != nil {
			return
		}
		if s.end == nil && s.srv.isOffline() {
			continue // the cable is out: nothing arrives, nothing is answered
		}
		if !s.line(line, whole) {
			if s.end != nil {
				return
			}
			s.in.Discard(s.in.Buffered())
		}
	}
}

// readLine returns the next line without its end; whole is false if it was
// longer than the instrument takes.
func (s *session) readLine() (line string, whole bool, err error) {
	most := s.dev.traits.MaxLine
	if most <= 0 {
		most = inputBuffer - 1
	}
	cr := s.dev.traits.ReplyEnd == "cr"
	var buf []byte
	whole = true
	for {
		if !cr && len(buf) == 0 && whole {
			// The common case: one line, already here.
			slice, err := s.in.ReadSlice('\n')
			if err == nil {
				slice = slice[:len(slice)-1]
				if n := len(slice); n > 0 && slice[n-1] == '\r' {
					slice = slice[:n-1]
				}
				return string(slice), len(slice) <= most, nil
			}
			if !errors.Is(err, bufio.ErrBufferFull) {
				return "", false, err
			}
			whole = false
			continue
		}
		c, err := s.in.ReadByte()
		if err != nil {
			return "", false, err
		}
		if c == '\n' || cr && c == '\r' {
			if len(buf) == 0 && whole && cr {
				continue // the LF of CR LF, or an empty line
			}
			return string(buf), whole, nil
		}
		if len(buf) >= most {
			whole = false
			continue
		}
		buf = append(buf, c)
	}
}

// line carries out one line; false ends the session.
func (s *session) line(line string, whole bool) bool {
	d, b, t := s.dev, s.dev.bench, &s.dev.traits
	s.out = s.out[:0]
	if t.Echo {
		s.out = append(append(s.out, line...), lineEnd(t.ReplyEnd)...)
	}
	early := t.Gap > 0 && !s.last.IsZero() && time.Since(s.last) < t.Gap
	if !whole || early {
		b.mu.Lock()
		d.push(program.Fail(-363, ""))
		b.mu.Unlock()
		return s.finish(t.Nak != "", true)
	}
	b.mu.Lock()
	d.faults.begin()
	f := d.faults.take(line, FaultDrop, FaultIgnore, FaultRefuse, FaultPowerCycle, FaultOneClient, FaultError, FaultEcho)
	if f != nil {
		if stop, ok := s.strike(f, line); stop {
			b.mu.Unlock()
			return ok && s.finish(false, true)
		}
	}
	b.mu.Unlock()
	body := len(s.out)
	answered, failed, ok := s.message(line)
	if !ok {
		return false
	}
	if answered {
		b.mu.Lock()
		kinds := []Kind{FaultStall, FaultLate, FaultTruncate, FaultGarbage, FaultDropMid, FaultWrongLength}
		if !isBlock(s.out[body:]) {
			kinds = kinds[:5]
		}
		f := d.faults.take(line, kinds...)
		b.mu.Unlock()
		if f != nil {
			return s.spoil(f, body)
		}
	}
	return s.finish(failed, !answered)
}

// strike does a fault that comes before the command, under the bench's lock.
// stop says that the line is done with; ok whether the session goes on.
func (s *session) strike(f *Fault, line string) (stop, ok bool) {
	delay := f.Delay
	if delay == 0 {
		delay = 200 * time.Millisecond
	}
	switch f.Kind {
	case FaultDrop:
		return true, false
	case FaultIgnore:
		return true, true
	case FaultRefuse:
		s.srv.refuse(delay)
		return true, false
	case FaultPowerCycle:
		s.dev.powerOn()
		s.srv.refuse(delay)
		return true, false
	case FaultOneClient:
		s.srv.limit(1)
	case FaultEcho:
		s.out = append(append(s.out, line...), lineEnd(s.dev.traits.ReplyEnd)...)
	case FaultError:
		code := f.Code
		if code == 0 {
			code = -240
		}
		s.dev.push(program.Fail(code, ""))
	}
	return false, true
}

// spoil does a fault of the answer.
func (s *session) spoil(f *Fault, body int) bool {
	switch f.Kind {
	case FaultStall:
		s.last = time.Now()
		return true
	case FaultLate:
		delay := f.Delay
		if delay == 0 {
			delay = 300 * time.Millisecond
		}
		if !s.sleep(delay) {
			return false
		}
	case FaultTruncate, FaultDropMid:
		s.out = s.out[:body+(len(s.out)-body)/2]
		_, err := s.port.Write(s.out)
		s.last = time.Now()
		return err == nil && f.Kind == FaultTruncate
	case FaultGarbage:
		s.dev.bench.mu.Lock()
		s.out = append(s.out[:body], s.dev.faults.garbage()...)
		s.dev.bench.mu.Unlock()
	case FaultWrongLength:
		s.dev.bench.mu.Lock()
		s.out = append(s.out[:body], s.dev.faults.wrongLength(s.out[body:])...)
		s.dev.bench.mu.Unlock()
	}
	return s.finish(false, false)
}

// finish sends what the line has produced.
func (s *session) finish(failed, silent bool) bool {
	t := &s.dev.traits
	if silent && t.Ack != "" {
		word := t.Ack
		if failed && t.Nak != "" {
			word = t.Nak
		}
		s.out = append(append(s.out, word...), lineEnd(t.ReplyEnd)...)
	}
	s.out = append(s.out, t.Prompt...)
	if len(s.out) > 0 {
		if _, err := s.port.Write(s.out); err != nil {
			return false
		}
	}
	s.last = time.Now()
	return true
}

// message carries out the commands of one line and appends their answers.
func (s *session) message(line string) (answered, failed, ok bool) {
	d, b := s.dev, s.dev.bench
	units, bad := program.Split(line)
	var path program.Path[handler]
	b.mu.Lock()
	defer b.mu.Unlock()
	begin := len(s.out)
	endless, bare := false, false
	fail := func(e *program.Error) {
		failed = true
		d.push(e)
	}
	for i, u := range units {
		if i > 0 && d.traits.OneCommand {
			fail(program.Fail(-102, "one command to a line"))
			break
		}
		h, nums, err := d.tree.Find(&path, u.Header)
		if err != nil {
			fail(err)
			continue
		}
		if endless && u.Query() {
			fail(program.Fail(-440, u.Header))
			break
		}
		c := call{args: u.Args, nums: nums, line: line, pending: answered, out: s.out}
		if answered && u.Query() {
			c.out = append(c.out, ';')
		}
		before := len(c.out)
		err = h(&c)
		for err == errBusy {
			b.mu.Unlock()
			alive, interrupted := s.wait()
			b.mu.Lock()
			if !alive {
				return false, false, false
			}
			if interrupted && u.Query() {
				err = program.Fail(-410, u.Header)
				break
			}
			err = h(&c)
		}
		if err != nil {
			fail(err)
			continue
		}
		if len(c.out) > before {
			answered = true
			s.out = c.out
		}
		endless = endless || c.endless
		bare = c.bare
	}
	if bad != nil {
		fail(bad)
	}
	if answered && !bare {
		s.out = append(s.out, lineEnd(d.traits.ReplyEnd)...)
	}
	if !answered {
		s.out = s.out[:begin]
	}
	return answered, failed, true
}

// wait blocks until the pending operation is over. alive is false if the client
// or the bench went away; interrupted is true if the client sent more and the
// traits let that break a pending query.
func (s *session) wait() (alive, interrupted bool) {
	b := s.dev.bench
	var gone, more <-chan struct{}
	stop := func() {}
	defer func() { stop() }()
	for {
		b.mu.Lock()
		left := s.dev.remaining(b.clock.now())
		stirred := b.stirred
		b.mu.Unlock()
		if left <= 0 {
			return true, false
		}
		d := b.clock.real(left)
		if gone == nil && d > 2*time.Millisecond {
			gone, more, stop = s.watch()
		}
		timer := time.NewTimer(d)
		select {
		case <-timer.C:
		case <-stirred:
		case <-gone:
			timer.Stop()
			return false, false
		case <-more:
			more = nil
			if s.dev.traits.Interrupts {
				timer.Stop()
				return true, true
			}
		case <-b.ctx.Done():
			timer.Stop()
			return false, false
		}
		timer.Stop()
	}
}

// watch looks ahead in the input without consuming it: gone closes when the
// port does, more when there is input. stop ends the watch and waits for it.
func (s *session) watch() (gone, more <-chan struct{}, stop func()) {
	g, m := make(chan struct{}), make(chan struct{})
	var wg sync.WaitGroup
	seen := s.in.Buffered() > 0
	if seen {
		close(m)
	}
	wg.Go(func() {
		for n := s.in.Buffered() + 1; n <= inputBuffer; n = s.in.Buffered() + 1 {
			_, err := s.in.Peek(n)
			if errors.Is(err, os.ErrDeadlineExceeded) {
				return
			}
			if err != nil {
				close(g)
				return
			}
			if !seen {
				seen = true
				close(m)
			}
		}
	})
	return g, m, func() {
		s.port.SetReadDeadline(time.Unix(1, 0))
		wg.Wait()
		s.port.SetReadDeadline(time.Time{})
	}
}

// sleep waits in real time; false if the client or the bench went away.
func (s *session) sleep(d time.Duration) bool {
	gone, _, stop := s.watch()
	defer stop()
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-gone:
		return false
	case <-s.dev.bench.ctx.Done():
		return false
	}
}

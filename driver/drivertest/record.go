package drivertest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"

	"lidded/driver/link"
)

// Recorder stands between a link and an instrument on TCP and writes down what
// passes.
type Recorder struct {
	target   string
	listener net.Listener
	wait     sync.WaitGroup

	mu    sync.Mutex
	tr    Transcript
	conns []net.Conn
}

// Record listens on loopback and passes everything on to the target
// (host:port).
func Record(ctx context.Context, target string) (*Recorder, error) {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("record: %w", err)
	}
	r := &Recorder{target: target, listener: l}
	r.wait.Go(r.accept)
	return r, nil
}

// Address returns where to dial instead of the instrument.
func (r *Recorder) Address() link.Address {
	return link.Address{Scheme: link.SchemeTCP, Host: r.listener.Addr().String()}
}

// Close ends the recording and returns it.
func (r *Recorder) Close() (Transcript, error) {
	err := r.listener.Close()
	r.mu.Lock()
	for _, c := range r.conns {
		c.Close()
	}
	r.mu.Unlock()
	r.wait.Wait()
	return r.tr, err
}

func (r *Recorder) accept() {
	for {
		client, err := r.listener.Accept()
		if err != nil {
			return
		}
		server, err := net.Dial("tcp", r.target)
		if err != nil {
			client.Close()
			continue
		}
		r.mu.Lock()
		r.conns = append(r.conns, client, server)
		r.mu.Unlock()
		r.wait.Go(func() { r.copy(server, client, true) })
		r.wait.Go(func() { r.copy(client, server, false) })
	}
}

func (r *Recorder) copy(dst, src net.Conn, toInstrument bool) {
	defer dst.Close()
	buf := make([]byte, 64<<10)
	for {
		n, err := src.Read(buf)
		if n > 0 {
			r.mu.Lock()
			r.tr.add(toInstrument, buf[:n])
			r.mu.Unlock()
			if _, err := dst.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

// Player is an instrument that knows one conversation by heart.
type Player struct {
	listener net.Listener
	done     chan struct{}
	err      error
}

// Play listens on loopback and plays the transcript to the first client: it
// checks every byte that comes and answers as recorded.
func Play(ctx context.Context, tr Transcript) (*Player, error) {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("play: %w", err)
	}
	p := &Player{listener: l, done: make(chan struct{})}
	go func() {
		defer close(p.done)
		p.err = p.play(tr)
	}()
	return p, nil
}

// Address returns where to dial.
func (p *Player) Address() link.Address {
	return link.Address{Scheme: link.SchemeTCP, Host: p.listener.Addr().String()}
}

// Close waits for the end of the conversation, for which the client must have
// closed its link, and returns what differed: something else was sent, nothing
// was sent where something was due, or exchanges remain.
func (p *Player) Close() error {
	p.listener.Close()
	<-p.done
	return p.err
}

func (p *Player) play(tr Transcript) error {
	conn, err := p.listener.Accept()
	if err != nil {
		return errors.New("nobody called: all exchanges remain")
	}
	defer conn.Close()
	for i, e := range tr.Exchanges {
		if !e.ToInstrument {
			if _, err := conn.Write(e.Data); err != nil {
				return fmt.Errorf("exchange %d: %w", i+1, err)
			}
			continue
		}
		got := make([]byte, len(e.Data))
		n, err := io.ReadFull(conn, got)
		for k := range n {
			if got[k] != e.Data[k] {
				return fmt.Errorf("exchange %d: %q came where %q was recorded", i+1, got[:n], e.Data)
			}
		}
		if err != nil {
			return fmt.Errorf("exchange %d of %d: the link was closed after %q where %q was recorded: exchanges remain", i+1, len(tr.Exchanges), got[:n], e.Data)
		}
	}
	more := make([]byte, 256)
	if n, _ := conn.Read(more); n > 0 {
		return fmt.Errorf("%q came after the end of the transcript", more[:n])
	}
	return nil
}

package rest

import (
	"encoding/json"
	"sync"

	"lidded/sweep"
)

// Hub passes live pictures of runs to whoever listens, and keeps the last one
// of each bench for those who come later. It is a sweep.Observer: Observe
// never waits. A listener that does not keep up is dropped, and may come back.
type Hub struct {
	buffer int

	mu     sync.Mutex
	subs   map[*subscriber]struct{}
	last   map[string]*message // by bench
	traces map[string]*traceMessage
	order  []string // benches in order of appearance
	closed bool
	drops  int
}

// message is one picture; it is encoded when the first listener needs it.
type message struct {
	progress sweep.Progress
	once     sync.Once
	data     []byte
}

func (m *message) json() []byte {
	m.once.Do(func() { m.data, _ = json.Marshal(progressOf(m.progress)) })
	return m.data
}

// subscriber is one listener. Its channel is closed when it is dropped.
type subscriber struct {
	bench  string
	run    sweep.RunID
	ch     chan *message
	traces *traceSlot // nil: it does not want traces
}

func (s *subscriber) wants(p *sweep.Progress) bool {
	return (s.bench == "" || s.bench == p.Bench) && (s.run == "" || s.run == p.Run)
}

// subscriberBuffer is how many pictures a listener may be behind.
const subscriberBuffer = 256

// NewHub makes a hub without listeners.
func NewHub() *Hub {
	return &Hub{buffer: subscriberBuffer, subs: map[*subscriber]struct{}{}, last: map[string]*message{}, traces: map[string]*traceMessage{}}
}

// Observe passes a picture on. It never waits for a listener.
func (h *Hub) Observe(p sweep.Progress) {
	m, t := &message{progress: withoutTraces(p)}, traceMessageOf(p)
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return
	}
	if h.last[p.Bench] == nil {
		h.order = append(h.order, p.Bench)
	}
	h.last[p.Bench] = m
	if t != nil {
		h.traces[p.Bench] = t
	}
	for s := range h.subs {
		if !s.wants(&m.progress) {
			continue
		}
		select {
		case s.ch <- m:
		default:
			h.drop(s)
			h.drops++
			continue
		}
		if t != nil && s.traces != nil {
			s.traces.put(t)
		}
	}
}

// withoutTraces lets go of the traces, which a picture is sent without: they
// are many times larger than the rest, and the last picture is kept.
func withoutTraces(p sweep.Progress) sweep.Progress {
	if p.Capture != nil {
		c := *p.Capture
		c.Looks = nil
		p.Capture = &c
	}
	if p.Hold != nil {
		s := *p.Hold
		p.Hold = &s
	}
	return p
}

// Last returns the last picture of a bench.
func (h *Hub) Last(bench string) (sweep.Progress, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	m, ok := h.last[bench]
	if !ok {
		return sweep.Progress{}, false
	}
	return m.progress, true
}

// Listeners returns how many listen now, and how many were dropped for being
// slow since the hub was made.
func (h *Hub) Listeners() (now, dropped int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.subs), h.drops
}

// Close drops all listeners, so that a server can shut down.
func (h *Hub) Close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
	for s := range h.subs {
		h.drop(s)
	}
}

// subscribe adds a listener; the last pictures it wants are already waiting in
// its channel, and so are the last traces if it wants any. It is false when
// there are most listeners already, or the hub is closed.
func (h *Hub) subscribe(bench string, run sweep.RunID, traces bool, most int) (*subscriber, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed || len(h.subs) >= most {
		return nil, false
	}
	s := &subscriber{bench: bench, run: run, ch: make(chan *message, h.buffer+len(h.last))}
	if traces {
		s.traces = newTraceSlot()
	}
	for _, b := range h.order {
		if m := h.last[b]; s.wants(&m.progress) {
			s.ch <- m
		}
		if t := h.traces[b]; t != nil && traces && s.wants(&t.progress) {
			s.traces.put(t)
		}
	}
	h.subs[s] = struct{}{}
	return s, true
}

// unsubscribe takes a listener off; it is harmless after a drop.
func (h *Hub) unsubscribe(s *subscriber) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if _, ok := h.subs[s]; ok {
		h.drop(s)
	}
}

// drop ends a listener; h.mu is held.
func (h *Hub) drop(s *subscriber) {
	delete(h.subs, s)
	close(s.ch)
}

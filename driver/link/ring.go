package link

import (
	"sync"
	"time"
)

// Exchange is one command and what came back.
type Exchange struct {
	Time    time.Time     // when the command was sent
	Command string        // without its line end, shortened to 256 bytes
	Reply   string        // shortened to 256 bytes; empty if none was read or it was binary
	Bytes   int           // length of the whole reply, without header and end
	Err     string        // empty if it went well
	Took    time.Duration // until the reply was complete or the error known
}

// Ring keeps the last exchanges of one instrument, and beyond them the last
// ones that failed. It outlives the connections it is given to. All methods may
// be called from several goroutines.
type Ring struct {
	mu     sync.Mutex
	recent circle
	failed circle
	open   bool // the newest of recent may still get a reply
}

// NewRing returns a ring for the last n exchanges and the last pinned failures;
// each is at least 1.
func NewRing(n, pinned int) *Ring {
	return &Ring{recent: newCircle(n), failed: newCircle(pinned)}
}

// Snapshot returns a copy of what the ring holds, oldest first: the pinned
// failures that are no longer among the last exchanges, then the last exchanges.
func (r *Ring) Snapshot() []Exchange {
	r.mu.Lock()
	defer r.mu.Unlock()
	out := make([]Exchange, 0, len(r.recent.slots)+len(r.failed.slots))
	oldest, ok := r.recent.oldest()
	r.failed.each(func(s *slot) {
		if ok && s.seq < oldest {
			out = append(out, s.exchange())
		}
	})
	r.recent.each(func(s *slot) { out = append(out, s.exchange()) })
	return out
}

// Note adds an exchange that did not go through a Conn, such as a failed dial.
func (r *Ring) Note(command string, err error, took time.Duration) {
	now := time.Now()
	r.mu.Lock()
	defer r.mu.Unlock()
	r.beginLocked(now.Add(-took), command)
	r.endLocked(now, nil, 0, err)
	r.open = false
}

// begin adds a command.
func (r *Ring) begin(now time.Time, command string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.beginLocked(now, command)
}

func (r *Ring) beginLocked(now time.Time, command string) {
	r.open = true
	r.recent.next().set(now, command)
}

// end completes the newest exchange with a reply of n bytes, of which those
// given are text. Further replies to the same command only
// add to its length and time; a failure without a command stands alone.
func (r *Ring) end(now time.Time, reply []byte, n int, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.endLocked(now, reply, n, err)
}

func (r *Ring) endLocked(now time.Time, reply []byte, n int, err error) {
	if !r.open {
		if err == nil {
			return
		}
		r.recent.next().set(now, "")
	}
	s := r.recent.newest()
	s.took = now.Sub(s.time)
	if s.bytes == 0 {
		s.reply = append(s.reply[:0], reply[:min(len(reply), maxKept)]...)
	}
	s.bytes += n
	if err != nil {
		s.err = err.Error()
		r.open = false
		r.failed.next().copy(s)
	}
}

// maxKept is how many bytes of a command or a reply are kept.
const maxKept = 256

// slot holds an exchange in memory that is used again and again.
type slot struct {
	seq            uint64
	time           time.Time
	command, reply []byte
	bytes          int
	err            string
	took           time.Duration
}

func (s *slot) set(now time.Time, command string) {
	s.time, s.bytes, s.err, s.took = now, 0, "", 0
	s.command = append(s.command[:0], command[:min(len(command), maxKept)]...)
	s.reply = s.reply[:0]
}

func (s *slot) copy(from *slot) {
	s.seq, s.time, s.bytes, s.err, s.took = from.seq, from.time, from.bytes, from.err, from.took
	s.command = append(s.command[:0], from.command...)
	s.reply = append(s.reply[:0], from.reply...)
}

func (s *slot) exchange() Exchange {
	return Exchange{Time: s.time, Command: string(s.command), Reply: string(s.reply), Bytes: s.bytes, Err: s.err, Took: s.took}
}

// circle is a fixed number of slots, the oldest overwritten first.
type circle struct {
	slots []slot
	used  int
	last  int // index of the newest
	seq   uint64
}

func newCircle(n int) circle {
	n = max(n, 1)
	return circle{slots: make([]slot, n), last: n - 1}
}

// next returns the slot for a new entry.
func (c *circle) next() *slot {
	c.last = (c.last + 1) % len(c.slots)
	c.used = min(c.used+1, len(c.slots))
	c.seq++
	c.slots[c.last].seq = c.seq
	return &c.slots[c.last]
}

func (c *circle) newest() *slot { return &c.slots[c.last] }

// each visits the entries, oldest first.
func (c *circle) each(f func(*slot)) {
	for i := range c.used {
		f(&c.slots[(c.last+1-c.used+i+2*len(c.slots))%len(c.slots)])
	}
}

// oldest returns the sequence number of the oldest entry.
func (c *circle) oldest() (seq uint64, ok bool) {
	if c.used == 0 {
		return 0, false
	}
	return c.slots[(c.last+1-c.used+len(c.slots))%len(c.slots)].seq, true
}

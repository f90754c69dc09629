package virtual

import (
	"math"
	"sync"
	"time"
)

// Jump is the time scale at which simulated time stands still except that a
// triggered sweep and a settling source advance it by what they take, at once,
// and Bench.Advance by what it is told. The same commands then give the same
// data whatever the speed of the machine.
var Jump = math.Inf(1)

// clock is the simulated time in seconds since the bench was started.
type clock struct {
	mu    sync.Mutex
	scale float64
	start time.Time
	extra float64
}

func newClock(scale float64) *clock {
	if scale == 0 {
		scale = 1
	}
	return &clock{scale: scale, start: time.Now()}
}

func (c *clock) jumps() bool { return math.IsInf(c.scale, 1) }

func (c *clock) now() float64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.jumps() {
		return c.extra
	}
	return time.Since(c.start).Seconds()*c.scale + c.extra
}

func (c *clock) advance(seconds float64) {
	c.mu.Lock()
	c.extra += seconds
	c.mu.Unlock()
}

// real returns how long a simulated span takes on the wall clock, rounded up.
func (c *clock) real(seconds float64) time.Duration {
	if seconds <= 0 || c.jumps() {
		return 0
	}
	return time.Duration(math.Ceil(seconds / c.scale * 1e9))
}

package engine_test

import (
	"testing"
	"time"

	"lidded/sweep/engine"
)

// TestTheRestByWhatWasDone: the plan's estimate times what work took over what it
// should have taken, the estimate itself counting for a twentieth of the run, and for
// a second at least.
func TestTheRestByWhatWasDone(t *testing.T) {
	const s = time.Second
	for name, c := range map[string]struct {
		total, inHand time.Duration
		done          []engine.Work
		planned, left time.Duration
	}{
		"at the start":       {100 * s, 0, nil, 100 * s, 100 * s},
		"slower":             {100 * s, 0, []engine.Work{{10 * s, 20 * s}}, 90 * s, 150 * s}, // (20 + 5)/(10 + 5)
		"quicker":            {100 * s, 0, []engine.Work{{20 * s, 0}}, 80 * s, 16 * s},       // 5/25
		"two parts":          {100 * s, 0, []engine.Work{{10 * s, 20 * s}, {35 * s, 30 * s}}, 55 * s, 60500 * time.Millisecond},
		"some in hand":       {100 * s, 30 * s, []engine.Work{{10 * s, 20 * s}}, 60 * s, 100 * s},
		"more than all":      {100 * s, 120 * s, nil, 0, 0},
		"a short run":        {10 * s, 0, []engine.Work{{4 * s, 9 * s}}, 6 * s, 12 * s}, // (9 + 1)/(4 + 1)
		"all of it is ended": {100 * s, 0, []engine.Work{{100 * s, 150 * s}}, 0, 0},
	} {
		planned, left := engine.Left(c.total, c.inHand, c.done...)
		if planned != c.planned || (left-c.left).Abs() > time.Microsecond {
			t.Errorf("%s: %v planned, %v left; want %v and %v", name, planned, left, c.planned, c.left)
		}
	}
}

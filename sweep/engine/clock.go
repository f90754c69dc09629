package engine

import (
	"context"
	"time"
)

// Clock is the time the bench lives in.
type Clock interface {
	// Now is the present, with a reading that never steps backwards between two
	// calls' difference.
	Now() time.Time
	// Sleep returns after d at the earliest, or with the context's error.
	Sleep(ctx context.Context, d time.Duration) error
}

// RealClock is the time on the wall.
func RealClock() Clock { return ScaledClock(1) }

// ScaledClock runs factor times faster than the wall from the moment it is
// made: the time of a virtual bench whose instruments do. A factor of zero or
// less is 1.
func ScaledClock(factor float64) Clock {
	if !(factor > 0) {
		factor = 1
	}
	return &scaled{factor: factor, from: time.Now()}
}

type scaled struct {
	factor float64
	from   time.Time
}

func (c *scaled) Now() time.Time {
	if c.factor == 1 {
		return time.Now()
	}
	return c.from.Add(time.Duration(float64(time.Since(c.from)) * c.factor))
}

func (c *scaled) Sleep(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	t := time.NewTimer(time.Duration(float64(d) / c.factor))
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

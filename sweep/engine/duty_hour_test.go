package engine_test

import (
	"testing"
	"time"

	"lidded/sweep/engine"
)

// TestTheHourIsCounted: what lies within the hour counts, of a burst that began before
// it the part within; at the limit the source may be on, beyond it once enough has left
// the hour, and never for longer at once than the limit.
func TestTheHourIsCounted(t *testing.T) {
	const m = time.Minute
	before := [][2]time.Duration{{65 * m, 55 * m}, {30 * m, 26 * m}} // 5 and 4 minutes within the hour
	for name, c := range map[string]struct {
		limit, expect time.Duration
		before        [][2]time.Duration
		wait          time.Duration
		refused       bool
	}{
		"nothing before":            {10 * m, 10 * m, nil, 0, false},
		"at the limit":              {10 * m, m, before, 0, false},
		"over it":                   {10 * m, 2 * m, before, m, true},
		"until the first is gone":   {10 * m, 6 * m, before, 5 * m, true},
		"into the second":           {10 * m, 7 * m, before, 31 * m, true},
		"until all is gone but two": {10 * m, 8 * m, before, 32 * m, true},
		"until all is gone":         {10 * m, 10 * m, before, 34 * m, true},
		"longer than the limit":     {10 * m, 10*m + 1, nil, 0, true},
		"just out of the hour":      {10 * m, 10 * m, [][2]time.Duration{{70 * m, 60 * m}}, 0, false},
		"just within the hour":      {10 * m, 10 * m, [][2]time.Duration{{70 * m, 60*m - time.Second}}, time.Second, true},
		"no limit":                  {0, 90 * m, before, 0, false},
	} {
		wait, err := engine.Hourly(c.limit, c.expect, c.before)
		if wait != c.wait || (err != nil) != c.refused {
			t.Errorf("%s: wait %v, %v; want %v, refused %v", name, wait, err, c.wait, c.refused)
		}
	}
}

package engine_test

import (
	"slices"
	"testing"
	"time"

	"lidded/sweep"
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

// TestWhatTheLedgerSaysOfTheHour: a keying counts with its length and how long ago it
// ended; one left open as long as it may have been on; one yet to come as just ended.
func TestWhatTheLedgerSaysOfTheHour(t *testing.T) {
	const m, s = time.Minute, time.Second
	now := time.Date(2026, 5, 4, 22, 0, 0, 0, time.UTC)
	keying := func(ago, length time.Duration) sweep.Keying {
		return sweep.Keying{On: now.Add(-ago), Off: now.Add(-ago + length)}
	}
	open := sweep.Keying{On: now.Add(-10 * m)}
	for name, c := range map[string]struct {
		keyed  time.Duration // the longest without a break
		ledger []sweep.Keying
		want   [][2]time.Duration
		asked  time.Duration
	}{
		"a keying":                  {20 * s, []sweep.Keying{keying(30*m, 45*s)}, [][2]time.Duration{{30 * m, 30*m - 45*s}}, 60*m + 20*s},
		"in order":                  {20 * s, []sweep.Keying{keying(3*m, s), keying(30*m, 45*s)}, [][2]time.Duration{{30 * m, 30*m - 45*s}, {3 * m, 3*m - s}}, 60*m + 20*s},
		"left open":                 {20 * s, []sweep.Keying{open}, [][2]time.Duration{{10 * m, 10*m - 20*s}}, 60*m + 20*s},
		"left open, no limit":       {0, []sweep.Keying{open}, [][2]time.Duration{{10 * m, 9 * m}}, 61 * m},
		"ended before it began":     {20 * s, []sweep.Keying{keying(5*m, -s)}, [][2]time.Duration{{5 * m, 5*m - 20*s}}, 60*m + 20*s},
		"yet to come":               {20 * s, []sweep.Keying{keying(-5*m, 7*s)}, [][2]time.Duration{{7 * s, 0}}, 60*m + 20*s},
		"of no length":              {20 * s, []sweep.Keying{keying(5*m, 0)}, nil, 60*m + 20*s},
		"left open just now":        {20 * s, []sweep.Keying{{On: now.Add(-5 * s)}}, [][2]time.Duration{{20 * s, 0}}, 60*m + 20*s},
		"nothing in the last hours": {20 * s, nil, nil, 60*m + 20*s},
	} {
		got, asked, err := engine.Recalled(now, engine.Rules{MaxKeyed: c.keyed, MaxKeyedPerHour: 10 * m}, c.ledger...)
		if err != nil || asked != c.asked || !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, asked for %v, %v; want %v and %v", name, got, asked, err, c.want, c.asked)
		}
	}
	if got, asked, err := engine.Recalled(now, engine.Rules{MaxKeyed: m}, open); got != nil || asked != 0 || err != nil {
		t.Errorf("without a limit: %v, asked for %v, %v", got, asked, err)
	}
}

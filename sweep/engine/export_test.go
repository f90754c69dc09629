package engine

import (
	"context"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// Allowed is the permission asked at the key, for tests.
func Allowed(facts sweep.Bench, permit func(unit.Hz, unit.DBm) error, f unit.Hz, p unit.DBm) error {
	t := transmitter{facts: facts, permit: permit}
	return t.allowed(f, p)
}

// Hourly asks whether the source may be on for expect after it was on before, each
// from and to in time before now, and how long it has to wait.
func Hourly(limit, expect time.Duration, before [][2]time.Duration) (wait time.Duration, err error) {
	now := time.Date(2026, 5, 4, 22, 0, 0, 0, time.UTC)
	t := transmitter{rules: Rules{MaxKeyedPerHour: limit}}
	for _, b := range before {
		t.past = append(t.past, burst{now.Add(-b[0]), now.Add(-b[1])})
	}
	err = t.hourly(now, expect)
	if d, ok := err.(*dutyError); ok {
		wait = d.until.Sub(now)
	}
	return wait, err
}

// Work is a part of a run: what it should cost, and what it took.
type Work struct{ Cost, Took time.Duration }

// Left is the time that the rest of a run should take after parts of it.
func Left(total, inHand time.Duration, done ...Work) (planned, left time.Duration) {
	p := newPace(costs{total: total}, total)
	for _, w := range done {
		p.committed(w.Cost, w.Took)
	}
	p.inHand = inHand
	return p.planned(), p.left()
}

// Plausible asks whether a trace may be of what the analyzer is set to.
func Plausible(set driver.Settings, t driver.Trace) error {
	r := rig{applied: set}
	return r.plausible(t)
}

// Holds asks whether a span as read back holds the carrier.
func Holds(b sweep.Bench, f unit.Hz, want, got driver.Settings) error {
	r := rig{c: &conduct{run: sweep.Run{Bench: b}}}
	return r.holds(f, want, got)
}

// Parts of a held trace, for tests.
var (
	Part  = part
	Cut   = cut
	Apart = apart
)

// Recalled is the on-time that a bench takes from a ledger that is read now: from and
// to of each burst in time before now.
func Recalled(now time.Time, rules Rules, ledger ...sweep.Keying) (bursts [][2]time.Duration, asked time.Duration, err error) {
	b := &Bench{rules: rules, clock: still{now}, tx: &transmitter{}}
	b.rules.JournalTimeout = time.Minute
	b.keyedSince = func(_ context.Context, from time.Time) ([]sweep.Keying, error) {
		asked = now.Sub(from)
		return ledger, nil
	}
	err = b.recall(context.Background())
	for _, x := range b.tx.past {
		bursts = append(bursts, [2]time.Duration{now.Sub(x.from), now.Sub(x.to)})
	}
	return bursts, asked, err
}

type still struct{ now time.Time }

func (s still) Now() time.Time                             { return s.now }
func (s still) Sleep(context.Context, time.Duration) error { return nil }

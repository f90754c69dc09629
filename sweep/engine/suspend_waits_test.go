package engine_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"lidded/sweep"
	"lidded/sweep/engine"
)

// waits notes how long is slept while the run is suspended.
type waits struct {
	*world
	mu        sync.Mutex
	suspended bool
	slept     []time.Duration
	said      []string
}

func (x *waits) Observe(p sweep.Progress) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if p.Kind == "state" {
		if x.suspended = p.State == sweep.Suspended; x.suspended {
			x.said = append(x.said, p.Text)
		}
	}
}

func (x *waits) Sleep(ctx context.Context, d time.Duration) error {
	x.mu.Lock()
	if x.suspended {
		x.slept = append(x.slept, d)
	}
	x.mu.Unlock()
	return x.world.Sleep(ctx, d)
}

// TestAConditionIsLookedAtByItsRule: every ten seconds until it is at the threshold
// for going on, then once more after the settling time; one that is over it again, or
// cannot be told, is looked at every ten seconds anew.
func TestAConditionIsLookedAtByItsRule(t *testing.T) {
	const s = time.Second
	for name, c := range map[string]struct {
		celsius []float64 // at one look after another; below zero: it does not answer
		settle  time.Duration
		want    []time.Duration
		state   sweep.State
	}{
		"cools at once":          {[]float64{50, 45, 45}, 5 * s, []time.Duration{10 * s, 5 * s}, sweep.Completed},
		"cools slowly":           {[]float64{55, 52, 44, 44}, 5 * s, []time.Duration{10 * s, 10 * s, 5 * s}, sweep.Completed},
		"warms up again":         {[]float64{55, 52, 44, 46, 45, 45}, 5 * s, []time.Duration{10 * s, 10 * s, 5 * s, 10 * s, 5 * s}, sweep.Completed},
		"just over, just at":     {[]float64{50, 45.1, 45, 45}, 5 * s, []time.Duration{10 * s, 10 * s, 5 * s}, sweep.Completed},
		"does not answer":        {[]float64{55, -1, 44, -1, 44, 44}, 5 * s, []time.Duration{10 * s, 10 * s, 5 * s, 10 * s, 5 * s}, sweep.Completed},
		"under the trip, always": {[]float64{49.9, 49.9, 49.9}, 5 * s, nil, sweep.Completed},
		"never cools":            {[]float64{55, 55, 55, 55, 55, 55, 55, 55, 55}, 5 * s, []time.Duration{10 * s, 10 * s, 10 * s, 10 * s}, sweep.Failed},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld()
			x := &waits{world: w}
			asked := 0
			w.fail = func(_ int, call string) (f failure) {
				if call == "analyzer.Temperature" {
					v := 40.0
					if asked < len(c.celsius) {
						v = c.celsius[asked]
					}
					if asked++; v < 0 {
						f.err = errors.New("no answer")
					}
					w.skews.celsius = v
				}
				return f
			}
			set := w.setup()
			set.Clock, set.Observer = x, x
			set.Rules.Suspend.Temperature = engine.Suspension{Trip: 50, Resume: 45, Every: 10 * s, Settle: c.settle, Longest: 40 * s}
			d := serve(t, set)
			q := request(plan(t, sweep.Linked, 100e6))
			q.Specimens = lockers[:1]
			r := d.end(t, d.begin(t, q))
			if r.State != c.state || c.state == sweep.Failed && !strings.Contains(r.Reason, "55") {
				t.Errorf("ended %v: %s", r.State, r.Reason)
			}
			if !slices.Equal(x.slept, c.want) {
				t.Errorf("slept %v, want %v; %q", x.slept, c.want, x.said)
			}
			w.safe(t)
		})
	}
}

// TestAPointIsTakenAgainSoOften: a condition that trips each time is waited out before
// every try but the last, which is kept and says so.
func TestAPointIsTakenAgainSoOften(t *testing.T) {
	w := newWorld()
	asked := 0
	trips := []float64{55, 44, 44}
	w.fail = func(_ int, call string) (f failure) {
		if call == "analyzer.Temperature" {
			w.skews.celsius = 40
			if asked < 9 {
				w.skews.celsius = trips[asked%3]
			}
			asked++
		}
		return f
	}
	set := w.setup()
	set.Rules.PointTries = 3
	set.Rules.Suspend.Temperature = engine.Suspension{Trip: 50, Resume: 45, Every: time.Second, Settle: time.Second, Longest: time.Minute}
	d := serve(t, set)
	q := request(plan(t, sweep.Linked, 100e6))
	q.Specimens = lockers[:1]
	r := d.end(t, d.begin(t, q))
	if r.State != sweep.Completed {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	again, kept := 0, 0
	for _, e := range w.journal.events {
		if strings.Contains(e.Text, "is taken again: temperature") {
			again++
		}
		if strings.Contains(e.Text, "kept all the same at try 3: temperature") {
			kept++
		}
	}
	if again != 2 || kept != 1 {
		t.Errorf("taken again %d times, kept %d times", again, kept)
	}
	w.safe(t)
}

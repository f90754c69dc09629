package storetest

import (
	"flag"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// model is what a store should hold, in memory.
type model struct {
	runs     []sweep.Run
	captures map[sweep.RunID][]sweep.Capture
	events   int
	keyings  []sweep.Keying
}

// testHistory lets any sequence of writes and reopenings happen, to a store and
// to a model, and compares them.
func testHistory(t *testing.T, fresh func(testing.TB) Place) {
	fewer(t, "10")
	rapid.Check(t, func(rt *rapid.T) {
		p := fresh(t)
		ctx := t.Context()
		clock := noon
		tick := func() time.Time {
			clock = clock.Add(time.Duration(rapid.Int64Range(-5e9, 20e9).Draw(rt, "step of the clock")))
			return clock
		}
		openNow := func() Store {
			s, err := p.Open(ctx, func() time.Time { return clock })
			if err != nil {
				rt.Fatal(err)
			}
			return s
		}
		s := openNow()
		defer func() { s.Close() }()
		m := model{captures: map[sweep.RunID][]sweep.Capture{}}
		ok := func(err error) {
			rt.Helper()
			if err != nil {
				rt.Fatal(err)
			}
		}
		pick := func() *sweep.Run {
			var open []*sweep.Run
			for i := range m.runs {
				if !m.runs[i].State.Final() {
					open = append(open, &m.runs[i])
				}
			}
			if len(open) == 0 {
				rt.Skip("no open run")
			}
			return rapid.SampledFrom(open).Draw(rt, "run")
		}
		rt.Repeat(map[string]func(*rapid.T){
			"create": func(rt *rapid.T) {
				r := aRun(rapid.SampledFrom([]string{"bench-1", "bench-2"}).Draw(rt, "bench"), "night")
				r.Created = tick()
				ok(s.Create(ctx, r))
				m.runs = append(m.runs, r)
				m.events++
			},
			"begin": func(rt *rapid.T) {
				r := pick()
				now := *r
				now.Started = new(tick())
				now.Analyzer = driver.Identity{Raw: rapid.String().Draw(rt, "identity")}
				ok(s.Begin(ctx, now))
				if r.Started == nil {
					r.Started = now.Started
				}
				if r.Analyzer == (driver.Identity{}) {
					r.Analyzer = now.Analyzer
				}
				m.events++
			},
			"transition": func(rt *rapid.T) {
				r := pick()
				r.State = sweep.State(rapid.IntRange(int(sweep.Pending), int(sweep.Interrupted)).Draw(rt, "state"))
				r.Reason = rapid.String().Draw(rt, "reason")
				at := tick()
				if r.State.Final() {
					r.Ended = &at
				}
				ok(s.Transition(ctx, r.ID, at, r.State, r.Reason, "ann"))
				m.events++
			},
			"commit": func(rt *rapid.T) {
				r := pick()
				batch := rapid.SliceOfN(captureOf(r.ID, tick), 0, 3).Draw(rt, "captures")
				r.Checkpoint = sweep.Checkpoint{Step: rapid.IntRange(0, 9).Draw(rt, "step"), Point: rapid.IntRange(0, 500).Draw(rt, "point")}
				ok(s.Commit(ctx, r.ID, r.Checkpoint, batch...))
				for _, c := range batch {
					c.Seq = len(m.captures[r.ID]) + 1
					m.captures[r.ID] = append(m.captures[r.ID], c)
				}
				m.events++
			},
			"note": func(rt *rapid.T) {
				ok(s.Note(ctx, sweep.Event{Run: pick().ID, Time: tick(), Kind: "note", Text: rapid.String().Draw(rt, "text")}))
				m.events++
			},
			"key": func(rt *rapid.T) {
				k := sweep.Keying{Run: pick().ID, Freq: 30e6, Level: -10, On: tick()}
				var err error
				k.Entry, err = s.KeyOn(ctx, k)
				ok(err)
				if rapid.Bool().Draw(rt, "off") {
					k.Off, k.OffNot = tick(), rapid.String().Draw(rt, "not confirmed")
					ok(s.KeyOff(ctx, k.Entry, k.Off, k.OffNot))
				}
				m.keyings = append(m.keyings, k)
			},
			"reopen": func(rt *rapid.T) {
				ok(s.Close())
				s = openNow()
				compare(rt, t, s, m)
			},
		})
		compare(rt, t, s, m)
	})
}

func captureOf(run sweep.RunID, tick func() time.Time) *rapid.Generator[sweep.Capture] {
	level := rapid.OneOf(
		rapid.Float64Range(-170, 30),
		rapid.Map(rapid.Float32Range(-170, 30), func(x float32) float64 { return float64(x) }),
		rapid.SampledFrom([]float64{math.NaN(), math.Inf(-1), 0, math.SmallestNonzeroFloat64}))
	return rapid.Custom(func(rt *rapid.T) sweep.Capture {
		c := aCapture(run, rapid.IntRange(-1, 500).Draw(rt, "point"))
		c.Begun = tick()
		c.Overload = rapid.Bool().Draw(rt, "overload")
		c.Void = rapid.String().Draw(rt, "void")
		c.Looks = nil
		for range rapid.IntRange(0, 3).Draw(rt, "looks") {
			l := sweep.Look{SourceOn: rapid.Bool().Draw(rt, "on"), Trace: driver.Trace{Start: 1e6, Stop: 2e6, Begun: c.Begun, Took: 1}}
			for _, v := range rapid.SliceOfN(level, 0, 20).Draw(rt, "levels") {
				l.Trace.Levels = append(l.Trace.Levels, unit.DBm(v))
			}
			c.Looks = append(c.Looks, l)
		}
		return c
	})
}

func compare(rt *rapid.T, t *testing.T, s Store, m model) {
	ctx := t.Context()
	fatal := func(err error) {
		if err != nil {
			rt.Fatal(err)
		}
	}
	list, err := s.Runs(ctx, sweep.RunFilter{})
	fatal(err)
	var want []sweep.RunInfo
	for i := len(m.runs) - 1; i >= 0; i-- {
		want = append(want, info(m.runs[i], len(m.captures[m.runs[i].ID])))
	}
	same(rt, "runs", list, want)
	for _, r := range m.runs {
		got, err := s.Run(ctx, r.ID)
		fatal(err)
		same(rt, "run", got, r)
		captures, err := s.Captures(ctx, r.ID)
		fatal(err)
		same(rt, "captures", captures, m.captures[r.ID])
	}
	events, err := s.Events(ctx, "", 0, 0)
	fatal(err)
	if len(events) != m.events {
		rt.Fatalf("%d events, want %d", len(events), m.events)
	}
	keyings, err := s.Keyings(ctx, sweep.KeyingFilter{})
	fatal(err)
	same(rt, "ledger", keyings, m.keyings)
}

// fewer sets the number of trials of a property that makes databases, unless
// the command line asks for another.
// Fewer sets how many trials a property gets, unless the command line says.
func Fewer(t *testing.T, checks string) { fewer(t, checks) }

func fewer(t *testing.T, checks string) {
	f := flag.Lookup("rapid.checks")
	if f == nil || f.Value.String() != f.DefValue {
		return
	}
	if err := f.Value.Set(checks); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = f.Value.Set(f.DefValue) })
}

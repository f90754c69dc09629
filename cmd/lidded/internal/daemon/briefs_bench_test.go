package daemon_test

import (
	"context"
	"io"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/store"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

// aNight is a run on one specimen and its captures: a reference and a capture
// through the shield for each point, two looks on and two off of 51 levels.
func aNight(rng *rand.Rand, night, points int) (sweep.Run, []sweep.Capture) {
	begun := time.Date(2026, 1, 1+night, 3, 0, 0, 0, time.UTC)
	run := sweep.Run{
		ID:        sweep.RunID(uuid.Must(uuid.NewV7()).String()),
		Bench:     sweep.Bench{Name: "depot", Uncertainty: 0.5, FreqErrorPPM: 1},
		Plan:      sweep.Plan{Name: "linked", Capture: sweep.Linked, Positions: []string{"front"}, Polarizations: []sweep.Polarization{"vertical"}, Repeats: 1, Looks: 2, MaxLooks: 2, Confidence: 0.95, FalseAlarm: 0.05, DriftLimit: 3},
		Specimens: []sweep.Specimen{{Name: "otter"}}, Trigger: "schedule night", Created: begun, State: sweep.Pending,
	}
	var all []sweep.Capture
	for i := range points {
		q := sweep.Point{Index: i, Freq: 100e6 + unit.Hz(i)*1e6, RBW: 1e3, Span: 20e3, Detector: driver.PowerAverage, Field: requirement.PlaneWave, TracePoints: 51}
		run.Plan.Points = append(run.Plan.Points, q)
		for _, c := range []sweep.Capture{{Kind: sweep.Reference}, {Kind: sweep.Enclosed, At: sweep.Setting{Specimen: "otter"}}} {
			c.At.Position, c.At.Polarization, c.At.Repeat = "front", "vertical", 1
			c.Point, c.Freq, c.Settings, c.Begun, c.Step = i, q.Freq, sweep.PointSettings(q), begun, int(c.Kind)
			level := unit.DBm(-30)
			if c.Kind == sweep.Enclosed {
				level = level.Add(-unit.DB(30 + (i*7+night)%70))
			}
			for look := range 4 {
				c.Looks = append(c.Looks, sweep.Look{SourceOn: look%2 == 1, Trace: noisy(rng, q, level, look%2 == 1, begun)})
			}
			all = append(all, c)
		}
	}
	return run, all
}

// noisy is a trace of noise, and of a carrier in its middle.
func noisy(rng *rand.Rand, q sweep.Point, level unit.DBm, on bool, begun time.Time) driver.Trace {
	t := driver.Trace{Start: q.Freq - q.Span/2, Stop: q.Freq + q.Span/2, Levels: make([]unit.DBm, 51), Begun: begun}
	for k := range t.Levels {
		mw := rng.ExpFloat64() * 1e-11
		if on && k == 25 {
			mw += float64(level.Watts()) * 1e3
		}
		t.Levels[k] = unit.Watt(mw / 1e3).DBm()
	}
	return t
}

// keep puts a run with captures into a store, in the last of some states.
func keep(tb testing.TB, s *store.Store, run sweep.Run, captures []sweep.Capture, states ...sweep.State) {
	tb.Helper()
	ctx := context.Background()
	if err := s.Create(ctx, run); err != nil {
		tb.Fatal(err)
	}
	if err := s.Commit(ctx, run.ID, sweep.Checkpoint{}, captures...); err != nil {
		tb.Fatal(err)
	}
	for _, to := range states {
		if err := s.Transition(ctx, run.ID, run.Created.Add(time.Hour), to, "", "test"); err != nil {
			tb.Fatal(err)
		}
	}
}

// years fills a store with nights.
func years(tb testing.TB, path string, nights, points int) {
	tb.Helper()
	s, err := store.Open(context.Background(), path, store.Options{})
	if err != nil {
		tb.Fatal(err)
	}
	defer s.Close()
	rng := rand.New(rand.NewPCG(1, 2))
	for night := range nights {
		run, captures := aNight(rng, night, points)
		keep(tb, s, run, captures, sweep.Running, sweep.Completed)
	}
}

// BenchmarkFiftyNights is the page's question for fifty nights of 500 points, first
// of a daemon that must judge them, then of one that reads back what was found.
// "cold-s" is the time from the daemon's start until all of them were there.
func BenchmarkFiftyNights(b *testing.B) {
	path := filepath.Join(b.TempDir(), "lidded.db")
	years(b, path, 50, 500)
	for _, name := range []string{"judged", "read back"} {
		b.Run(name, func(b *testing.B) { fiftyNights(b, path) })
	}
}

func fiftyNights(b *testing.B, path string) {
	l := startLab(b, labSpec{
		analyzerDialect: "analyzer-opc", analyzerTraits: "modern-opc", sourceDialect: "source-scpi", sourceTraits: "source-scpi",
		world: "depot", seed: 1, scale: 1, plans: viewsPlan, store: path,
	})
	begun := time.Now()
	for {
		var all briefsOnWire
		l.ask(b, "GET", "/v1/specimens/otter/results?limit=50", "", &all)
		if all.Pending == 0 {
			if len(all.Runs) != 50 || len(all.Runs[0].Freq) != 500 {
				b.Fatalf("%d nights", len(all.Runs))
			}
			break
		}
	}
	cold := time.Since(begun).Seconds()
	size := int64(0)
	b.ReportAllocs()
	for b.Loop() {
		res, err := http.Get("http://" + l.daemon.Addr() + "/v1/specimens/otter/results?limit=50")
		if err != nil {
			b.Fatal(err)
		}
		if size, err = io.Copy(io.Discard, res.Body); err != nil {
			b.Fatal(err)
		}
		res.Body.Close()
	}
	b.ReportMetric(cold, "cold-s")
	b.ReportMetric(float64(size), "bytes")
}

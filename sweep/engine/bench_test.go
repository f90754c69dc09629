package engine_test

import (
	"context"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// BenchmarkPoint is what the engine itself costs at a linked point: instruments
// and journal answer at once. Compare with the nominal time of the point, 4
// looks of 30 ms.
func BenchmarkPoint(b *testing.B) {
	w := newWorld()
	w.records = false
	s := w.setup()
	s.Journal = forgetful{w.journal}
	s.Observer = observer(func(sweep.Progress) {})
	d := serve(b, s)
	var freqs []unit.Hz
	for f := unit.Hz(30e6); f < 1000e6; f += 1e6 {
		freqs = append(freqs, f)
	}
	p := plan(b, sweep.Linked, freqs...)
	b.ReportAllocs()
	b.ResetTimer()
	points := 0
	var nominal, real time.Duration
	for points < b.N {
		from := time.Now()
		r := d.end(b, d.begin(b, engine.Request{Plan: p, Specimens: lockers[:1], Trigger: "benchmark"}))
		real += time.Since(from)
		n := sweep.Captures(p, r.Steps)
		points += n
		nominal += r.Predicted
		if r.State != sweep.Completed {
			b.Fatalf("ended %v: %s", r.State, r.Reason)
		}
	}
	b.ReportMetric(float64(real.Nanoseconds())/float64(points), "ns/point")
	b.ReportMetric(100*float64(real)/float64(nominal), "%ofnominal")
}

// forgetful keeps no captures, so that the test's own journal is not measured.
type forgetful struct{ *memory }

func (f forgetful) Commit(_ context.Context, id sweep.RunID, next sweep.Checkpoint, _ ...sweep.Capture) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.runs[id].Checkpoint = next
	return nil
}

func (f forgetful) KeyOn(context.Context, sweep.Keying) (int64, error) { return 1, nil }

func (f forgetful) KeyOff(context.Context, int64, time.Time, string) error { return nil }

// BenchmarkSealedStep is the same for the cutting up of a held trace of 10,001
// points into 40.
func BenchmarkSealedStep(b *testing.B) {
	w := newWorld()
	w.skews.points = 10001
	w.records = false
	s := w.setup()
	s.Journal = forgetful{w.journal}
	d := serve(b, s)
	var freqs []unit.Hz
	for f := unit.Hz(30e6); len(freqs) < 40; f += 24e6 {
		freqs = append(freqs, f)
	}
	p := plan(b, sweep.Sealed, freqs...)
	if n := sweep.HeldSweep(p, facts()).Points; n != 10001 {
		b.Fatalf("%d trace points", n)
	}
	b.ReportAllocs()
	b.ResetTimer()
	for steps := 0; steps < b.N; steps += 4 {
		if r := d.end(b, d.begin(b, engine.Request{Plan: p, Specimens: lockers[:1], Trigger: "benchmark"})); r.State != sweep.Completed {
			b.Fatalf("ended %v: %s", r.State, r.Reason)
		}
	}
}

var _ driver.Analyzer = analyzer{}

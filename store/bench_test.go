package store_test

import (
	"fmt"
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

// benchRun is a run of so many points on one specimen.
func benchRun(points int) sweep.Run {
	r := sweep.Run{
		ID:        sweep.RunID(uuid.Must(uuid.NewV7()).String()),
		Bench:     sweep.Bench{Name: "bench-1"},
		Plan:      sweep.Plan{Name: "night", Positions: []string{"center"}, Polarizations: []sweep.Polarization{"vertical"}, Repeats: 1},
		Specimens: []sweep.Specimen{{Name: "locker-a"}},
		Created:   time.Unix(1936785600, 0).UTC(), State: sweep.Pending,
	}
	for i := range points {
		r.Plan.Points = append(r.Plan.Points, sweep.Point{Index: i, Freq: 30e6 + unit.Hz(i)*1e6, RBW: 1e3, Span: 20e3, Detector: driver.PositivePeak, Field: requirement.PlaneWave})
	}
	return r
}

// benchCapture has six looks of 1,001 points. Levels with three decimals, as an
// ASCII reply gives, need double precision; others are those of REAL,32.
func benchCapture(r sweep.Run, point int, ascii bool) sweep.Capture {
	c := sweep.Capture{ID: uuid.Must(uuid.NewV7()).String(), Run: r.ID, Step: 1, Kind: sweep.Reference, Point: point, Freq: 30e6, At: sweep.Setting{Position: "center", Polarization: "vertical", Repeat: 1}}
	for look := range 6 {
		t := driver.Trace{Start: 30e6, Stop: 31e6, Levels: make([]unit.DBm, 1001)}
		for i := range t.Levels {
			if ascii {
				t.Levels[i] = unit.DBm(-110 + float64((i*7919+look)%4001)/1000)
			} else {
				t.Levels[i] = unit.DBm(float32(-110 + float32((i*7919+look)%4001)/1000))
			}
		}
		c.Looks = append(c.Looks, sweep.Look{SourceOn: look%2 == 0, Trace: t})
	}
	return c
}

func openBench(b *testing.B) *store.Store {
	b.Helper()
	s, err := store.Open(b.Context(), filepath.Join(b.TempDir(), "lidded.db"), store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { s.Close() })
	return s
}

// BenchmarkCommit is one capture with six looks of 1,001 points, durable.
func BenchmarkCommit(b *testing.B) {
	for _, ascii := range []bool{false, true} {
		b.Run(fmt.Sprintf("ascii=%t", ascii), func(b *testing.B) {
			s := openBench(b)
			r := benchRun(500)
			if err := s.Create(b.Context(), r); err != nil {
				b.Fatal(err)
			}
			c := benchCapture(r, 0, ascii)
			b.ReportAllocs()
			for b.Loop() {
				c.ID = ""
				if err := s.Commit(b.Context(), r.ID, sweep.Checkpoint{Point: 1}, c); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkKeying is what a keying costs: two durable entries.
func BenchmarkKeying(b *testing.B) {
	s := openBench(b)
	for b.Loop() {
		on := time.Now()
		n, err := s.KeyOn(b.Context(), sweep.Keying{Freq: 30e6, Level: -10, On: on})
		if err == nil {
			err = s.KeyOff(b.Context(), n, on, "")
		}
		if err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkRead reads a run of 500 captures with six looks each, and opens the
// store that holds it, which checks every page.
func BenchmarkRead(b *testing.B) {
	path := filepath.Join(b.TempDir(), "lidded.db")
	s, err := store.Open(b.Context(), path, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	r := benchRun(500)
	if err := s.Create(b.Context(), r); err != nil {
		b.Fatal(err)
	}
	var all []sweep.Capture
	for i := range 500 {
		all = append(all, benchCapture(r, i, false))
	}
	for i := 0; i < len(all); i += 50 {
		if err := s.Commit(b.Context(), r.ID, sweep.Checkpoint{Point: i}, all[i:i+50]...); err != nil {
			b.Fatal(err)
		}
	}
	b.Run("run without traces", func(b *testing.B) {
		for b.Loop() {
			if _, err := s.Run(b.Context(), r.ID); err != nil {
				b.Fatal(err)
			}
			list, err := s.CaptureList(b.Context(), r.ID, sweep.CaptureFilter{})
			if err != nil || len(list) != 500 {
				b.Fatal(len(list), err)
			}
		}
	})
	b.Run("traces one by one", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			for _, err := range s.EachCapture(b.Context(), r.ID) {
				if err != nil {
					b.Fatal(err)
				}
			}
		}
	})
	b.Run("list of runs", func(b *testing.B) {
		for b.Loop() {
			if _, err := s.Runs(b.Context(), sweep.RunFilter{Limit: 50}); err != nil {
				b.Fatal(err)
			}
		}
	})
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	b.Run("open", func(b *testing.B) {
		for b.Loop() {
			s, err := store.Open(b.Context(), path, store.Options{})
			if err != nil {
				b.Fatal(err)
			}
			if err := s.Close(); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// BenchmarkPrune archives a run of 500 captures with six looks of 1,001 points,
// lets its traces go and gives the disk back.
func BenchmarkPrune(b *testing.B) {
	for b.Loop() {
		b.StopTimer()
		s := openBench(b)
		old := endedRun(b, s, 500, sweep.Completed)
		endedRun(b, s, 1, sweep.Completed)
		before, err := s.Size()
		if err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
		if _, err := s.Archive(b.Context(), old, b.TempDir()); err != nil {
			b.Fatal(err)
		}
		if err := s.Prune(b.Context(), old, asItStood); err != nil {
			b.Fatal(err)
		}
		if err := s.Shrink(b.Context()); err != nil {
			b.Fatal(err)
		}
		b.StopTimer()
		after, err := s.Size()
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(before)/1e6, "MB-before")
		b.ReportMetric(float64(after)/1e6, "MB-after")
		b.StartTimer()
	}
}

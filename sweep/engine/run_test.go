package engine_test

import (
	"testing"
	"time"

	"lidded/driver"
	"lidded/sweep"
)

func TestLinkedRunFromEndToEnd(t *testing.T) {
	w := newWorld()
	d := serve(t, w.setup())
	p := plan(t, sweep.Linked, 100e6, 200e6, 300e6)
	r := d.end(t, d.begin(t, request(p)))
	if r.State != sweep.Completed || r.Reason != "" {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	w.safe(t)
	caps := w.journal.caps(r.ID)
	if want := sweep.Captures(p, r.Steps); len(caps) != want || want != 15 {
		t.Fatalf("%d captures, want %d: ambient, reference, two lockers, closing reference, three points each", len(caps), want)
	}
	blocks, keyed := map[int]int{}, 0
	for _, c := range caps {
		var on, off, inRow int
		for i, l := range c.Looks {
			if l.SourceOn {
				on++
			} else {
				off++
			}
			if i == 0 && l.SourceOn {
				t.Errorf("step %d point %d begins with an on look", c.Step, c.Point)
			}
			if i == 0 || l.SourceOn != c.Looks[i-1].SourceOn {
				inRow = 0
				blocks[c.Seq]++
				if l.SourceOn {
					keyed++
				}
			}
			if inRow++; inRow > 3 {
				t.Errorf("step %d point %d: more than 3 looks of one state in a row: the floor may drift meanwhile", c.Step, c.Point)
			}
			peak := l.Trace.Levels[l.Trace.Peak()]
			want := -110.0
			if l.SourceOn {
				want = -30
				if c.Kind == sweep.Enclosed {
					want = -70
				}
			}
			if float64(peak) != want {
				t.Errorf("step %d %v point %d look %d: peak %v, want %v dBm", c.Step, c.Kind, c.Point, i, peak, want)
			}
		}
		wantOn := p.Looks
		if c.Kind == sweep.Ambient {
			wantOn = 0
		}
		if on != wantOn || off != p.Looks {
			t.Errorf("step %d %v: %d on looks and %d off looks, want %d and %d", c.Step, c.Kind, on, off, wantOn, p.Looks)
		}
		if c.Settings.RBW != 10e3 || c.Settings.Hold != driver.ClearWrite || c.Settings.Detector != p.Points[0].Detector {
			t.Errorf("step %d: settings %+v", c.Step, c.Settings)
		}
		// Sweeps of 10 ms; 20 ms of settling each time the source changes.
		if want := time.Duration(on+off)*10*time.Millisecond + time.Duration(blocks[c.Seq])*20*time.Millisecond; c.Nominal != want || c.Took != want {
			t.Errorf("step %d: nominal %v, took %v, want %v", c.Step, c.Nominal, c.Took, want)
		}
		if c.Kind != sweep.Ambient && (c.SourceFreq != c.Freq || c.SourceLevel == nil || *c.SourceLevel != -10) {
			t.Errorf("step %d: source at %v, %v", c.Step, c.SourceFreq, c.SourceLevel)
		}
	}
	// The ledger: one entry per block of on looks, each on no longer than
	// settling and looks.
	ledger := w.journal.keyings()
	if len(ledger) != keyed {
		t.Errorf("%d keyings, want %d", len(ledger), keyed)
	}
	for i, k := range ledger {
		if on := k.Off.Sub(k.On); on < 30*time.Millisecond || on > 50*time.Millisecond || on%(10*time.Millisecond) != 0 || k.OffNot != "" || k.Level != -10 {
			t.Errorf("keying %d: on for %v (%+v), want 20 ms and 10 for each sweep", i, on, k)
		}
	}
	if got := w.journal.run(t, r.ID); got.State != sweep.Completed || got.Started == nil || got.Ended == nil || got.Analyzer.Serial != "E1" || got.Software != "test" {
		t.Errorf("stored as %+v", got)
	}
	if g := d.Progress(); g.Done != 15 || g.Total != 15 || g.Left != 0 || g.SourceOn || g.State != sweep.Completed {
		t.Errorf("progress %+v", g)
	}
}

func TestSealedRunFromEndToEnd(t *testing.T) {
	w := newWorld()
	d := serve(t, w.setup())
	p := plan(t, sweep.Sealed, 100e6, 300e6, 500e6)
	r := d.end(t, d.begin(t, request(p)))
	if r.State != sweep.Completed {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	w.safe(t)
	caps := w.journal.caps(r.ID)
	if want := sweep.Captures(p, r.Steps) + 5; len(caps) != want {
		t.Fatalf("%d captures, want %d: one a point and the whole trace of each step", len(caps), want)
	}
	// settle + (n+1)·(sweep + a tenth + 20 ms), n = 5, a sweep of 2 s.
	dwell := 20*time.Millisecond + 6*(2200*time.Millisecond+20*time.Millisecond)
	wholes := 0
	for _, c := range caps {
		if len(c.Looks) != 1 {
			t.Fatalf("step %d point %d: %d looks, want 1", c.Step, c.Point, len(c.Looks))
		}
		l := c.Looks[0]
		if l.SourceOn != (c.Kind != sweep.Ambient) {
			t.Errorf("step %d %v: on=%v", c.Step, c.Kind, l.SourceOn)
		}
		if c.Settings.Hold != driver.MaxHold || c.HeldSweeps < 3*5 {
			t.Errorf("step %d: held over %d sweeps, %+v", c.Step, c.HeldSweeps, c.Settings)
		}
		if c.Point == sweep.WholeTrace {
			wholes++
			if len(l.Trace.Levels) != c.Settings.Points {
				t.Errorf("step %d: whole trace of %d points, want %d", c.Step, len(l.Trace.Levels), c.Settings.Points)
			}
			continue
		}
		if c.HoldSweeps != 5 || c.Took != dwell || c.Nominal != dwell {
			t.Errorf("step %d point %d: %d sweeps in %v, want 5 in %v", c.Step, c.Point, c.HoldSweeps, c.Took, dwell)
		}
		if !(l.Trace.Start < c.Freq && c.Freq < l.Trace.Stop) || l.Trace.Stop-l.Trace.Start > 2e6 {
			t.Errorf("step %d point %d: its part runs from %v to %v", c.Step, c.Point, l.Trace.Start, l.Trace.Stop)
		}
		want := map[sweep.StepKind]float64{sweep.Ambient: -110, sweep.Reference: -30, sweep.Enclosed: -70, sweep.Closing: -30}[c.Kind]
		if peak := l.Trace.Levels[l.Trace.Peak()]; float64(peak) != want {
			t.Errorf("step %d %v point %d: peak %v, want %v dBm", c.Step, c.Kind, c.Point, peak, want)
		}
	}
	if wholes != 5 {
		t.Errorf("%d whole traces, want 5", wholes)
	}
	for i, k := range w.journal.keyings() {
		if on := k.Off.Sub(k.On); on != dwell {
			t.Errorf("keying %d: %v, want the dwell of %v", i, on, dwell)
		}
	}
}

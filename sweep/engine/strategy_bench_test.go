package engine_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"lidded/driver/unit"
	"lidded/sweep"
)

// always is a plan option: every point with the same settings.
func always(rbw, span unit.Hz, looks int) func(*sweep.PlanSpec) {
	return func(s *sweep.PlanSpec) {
		s.Strategy, s.Looks = sweep.Fixed, looks
		s.Bands[0].RBW, s.Bands[0].Span = rbw, span
	}
}

// fixedSettings are what somebody would try who must prove 70 dB with one
// setting for all frequencies.
var fixedSettings = []struct {
	rbw, span unit.Hz
	looks     int
}{{1, 10, 4}, {1, 10, 2}, {1, 5, 2}, {1, 5, 1}, {3, 15, 4}, {3, 15, 16}, {10, 50, 4}}

// BenchmarkStrategies compares the adaptive capture with the best fixed setting
// that proves 70 dB of the plate box, 60 frequencies, three boxes, the same
// source level, by the nominal time of the analyzer: settling and sweeps in both
// states of the source, by the virtual bench's own account.
//
// With a shared reference the fixed settings are run. With two oscillators the
// same settings need a span that holds the carrier, which takes days; their time
// is computed from the sweeps that the run with the shared reference took, each
// by the bench's law at the span for its frequency (4 ppm stated). Their reach is
// then no better than with the shared reference, since more bins are searched.
func BenchmarkStrategies(b *testing.B) {
	for b.Loop() { // the log of a benchmark is cut after ten lines, so this prints
		fmt.Println()
		for _, law := range []string{"modern-opc", "modern-fft"} {
			best := map[string]time.Duration{}
			for _, f := range fixedSettings {
				d := dive(b, depth{world: "shared", traits: law, seed: 5, count: 60, boxes: modestBoxes, edit: always(f.rbw, f.span, f.looks)})
				least := d.leastFree(b, "plate")
				took := map[string]time.Duration{"shared": d.nominal.Total(), "thin": d.asThin(law, f.rbw)}
				for _, w := range []string{"shared", "thin"} {
					fmt.Printf("%-10s %-6s fixed    RBW %v, span %v, %d looks: plate ≥ %.1f dB at every free frequency, %v\n", law, w, f.rbw, f.span, f.looks, float64(least), took[w].Round(time.Second))
					if least >= 70 && (best[w] == 0 || took[w] < best[w]) {
						best[w] = took[w]
					}
				}
			}
			for _, w := range []string{"shared", "thin"} {
				d := dive(b, depth{world: w, traits: law, seed: 5, count: 60, boxes: modestBoxes, edit: reach(70)})
				least, took := d.leastFree(b, "plate"), d.nominal.Total()
				wrong := 0
				for _, box := range modestBoxes {
					_, n, _ := d.check(b, box)
					wrong += n
				}
				ratio := float64(best[w]) / float64(took)
				fmt.Printf("%-10s %-6s adaptive: plate ≥ %.1f dB at every free frequency, %v (predicted %v); %d of 180 claims do not hold; the best fixed setting takes %v, %.0f times as long\n",
					law, w, float64(least), took.Round(time.Second), d.run.Predicted.Round(time.Second), wrong, best[w].Round(time.Second), ratio)
				b.ReportMetric(ratio, fmt.Sprintf("times-faster-%s-%s", w, law))
			}
		}
	}
}

// leastFree is the least that is proven of a box where nobody else transmits.
func (d dived) leastFree(t testing.TB, box string) unit.DB {
	least := unit.DB(math.Inf(1))
	for _, r := range d.eval.Results {
		if r.At.Specimen == box && d.free(r.Freq) {
			if r.SE.Relation == sweep.RelationUnknown {
				return 0
			}
			least = min(least, r.SE.Low)
		}
	}
	return least
}

// asThin is what the same sweeps would take with spans that hold the carrier of
// two oscillators.
func (d dived) asThin(law string, rbw unit.Hz) time.Duration {
	sum := d.nominal.Settling
	for _, c := range d.caps {
		span := 2*c.Freq*4e-6 + c.Settings.Span
		each := sweep.SweepLaw(2.5, span, rbw)
		if law == "modern-fft" {
			each = sweep.SweepLaw(2.5, rbw, rbw)
		}
		sum += time.Duration(len(c.Looks)) * each
	}
	return sum
}

// BenchmarkNight proves 85 dB at 60 frequencies with a shared reference behind a
// box that lets nothing through, and tells how long that takes.
func BenchmarkNight(b *testing.B) {
	for b.Loop() {
		d := dive(b, depth{world: "shared", traits: "modern-opc", seed: 7, count: 60, change: solid, boxes: []string{"plate"}, edit: reach(85), losses: true})
		least, took := d.leastFree(b, "plate"), d.nominal.Total()
		b.Logf("shared reference, reach 85 dB: plate ≥ %.1f dB at every free frequency in %v of the analyzer's time (predicted %v)", float64(least), took.Round(time.Second), d.run.Predicted.Round(time.Second))
		b.ReportMetric(took.Hours(), "analyzer-hours")
	}
}

// BenchmarkByHand counts what a careful script would get wrong: one quick
// setting, one sweep in each state, the highest point of each, their difference.
func BenchmarkByHand(b *testing.B) {
	for b.Loop() {
		d := dive(b, depth{world: "shared", traits: "modern-opc", seed: 8, count: 60, boxes: modestBoxes, edit: always(10e3, 0, 2)})
		reference := map[int]unit.DBm{}
		by, all, high := 0, 0, 0
		for _, c := range d.caps {
			var top unit.DBm
			for _, l := range c.Looks {
				if l.SourceOn {
					top = l.Trace.Levels[l.Trace.Peak()]
					break
				}
			}
			switch c.Kind {
			case sweep.Reference:
				reference[c.Point] = top
			case sweep.Enclosed:
				truth, err := d.truth.SE(c.At.Specimen, c.At.Position, string(c.At.Polarization), c.Freq)
				if err != nil {
					b.Fatal(err)
				}
				all++
				if off := reference[c.Point].Sub(top) - truth; off < -3 || off > 3 {
					by++
					if off > 0 {
						high++
					}
				}
			}
		}
		ours := 0
		for _, r := range d.eval.Results {
			truth, _ := d.truth.SE(r.At.Specimen, r.At.Position, string(r.At.Polarization), r.Freq)
			if r.SE.Relation == sweep.Equal && math.Abs(float64(r.SE.Value-truth)) > 3 || r.SE.Relation == sweep.AtLeastRelation && r.SE.Value > truth {
				ours++
			}
		}
		b.Logf("RBW 10 kHz, by peak and difference: %d of %d values wrong by more than 3 dB, %d of them too high; of the same captures judged here: %d", by, all, high, ours)
	}
}

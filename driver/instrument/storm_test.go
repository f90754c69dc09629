package instrument_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/driver/virtual"
)

// In a storm of faults an operation may fail, but a trace that is returned is
// the one that was asked for: the carrier is where it is now, never where it
// was before.
func TestStorm(t *testing.T) {
	for _, c := range analyzers {
		for _, m := range media {
			t.Run(c.dialect+"/"+m.name, func(t *testing.T) {
				t.Parallel()
				l := newLab(t, c.traits, "source-scpi", m.serial)
				src, err := l.source(t.Context(), "source-scpi")
				check(t, err)
				defer src.Close()
				a, err := l.analyzer(t.Context(), c.dialect)
				check(t, err)
				defer a.Close()
				_, err = src.SetLevel(t.Context(), -20)
				check(t, err)
				kinds := []virtual.Kind{virtual.FaultDrop, virtual.FaultDropMid, virtual.FaultTruncate, virtual.FaultWrongLength, virtual.FaultGarbage, virtual.FaultError, virtual.FaultPowerCycle, virtual.FaultIgnore}
				if m.serial {
					kinds = append(kinds, virtual.FaultLate)
				}
				check(t, l.bench.Storm(virtual.RoleAnalyzer, virtual.Storm{Seed: 11, Probability: 0.03, Kinds: kinds, Delay: 30 * time.Millisecond}))
				rnd := rand.New(rand.NewPCG(5, 6))
				failed, good := 0, 0
				s := driver.Settings{Span: 1e6, RBW: 30e3, Detector: driver.PositivePeak, Hold: driver.ClearWrite}
				for range 15 {
					s.Center = 100e6 + unit.Hz(rnd.IntN(100))*10e6
					at := s.Center + unit.Hz(rnd.IntN(9)-4)*100e3
					_, err := src.SetFrequency(t.Context(), at)
					check(t, err)
					_, err = src.SetOutput(t.Context(), true)
					check(t, err)
					got, err := a.Configure(t.Context(), s)
					var tr driver.Trace
					if err == nil {
						if d := got.Center - s.Center; d > 1 || d < -1 {
							t.Fatalf("center reads back as %v, asked for %v, without an error", got.Center, s.Center)
						}
						tr, err = a.Sweep(t.Context())
					}
					if err != nil {
						failed++
						t.Log(err)
						if err := a.Recover(t.Context()); err != nil {
							t.Log("recover: ", err)
						}
						continue
					}
					good++
					k := tr.Peak()
					if d := tr.Freq(k) - at; d > 20e3 || d < -20e3 || tr.Levels[k] < -52 {
						t.Fatalf("a stale trace: the peak is %v at %v, the carrier at %v", tr.Levels[k], tr.Freq(k), at)
					}
				}
				t.Logf("%d good, %d failed, struck %v", good, failed, l.bench.Struck(virtual.RoleAnalyzer))
				if good == 0 {
					t.Error("nothing came through")
				}
				check(t, l.bench.CalmDown(virtual.RoleAnalyzer))
				if err := a.Recover(t.Context()); err != nil {
					t.Errorf("after the storm: %v", err)
				}
			})
		}
	}
}

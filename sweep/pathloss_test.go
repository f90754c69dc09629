package sweep_test

import (
	"math"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
)

// In free space the loss grows by 20 dB a decade (Friis, Proc. IRE 34 (1946)
// 254: 32.45 dB + 20 log of MHz and km, here at 3 m), so that two stated
// frequencies tell all between them.
func TestLossOverFreeSpace(t *testing.T) {
	at := func(f unit.Hz) unit.DB {
		return unit.DB(20*math.Log10(float64(f)/1e6) + 20*math.Log10(3e-3) + 32.45)
	}
	b := depotBench()
	b.PathLosses = []sweep.LossAt{{Freq: 30e6, Loss: at(30e6)}, {Freq: 1e9, Loss: at(1e9)}}
	for _, f := range []unit.Hz{30e6, 55e6, 100e6, 433e6, 1e9} {
		if got := b.LossOver(f); math.Abs(float64(got-at(f))) > 1e-9 {
			t.Errorf("at %v: %v, want %v", f, got, at(f))
		}
	}
	if got := b.LossOver(10e6); got != at(30e6) {
		t.Errorf("below the table: %v", got)
	}
	if got := b.LossOver(3e9); got != at(1e9) {
		t.Errorf("above the table: %v", got)
	}
	p := compile(t, depotSpec())
	e := sweep.Predict(p, b, nil, nil)
	for i, q := range p.Points {
		if want := q.Level.Add(-b.LossOver(q.Freq)); e.Points[i].Reference != want {
			t.Errorf("at %v a reference of %v is predicted, want %v", q.Freq, e.Points[i].Reference, want)
		}
	}
}

func TestLossMistakes(t *testing.T) {
	for _, c := range []struct {
		table []sweep.LossAt
		at    int
		want  string
	}{
		{[]sweep.LossAt{{0, 40}}, 0, "0 Hz: need a frequency above 0 Hz"},
		{[]sweep.LossAt{{1e8, 40}, {3e7, 50}}, 1, "30 MHz does not come after 100 MHz: list the frequencies once each, in rising order"},
		{[]sweep.LossAt{{1e8, 4000}}, 0, "4000.0 dB is no loss of a path: need -300 dB to 300 dB"},
	} {
		if at, err := sweep.CheckLosses(c.table); err == nil || at != c.at || err.Error() != c.want {
			t.Errorf("%v: %d, %v; want %d, %s", c.table, at, err, c.at, c.want)
		}
	}
	if _, err := sweep.CheckLosses([]sweep.LossAt{{3e7, 60}, {1e8, 40}}); err != nil {
		t.Error(err)
	}
}

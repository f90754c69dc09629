package instrument_test

import (
	"testing"

	"lidded/driver"
)

func TestSmoke(t *testing.T) {
	for _, c := range analyzers {
		t.Run(c.dialect+"/"+c.traits, func(t *testing.T) {
			l := newLab(t, c.traits, "source-scpi", false)
			a, err := l.analyzer(t.Context(), c.dialect)
			if err != nil {
				t.Fatal(err)
			}
			defer a.Close()
			s, err := l.source(t.Context(), "source-scpi")
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			t.Log(a.Identity(), a.Ranges(), s.Ranges())
			s.SetFrequency(t.Context(), 100e6)
			s.SetLevel(t.Context(), -20)
			if _, err := s.SetOutput(t.Context(), true); err != nil {
				t.Fatal(err)
			}
			got, err := a.Configure(t.Context(), driver.Settings{Center: 100e6, Span: 1e6, RBW: 30e3, Detector: driver.PositivePeak, Hold: driver.ClearWrite})
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("%+v", got)
			tr, err := a.Sweep(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			k := tr.Peak()
			t.Log(len(tr.Levels), tr.Freq(k), tr.Levels[k], tr.Levels[0], tr.Took)
		})
	}
}

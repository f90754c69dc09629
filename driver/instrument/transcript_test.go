package instrument_test

import (
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/drivertest"
	"lidded/driver/instrument"
	"lidded/driver/link"
	"lidded/driver/unit"
)

var update = flag.Bool("update", false, "record the transcripts again from the virtual bench")

func transcriptFile(name string) string {
	return filepath.Join("..", "..", "testdata", "transcripts", name+".txt")
}

// through plays the dialect's transcript and hands its address to use; with
// -update it records one from a bench instead.
func through(t *testing.T, name, host string, use func(link.Address)) {
	t.Helper()
	file := transcriptFile(name)
	if *update {
		rec, err := drivertest.Record(t.Context(), host)
		if err != nil {
			t.Fatal(err)
		}
		use(rec.Address())
		tr, err := rec.Close()
		if err != nil {
			t.Fatal(err)
		}
		tr.Notes = []string{"dialect " + name, "recorded from the virtual bench; run the tests with -update to record it again"}
		if err := os.WriteFile(file, tr.Text(), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	tr, err := drivertest.LoadTranscript(file)
	if err != nil {
		t.Fatal(err)
	}
	p, err := drivertest.Play(t.Context(), tr)
	if err != nil {
		t.Fatal(err)
	}
	use(p.Address())
	if err := p.Close(); err != nil {
		t.Error(err)
	}
}

// Every shipped dialect still says what it said when its transcript was
// recorded, and understands the answers.
func TestTranscripts(t *testing.T) {
	lib, err := dialect.Builtin()
	if err != nil {
		t.Fatal(err)
	}
	done := map[string]bool{}
	for _, c := range analyzers {
		if done[c.dialect] {
			continue
		}
		done[c.dialect] = true
		t.Run(c.dialect, func(t *testing.T) {
			t.Parallel()
			l := newLab(t, c.traits, "source-scpi", false)
			s, err := l.source(t.Context(), "source-scpi")
			check(t, err)
			defer s.Close()
			_, err = s.SetFrequency(t.Context(), 100.2e6)
			check(t, err)
			_, err = s.SetLevel(t.Context(), -20)
			check(t, err)
			_, err = s.SetOutput(t.Context(), true)
			check(t, err)
			through(t, c.dialect, l.bench.AnalyzerAddr(), func(at link.Address) {
				spec := l.spec("analyzer", c.dialect, "", "")
				spec.Address = at
				a, err := instrument.OpenAnalyzer(t.Context(), spec)
				check(t, err)
				defer a.Close()
				analyzerScenario(t, a, func() { l.bench.Advance(time.Second) })
			})
		})
	}
	for _, c := range sources {
		done[c.dialect] = true
		t.Run(c.dialect, func(t *testing.T) {
			t.Parallel()
			l := newLab(t, "modern-opc", c.traits, false)
			through(t, c.dialect, l.bench.SourceAddr(), func(at link.Address) {
				spec := l.spec("source", c.dialect, "", "")
				spec.Address = at
				s, err := instrument.OpenSource(t.Context(), spec)
				check(t, err)
				defer s.Close()
				for _, f := range []unit.Hz{30e6, 433.92e6} {
					got, err := s.SetFrequency(t.Context(), f)
					check(t, err)
					if got != f {
						t.Errorf("%v reads back as %v", f, got)
					}
				}
				p, err := s.SetLevel(t.Context(), -12.5)
				check(t, err)
				if p != -12.5 {
					t.Errorf("the level reads back as %v", p)
				}
				on, err := s.SetOutput(t.Context(), true)
				check(t, err)
				off, err := s.SetOutput(t.Context(), false)
				check(t, err)
				if !on || off {
					t.Errorf("keyed on reads back as %v, off as %v", on, off)
				}
				check(t, s.Halt(t.Context()))
			})
		})
	}
	for _, name := range lib.Names() {
		if !done[name] {
			t.Errorf("dialect %s has no transcript", name)
		}
	}
}

func analyzerScenario(t *testing.T, a *instrument.Analyzer, pass func()) {
	t.Helper()
	ctx := t.Context()
	s := driver.Settings{Center: 100e6, Span: 1e6, RBW: 30e3, Detector: driver.PositivePeak, Hold: driver.ClearWrite}
	if p := a.Dialect().Setting(dialect.Points); p.Settable() {
		s.Points = 101
	}
	got, err := a.Configure(ctx, s)
	check(t, err)
	if got.Center != s.Center || got.Span != s.Span || got.RBW != s.RBW || got.Detector != s.Detector {
		t.Errorf("reads back as %+v", got)
	}
	expect := func(tr driver.Trace, err error) {
		t.Helper()
		check(t, err)
		k := tr.Peak()
		if d := tr.Freq(k) - 100.2e6; d < -15e3 || d > 15e3 {
			t.Errorf("the peak is at %v", tr.Freq(k))
		}
		if p := tr.Levels[k]; p < -51.5 || p > -48.5 {
			t.Errorf("the peak is %v", p)
		}
	}
	expect(a.Sweep(ctx))
	s.Detector, s.RBW = driver.Sample, 10e3
	_, err = a.Configure(ctx, s)
	check(t, err)
	expect(a.Sweep(ctx))
	check(t, a.Arm(ctx))
	pass()
	expect(a.ReadHold(ctx))
	_, err = a.Health(ctx)
	check(t, err)
	check(t, a.Halt(ctx))
}

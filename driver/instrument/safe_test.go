package instrument_test

import (
	"strings"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/instrument"
	"lidded/driver/virtual"
)

// keyedSource is a source left on by somebody who is gone.
func keyedSource(t *testing.T, dialectName, traitsName string, serial bool) *lab {
	st := traits(t, traitsName)
	st.MaxClients = 1
	l := labOf(t, traits(t, "modern-opc"), st, serial, virtual.Jump)
	s, err := l.source(t.Context(), dialectName)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.SetFrequency(t.Context(), 100e6); err != nil {
		t.Fatal(err)
	}
	if _, err := s.SetLevel(t.Context(), -10); err != nil {
		t.Fatal(err)
	}
	if _, err := s.SetOutput(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if !l.bench.SourceOn() {
		t.Fatal("closing the link switched it off")
	}
	return l
}

// TestMakeSafe: a source that somebody left on, of which nothing is known, is
// off afterwards and otherwise as it was.
func TestMakeSafe(t *testing.T) {
	for _, d := range sources {
		for _, serial := range []bool{false, true} {
			name := d.dialect + map[bool]string{false: " over TCP", true: " over a pty"}[serial]
			t.Run(name, func(t *testing.T) {
				l := keyedSource(t, d.dialect, d.traits, serial)
				if err := instrument.MakeSafe(t.Context(), l.spec("source", d.dialect, l.bench.SourceAddr(), l.bench.SourcePTY())); err != nil {
					t.Fatal(err)
				}
				if l.bench.SourceOn() {
					t.Error("the source is on")
				}
				if s := l.bench.Status(); s.SourceHz != 100e6 || s.SourceDBm != -10 {
					t.Errorf("it was set to %g Hz and %g dBm meanwhile", s.SourceHz, s.SourceDBm)
				}
				if n := len(l.bench.Ledger()); n != 1 {
					t.Errorf("keyed %d times", n)
				}
			})
		}
	}
}

// A fault at any exchange is an error, never a source taken for off.
func TestMakeSafeUnderFaults(t *testing.T) {
	for _, kind := range virtual.Kinds() {
		t.Run(kind.String(), func(t *testing.T) {
			t.Parallel()
			l := keyedSource(t, "source-scpi", "source-scpi", false)
			if err := l.bench.Fault(virtual.RoleSource, virtual.Fault{Kind: kind, Count: 1}); err != nil {
				t.Skip(err)
			}
			spec := l.spec("source", "source-scpi", l.bench.SourceAddr(), "")
			err := instrument.MakeSafe(t.Context(), spec)
			if err == nil && l.bench.SourceOn() {
				t.Fatal("the source is on and was taken for off")
			}
			tick := time.NewTicker(20 * time.Millisecond)
			defer tick.Stop()
			for deadline := time.Now().Add(10 * time.Second); err != nil && time.Now().Before(deadline); {
				<-tick.C // a port that is closed refuses at once
				err = instrument.MakeSafe(t.Context(), spec)
			}
			if err != nil || l.bench.SourceOn() {
				t.Errorf("still not off: %v", err)
			}
		})
	}
}

func TestMakeSafeBelievesTheReadBack(t *testing.T) {
	at := serve(t, '\n', "", func(line string) string {
		if strings.HasSuffix(line, "?") {
			return "1\n"
		}
		return ""
	})
	err := instrument.MakeSafe(t.Context(), oddSpec(t, at, `role: source
summary: test
identity: {query: "*IDN?"}
errors: {none: true}
settings:
  frequency: {set: "FREQ {frequency}", get: "FREQ?"}
  level: {set: "POW {level}"}
  output: {set: "OUTP {boolean}", get: "OUTP?"}
safe: {send: "OUTP OFF", confirm: readback}
`))
	if driver.KindOf(err) != driver.KindReadback {
		t.Errorf("got %v", err)
	}
	l := newLab(t, "modern-opc", "source-scpi", false)
	err = instrument.MakeSafe(t.Context(), l.spec("analyzer", "analyzer-opc", l.bench.AnalyzerAddr(), ""))
	if driver.KindOf(err) != driver.KindRefused {
		t.Errorf("an analyzer's dialect: %v", err)
	}
}

package instrument_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"lidded/driver"
	"lidded/driver/instrument"
	"lidded/driver/virtual"
)

const waiting = `role: analyzer
summary: waits
identity: {query: "*IDN?"}
errors: {none: true}
status: {event: "*ESR?"}
settings:
  center: {set: "CENT {frequency}"}
  span: {set: "SPAN {frequency}"}
  rbw: {set: "BAND {frequency}"}
  detector: {fixed: sample}
  hold: {set: "HOLD {choice}", words: {clear_write: "0", max_hold: "1"}}
  sweep_time: {get: "TIME?"}
max_hold: {clear: "CLE"}
sweep:
  start: "INIT"
  continuous: "RUN"
  freeze: "HALT"
  complete: {by: wait}
trace: {query: "TRAC?", shape: line}
`

// slow is an analyzer whose trace becomes the new one only when it has been
// asked for late times since the sweep was started.
type slow struct {
	asks, late, asked, sweeps, traces int
	clipped                           bool
	events                            string
}

func (s *slow) answer(line string) string {
	switch line {
	case "*IDN?":
		s.asks++
		return "BENCH,SLOW,1,1\n"
	case "*ESR?":
		e := s.events
		s.events = "0"
		return e + "\n"
	case "TIME?":
		return "0.001\n"
	case "INIT":
		s.asked = 0
		s.sweeps++
	case "TRAC?":
		n := s.sweeps
		if s.asked++; s.asked <= s.late {
			n--
		}
		s.traces++
		var b strings.Builder
		for i := range 40 {
			level := -90 - float64((i*7+n*3)%23)/10
			if s.clipped {
				level = -110
			}
			fmt.Fprintf(&b, "%.1f,", level)
		}
		return b.String() + "\n"
	}
	return ""
}

func openSlow(t *testing.T, s *slow) *instrument.Analyzer {
	t.Helper()
	s.events = "0"
	a := openOdd(t, serve(t, '\n', "", s.answer), waiting)
	if _, err := a.Configure(t.Context(), driver.Settings{Center: 100e6, Span: 1e6, RBW: 10e3, Detector: driver.Sample, Hold: driver.ClearWrite}); err != nil {
		t.Fatal(err)
	}
	return a
}

// Where the end of a sweep is only waited for, the trace of the sweep before is
// no trace of this one.
func TestTraceOfTheSweepBefore(t *testing.T) {
	s := &slow{}
	a := openSlow(t, s)
	first, err := a.Sweep(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	look(func() { s.late = 2 })
	second, err := a.Sweep(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if first.Levels[0] == second.Levels[0] {
		t.Errorf("the trace before was taken for the new one: both begin with %v", first.Levels[0])
	}
	look(func() { s.late = 1000 })
	_, err = a.Sweep(t.Context())
	if driver.KindOf(err) != driver.KindTimeout || !strings.Contains(err.Error(), "sweep.complete.plus") {
		t.Errorf("an old trace for ever gives %v", err)
	}
}

// A floor below the display is the same in every sweep.
func TestClippedTraceIsNotOld(t *testing.T) {
	s := &slow{clipped: true}
	a := openSlow(t, s)
	for range 3 {
		if _, err := a.Sweep(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	look(func() {
		if s.traces != 3 {
			t.Errorf("%d traces read for 3 sweeps", s.traces)
		}
	})
}

// A restart that lost a held trace is told once: by the error of Reattach, at
// once, and not again by Health when everything has been set anew.
func TestLostHoldIsToldOnce(t *testing.T) {
	s := &slow{}
	a := openSlow(t, s)
	if err := a.Arm(t.Context()); err != nil {
		t.Fatal(err)
	}
	look(func() { s.events = "128" })
	if err := a.Reattach(t.Context()); driver.KindOf(err) != driver.KindPowerCycled {
		t.Fatalf("reattached to a restarted analyzer: %v", err)
	}
	look(func() {
		if s.asks != 2 {
			t.Errorf("identified %d times: a lost trace is not found by trying again", s.asks)
		}
	})
	if err := a.Recover(t.Context()); err != nil {
		t.Fatal(err)
	}
	h, err := a.Health(t.Context())
	if err != nil || h.PowerCycled {
		t.Errorf("after recovery: %+v, %v", h, err)
	}
}

// A start that gets lost leaves the trace before, in every dialect, and it is
// not taken for a new one.
func TestLostStart(t *testing.T) {
	for _, c := range analyzers {
		t.Run(c.dialect, func(t *testing.T) {
			t.Parallel()
			l := newLab(t, c.traits, "source-scpi", false)
			a, err := l.analyzer(t.Context(), c.dialect)
			check(t, err)
			defer a.Close()
			_, err = a.Configure(t.Context(), driver.Settings{Center: 100e6, Span: 1e6, RBW: 30e3, Detector: driver.Sample, Hold: driver.ClearWrite})
			check(t, err)
			first, err := a.Sweep(t.Context())
			check(t, err)
			start := a.Dialect().Sweep.Start
			check(t, l.bench.Fault(virtual.RoleAnalyzer, virtual.Fault{Kind: virtual.FaultIgnore, Match: start[len(start)-1].Send}))
			second, err := a.Sweep(t.Context())
			if n := l.bench.Struck(virtual.RoleAnalyzer)[virtual.FaultIgnore]; n != 1 {
				t.Fatalf("%d starts got lost", n)
			}
			if err == nil && slices.Equal(first.Levels, second.Levels) {
				t.Fatal("the trace before was taken for a new one")
			}
			if err != nil && !driver.Retryable(err) {
				t.Errorf("not worth another try: %v", err)
			}
			check(t, a.Recover(t.Context()))
			if _, err := a.Sweep(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
}

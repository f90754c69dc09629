package instrument_test

import (
	"strconv"
	"strings"
	"testing"

	"lidded/driver"
	"lidded/driver/instrument"
	"lidded/driver/virtual"
)

// TestRecoverSetsWhatWasSet: a source whose link is set up anew is preset on the way,
// and has frequency and level as before, with its output off.
func TestRecoverSetsWhatWasSet(t *testing.T) {
	for _, d := range sources {
		t.Run(d.dialect, func(t *testing.T) {
			t.Parallel()
			l := labOf(t, traits(t, "modern-opc"), traits(t, d.traits), false, virtual.Jump)
			s, err := l.source(t.Context(), d.dialect)
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if _, err := s.SetFrequency(t.Context(), 310e6); err != nil {
				t.Fatal(err)
			}
			if _, err := s.SetLevel(t.Context(), -17); err != nil {
				t.Fatal(err)
			}
			if _, err := s.SetOutput(t.Context(), true); err != nil {
				t.Fatal(err)
			}
			// It was off for a moment.
			if err := l.bench.PowerCycle(virtual.RoleSource, 0); err != nil { // which forgets all that was set
				t.Fatal(err)
			}
			if err := s.Recover(t.Context()); err != nil {
				t.Fatal(err)
			}
			if now := l.bench.Status(); now.SourceHz != 310e6 || now.SourceDBm != -17 || l.bench.SourceOn() {
				t.Errorf("%g Hz and %g dBm, on: %v; want 310 MHz and -17 dBm, off", now.SourceHz, now.SourceDBm, l.bench.SourceOn())
			}
		})
	}
}

// grumbler is an odd analyzer with an error queue.
func grumbler(t *testing.T, queue *[]string) *instrument.Analyzer {
	at := oddAnalyzer(t, func(line string) (string, bool) {
		switch {
		case line == "ERR?" && len(*queue) == 0:
			return "0,\"No error\"\n", true
		case line == "ERR?":
			first := (*queue)[0]
			*queue = (*queue)[1:]
			return first + "\n", true
		case line == "T":
			return "-90,-80,-50,-80,-90\n", true
		}
		return "", false
	})
	a, err := instrument.OpenAnalyzer(t.Context(), oddSpec(t, at, strings.Replace(oddHead, `{event: "*ESR?"}`, `{query: "ERR?"}`, 1)+"trace: {query: T, shape: line}\n"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	return a
}

var oddSettings = driver.Settings{Center: 1e8, Span: 1e6, RBW: 1e4, Detector: driver.Sample, Hold: driver.ClearWrite}

// TestOutOfStepTheLinkGoes: after a query error (-410 to -440) question and answer are
// out of step, and nothing more is asked on that link; after any other error it stays.
func TestOutOfStepTheLinkGoes(t *testing.T) {
	for entry, goes := range map[string]bool{
		`-410,"Query INTERRUPTED"`: true, `-420,"Query UNTERMINATED"`: true, `-430,"Query DEADLOCKED"`: true, `-440,"Query UNTERMINATED after indefinite response"`: true,
		`-222,"Data out of range"`: false, `-113,"Undefined header"`: false, `17,"its own"`: false,
	} {
		t.Run(entry, func(t *testing.T) {
			t.Parallel()
			var queue []string
			a := grumbler(t, &queue)
			look(func() { queue = []string{entry} })
			if _, err := a.Configure(t.Context(), oddSettings); err == nil || !strings.Contains(err.Error(), strings.SplitN(entry, ",", 2)[0]) {
				t.Fatalf("%v", err)
			}
			_, err := a.Configure(t.Context(), oddSettings)
			if gone := driver.KindOf(err) == driver.KindClosed; gone != goes {
				t.Errorf("afterwards: %v", err)
			}
		})
	}
}

// TestTheWorstOfSeveralErrors: of several entries in the queue the one counts that
// voids most: a restart before a fault of the instrument, that before being out of
// step, before a command that is not known, before a value that is refused.
func TestTheWorstOfSeveralErrors(t *testing.T) {
	all := []struct {
		entry string
		kind  driver.Kind
	}{
		{`-500,"Power on"`, driver.KindPowerCycled}, {`-310,"System error"`, driver.KindDeviceHardware}, {`-410,"Query INTERRUPTED"`, driver.KindDeviceDesync},
		{`-113,"Undefined header"`, driver.KindDeviceDialect}, {`-222,"Data out of range"`, driver.KindDeviceSettings}, {`-200,"Execution error"`, driver.KindDeviceOther},
	}
	for i, worse := range all {
		for _, less := range all[i+1:] {
			for _, order := range [][]string{{worse.entry, less.entry}, {less.entry, worse.entry}} {
				var queue []string
				a := grumbler(t, &queue)
				look(func() { queue = order })
				if _, err := a.Configure(t.Context(), oddSettings); driver.KindOf(err) != worse.kind {
					t.Errorf("%q: %v, want %v", order, driver.KindOf(err), worse.kind)
				}
			}
		}
	}
}

// TestPriorityOfEventBits: what an event register alone says, several bits at once: a
// command error (bit 5), an execution error (4), a query error (2), a fault of the
// device (3), by IEEE 488.2 11.5.1.1, in that order.
func TestPriorityOfEventBits(t *testing.T) {
	for bits, want := range map[int]driver.Kind{
		0x20: driver.KindDeviceDialect, 0x30: driver.KindDeviceDialect, 0x3c: driver.KindDeviceDialect, 0x24: driver.KindDeviceDialect,
		0x10: driver.KindDeviceOther, 0x14: driver.KindDeviceOther, 0x1c: driver.KindDeviceOther,
		0x04: driver.KindDeviceDesync, 0x0c: driver.KindDeviceDesync, 0x08: driver.KindDeviceHardware,
	} {
		t.Run(strconv.Itoa(bits), func(t *testing.T) {
			t.Parallel()
			asked := false
			a := openOdd(t, oddAnalyzer(t, func(line string) (string, bool) {
				if line == "*ESR?" && asked {
					return strconv.Itoa(bits) + "\n", true
				}
				return "", false
			}), oddHead+"trace: {query: T, shape: line}\n")
			look(func() { asked = true })
			if _, err := a.Configure(t.Context(), oddSettings); driver.KindOf(err) != want {
				t.Errorf("bits %#x: %v (%v), want %v", bits, driver.KindOf(err), err, want)
			}
		})
	}
}

package instrument_test

import (
	"strings"
	"testing"

	"lidded/driver"
	"lidded/driver/instrument"
)

// TestAnErrorIsBlamedOnWhatCausedIt: an instrument that gives its trace and grumbles
// about the question (-108) is told so by the trace's own command, with what the
// number means, and not by the next command.
func TestAnErrorIsBlamedOnWhatCausedIt(t *testing.T) {
	queue, grumbles := []string{}, false
	at := oddAnalyzer(t, func(line string) (string, bool) {
		switch line {
		case "ERR?":
			if len(queue) == 0 {
				return "0,\"No error\"\n", true
			}
			first := queue[0]
			queue = queue[1:]
			return first + "\n", true
		case "TR? TRACE1":
			if grumbles {
				queue = append(queue, `-108,"Parameter not allowed"`)
			}
			return "-90,-80,-50,-80,-90\n", true
		}
		return "", false
	})
	a, err := instrument.OpenAnalyzer(t.Context(), oddSpec(t, at, strings.Replace(oddHead, `{event: "*ESR?"}`, `{query: "ERR?"}`, 1)+"trace: {query: \"TR? TRACE1\", shape: line}\n"))
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	set := driver.Settings{Center: 1e8, Span: 1e6, RBW: 1e4, Detector: driver.Sample, Hold: driver.ClearWrite}
	if _, err := a.Configure(t.Context(), set); err != nil {
		t.Fatal(err)
	}
	if tr, err := a.Sweep(t.Context()); err != nil || len(tr.Levels) != 5 {
		t.Fatalf("%v %v", tr, err)
	}
	look(func() { grumbles = true })
	_, err = a.Sweep(t.Context())
	if err == nil {
		t.Fatal("the error of the trace query went by")
	}
	for _, want := range []string{"TR? TRACE1", "-108", "more parameters than the command takes", "compare it with the instrument's manual"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%v: it does not say %q", err, want)
		}
	}
	if strings.Contains(err.Error(), "GO") || driver.KindOf(err) != driver.KindDeviceDialect {
		t.Errorf("%v: %v", driver.KindOf(err), err)
	}
	// The next command is not blamed.
	look(func() { grumbles = false })
	set.Center = 2e8
	if _, err := a.Configure(t.Context(), set); err != nil {
		t.Errorf("the next command: %v", err)
	}
}

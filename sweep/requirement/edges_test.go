package requirement_test

import (
	"math"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep/requirement"
)

// TestTheLineAtItsEdges: corners belong to their segments and hold for frequencies
// that are theirs but for the last digit; where two meet the higher SE holds; between
// corners the line is straight in decibels against the logarithm of frequency.
func TestTheLineAtItsEdges(t *testing.T) {
	line := &requirement.Line{Name: "steps", Title: "steps", Mark: requirement.Chosen, Curves: []requirement.Curve{{
		Fields: []requirement.Field{requirement.PlaneWave},
		Segments: []requirement.Segment{
			{Points: []requirement.Point{{Freq: 1e6, SE: 20, Mark: requirement.Chosen}, {Freq: 100e6, SE: 60, Mark: requirement.Memory}}},
			{Points: []requirement.Point{{Freq: 100e6, SE: 90, Mark: requirement.Seen}, {Freq: 1e9, SE: 90, Mark: requirement.Chosen}}},
			{Points: []requirement.Point{{Freq: 3e9, SE: 77, Mark: requirement.Chosen}}},
		},
	}}}
	for _, c := range []struct {
		f    unit.Hz
		want float64 // NaN: nothing is asked
	}{
		{1e6, 20}, {1e6 * (1 - 5e-10), 20}, {1e6 * (1 - 1e-6), math.NaN()}, {10e6, 40}, {1e6 * 31.6227766, 50},
		{100e6, 90}, {99.99e6, 59.9991}, {1e9, 90}, {1e9 * (1 + 5e-10), 90}, {1e9 * (1 + 1e-6), math.NaN()},
		{3e9, 77}, {3e9 * (1 + 5e-10), 77}, {3e9 * (1 - 5e-10), 77}, {3.001e9, math.NaN()}, {2e9, math.NaN()}, {0, math.NaN()}, {-1e6, math.NaN()},
	} {
		se, ok := line.At(requirement.PlaneWave, c.f)
		if ok == math.IsNaN(c.want) || ok && math.Abs(float64(se)-c.want) > 1e-3 {
			t.Errorf("at %.10g Hz: %.4f dB, %v, want %.4f", float64(c.f), float64(se), ok, c.want)
		}
	}
	if m := line.MarkAt(requirement.PlaneWave, 10e6); m != requirement.Memory {
		t.Errorf("between a chosen and a remembered corner: %v", m)
	}
	if m := line.MarkAt(requirement.PlaneWave, 100e6); m != requirement.Seen {
		t.Errorf("where two segments meet: %v", m)
	}
	if _, ok := line.At(requirement.Magnetic, 10e6); ok {
		t.Error("a magnetic line")
	}
}

// TestABoundInWordsIsNeverRoundedUp: at least 56.09 dB are at least 56.0, and what is
// lacking is not rounded down.
func TestABoundInWordsIsNeverRoundedUp(t *testing.T) {
	line := builtin(t, "depot-spare-radio") // 60 dB
	j := requirement.Judge(line, requirement.Electric, 100e6, requirement.AtLeastSE(56.09))
	if !strings.Contains(j.Why, "at least 56.0 dB") || !strings.Contains(j.ToDecide, "4.0 dB more dynamic range") {
		t.Errorf("%q, %q", j.Why, j.ToDecide)
	}
}

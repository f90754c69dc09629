package uncertainty_test

import (
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep/uncertainty"
)

// TestEachEntryOfABench: an entry stated is taken as stated, one left at zero takes
// its default, one set to Zero is no line at all; repeats of two or more stand in for
// the figure of one reading. Every entry is another figure here.
func TestEachEntryOfABench(t *testing.T) {
	stated := uncertainty.Bench{
		Linearity: 1.1, Switching: 1.2, SourceDrift: 1.3, Position: 1.4, ReferenceRepeat: 1.5, EnclosedRepeat: 1.6,
		SourceVSWR: 1, AntennaVSWR: 1, AnalyzerVSWR: 1, // matched: no mismatch at all
	}
	none := uncertainty.Bench{
		Linearity: uncertainty.Zero, Switching: uncertainty.Zero, SourceDrift: uncertainty.Zero, Position: uncertainty.Zero,
		ReferenceRepeat: uncertainty.Zero, EnclosedRepeat: uncertainty.Zero, SourceVSWR: 1, AntennaVSWR: 1, AnalyzerVSWR: 1,
	}
	two := uncertainty.Repeats{SD: 2, Standard: 1.7, DoF: 1, N: 2}
	one := uncertainty.Repeats{SD: 2, Standard: 1.9, DoF: 1, N: 1}
	for name, c := range map[string]struct {
		b    uncertainty.Bench
		p    uncertainty.Point
		want map[string]unit.DB
	}{
		"as stated": {stated, uncertainty.Point{}, map[string]unit.DB{
			"linearity": 1.1, "attenuator switching": 1.2, "source drift": 1.3, "position": 1.4, "reference repeatability": 1.5, "enclosed repeatability": 1.6,
		}},
		"with the same settings": {stated, uncertainty.Point{SameSettings: true}, map[string]unit.DB{
			"linearity": 1.1, "source drift": 1.3, "position": 1.4, "reference repeatability": 1.5, "enclosed repeatability": 1.6,
		}},
		"with repeats of the reference": {stated, uncertainty.Point{SameSettings: true, Reference: two, Enclosed: one}, map[string]unit.DB{
			"linearity": 1.1, "source drift": 1.3, "position": 1.4, "reference repeatability": 1.7, "enclosed repeatability": 1.6,
		}},
		"with repeats through the shield, and noise": {stated, uncertainty.Point{SameSettings: true, Reference: one, Enclosed: two, Noise: 0.9}, map[string]unit.DB{
			"linearity": 1.1, "source drift": 1.3, "position": 1.4, "reference repeatability": 1.5, "enclosed repeatability": 1.7, "noise": 0.9,
		}},
		"nothing": {none, uncertainty.Point{}, map[string]unit.DB{}},
	} {
		list, err := c.b.Budget(c.p)
		if err != nil {
			t.Fatal(err)
		}
		if len(list) != len(c.want) {
			t.Errorf("%s: %d lines, want %d: %+v", name, len(list), len(c.want), list)
		}
		for _, x := range list {
			side := map[string]uncertainty.Side{"reference repeatability": uncertainty.Reference, "enclosed repeatability": uncertainty.Enclosed, "noise": uncertainty.Enclosed}[x.Name]
			if x.Value != c.want[x.Name] || x.Side != side {
				t.Errorf("%s: %s is %v on the %v, want %v on the %v", name, x.Name, x.Value, x.Side, c.want[x.Name], side)
			}
		}
	}
	for says, p := range map[string]uncertainty.Point{"noise -1": {Noise: -1}} {
		if _, err := stated.Budget(p); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%+v: %v", p, err)
		}
	}
}

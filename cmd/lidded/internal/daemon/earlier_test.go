package daemon_test

import (
	"testing"

	"lidded/sweep"
)

// The second night of a plan begins with what the first found out: that makes
// its claims no less true, nor does it cost sweeps (the looks at one point may
// differ by a few with the noise).
func TestSecondNightHoldsAsWell(t *testing.T) {
	l := startLab(t, labSpec{
		analyzerDialect: "analyzer-opc", analyzerTraits: "modern-opc", sourceDialect: "source-scpi", sourceTraits: "source-scpi",
		world: "depot", seed: 9, scale: 4, plans: `
  - name: nightly
    hold_points: rule
    positions: [front]
    settle: 10ms
    reach: 70 dB
    bands: [{from: 120 MHz, to: 900 MHz, count: 8, level: 0 dBm, rbw: 30 kHz, attenuation: 0 dB}]
`})
	var sweeps []int
	for range 2 {
		before := l.bench.Nominal().Sweeps
		r, e := l.run(t, "nightly", "heron", "otter")
		if r.State != sweep.Completed {
			t.Fatalf("%v: %s", r.State, r.Reason)
		}
		againstTruth(t, l.bench, e, 3)
		sweeps = append(sweeps, l.bench.Nominal().Sweeps-before)
	}
	t.Logf("sweeps: %d, then %d", sweeps[0], sweeps[1])
	if sweeps[1] > sweeps[0]+sweeps[0]/10 {
		t.Errorf("the second night took %d sweeps, the first %d", sweeps[1], sweeps[0])
	}
}

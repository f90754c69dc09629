package daemon

import (
	"slices"
	"testing"

	"lidded/sweep"
)

// TestHandsTakeOffWhatWasFitted: whatever an earlier hold point fitted, even of a
// run that was killed there, comes off before the next thing is set up.
func TestHandsTakeOffWhatWasFitted(t *testing.T) {
	at := sweep.Setting{Position: "front", Polarization: "vertical", Repeat: 1}
	boxed := at
	boxed.Specimen = "otter"
	for _, c := range []struct {
		step sweep.Step
		want []string
	}{
		{sweep.Step{At: at}, []string{"terminate off", "load off", "pad 0", "open", "place front vertical"}},
		{sweep.Step{At: boxed}, []string{"terminate off", "load off", "pad 0", "open", "place front vertical", "link otter"}},
		{sweep.Step{At: at, Fitting: sweep.ReceiverTerminated}, []string{"terminate on", "load off", "pad 0", "open", "place front vertical"}},
		{sweep.Step{At: at, Fitting: sweep.SourceLoaded}, []string{"terminate off", "load on", "pad 0", "open", "place front vertical"}},
		{sweep.Step{At: at, Fitting: sweep.StepAttenuator, Lower: 20}, []string{"terminate off", "load off", "pad 20", "open", "place front vertical"}},
	} {
		if got := handsCommands(c.step); !slices.Equal(got, c.want) {
			t.Errorf("%v: %q, want %q", c.step.Fitting, got, c.want)
		}
	}
}

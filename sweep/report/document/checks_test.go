package document_test

import (
	"math"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/report/document"
)

// TestChecksOfTheReference: what the run itself checked stands in the report in
// place of what nobody stated, with its figures; a bound keeps its relation.
func TestChecksOfTheReference(t *testing.T) {
	in := depot()
	in.Run.Plan.LeakageCheck, in.Run.Plan.LeakageMargin, in.Run.Plan.LinearityCheck = sweep.ReceiverTerminated, 10, sweep.StepAttenuator
	in.Evaluation.Linearity = []sweep.Deviation{
		{Point: 0, Step: 20, Deviation: 0.12, Limit: 0.5}, {Point: 1, Step: 20, Deviation: -1.04, Limit: 0.5},
		{Point: 2, Step: 20, Deviation: unit.DB(math.NaN()), Reason: "gone in the noise"},
	}
	for i := range in.Evaluation.Results {
		switch r := &in.Evaluation.Results[i]; r.Point {
		case 0:
			r.Leakage = &sweep.Leak{Level: -121.2, Seen: true, From: 0}
		case 1:
			r.Leakage = &sweep.Leak{Level: -130.3, From: 1}
		case 2:
			r.Leakage = &sweep.Leak{Level: -121.2, Seen: true, From: 0} // not checked itself
		}
	}
	rows := map[string][][]string{}
	text := ""
	for _, s := range build(t, in, document.Full).Sections {
		for _, b := range s.Blocks {
			switch b := b.(type) {
			case document.Table:
				rows[b.Caption] = b.Rows
			case document.Pairs:
				for _, p := range b {
					text += p.Name + ": " + p.Value + "\n"
				}
			}
		}
	}
	for _, want := range []string{"linearity: checked by this run (step_attenuator): 3 steps, 1 over the limit", "cables terminated: checked by this run (receiver_terminated) at 2 frequencies, a leakage seen at 1"} {
		if !strings.Contains(text, want) {
			t.Errorf("the report lacks %q", want)
		}
	}
	flat := func(caption string) string {
		var out []string
		for c, list := range rows {
			if strings.HasPrefix(c, caption) {
				for _, r := range list {
					out = append(out, strings.Join(r, " | "))
				}
			}
		}
		return strings.Join(out, "\n")
	}
	if got := flat("Linearity"); !strings.Contains(got, "-1.04 | 0.50 | not linear: void") || !strings.Contains(got, "gone in the noise") {
		t.Errorf("linearity:\n%s", got)
	}
	if got := flat("Leakage"); strings.Count(got, "\n") != 1 || !strings.Contains(got, "≤ -130.3") || !strings.Contains(got, "101.0 | yes") {
		t.Errorf("leakage:\n%s", got)
	}
}

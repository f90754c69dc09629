package sweep_test

import (
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
)

// TestABriefTakesEachFigureFromItsPlace: of two positions the one with the lowest SE
// gives reference, margin and place, and no other specimen's.
func TestABriefTakesEachFigureFromItsPlace(t *testing.T) {
	run := sheetRun(t, 0.3, func(s *sweep.PlanSpec, _ *sweep.Bench) { s.Positions = []string{"front", "back"} })
	run.Specimens = append(run.Specimens, sweep.Specimen{Name: "crate"})
	run.Line = flatLine(35)
	var caps []sweep.Capture
	for i, c := range []struct {
		box, pos string
		ref, enc unit.DBm
	}{{"locker", "front", -20, -60}, {"locker", "back", -24, -57}, {"crate", "front", -20, -80}, {"crate", "back", -24, -90}} {
		at := sweep.Setting{Position: c.pos, Polarization: "vertical", Repeat: 1}
		if i < 2 {
			caps = append(caps, read(sweep.Reference, at, 0, c.ref, -70))
		}
		at.Specimen = c.box
		caps = append(caps, read(sweep.Enclosed, at, 0, c.enc, -105))
	}
	e := sweep.Evaluate(run, seal(caps))
	b, ok := sweep.BriefOf(e, "locker")
	if !ok || len(b.Rows) != 1 || b.Specimen != "locker" {
		t.Fatalf("%+v %v", b, ok)
	}
	row := b.Rows[0]
	nearly(t, "SE", row.SE.Value, 33, 0.01)
	nearly(t, "reference", unit.DB(row.Reference), -24, 0.01)
	nearly(t, "margin", row.Margin, 48, 0.01)
	nearly(t, "required", *row.Required, 35, 0)
	if row.Freq != 100e6 || row.Outcome != sweep.Measured || row.Verdict != e.Summaries[0].Worst[0].Verdict || b.Verdict != e.Summaries[0].Verdict || b.Counts != e.Summaries[0].Counts || b.Sentence != e.Summaries[0].Sentence {
		t.Errorf("%+v", b)
	}
	if b, _ := sweep.BriefOf(e, "crate"); b.Rows[0].SE.Value < 59 || b.Rows[0].SE.Value > 61 {
		t.Errorf("%+v", b.Rows[0])
	}
	if _, ok := sweep.BriefOf(e, "bread bin"); ok {
		t.Error("there is a brief of no specimen")
	}
}

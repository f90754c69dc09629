package document

import (
	"fmt"
	"math"

	"lidded/sweep"
	textreport "lidded/sweep/report/text"
)

// never says what the never-transmit table had to do with the run.
func (b *builder) never() []Block {
	bench := b.in.Run.Bench
	switch {
	case b.in.Run.HandRead:
		return nil
	case bench.Conducted:
		return []Block{text("The bench is cabled: nothing is radiated, and the table of frequencies that are never transmitted on did not apply.")}
	case len(bench.Never.Overrides) == 0:
		return []Block{text("No entry of the table of frequencies that are never transmitted on is overridden.")}
	}
	t := Table{Caption: "Entries of the never-transmit table that the site overrides", Columns: []Column{left("entry"), left("basis, in the operator's words")}}
	for _, o := range bench.Never.Overrides {
		t.Rows = append(t.Rows, []string{o.Entry, o.Basis})
	}
	return []Block{t}
}

// exposure is what the plan radiates and the distances that follow from it.
func (b *builder) exposure() []Block {
	bench := b.in.Run.Bench
	if bench.Conducted || b.in.Run.HandRead {
		return nil
	}
	o := sweep.ExposureOf(b.in.Run.Plan, bench)
	if o == nil {
		b.missing = append(b.missing, "radiated power")
		return []Block{Text{Missing, "What lies between source and antenna is not stated: no radiated power and no distance is computed."}}
	}
	l := o.Rule.Limits
	t := Table{Caption: "Exposure, by the far-field formula, at the level planned", Columns: []Column{
		right("point", ""), right("frequency", ""), right("EIRP", "dBm"), right("field at 1 m", "V/m"), right("limit", "W/m²"), right("limit reached at", "m"), right("formula holds from", "m"), left("remark"),
	}}
	for i, e := range o.Points {
		limit, distance, remark := textreport.None, textreport.None, "the table has no limit here"
		if e.Limit != nil {
			limit, distance, remark = fmt.Sprintf("%.3g", *e.Limit), fmt.Sprintf("%.2f", math.Ceil(e.Distance*100)/100), "-"
		}
		if e.NearField() {
			remark = "near field: the distance is no more than a hint"
		}
		t.Rows = append(t.Rows, []string{fmt.Sprint(i + 1), e.Freq.String(), number(e.EIRP), fmt.Sprintf("%.3g", e.FieldAt1m), limit, distance, fmt.Sprintf("%.2f", e.FarField), remark})
	}
	return []Block{
		Pairs{
			known("limits", fmt.Sprintf("%s: %s (%s)", l.Name, l.Title, l.Source)),
			known("where they come from", markOf(l.Mark)),
			known("ground reflection", fmt.Sprintf("factor %g on the power density", o.Rule.Ground)),
			known("chain", fmt.Sprintf("amplifier %v, cable loss %v, antenna %v", o.Chain.Amplifier, o.Chain.Cable, o.Chain.AntennaGain)),
		},
		Text{Caution, o.Caution}, t,
	}
}

package daemon

import (
	"lidded/sweep"
	"lidded/sweep/practice"
)

// names of specimens, for looking them up.
func names(boxes []sweep.Specimen) []string {
	out := make([]string, len(boxes))
	for i, b := range boxes {
		out[i] = b.Name
	}
	return out
}

// fit lets a plan avoid the resonances of the specimens, or look closely at
// them, as it says; and tells what that changed.
func (l *Lab) fit(spec sweep.PlanSpec, b *Bench, boxes []sweep.Specimen) (sweep.PlanSpec, []string) {
	r, ok := l.Config.Practice(spec.Name)
	if !ok {
		return spec, nil
	}
	known, _ := l.Shelf.Boxes(names(boxes))
	return r.Fit(known, b.Facts)
}

// cautions are what the plan's practice and the specimens' sizes give to think
// of before anything is keyed.
func (l *Lab) cautions(p sweep.Plan, boxes []sweep.Specimen) []string {
	var followed *practice.Practice
	if r, ok := l.Config.Practice(p.Name); ok {
		followed = r.Practice
	}
	known, unknown := l.Shelf.Boxes(names(boxes))
	return practice.Cautions(p, followed, known, unknown, l.Presets)
}

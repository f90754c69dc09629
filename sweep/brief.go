package sweep

import (
	"lidded/driver/unit"
)

// SameFrequency is how far, as a share, frequencies of different plans may lie apart
// and still be taken for the same.
const SameFrequency = 0.005

// Brief is what a run found of one specimen, in columns: the worst case of each
// point and nothing else, so that many runs can be set side by side.
type Brief struct {
	Specimen string
	Verdict  Verdict
	Sentence string
	Counts   Counts
	Rows     []BriefRow // per point captured, in plan order
}

// BriefRow is the worst case at one point.
type BriefRow struct {
	Point     int
	Freq      unit.Hz
	SE        SE
	Reference unit.DBm // of the setting where the minimum stood; missing without one
	Margin    unit.DB
	Required  *unit.DB
	Outcome   Outcome
	Verdict   Verdict
}

// BriefOf shortens an evaluation; false where it says nothing of the specimen.
func BriefOf(e Evaluation, specimen string) (Brief, bool) {
	for _, s := range e.Summaries {
		if s.Specimen != specimen {
			continue
		}
		type place struct {
			at    Setting
			point int
		}
		references := map[place]unit.DBm{}
		for _, r := range e.Results {
			if r.At.Specimen == specimen {
				references[place{r.At, r.Point}] = r.Reference
			}
		}
		b := Brief{Specimen: specimen, Verdict: s.Verdict, Sentence: s.Sentence, Counts: s.Counts, Rows: make([]BriefRow, len(s.Worst))}
		for i, w := range s.Worst {
			ref, ok := references[place{w.At, w.Point}]
			if !ok {
				ref = unit.Missing()
			}
			b.Rows[i] = BriefRow{Point: w.Point, Freq: w.Freq, SE: w.SE, Reference: ref, Margin: w.Margin, Required: w.Required, Outcome: w.Outcome, Verdict: w.Verdict}
		}
		return b, true
	}
	return Brief{}, false
}

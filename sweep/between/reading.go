package between

import (
	"math"
	"slices"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
	"lidded/sweep/uncertainty"
)

// Coverage is that of the uncertainties compared. A run may state another
// confidence; its figures are then brought to this one by the normal law.
const Coverage = 0.95

// Night is what one bench's run found.
type Night struct {
	Run        sweep.Run
	Evaluation sweep.Evaluation
	References []sweep.Capture // of the run's reference steps; looks are not needed
}

// Choice narrows a comparison; empty fields choose all.
type Choice struct {
	Position     string
	Polarization sweep.Polarization
	Freqs        []unit.Hz // each takes what lies within sweep.SameFrequency
}

func (c Choice) takes(at sweep.Setting, f unit.Hz) bool {
	return (c.Position == "" || c.Position == at.Position) && (c.Polarization == "" || c.Polarization == at.Polarization) &&
		(len(c.Freqs) == 0 || slices.ContainsFunc(c.Freqs, func(g unit.Hz) bool { return same(f, g) }))
}

// same reports whether two frequencies are one, but for what plans round
// differently.
func same(f, g unit.Hz) bool {
	return math.Abs(float64(f-g)) <= sweep.SameFrequency*math.Abs(float64(g))
}

// Reading is what a bench says of the specimen at one setting and frequency.
type Reading struct {
	Freq    unit.Hz
	Outcome sweep.Outcome
	Reason  string   // why there is no value
	SE      sweep.SE // relation unknown: no claim
	U       unit.DB  // half-width of the value's interval at Coverage; NaN: none
	// Reference is the open level, as received; missing: none. ReferenceU is the
	// half-width at Coverage that noise and repeats leave of it, without the
	// absolute error of the analyzer, which no run states; NaN: not known.
	Reference  unit.DBm
	ReferenceU unit.DB
	// SourceLevel is what the source was set to for it, as read back; missing: not
	// stated. PathLoss is that less Reference, StatedLoss what the bench's config
	// says of it; NaN: not known.
	SourceLevel          unit.DBm
	PathLoss, StatedLoss unit.DB
}

// place is where readings of two benches are set beside each other.
type place struct {
	position     string
	polarization sweep.Polarization
	field        requirement.Field
}

// spot is a point of a run's plan at a place.
type spot struct {
	position     string
	polarization sweep.Polarization
	point        int
}

// readings sorts what a night says of the specimen by place; order lists the
// places as they come.
func (n Night) readings(specimen string, only Choice) (at map[place][]Reading, order []place) {
	levels := n.sourceLevels()
	references := n.referenceUncertainties(specimen)
	at = map[place][]Reading{}
	for _, r := range n.Evaluation.BySetting() {
		if r.At.Specimen != specimen || r.Point < 0 || r.Point >= len(n.Run.Plan.Points) || !only.takes(r.At, r.Freq) {
			continue
		}
		where := spot{r.At.Position, r.At.Polarization, r.Point}
		k := place{r.At.Position, r.At.Polarization, n.Run.Plan.Points[r.Point].Field}
		if k.field == requirement.FieldUnknown {
			k.field = requirement.PlaneWave
		}
		one := Reading{
			Freq: r.Freq, Outcome: r.Outcome, Reason: r.Reason, SE: r.SE, U: none(), Reference: r.Reference, ReferenceU: none(),
			SourceLevel: unit.Missing(), PathLoss: none(), StatedLoss: none(),
		}
		if r.SE.Relation == sweep.Equal {
			one.U = covering(r.SE.U, r.Confidence)
		}
		if u, ok := references[where]; ok {
			one.ReferenceU = u
		}
		if p, ok := levels[where]; ok {
			one.SourceLevel = p
			one.PathLoss = p.Sub(r.Reference)
		}
		if !n.Run.HandRead {
			one.StatedLoss = n.Run.Bench.LossOver(r.Freq)
		}
		if at[k] == nil {
			order = append(order, k)
		}
		at[k] = append(at[k], one)
	}
	return at, order
}

// sourceLevels are the levels read back at the references, the last that counts.
func (n Night) sourceLevels() map[spot]unit.DBm {
	out := map[spot]unit.DBm{}
	for _, c := range n.References {
		if c.Kind == sweep.Reference && c.Void == "" && c.SourceLevel != nil && c.SourceLevel.IsFinite() {
			out[spot{c.At.Position, c.At.Polarization, c.Point}] = *c.SourceLevel
		}
	}
	return out
}

// referenceUncertainties are what the budgets say of the reference alone.
func (n Night) referenceUncertainties(specimen string) map[spot]unit.DB {
	out := map[spot]unit.DB{}
	if len(n.Evaluation.Budgets) != len(n.Evaluation.Results) {
		return out // results kept from before: their budgets are not
	}
	for i, r := range n.Evaluation.Results {
		if r.At.Specimen != specimen {
			continue
		}
		var square float64
		for _, row := range n.Evaluation.Budgets[i].Rows {
			if row.Side == uncertainty.Reference {
				square += float64(row.Standard * row.Standard)
			}
		}
		if square > 0 {
			out[spot{r.At.Position, r.At.Polarization, r.Point}] = unit.DB(normal95 * math.Sqrt(square))
		}
	}
	return out
}

// covering brings an expanded uncertainty to Coverage, by the normal law where it
// was stated for another confidence.
func covering(u unit.DB, confidence float64) unit.DB {
	if confidence == Coverage || !(confidence > 0 && confidence < 1) {
		return u
	}
	return u * unit.DB(normal95/uncertainty.StudentT(confidence, math.Inf(1)))
}

func none() unit.DB { return unit.DB(math.NaN()) }

func known(v unit.DB) bool { return !math.IsNaN(float64(v)) && !math.IsInf(float64(v), 0) }

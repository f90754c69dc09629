package rest

import (
	"math"

	"lidded/sweep"
)

// Preview is what a start would do.
type Preview struct {
	PlanOutlook
	Parts []TimePart    `json:"time_parts" doc:"What the predicted time consists of"`
	Holds int           `json:"hold_points" doc:"Times that a person is waited for, unless released by rule"`
	Bands []PreviewBand `json:"bands"`
}

// TimePart is the steps of one kind.
type TimePart struct {
	Kind  string  `json:"kind" enum:"ambient,reference,enclosed,closing_reference"`
	Steps int     `json:"steps"`
	Time  float64 `json:"time_s"`
}

// PreviewBand is a band of the plan: the worst of its points.
type PreviewBand struct {
	Band     string   `json:"band"`
	From     float64  `json:"from_hz"`
	To       float64  `json:"to_hz"`
	Points   int      `json:"points"`
	Range    *float64 `json:"dynamic_range_db" doc:"The least"`
	Provable *SE      `json:"provable,omitempty" doc:"The least bound to expect where no signal gets through"`
	Required *float64 `json:"required_db,omitempty" doc:"The most that is required"`
	Short    *float64 `json:"short_by_db,omitempty" doc:"The most that the dynamic range lacks for requirement and headroom; left out: nowhere"`
	Distance *float64 `json:"distance_m,omitempty" doc:"The farthest at which a limit of exposure is reached; left out: nothing radiated, nothing stated, or no limit"`
	Near     bool     `json:"in_near_field" doc:"At some point that distance lies where the formula does not hold"`
}

func previewOf(p PlanOn) Preview {
	out := Preview{PlanOutlook: outlookOf(p), Parts: []TimePart{}, Bands: []PreviewBand{}}
	parts := map[sweep.StepKind]int{}
	for i, s := range p.Steps {
		if s.Kind == sweep.HoldPoint {
			out.Holds++
			continue
		}
		at, ok := parts[s.Kind]
		if !ok {
			at = len(out.Parts)
			parts[s.Kind] = at
			out.Parts = append(out.Parts, TimePart{Kind: s.Kind.String()})
		}
		out.Parts[at].Steps++
		if i < len(p.Estimate.StepTimes) {
			out.Parts[at].Time += seconds(p.Estimate.StepTimes[i])
		}
	}
	bands := map[string]int{}
	for i, q := range p.Plan.Points {
		at, ok := bands[q.Band]
		if !ok {
			at = len(out.Bands)
			bands[q.Band] = at
			out.Bands = append(out.Bands, PreviewBand{Band: q.Band, From: float64(q.Freq), To: float64(q.Freq)})
		}
		b := &out.Bands[at]
		b.From, b.To, b.Points = math.Min(b.From, float64(q.Freq)), math.Max(b.To, float64(q.Freq)), b.Points+1
		if i < len(out.Forecast) {
			b.forecast(out.Forecast[i])
		}
		if x := out.Exposure; x != nil && i < len(x.Points) {
			b.Distance = farther(b.Distance, x.Points[i].Distance)
			b.Near = b.Near || x.Points[i].Near
		}
	}
	return out
}

// forecast takes a point's forecast in where it is worse than those before.
func (b *PreviewBand) forecast(f Forecast) {
	if f.Range != nil && (b.Range == nil || *f.Range < *b.Range) {
		b.Range = f.Range
	}
	if f.Provable != nil && (b.Provable == nil || f.Provable.Value < b.Provable.Value) {
		b.Provable = f.Provable
	}
	b.Required, b.Short = farther(b.Required, f.Required), farther(b.Short, f.Short)
}

// farther is the larger of two numbers that may be absent.
func farther(a, b *float64) *float64 {
	if a == nil || b != nil && *b > *a {
		return b
	}
	return a
}

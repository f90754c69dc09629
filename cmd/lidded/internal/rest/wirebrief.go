package rest

import (
	"math"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"lidded/sweep"
)

// RunBriefs are what many runs found of one specimen.
type RunBriefs struct {
	Specimen string     `json:"specimen"`
	Runs     []RunBrief `json:"runs" doc:"Newest first"`
	Pending  int        `json:"pending" doc:"Runs left out because their results are still being worked out: ask again"`

	Unreadable []UnreadRun `json:"unreadable" doc:"Runs left out because their captures cannot be read"`
	Next       string      `json:"next,omitempty" doc:"Give it as before to get the next page; left out on the last page"`
}

// UnreadRun is a run whose captures cannot be read.
type UnreadRun struct {
	Run    string `json:"run"`
	Reason string `json:"reason"`
}

// RunBrief is what one run found of a specimen: columns of equal length, a row per
// point captured, in the order of the plan. Where relation is >=, se_db is a lower bound.
type RunBrief struct {
	Run       string     `json:"run"`
	Bench     string     `json:"bench"`
	Plan      string     `json:"plan"`
	State     string     `json:"state"`
	Created   time.Time  `json:"created"`
	Ended     *time.Time `json:"ended,omitempty"`
	Verdict   string     `json:"verdict"`
	Sentence  string     `json:"sentence"`
	Counts    Counts     `json:"counts"`
	Point     []int      `json:"point" doc:"Index in the plan"`
	Freq      Column     `json:"freq_hz"`
	Outcome   []string   `json:"outcome" doc:"measured, at least, ambient or void; unknown where nothing was captured"`
	Relation  []string   `json:"relation" doc:"= for a value, >= for a lower bound, empty without a claim; it is part of the number"`
	SE        Column     `json:"se_db"`
	Low       Column     `json:"se_low_db"`
	High      Column     `json:"se_high_db" doc:"null for a bound"`
	Reference Column     `json:"reference_dbm"`
	Required  Column     `json:"required_db"`
	Verdicts  []string   `json:"verdicts"`
}

// Column is a column of numbers; NaN and infinities are null.
type Column []float64

// MarshalJSON writes an array of numbers and nulls.
func (c Column) MarshalJSON() ([]byte, error) {
	out := make([]byte, 0, 2+len(c)*10)
	out = append(out, '[')
	for i, v := range c {
		if i > 0 {
			out = append(out, ',')
		}
		out = appendNumber(out, v)
	}
	return append(out, ']'), nil
}

// Schema describes the numbers.
func (Column) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{
		Type: huma.TypeArray, Description: "A row per point; null where there is no number",
		Items: &huma.Schema{Type: huma.TypeNumber, Nullable: true},
	}
}

var _ huma.SchemaProvider = Column(nil)

func briefOf(r sweep.RunInfo, b sweep.Brief) RunBrief {
	out := RunBrief{
		Run: string(r.ID), Bench: r.Bench, Plan: r.Plan, State: r.State.String(), Created: r.Created.UTC(), Ended: timeAt(r.Ended),
		Verdict: b.Verdict.String(), Sentence: b.Sentence, Counts: Counts(b.Counts), Point: make([]int, len(b.Rows)), Outcome: make([]string, len(b.Rows)), Relation: make([]string, len(b.Rows)), Verdicts: make([]string, len(b.Rows)),
	}
	for _, c := range []*Column{&out.Freq, &out.SE, &out.Low, &out.High, &out.Reference, &out.Required} {
		*c = make(Column, len(b.Rows))
	}
	none := math.NaN()
	for i, w := range b.Rows {
		out.Point[i] = w.Point
		out.Freq[i], out.Outcome[i], out.Verdicts[i], out.Reference[i] = float64(w.Freq), w.Outcome.String(), w.Verdict.String(), short(float64(w.Reference))
		out.SE[i], out.Low[i], out.High[i], out.Required[i] = none, none, none, none
		if w.Required != nil {
			out.Required[i] = short(float64(*w.Required))
		}
		if w.SE.Relation == sweep.RelationUnknown {
			continue
		}
		out.Relation[i], out.SE[i], out.Low[i] = w.SE.Relation.String(), short(float64(w.SE.Value)), short(float64(w.SE.Low))
		if w.SE.Relation == sweep.Equal {
			out.High[i] = short(float64(w.SE.High))
		}
	}
	return out
}

// short rounds to thousandths.
func short(v float64) float64 { return math.Round(v*1000) / 1000 }

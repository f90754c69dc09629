package rest

import (
	"lidded/sweep"
	"lidded/sweep/explain"
	"lidded/sweep/report/plain"
)

// Result is what the captures of one point at one setting mean.
type Result struct {
	At           Setting   `json:"at"`
	Point        int       `json:"point"`
	Freq         float64   `json:"freq_hz"`
	Outcome      string    `json:"outcome" enum:"measured,at least,ambient,void"`
	Reason       string    `json:"reason,omitempty"`
	SE           *SE       `json:"se,omitempty" doc:"Left out: no claim"`
	Reference    *float64  `json:"reference_dbm"`
	Enclosed     *Level    `json:"enclosed,omitempty" doc:"The signal's level; an upper limit where SE is a lower bound; left out: no claim"`
	Reading      *float64  `json:"reading_dbm" doc:"What the trace showed with the source on"`
	NoiseFloor   *float64  `json:"noise_floor_dbm" doc:"Source off, same settings"`
	Margin       *float64  `json:"margin_db" doc:"Reading over noise floor"`
	DynamicRange *float64  `json:"dynamic_range_db" doc:"Reference over noise floor"`
	Drift        *float64  `json:"closing_drift_db,omitempty" doc:"Closing minus opening reference"`
	Leakage      *Level    `json:"leakage,omitempty" doc:"What goes round the specimen as the leakage check saw it, or its upper limit; left out: not checked"`
	Confidence   *float64  `json:"confidence,omitempty"`
	Method       string    `json:"method,omitempty"`
	Required     *float64  `json:"required_db,omitempty"`
	Headroom     *Headroom `json:"headroom,omitempty"`
	Verdict      string    `json:"verdict"`
}

func resultOf(r sweep.Result) Result {
	return Result{
		At: settingOf(r.At), Point: r.Point, Freq: float64(r.Freq), Outcome: r.Outcome.String(), Reason: r.Reason,
		SE: seOf(r.SE), Reference: number(r.Reference), Enclosed: enclosedOf(r.Enclosed, r.SE.Relation),
		Reading: number(r.Reading), NoiseFloor: number(r.NoiseFloor), Margin: number(r.Margin), DynamicRange: number(r.DynamicRange),
		Drift: numberAt(r.Drift), Leakage: leakOf(r.Leakage), Confidence: positive(r.Confidence), Method: r.Method,
		Required: numberAt(r.Required), Headroom: headroomOf(r.Headroom, r.SE.Relation), Verdict: r.Verdict.String(),
	}
}

// Worst is a specimen's worst case at one frequency.
type Worst struct {
	Point    int       `json:"point"`
	Freq     float64   `json:"freq_hz"`
	At       Setting   `json:"at" doc:"Where the minimum stood; of repeats, the lowest"`
	Outcome  string    `json:"outcome" enum:"unknown,measured,at least,ambient,void"`
	Reason   string    `json:"reason,omitempty"`
	Rule     string    `json:"rule,omitempty" doc:"How repeats of the setting were combined; each stays among the results. Left out: one capture"`
	SE       *SE       `json:"se,omitempty" doc:"Left out: no claim"`
	Margin   *float64  `json:"margin_db"`
	Range    *float64  `json:"dynamic_range_db"`
	Required *float64  `json:"required_db,omitempty"`
	Headroom *Headroom `json:"headroom,omitempty"`
	Verdict  string    `json:"verdict"`
}

func worstOf(w sweep.Worst) Worst {
	return Worst{
		Point: w.Point, Freq: float64(w.Freq), At: settingOf(w.At), Outcome: w.Outcome.String(), Reason: w.Reason, Rule: w.Rule,
		SE: seOf(w.SE), Margin: number(w.Margin), Range: number(w.Range), Required: numberAt(w.Required),
		Headroom: headroomOf(w.Headroom, w.SE.Relation), Verdict: w.Verdict.String(),
	}
}

// Summary is a specimen's result over the whole plan.
type Summary struct {
	Specimen string  `json:"specimen"`
	Verdict  string  `json:"verdict"`
	Sentence string  `json:"sentence" doc:"The verdict in one line"`
	Plain    string  `json:"plain" doc:"What gets in at the weakest frequency, in plain words"`
	Code     string  `json:"em_code" doc:"Protection code of IEC 61000-5-7; x is an untested band"`
	Counts   Counts  `json:"counts" doc:"Outcomes over the worst cases"`
	Lowest   *Worst  `json:"lowest,omitempty"`
	Worst    []Worst `json:"worst" doc:"Per point, in the order of the plan"`
}

// Counts of outcomes.
type Counts struct {
	Measured int `json:"measured"`
	AtLeast  int `json:"at_least"`
	Ambient  int `json:"ambient"`
	Void     int `json:"void"`
	Missing  int `json:"missing" doc:"Not captured yet"`
}

func summaryOf(s sweep.Summary) Summary {
	out := Summary{
		Specimen: s.Specimen, Verdict: s.Verdict.String(), Sentence: s.Sentence, Plain: plain.Summary(s), Code: explain.CodeOf(s).String(), Counts: Counts(s.Counts),
		Worst: each(s.Worst, worstOf),
	}
	if s.Lowest != nil {
		w := worstOf(*s.Lowest)
		out.Lowest = &w
	}
	return out
}

// Results are everything that a run's captures mean.
type Results struct {
	Run       string      `json:"run"`
	State     string      `json:"state" doc:"Of the run; results of a run in progress are of what it has so far"`
	Summaries []Summary   `json:"summaries"`
	Results   []Result    `json:"results"`
	Linearity []Linearity `json:"linearity,omitempty" doc:"What the linearity check found"`
	Notes     []string    `json:"notes"`
}

// Linearity is one step of a linearity check.
type Linearity struct {
	Point     int      `json:"point"`
	Step      float64  `json:"step_db" doc:"The known step"`
	Deviation *float64 `json:"deviation_db" doc:"How much more than the step the level fell; below zero the reference is compressed"`
	Limit     *float64 `json:"limit_db"`
	Over      bool     `json:"over"`
	Reason    string   `json:"reason,omitempty" doc:"Why there is no deviation"`
}

func linearityOf(d sweep.Deviation) Linearity {
	return Linearity{d.Point, float64(d.Step), number(d.Deviation), positive(d.Limit), d.Over(), d.Reason}
}

func leakOf(l *sweep.Leak) *Level {
	if l == nil {
		return nil
	}
	if l.Seen {
		return &Level{"=", float64(l.Level)}
	}
	return &Level{"<=", float64(l.Level)}
}

func resultsOf(r sweep.Run, e sweep.Evaluation, specimen string) Results {
	out := Results{Run: string(r.ID), State: r.State.String(), Summaries: []Summary{}, Results: []Result{}, Linearity: each(e.Linearity, linearityOf), Notes: listOf(e.Notes)}
	for _, s := range e.Summaries {
		if specimen == "" || s.Specimen == specimen {
			out.Summaries = append(out.Summaries, summaryOf(s))
		}
	}
	for _, q := range e.Results {
		if specimen == "" || q.At.Specimen == specimen {
			out.Results = append(out.Results, resultOf(q))
		}
	}
	return out
}

package sweep

import (
	"time"

	"lidded/driver/unit"
	"lidded/sweep/requirement"
	"lidded/sweep/uncertainty"
)

// Outcome is what may be claimed at a point. The four are never mixed.
type Outcome = requirement.Outcome

// Outcomes.
const (
	Measured     = requirement.Measured // the signal is clear of the noise: value ± uncertainty
	AtLeast      = requirement.AtLeast  // no signal found: a lower bound at a stated confidence
	AmbientHeard = requirement.Ambient  // somebody else's signal: no claim
	Void         = requirement.Void     // overload, weak reference, drift, fault: no claim
)

// Verdict against the requirement line.
type Verdict = requirement.Verdict

// Relation is part of a number: "=" a value, "≥" a lower bound.
type Relation uint8

// Relations.
const (
	RelationUnknown Relation = iota // no number
	Equal
	AtLeastRelation
)

// SE is a shielding effectiveness with its relation; without a claim Relation
// is unknown and Value means nothing.
type SE struct {
	Relation Relation `json:"relation"`
	Value    unit.DB  `json:"se_db"`
	Low      unit.DB  `json:"se_low_db"`  // one-sided lower bound at Confidence (for a bound: the value itself)
	High     unit.DB  `json:"se_high_db"` // upper end of the interval; meaningless for a bound
	U        unit.DB  `json:"expanded_uncertainty_db"`
}

// Result is what the captures of one point at one setting mean.
type Result struct {
	Run          RunID    `json:"run"`
	At           Setting  `json:"at"`
	Point        int      `json:"point"`
	Freq         unit.Hz  `json:"freq_hz"`
	Reference    unit.DBm `json:"reference_dbm"`
	Enclosed     unit.DBm `json:"enclosed_dbm"`     // signal level; for a bound: its upper limit
	Reading      unit.DBm `json:"reading_dbm"`      // what the trace showed with the source on
	NoiseFloor   unit.DBm `json:"noise_floor_dbm"`  // source off, same settings
	Margin       unit.DB  `json:"margin_db"`        // reading over noise floor
	DynamicRange unit.DB  `json:"dynamic_range_db"` // reference over noise floor
	SE           SE       `json:"se"`
	Outcome      Outcome  `json:"outcome"`
	Reason       string   `json:"reason,omitempty"`
	Confidence   float64  `json:"confidence"`
	Method       string   `json:"method"`
	Drift        *unit.DB `json:"closing_drift_db,omitempty"` // closing minus opening reference
	Leakage      *Leak    `json:"leakage,omitempty"`          // what goes round the specimen; nil: not checked
	Required     *unit.DB `json:"required_db,omitempty"`
	Headroom     *unit.DB `json:"headroom_db,omitempty"` // SE low end over the requirement
	Verdict      Verdict  `json:"verdict"`
	Rule         string   `json:"rule,omitempty"`         // how repeats were combined; empty: one capture
	Decide       string   `json:"would_decide,omitempty"` // undecided: what would decide it, and how long that takes

	budget *budgetKey // what its uncertainty is made of; nil without a claim
}

// Worst is the worst case of a specimen at one frequency over positions and
// polarizations: the lowest value; a minimum over bounds is a bound. Repeats of a
// setting are combined before, as Rule says.
type Worst struct {
	Specimen string   `json:"specimen"`
	Point    int      `json:"point"`
	Freq     unit.Hz  `json:"freq_hz"`
	At       Setting  `json:"at"` // where the minimum stood; of repeats, the lowest
	SE       SE       `json:"se"`
	Outcome  Outcome  `json:"outcome"`
	Reason   string   `json:"reason,omitempty"`
	Rule     string   `json:"rule,omitempty"` // how repeats were combined; empty: one capture
	Margin   unit.DB  `json:"margin_db"`
	Range    unit.DB  `json:"dynamic_range_db"`
	Required *unit.DB `json:"required_db,omitempty"`
	Headroom *unit.DB `json:"headroom_db,omitempty"`
	Verdict  Verdict  `json:"verdict"`
	Decide   string   `json:"would_decide,omitempty"`
}

// Summary is a specimen's result over the whole plan.
type Summary struct {
	Specimen string  `json:"specimen"`
	Worst    []Worst `json:"worst"` // per point, in plan order
	Lowest   *Worst  `json:"lowest,omitempty"`
	Counts   Counts  `json:"counts"`
	Verdict  Verdict `json:"verdict"`
	Sentence string  `json:"sentence"` // the one-line verdict
}

// Counts of outcomes over the worst cases.
type Counts struct {
	Measured int `json:"measured"`
	AtLeast  int `json:"at_least"`
	Ambient  int `json:"ambient"`
	Void     int `json:"void"`
	Missing  int `json:"missing"` // not captured yet
}

// Evaluation is everything Evaluate finds in a run.
type Evaluation struct {
	Results []Result `json:"results"`
	// Combined are the results with the repeats of a setting joined to one claim, as
	// Rule says, where the plan has repeats; see BySetting.
	Combined  []Result  `json:"combined,omitempty"`
	Summaries []Summary `json:"summaries"`
	Notes     []string  `json:"notes,omitempty"` // such as a closing reference that drifted
	Time      Timing    `json:"time"`
	// Budgets are what the uncertainty of each result is made of, in the order of
	// Results; without rows where there is no claim. They are not kept with a run.
	Budgets []uncertainty.Result `json:"-"`
	// Linearity is what the plan's linearity check found, in order of capture.
	Linearity []Deviation `json:"linearity,omitempty"`
}

// BySetting gives one result for each setting and point, repeats joined: the basis
// of the worst cases. One kept from before repeats were joined gives the lowest.
func (e Evaluation) BySetting() []Result {
	if e.Combined != nil {
		return e.Combined
	}
	type place struct {
		at    Setting
		point int
	}
	at := map[place]int{}
	var out []Result
	for _, r := range e.Results {
		k := place{r.At, r.Point}
		k.at.Repeat = 0
		i, seen := at[k]
		switch {
		case !seen:
			at[k] = len(out)
			out = append(out, r)
		case r.SE.Relation != RelationUnknown && (out[i].SE.Relation == RelationUnknown || lower(r, out[i])):
			out[i] = r
		}
	}
	return out
}

// Timing holds the plan's prediction against what the captures took.
type Timing struct {
	Predicted time.Duration `json:"predicted_ns"`
	Took      time.Duration `json:"took_ns"`    // of the captures so far
	Nominal   time.Duration `json:"nominal_ns"` // of that, settling and the analyzer's own sweeps
	Ratio     float64       `json:"ratio"`      // took over predicted; zero without a prediction
}

package rest

import (
	"math"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/uncertainty"
)

// PointDetail is one point of a run at one setting: what is claimed, and all that
// the claim stands on.
type PointDetail struct {
	Run      string       `json:"run"`
	State    string       `json:"state" doc:"Of the run"`
	At       Setting      `json:"at"`
	Point    PlanPoint    `json:"point" doc:"As planned"`
	Strategy string       `json:"strategy" enum:"fixed,adaptive"`
	Result   *Result      `json:"result,omitempty" doc:"Left out: nothing was captured through the shield yet"`
	Decide   string       `json:"would_decide,omitempty" doc:"Undecided: what would decide it, and how long that takes"`
	Budget   *Budget      `json:"budget,omitempty" doc:"What the uncertainty is made of; left out: no claim"`
	Rungs    []Rung       `json:"rungs" doc:"The looks through the shield one by one; a fixed plan has one"`
	Traces   []PointTrace `json:"traces" doc:"For display, of the last capture of each kind; none: read by hand, or not captured yet"`
	Away     string       `json:"traces_away,omitempty" doc:"The traces left the store and their archive cannot be read: why, and what to do"`
	Captures []PointTaken `json:"captures" doc:"Everything captured for this result; the whole traces are at /v1/captures/{id}"`
}

// Budget is an uncertainty budget after the GUM. What is common to reference and
// enclosed and cancels as a whole (path loss, antenna factor, absolute level) has no
// entry.
type Budget struct {
	Standard   *float64      `json:"standard_uncertainty_db" doc:"Combined"`
	Expanded   *float64      `json:"expanded_uncertainty_db" doc:"Half-width of the two-sided interval"`
	OneSided   *float64      `json:"one_sided_db" doc:"By how much the SE may be too high; taken off a lower bound"`
	Coverage   float64       `json:"coverage" doc:"Probability, 0 to 1"`
	Factor     *float64      `json:"coverage_factor" doc:"Expanded over standard"`
	DoF        *float64      `json:"degrees_of_freedom" doc:"Effective; null: infinite"`
	Method     string        `json:"method"`
	Components []BudgetEntry `json:"entries" doc:"Largest share first"`
}

// BudgetEntry is one component of a budget.
type BudgetEntry struct {
	Name         string   `json:"name"`
	Kind         string   `json:"kind" enum:"A,B" doc:"A: from a series of readings (GUM 4.2); B: from anything other (GUM 4.3)"`
	Side         string   `json:"side" enum:"difference,reference,enclosed" doc:"Where it acts"`
	Value        float64  `json:"value_db" doc:"Standard uncertainty (normal) or half-width"`
	Distribution string   `json:"distribution" enum:"normal,rectangular,triangular,U-shaped"`
	Divisor      float64  `json:"divisor"`
	Standard     float64  `json:"standard_uncertainty_db"`
	DoF          *float64 `json:"degrees_of_freedom" doc:"null: infinite"`
	Share        float64  `json:"share" doc:"Part of the combined variance; negative where a common cause takes variance away"`
	Common       string   `json:"common,omitempty" doc:"Cause that reference and enclosed have in common"`
	Cancelled    bool     `json:"cancelled" doc:"The common cause cancels in the difference, wholly or in part"`
	Source       string   `json:"source,omitempty" doc:"Where the value comes from"`
}

func budgetOf(r uncertainty.Result) *Budget {
	if len(r.Rows) == 0 {
		return nil
	}
	return &Budget{
		Standard: number(r.Standard), Expanded: number(r.Expanded), OneSided: number(r.OneSided), Coverage: r.Coverage,
		Factor: positive(r.Factor), DoF: number(r.DoF), Method: r.Method.String(), Components: each(r.Rows, budgetEntryOf),
	}
}

func budgetEntryOf(r uncertainty.Row) BudgetEntry {
	kind := "B"
	if r.Statistical {
		kind = "A"
	}
	return BudgetEntry{
		Name: r.Name, Kind: kind, Side: r.Side.String(), Value: float64(r.Value), Distribution: r.Distribution.String(), Divisor: r.Divisor,
		Standard: float64(r.Standard), DoF: number(r.DoF), Share: r.Share, Common: r.Common, Cancelled: r.Cancels > 0, Source: r.Source,
	}
}

// Rung is one look at a point through the shield and what it said by itself.
type Rung struct {
	Rung       int      `json:"rung" doc:"From 0; later ones are narrower or longer"`
	Capture    string   `json:"capture"`
	Settings   string   `json:"settings" doc:"In words"`
	Outcome    string   `json:"outcome" enum:"measured,at least,ambient,void"`
	Reason     string   `json:"reason,omitempty"`
	SE         *SE      `json:"se,omitempty"`
	NoiseFloor *float64 `json:"noise_floor_dbm"`
	Margin     *float64 `json:"margin_db"`
	Method     string   `json:"method,omitempty"`
}

func rungOf(r sweep.RungResult) Rung {
	return Rung{
		Rung: r.Number, Capture: r.Capture, Settings: r.Settings, Outcome: r.Result.Outcome.String(), Reason: r.Result.Reason,
		SE: seOf(r.Result.SE), NoiseFloor: number(r.Result.NoiseFloor), Margin: number(r.Result.Margin), Method: r.Result.Method,
	}
}

// PointTaken is a capture and what was read from it.
type PointTaken struct {
	Capture
	Level   *float64 `json:"level_dbm" doc:"What the trace showed with the source on"`
	Floor   *float64 `json:"floor_dbm" doc:"Noise floor beside it"`
	Carrier *float64 `json:"carrier_hz,omitempty" doc:"Where the carrier was found"`
	Why     string   `json:"says_nothing,omitempty" doc:"Why nothing can be read from it"`
}

func pointTakenOf(c sweep.CaptureRead) PointTaken {
	return PointTaken{Capture: captureOf(c.Capture), Level: number(c.Level), Floor: number(c.Floor), Carrier: positive(c.Carrier), Why: c.Why}
}

// PointTrace is a trace made ready to draw.
type PointTrace struct {
	Kind     string     `json:"kind" enum:"ambient,reference,enclosed,off,closing" doc:"off: the source off, beside the enclosed capture"`
	Capture  string     `json:"capture" doc:"The whole traces are at /v1/captures/{id}"`
	SourceOn bool       `json:"source_on"`
	Start    float64    `json:"start_hz"`
	Stop     float64    `json:"stop_hz" doc:"Equal to start_hz in zero span: the levels then follow in time"`
	Points   int        `json:"points" doc:"Of the trace before it was made shorter"`
	Looks    int        `json:"looks" doc:"Traces it was made of: their mean power, or the largest level where the analyzer kept the largest"`
	Levels   Levels     `json:"values_dbm" doc:"Evenly spaced from start to stop, at most 1001: of each stretch the lowest and the highest"`
	Floor    *float64   `json:"floor_dbm" doc:"Noise floor of the capture"`
	Peak     *TracePeak `json:"peak,omitempty"`
}

// TracePeak is the highest level of a trace.
type TracePeak struct {
	Freq  float64 `json:"freq_hz"`
	Level float64 `json:"level_dbm"`
}

// mostShown is how many levels a trace for display has at most.
const mostShown = 1001

// pointTraceOf draws the looks of a capture with the source on or off; false
// where there are none.
func pointTraceOf(kind string, c sweep.Capture, read sweep.CaptureRead, on bool) (PointTrace, bool) {
	t, looks := sweep.Shown(c, on)
	if looks == 0 {
		return PointTrace{}, false
	}
	out := PointTrace{
		Kind: kind, Capture: c.ID, SourceOn: on, Start: float64(t.Start), Stop: float64(t.Stop), Points: len(t.Levels), Looks: looks,
		Levels: each(sweep.Thinned(t.Levels, mostShown), hundredth), Floor: number(read.Floor),
	}
	best := -1
	for i, p := range t.Levels {
		if p.IsFinite() && (best < 0 || p > t.Levels[best]) {
			best = i
		}
	}
	if best >= 0 {
		out.Peak = &TracePeak{float64(t.Freq(best)), float64(hundredth(t.Levels[best]))}
	}
	return out, true
}

// hundredth rounds a level to what a picture shows.
func hundredth(p unit.DBm) unit.DBm { return unit.DBm(math.Round(float64(p)*100) / 100) }

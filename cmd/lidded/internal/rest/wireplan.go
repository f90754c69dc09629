package rest

import (
	"lidded/sweep"
)

// PlanInfo is a plan in a listing.
type PlanInfo struct {
	Name        string `json:"name"`
	About       string `json:"about,omitempty"`
	Capture     string `json:"capture" enum:"linked,sealed"`
	Points      int    `json:"points"`
	Requirement string `json:"requirement,omitempty"`
	OnBenches
}

// OnBenches are the benches whose daemon has something in its config.
type OnBenches struct {
	Benches []string `json:"benches,omitempty" doc:"On a lab server: the benches whose daemon has it; none: it stands in records alone"`
}

func planInfoOf(e PlanEntry) PlanInfo {
	return PlanInfo{Name: e.Name, About: e.About, Capture: e.Capture.String(), Points: e.Points, Requirement: e.Requirement}
}

// Plan is a compiled plan.
type Plan struct {
	Name          string      `json:"name"`
	About         string      `json:"about,omitempty"`
	Capture       string      `json:"capture" enum:"linked,sealed"`
	Requirement   string      `json:"requirement,omitempty" doc:"Name of the requirement line"`
	Positions     []string    `json:"positions"`
	Polarizations []string    `json:"polarizations"`
	Repeats       int         `json:"repeats"`
	Headroom      float64     `json:"headroom_db"`
	DriftLimit    float64     `json:"drift_limit_db"`
	Closing       bool        `json:"closing_reference"`
	ByRule        bool        `json:"hold_points_by_rule"`
	Looks         int         `json:"looks"`
	MaxLooks      int         `json:"max_looks"`
	HoldSweeps    int         `json:"hold_sweeps"`
	Confidence    float64     `json:"confidence"`
	FalseAlarm    float64     `json:"false_alarm"`
	Settle        float64     `json:"settle_s"`
	Points        []PlanPoint `json:"points"`

	LeakageCheck    string   `json:"leakage_check,omitempty" enum:"receiver_terminated,source_loaded"`
	LeakageMargin   *float64 `json:"leakage_margin_db,omitempty" doc:"An enclosed level nearer to the leakage is a bound"`
	LinearityCheck  string   `json:"linearity_check,omitempty" enum:"step_attenuator,source_level"`
	ReferenceMaxAge *float64 `json:"reference_max_age_s,omitempty" doc:"An older reference counts only with a closing one beside it"`
}

// PlanPoint is a frequency of a plan with what it is captured with.
type PlanPoint struct {
	Index       int      `json:"index"`
	Band        string   `json:"band"`
	Freq        float64  `json:"freq_hz"`
	Level       float64  `json:"source_level_dbm"`
	RBW         float64  `json:"rbw_hz"`
	Span        float64  `json:"span_hz"`
	Dwell       *float64 `json:"dwell_s,omitempty"`
	Detector    string   `json:"detector"`
	Field       string   `json:"field"`
	Attenuation *float64 `json:"attenuation_db,omitempty"`
	RefLevel    *float64 `json:"reference_level_dbm,omitempty"`
}

func planOf(p sweep.Plan) Plan {
	out := Plan{
		Name: p.Name, About: p.About, Capture: p.Capture.String(), Requirement: p.Requirement,
		Positions: listOf(p.Positions), Polarizations: each(p.Polarizations, func(q sweep.Polarization) string { return string(q) }),
		Repeats: p.Repeats, Headroom: float64(p.Headroom), DriftLimit: float64(p.DriftLimit), Closing: p.Closing, ByRule: p.ByRule,
		Looks: p.Looks, MaxLooks: p.MaxLooks, HoldSweeps: p.HoldSweeps, Confidence: p.Confidence, FalseAlarm: p.FalseAlarm,
		Settle: seconds(p.Settle), Points: each(p.Points, planPointOf),
		LeakageMargin: positive(p.LeakageMargin), ReferenceMaxAge: secondsIf(p.ReferenceMaxAge),
	}
	if p.LeakageCheck != sweep.FittedAsUsed {
		out.LeakageCheck = p.LeakageCheck.String()
	}
	if p.LinearityCheck != sweep.FittedAsUsed {
		out.LinearityCheck = p.LinearityCheck.String()
	}
	return out
}

func planPointOf(p sweep.Point) PlanPoint {
	return PlanPoint{
		Index: p.Index, Band: p.Band, Freq: float64(p.Freq), Level: float64(p.Level), RBW: float64(p.RBW), Span: float64(p.Span),
		Dwell: secondsIf(p.Dwell), Detector: p.Detector.String(), Field: p.Field.String(),
		Attenuation: numberAt(p.Attenuation), RefLevel: numberAt(p.RefLevel),
	}
}

// Step is a stage of a run.
type Step struct {
	Index       int      `json:"index"`
	Kind        string   `json:"kind" enum:"hold_point,ambient,reference,enclosed,closing_reference,leakage,linearity"`
	At          Setting  `json:"at"`
	Instruction string   `json:"instruction,omitempty" doc:"Hold points: what to do"`
	Cautions    []string `json:"cautions,omitempty" doc:"Hold points: what to mind"`
	Fitting     string   `json:"fitting,omitempty" enum:"receiver_terminated,source_loaded,step_attenuator,source_level" doc:"What stands in the path for a check of the reference"`
	Lower       *float64 `json:"lower_db,omitempty" doc:"Linearity check: the known step"`
	Only        []int    `json:"points,omitempty" doc:"Points captured; left out: all"`
	Lid         string   `json:"lid,omitempty" enum:"closes,opens" doc:"Hold points of a sealed capture: what the lid does"`
}

func stepOf(s sweep.Step) Step {
	out := Step{Index: s.Index, Kind: s.Kind.String(), At: settingOf(s.At), Instruction: s.Instruction, Cautions: s.Cautions}
	if s.Fitting != sweep.FittedAsUsed {
		out.Fitting = s.Fitting.String()
	}
	out.Lower, out.Only = positive(s.Lower), s.Only
	if s.Lid != sweep.LidStays {
		out.Lid = s.Lid.String()
	}
	return out
}

// PlanOutlook is a plan as a bench would run it.
type PlanOutlook struct {
	Bench       string       `json:"bench"`
	Specimens   []string     `json:"specimens"`
	Accepted    bool         `json:"accepted" doc:"The bench would run it"`
	Refusals    []Refusal    `json:"refusals" doc:"Why it would not"`
	Warnings    []string     `json:"warnings"`
	Time        float64      `json:"time_s" doc:"The whole run, without the time people need at hold points"`
	Keyed       float64      `json:"source_on_s" doc:"Time the source is on"`
	SweepTime   *float64     `json:"sweep_time_s,omitempty" doc:"Sealed: one whole sweep"`
	Dwell       *float64     `json:"dwell_s,omitempty" doc:"Sealed: on each step"`
	Plan        Plan         `json:"plan"`
	Steps       []StepTimed  `json:"steps"`
	Requirement *Requirement `json:"requirement,omitempty"`
	Forecast    []Forecast   `json:"forecast" doc:"What may be expected of each point"`
	Exposure    *Exposure    `json:"exposure,omitempty" doc:"What is radiated and the distances computed from it; absent where nothing is radiated or the bench does not state what"`
}

// Exposure is what a plan radiates on a bench. It is arithmetic from what the
// config states, no assessment.
type Exposure struct {
	Limits      string          `json:"limits" doc:"Name of the table of limits"`
	Title       string          `json:"limits_title"`
	Source      string          `json:"limits_source"`
	Mark        string          `json:"limits_mark" enum:"seen,memory,computed,chosen" doc:"Where the table's values come from; memory: check against your copy"`
	Ground      float64         `json:"ground_reflection" doc:"Factor on the power density"`
	Amplifier   float64         `json:"amplifier_db"`
	Cable       float64         `json:"cable_loss_db"`
	AntennaGain float64         `json:"antenna_gain_dbi"`
	Caution     string          `json:"caution" doc:"Shown at hold points"`
	Points      []PointExposure `json:"points"`
}

// PointExposure is the exposure of one point.
type PointExposure struct {
	Point     int      `json:"point"`
	Freq      float64  `json:"freq_hz"`
	EIRP      float64  `json:"eirp_dbm" doc:"Radiated power over an isotropic antenna"`
	FieldAt1m float64  `json:"field_at_1m_v_per_m" doc:"By the far-field formula, ground reflection included"`
	Limit     *float64 `json:"limit_w_per_m2" doc:"As a plane wave; null where the table has none"`
	Distance  *float64 `json:"distance_m" doc:"Where the limit is reached"`
	FarField  float64  `json:"far_field_m" doc:"Nearer than this the formula does not hold"`
	Near      bool     `json:"in_near_field" doc:"The distance lies where the formula does not hold"`
}

func exposureOf(o *sweep.ExposureOutlook) *Exposure {
	if o == nil {
		return nil
	}
	l := o.Rule.Limits
	out := &Exposure{
		Limits: l.Name, Title: l.Title, Source: l.Source, Mark: l.Mark.String(), Ground: o.Rule.Ground,
		Amplifier: float64(o.Chain.Amplifier), Cable: float64(o.Chain.Cable), AntennaGain: float64(o.Chain.AntennaGain),
		Caution: o.Caution, Points: []PointExposure{},
	}
	for i, e := range o.Points {
		p := PointExposure{Point: i, Freq: float64(e.Freq), EIRP: float64(e.EIRP), FieldAt1m: e.FieldAt1m, Limit: e.Limit, FarField: e.FarField, Near: e.NearField()}
		if e.Limit != nil {
			p.Distance = &e.Distance
		}
		out.Points = append(out.Points, p)
	}
	return out
}

// StepTimed is a step and how long it takes.
type StepTimed struct {
	Step
	Time *float64 `json:"time_s,omitempty"`
}

// Refusal is one thing that a bench cannot or may not do of a plan.
type Refusal struct {
	Path    string `json:"path,omitempty" doc:"Where in the plan"`
	Message string `json:"message"`
	Cure    string `json:"cure,omitempty" doc:"What to do about it, the last part of the message"`
}

func refusalOf(p sweep.Problem) Refusal { return Refusal{p.Path, p.Message, p.Cure()} }

// Forecast is what may be expected of a point.
type Forecast struct {
	Point      int      `json:"point"`
	Freq       float64  `json:"freq_hz"`
	Reference  *float64 `json:"reference_dbm"`
	NoiseFloor *float64 `json:"noise_floor_dbm"`
	Range      *float64 `json:"dynamic_range_db"`
	Provable   *SE      `json:"provable,omitempty" doc:"The bound to expect where no signal gets through"`
	Required   *float64 `json:"required_db,omitempty"`
	Short      *float64 `json:"short_by_db,omitempty" doc:"What the dynamic range lacks for requirement and headroom"`
	Note       string   `json:"note,omitempty"`
}

func forecastOf(f sweep.Forecast) Forecast {
	return Forecast{
		Point: f.Point, Freq: float64(f.Freq), Reference: number(f.Reference), NoiseFloor: number(f.NoiseFloor),
		Range: number(f.DynamicRange), Provable: seOf(sweep.SE{Relation: sweep.AtLeastRelation, Value: f.Provable, Low: f.Provable}),
		Required: numberAt(f.Required), Short: numberAt(f.Short), Note: f.Note,
	}
}

func outlookOf(p PlanOn) PlanOutlook {
	out := PlanOutlook{
		Bench: p.Bench, Specimens: listOf(p.Specimens), Accepted: len(p.Refusals) == 0,
		Warnings: listOf(append(p.Warnings[:len(p.Warnings):len(p.Warnings)], p.Estimate.Notes...)),
		Refusals: each(p.Refusals, refusalOf),
		Time:     seconds(p.Estimate.Total), Keyed: seconds(p.Estimate.KeyedTime),
		SweepTime: secondsIf(p.Estimate.SweepTime), Dwell: secondsIf(p.Estimate.Dwell),
		Plan: planOf(p.Plan), Requirement: requirementOf(p.Line), Forecast: each(p.Estimate.Points, forecastOf),
		Exposure: exposureOf(p.Estimate.Exposure),
		Steps:    []StepTimed{},
	}
	for i, s := range p.Steps {
		t := StepTimed{Step: stepOf(s)}
		if i < len(p.Estimate.StepTimes) {
			t.Time = secondsIf(p.Estimate.StepTimes[i])
		}
		out.Steps = append(out.Steps, t)
	}
	return out
}

// Specimen is an enclosure under test.
type Specimen struct {
	Name  string `json:"name"`
	About string `json:"about,omitempty"`
	OnBenches
}

func specimenOf(s sweep.Specimen) Specimen { return Specimen{Name: s.Name, About: s.About} }

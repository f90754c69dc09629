package sweep

import (
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep/emission"
	"lidded/sweep/requirement"
)

// CaptureMode says how the enclosed level is taken.
type CaptureMode uint8

// The two ways to work with a closed lid.
const (
	CaptureUnknown CaptureMode = iota
	Linked                     // the analyzer stays reachable; each point is captured as it is keyed
	Sealed                     // the analyzer is alone in the closed box, armed in max hold
)

// Polarization of the transmitting and receiving antenna.
type Polarization string

// PlanSpec is a frequency plan as a person writes it: strict YAML in a config
// or plan file, or the same keys in JSON over REST.
type PlanSpec struct {
	Name          string        `yaml:"name"`
	About         string        `yaml:"about"`
	Capture       CaptureMode   `yaml:"capture"`       // linked (default) or sealed
	Bands         []BandSpec    `yaml:"bands"`         // in order
	Positions     []string      `yaml:"positions"`     // default: one, "center"
	Polarizations []string      `yaml:"polarizations"` // default: one, "vertical"
	Repeats       int           `yaml:"repeats"`       // enclosed captures of each specimen, default 1
	Requirement   string        `yaml:"requirement"`   // name of a requirement line, may be empty
	Headroom      *unit.DB      `yaml:"headroom"`      // dynamic range wanted above the requirement, default 6 dB
	DriftLimit    *unit.DB      `yaml:"drift_limit"`   // closing reference, default 3 dB
	NoClosing     bool          `yaml:"no_closing_reference"`
	HoldPoints    string        `yaml:"hold_points"` // "operator" (default) or "rule": released by the bench's stated hands
	Looks         int           `yaml:"looks"`       // least on looks and off looks per linked point, default 4
	MaxLooks      int           `yaml:"max_looks"`   // most, where a weak signal needs them, default 32
	HoldSweeps    int           `yaml:"hold_sweeps"` // whole sweeps each step of a sealed run is seen by, default and least 5
	Confidence    float64       `yaml:"confidence"`  // of bounds and intervals, default 0.95
	FalseAlarm    float64       `yaml:"false_alarm"` // over the whole plan, default 0.05
	Settle        time.Duration `yaml:"settle"`      // after each source step, default 20ms
	Facts         *PlanFacts    `yaml:"report"`      // what was agreed, for reports

	LeakageCheck    Fitting       `yaml:"leakage_check"`     // receiver_terminated or source_loaded; default none
	LeakagePoints   int           `yaml:"leakage_points"`    // how many points it looks at, spread evenly; default all
	LeakageMargin   *unit.DB      `yaml:"leakage_margin"`    // an enclosed level nearer to the leakage is a bound, default 10 dB
	LinearityCheck  Fitting       `yaml:"linearity_check"`   // step_attenuator or source_level; default none
	LinearityPoints int           `yaml:"linearity_points"`  // how many points it looks at, spread evenly; default 3
	ReferenceMaxAge time.Duration `yaml:"reference_max_age"` // an older reference counts only with a closing one beside it, default 24h

	Strategy       Strategy      `yaml:"strategy"`        // fixed or adaptive; default adaptive for linked capture with a requirement, stop rule, reach or budget stated, else fixed
	Stop           Stop          `yaml:"stop"`            // verdict, reach or budget; default: reach where one is stated, else verdict with a requirement, else budget
	Reach          *unit.DB      `yaml:"reach"`           // adaptive: SE to be proven where less is not measured
	Budget         time.Duration `yaml:"budget"`          // adaptive: most time for each enclosed point, default no limit
	RunBudget      time.Duration `yaml:"run_budget"`      // adaptive: most time for all enclosed points together, default no limit
	MinRBW         unit.Hz       `yaml:"min_rbw"`         // adaptive: narrowest RBW, default the analyzer's least, or 1 Hz
	RetryOffset    unit.Hz       `yaml:"retry_offset"`    // adaptive: how far a point may move beside somebody's signal, default not at all
	CheckReference *bool         `yaml:"check_reference"` // adaptive: 10 dB more attenuation on each reference, default where the analyzer's attenuation can be read; fixed: false
}

// BandSpec is a part of the plan with common settings. Frequencies are a list,
// or a range divided by exactly one of Count, Step and PerDecade.
type BandSpec struct {
	Name        string            `yaml:"name"`
	Freqs       []unit.Hz         `yaml:"freqs"`
	From        unit.Hz           `yaml:"from"`
	To          unit.Hz           `yaml:"to"`
	Count       int               `yaml:"count"`      // evenly spaced in the logarithm, both ends included
	Step        unit.Hz           `yaml:"step"`       // evenly spaced
	PerDecade   int               `yaml:"per_decade"` // both ends included
	Level       *unit.DBm         `yaml:"level"`      // source level, required
	RBW         unit.Hz           `yaml:"rbw"`        // required
	Span        unit.Hz           `yaml:"span"`       // default: what both instruments' frequency error and the RBW need
	Dwell       time.Duration     `yaml:"dwell"`      // least time on each step (linked: per look)
	Detector    driver.Detector   `yaml:"detector"`   // default: power_average where the analyzer has it, else sample, else positive_peak
	Field       requirement.Field `yaml:"field"`      // default plane wave
	Attenuation *unit.DB          `yaml:"attenuation"`
	RefLevel    *unit.DBm         `yaml:"reference_level"`
}

// Point is one frequency of a compiled plan with everything it is captured
// with. Points are addressed by Index, never by comparing frequencies.
type Point struct {
	Index       int               `json:"index"`
	Band        string            `json:"band"`
	Freq        unit.Hz           `json:"freq_hz"`
	Level       unit.DBm          `json:"source_level_dbm"`
	RBW         unit.Hz           `json:"rbw_hz"`
	Span        unit.Hz           `json:"span_hz"`
	Dwell       time.Duration     `json:"dwell_ns"`
	Detector    driver.Detector   `json:"detector"`
	Field       requirement.Field `json:"field"`
	Attenuation *unit.DB          `json:"attenuation_db,omitempty"`
	RefLevel    *unit.DBm         `json:"reference_level_dbm,omitempty"`
	TracePoints int               `json:"trace_points"` // asked of the analyzer; the reply decides
}

// Plan is a compiled plan: defaults filled in, points in order.
type Plan struct {
	Name          string         `json:"name"`
	About         string         `json:"about,omitempty"`
	Capture       CaptureMode    `json:"capture"`
	Points        []Point        `json:"points"`
	Positions     []string       `json:"positions"`
	Polarizations []Polarization `json:"polarizations"`
	Repeats       int            `json:"repeats"`
	Requirement   string         `json:"requirement,omitempty"`
	Headroom      unit.DB        `json:"headroom_db"`
	DriftLimit    unit.DB        `json:"drift_limit_db"`
	Closing       bool           `json:"closing_reference"`
	ByRule        bool           `json:"hold_points_by_rule"`
	Looks         int            `json:"looks"`
	MaxLooks      int            `json:"max_looks"`
	HoldSweeps    int            `json:"hold_sweeps"`
	Confidence    float64        `json:"confidence"`
	FalseAlarm    float64        `json:"false_alarm"`
	Settle        time.Duration  `json:"settle_ns"`
	Facts         *PlanFacts     `json:"facts,omitempty"`

	LeakageCheck    Fitting       `json:"leakage_check,omitempty"`
	LeakagePoints   int           `json:"leakage_points,omitempty"` // zero: all
	LeakageMargin   unit.DB       `json:"leakage_margin_db,omitempty"`
	LinearityCheck  Fitting       `json:"linearity_check,omitempty"`
	LinearityPoints int           `json:"linearity_points,omitempty"`
	ReferenceMaxAge time.Duration `json:"reference_max_age_ns,omitempty"` // zero in plans from before there was one: any age

	Strategy       Strategy      `json:"strategy,omitempty"` // unknown in plans from before there was a choice: fixed
	Stop           Stop          `json:"stop,omitempty"`
	Reach          unit.DB       `json:"reach_db,omitempty"`
	Budget         time.Duration `json:"budget_ns,omitempty"`
	RunBudget      time.Duration `json:"run_budget_ns,omitempty"`
	MinRBW         unit.Hz       `json:"min_rbw_hz,omitempty"`
	RetryOffset    unit.Hz       `json:"retry_offset_hz,omitempty"`
	CheckReference bool          `json:"check_reference,omitempty"`
}

// Specimen is an enclosure under test.
type Specimen struct {
	Name  string         `json:"name" yaml:"name"`
	About string         `json:"about,omitempty" yaml:"about"`
	Made  string         `json:"made,omitempty" yaml:"-"` // the description of walls, lid and openings as it was at the start (YAML of package wall); empty: none
	Facts *SpecimenFacts `json:"facts,omitempty" yaml:"report"`
}

// Permission is one range the bench may radiate or feed, in the operator's words.
type Permission struct {
	From     unit.Hz  `json:"from_hz" yaml:"from"`
	To       unit.Hz  `json:"to_hz" yaml:"to"`
	MaxLevel unit.DBm `json:"max_level_dbm" yaml:"max_level"`
	Basis    string   `json:"basis" yaml:"basis"`
}

// Bench is what the domain knows about a bench: no addresses, no dialects.
type Bench struct {
	Name            string        `json:"name"`
	MaxLevel        unit.DBm      `json:"max_level_dbm"`                     // the source is never set above it
	PathLoss        unit.DB       `json:"path_loss_db"`                      // source output to analyzer input, no shield; stated
	PathLosses      []LossAt      `json:"path_losses,omitempty"`             // the same by frequency, rising; replaces PathLoss where given
	NoiseFigure     unit.DB       `json:"noise_figure_db"`                   // of the analyzer as used; stated
	FreqErrorPPM    float64       `json:"freq_error_ppm"`                    // source and analyzer together, one-sided
	SharedReference bool          `json:"shared_reference"`                  // both on one 10 MHz reference
	Conducted       bool          `json:"conducted"`                         // cabled: nothing is radiated
	SweepFactor     float64       `json:"sweep_factor"`                      // k of the sweep-time law k·span/RBW²
	MayTransmit     []Permission  `json:"may_transmit"`                      // empty: no transmission
	Uncertainty     unit.DB       `json:"uncertainty_db"`                    // standard uncertainty of a level difference apart from noise and drift
	FreqDriftPPM    float64       `json:"freq_drift_ppm_per_hour,omitempty"` // of source against analyzer; zero: a fiftieth of FreqErrorPPM
	Budget          *Entries      `json:"uncertainty_budget,omitempty"`      // replaces Uncertainty where given
	AnalyzerRange   Limits        `json:"analyzer_range"`                    // from the dialect and the config
	SourceRange     Limits        `json:"source_range"`                      // from the dialect and the config
	StepAttenuator  []KnownStep   `json:"step_attenuator,omitempty"`         // values of the attenuator that a linearity check inserts
	SourceSteps     []KnownStep   `json:"source_steps,omitempty"`            // steps of the source's level that a linearity check takes
	ExchangeTime    time.Duration `json:"exchange_time_ns,omitempty"`        // of setting, keying and reading a trace beside the sweep; zero: DefaultExchangeTime
	HandsFit        bool          `json:"hands_fit,omitempty"`               // and those hands can fit loads and attenuators
	HandsByRule     bool          `json:"hands_by_rule"`                     // hold points can be released by rule
	Cautions        []string      `json:"cautions,omitempty"`                // the operator's own, shown at hold points
	// Never is the never-transmit table with what the site overrides of it; it
	// binds a bench that radiates, whatever MayTransmit says.
	Never    emission.Never  `json:"never_transmit"`
	Radiated *emission.Chain `json:"radiated,omitempty"` // from source to air; nil: not stated
	Exposure *emission.Rule  `json:"exposure,omitempty"` // limits that distances are computed with
	Facts    *BenchFacts     `json:"facts,omitempty"`    // for reports
}

// KnownStep is a step of level that is known: a value of an attenuator, or a
// step of the source's level setting, with its standard uncertainty.
type KnownStep struct {
	Value       unit.DB `json:"value_db" yaml:"value"`
	Uncertainty unit.DB `json:"uncertainty_db" yaml:"uncertainty"`
}

// Limits is what an instrument can be set to; zero is unknown.
type Limits struct {
	FreqMin unit.Hz `json:"freq_min_hz,omitempty"`
	FreqMax unit.Hz `json:"freq_max_hz,omitempty"`
	RBWMin  unit.Hz `json:"rbw_min_hz,omitempty"`
	RBWMax  unit.Hz `json:"rbw_max_hz,omitempty"`
	// Detectors the analyzer's dialect knows; empty is unknown.
	Detectors []driver.Detector `json:"detectors,omitempty"`
}

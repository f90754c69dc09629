package sweep

// What only people know of a test, in their own words. A report prints what is
// stated and lists what is not; nothing is ever filled in.

// BenchFacts are facts of a bench: who tests there and with what.
type BenchFacts struct {
	Organisation string          `json:"organisation,omitempty" yaml:"organisation"` // who tests
	Operators    string          `json:"operators,omitempty" yaml:"operators"`       // besides the one who started the run
	Witnesses    string          `json:"witnesses,omitempty" yaml:"witnesses"`
	Location     string          `json:"location,omitempty" yaml:"location"`       // of the test
	Environment  string          `json:"environment,omitempty" yaml:"environment"` // temperature, humidity, site
	Equipment    []EquipmentFact `json:"equipment,omitempty" yaml:"equipment"`
	Antennas     string          `json:"antennas,omitempty" yaml:"antennas"`
	Cables       string          `json:"cables,omitempty" yaml:"cables"`
	Amplifiers   string          `json:"amplifiers,omitempty" yaml:"amplifiers"`
	Attenuators  string          `json:"attenuators,omitempty" yaml:"attenuators"`
	Separation   string          `json:"separation,omitempty" yaml:"separation"`   // between antennas, and to the walls
	Heights      string          `json:"heights,omitempty" yaml:"heights"`         // of the antennas
	SourceSide   string          `json:"source_side,omitempty" yaml:"source_side"` // outside or inside the enclosure
	Pictures     string          `json:"pictures,omitempty" yaml:"pictures"`       // photos and block diagram: where they are kept
	Linearity    string          `json:"linearity,omitempty" yaml:"linearity"`     // proof by a calibrated attenuator
	Leakage      string          `json:"leakage,omitempty" yaml:"leakage"`         // check with the cables terminated
}

// EquipmentFact is one piece of equipment and its calibration.
type EquipmentFact struct {
	Role        string `json:"role" yaml:"role"` // "analyzer", "source", "horn antenna", …
	Maker       string `json:"maker,omitempty" yaml:"maker"`
	Model       string `json:"model,omitempty" yaml:"model"`
	Serial      string `json:"serial,omitempty" yaml:"serial"`
	Firmware    string `json:"firmware,omitempty" yaml:"firmware"`
	Calibrated  string `json:"calibrated,omitempty" yaml:"calibrated"`
	Due         string `json:"due,omitempty" yaml:"due"`
	Certificate string `json:"certificate,omitempty" yaml:"certificate"`
}

// SpecimenFacts are facts of an enclosure under test.
type SpecimenFacts struct {
	Owner        string `json:"owner,omitempty" yaml:"owner"`
	ID           string `json:"id,omitempty" yaml:"id"`
	Location     string `json:"location,omitempty" yaml:"location"`
	Dimensions   string `json:"dimensions,omitempty" yaml:"dimensions"`
	Construction string `json:"construction,omitempty" yaml:"construction"`
	Openings     string `json:"openings,omitempty" yaml:"openings"` // state of doors, filters, vents
	Services     string `json:"services,omitempty" yaml:"services"` // what is fitted
	Grid         string `json:"grid,omitempty" yaml:"grid"`         // map of the positions
	Repairs      string `json:"repairs,omitempty" yaml:"repairs"`   // between failure and retest
}

// PlanFacts are facts of a frequency plan: what was agreed.
type PlanFacts struct {
	Standard   string `json:"standard,omitempty" yaml:"standard"`
	Edition    string `json:"edition,omitempty" yaml:"edition"`
	Method     string `json:"method,omitempty" yaml:"method"`
	TestPlan   string `json:"test_plan,omitempty" yaml:"test_plan"`
	Deviations string `json:"deviations,omitempty" yaml:"deviations"` // approved ones
	PassRule   string `json:"pass_rule,omitempty" yaml:"pass_rule"`
}

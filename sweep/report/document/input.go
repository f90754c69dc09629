package document

import (
	"iter"

	"lidded/driver/word"
	"lidded/sweep"
	"lidded/sweep/report/export"
)

// Form of a report.
type Form uint8

// The forms.
const (
	FormUnknown Form = iota
	Full             // everything
	Short            // one page
)

var formNames = word.List{"unknown", "full", "short"}

// String gives the form's name.
func (f Form) String() string { return formNames.Of(int(f)) }

// UnmarshalText reads the name.
func (f *Form) UnmarshalText(text []byte) error {
	i, err := formNames.Find("form", string(text))
	*f = Form(i)
	return err
}

// Input is all that a report is made of.
type Input struct {
	Run        sweep.Run
	Evaluation sweep.Evaluation
	// Captures gives the run's captures in order, with their traces, each time
	// it is looped over.
	Captures iter.Seq2[sweep.Capture, error]
	Keyings  []sweep.Keying // of this run, oldest first
	Events   []sweep.Event  // of this run, oldest first
	Others   []Other        // the other runs of the same specimens, oldest first
	Facts    Facts          // stated after the run, besides the run's own
}

// Other is another run of a specimen of this run.
type Other struct {
	Run sweep.RunInfo
	// Summaries are of the specimens both runs have; none: not judged.
	Summaries []sweep.Summary
}

// Facts are what people stated after the run; each is marked as such.
type Facts struct {
	Bench     sweep.BenchFacts               `yaml:"bench"`
	Plan      sweep.PlanFacts                `yaml:"plan"`
	Specimens map[string]sweep.SpecimenFacts `yaml:"specimens"` // by name
}

// bundle is the run as the tables of an export see it.
func (in Input) bundle() export.Bundle {
	return export.Bundle{Run: in.Run, Evaluation: in.Evaluation, Captures: in.Captures, Traces: true}
}

package handread

import (
	"fmt"

	"lidded/driver/unit"
	"lidded/sweep"
)

// Sheet is a file that was read and found sound: every enclosed level and
// every closing reference has its reference.
type Sheet struct {
	Name string
	Rows []Row // in the order of the file
}

// Row is one line of the file.
type Row struct {
	Line  int // in the file, from 1
	Kind  sweep.StepKind
	At    sweep.Setting // Repeat is 1
	Freq  unit.Hz
	Level unit.DBm
	Noise *unit.DBm // nil: ambient, not read
}

// spot is where and what a row measured; two rows never share one.
type spot struct {
	kind sweep.StepKind
	at   sweep.Setting
	freq unit.Hz
}

func (r Row) spot() spot { return spot{r.Kind, r.At, r.Freq} }

// reference is the spot of the reference that the row is compared with.
func (r Row) reference() spot {
	at := r.At
	at.Specimen = ""
	return spot{sweep.Reference, at, r.Freq}
}

func (r Row) String() string {
	s := fmt.Sprintf("%s at %v, position %s, %s", r.Kind, r.Freq, r.At.Position, r.At.Polarization)
	if r.At.Specimen != "" {
		s += ", specimen " + r.At.Specimen
	}
	return s
}

package detect

import "fmt"

// Detector says how an analyzer makes one reading out of its looks.
type Detector int

// The detectors.
const (
	// Unknown is the zero value; no judgement is made on it.
	Unknown Detector = iota
	// Sample readings are single looks; several of them are averaged in power.
	Sample
	// PositivePeak keeps the largest look of a bucket.
	PositivePeak
	// PowerAverage (RMS) is the mean power of the looks.
	PowerAverage
	// LogAverage is the mean of the decibel values (video averaging on a log scale).
	LogAverage
	// VoltageAverage is the mean of the envelope voltage.
	VoltageAverage
	// MaxHold keeps the largest of successive sweeps.
	MaxHold
)

var detectorNames = map[Detector]string{
	Unknown:        "unknown",
	Sample:         "sample",
	PositivePeak:   "positive peak",
	PowerAverage:   "power average",
	LogAverage:     "log average",
	VoltageAverage: "voltage average",
	MaxHold:        "max hold",
}

// Detectors lists every known detector.
func Detectors() []Detector {
	return []Detector{Sample, PositivePeak, PowerAverage, LogAverage, VoltageAverage, MaxHold}
}

// String returns the name, "unknown" for anything else.
func (d Detector) String() string {
	if s, ok := detectorNames[d]; ok {
		return s
	}
	return "unknown"
}

// ParseDetector is the inverse of String.
func ParseDetector(s string) (Detector, error) {
	for _, d := range Detectors() {
		if d.String() == s {
			return d, nil
		}
	}
	return Unknown, fmt.Errorf("detector %q is not known: use one of sample, positive peak, power average, log average, voltage average, max hold", s)
}

// IsMax reports whether a reading is the largest of its looks.
func (d Detector) IsMax() bool { return d == PositivePeak || d == MaxHold }

// IsPower reports whether a reading is a mean power, the only kind from which
// noise power may be subtracted.
func (d Detector) IsPower() bool { return d == Sample || d == PowerAverage }

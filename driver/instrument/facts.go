package instrument

import (
	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/unit"
)

// RangesOf returns what a dialect states an instrument can be set to, before
// the instrument itself has been asked. Zero fields are not stated.
func RangesOf(d *dialect.Dialect) driver.Range {
	bounds := func(i dialect.Item) (lo, hi float64) {
		s := d.Setting(i)
		if s == nil {
			return 0, 0
		}
		return stated(s.Min), stated(s.Max)
	}
	var r driver.Range
	center, level := dialect.Center, dialect.CarrierLevel
	if d.Role == dialect.Source {
		center = dialect.CarrierFrequency
	} else if d.Setting(center) == nil {
		center = dialect.Start
	}
	lo, hi := bounds(center)
	r.FreqMin, r.FreqMax = unit.Hz(lo), unit.Hz(hi)
	if d.Role == dialect.Source {
		lo, hi = bounds(level)
		r.LevelMin, r.LevelMax = unit.DBm(lo), unit.DBm(hi)
		return r
	}
	lo, hi = bounds(dialect.RBW)
	r.RBWMin, r.RBWMax = unit.Hz(lo), unit.Hz(hi)
	return r
}

// Detectors lists the detectors an analyzer's dialect knows.
func Detectors(d *dialect.Dialect) []driver.Detector {
	s := d.Setting(dialect.Detector)
	if s == nil {
		return nil
	}
	var out []driver.Detector
	for _, name := range s.Choices() {
		var det driver.Detector
		if det.UnmarshalText([]byte(name)) == nil && det != driver.DetectorUnknown {
			out = append(out, det)
		}
	}
	return out
}

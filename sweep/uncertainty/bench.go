package uncertainty

import (
	"fmt"
	"math"

	"lidded/driver/unit"
)

// Bench holds the entries of one bench for the budget of an SE, all in decibels and
// all optional; an entry left at zero takes its default, one set to Zero is left out.
type Bench struct {
	// Linearity is the half-width of the scale error over the step (rectangular).
	Linearity unit.DB
	// Switching is the half-width of the attenuator switching error, counted when
	// the settings differ between reference and enclosed (rectangular).
	Switching unit.DB
	// SourceDrift is the half-width of the source's change between the two
	// (rectangular).
	SourceDrift unit.DB
	// Position is the half-width for setting the antennas up again (rectangular).
	Position unit.DB
	// SourceVSWR, AntennaVSWR and AnalyzerVSWR make the mismatch of both sides
	// (U-shaped). A shield near an antenna changes its match, so none cancels.
	SourceVSWR, AntennaVSWR, AnalyzerVSWR float64
	// ReferenceRepeat and EnclosedRepeat are standard deviations of one reading, used
	// when there are no repeats.
	ReferenceRepeat, EnclosedRepeat unit.DB
	// Extra components of this bench.
	Extra []Component
}

// Zero marks an entry that does not apply.
const Zero unit.DB = -1

// DefaultBench is deliberately wide, for a bench nobody has characterised (common
// practice, no source): linearity 1 dB, switching 1 dB, source drift 0.5 dB,
// position 2 dB, VSWR 1.5 of source and analyzer and 2 of the antennas, repeats
// with a standard deviation of 1 dB.
func DefaultBench() Bench {
	return Bench{
		Linearity: 1, Switching: 1, SourceDrift: 0.5, Position: 2,
		SourceVSWR: 1.5, AntennaVSWR: 2, AnalyzerVSWR: 1.5,
		ReferenceRepeat: 1, EnclosedRepeat: 1,
	}
}

// EnclosedRepeatability names the entry that real repeats replace.
const EnclosedRepeatability = "enclosed repeatability"

// Point says what is known of one point.
type Point struct {
	// Reference and Enclosed are the repeats of each side; with fewer than two the
	// bench's figure for one reading is taken.
	Reference, Enclosed Repeats
	// Noise is the standard uncertainty that noise leaves on the enclosed level;
	// zero for a bound, whose statistics already contain the noise.
	Noise unit.DB
	// SameSettings says that attenuation, preamplifier, bandwidth and reference level
	// were the same on both sides, so that switching cancels.
	SameSettings bool
}

// Budget builds the budget of an SE at one point.
func (b Bench) Budget(p Point) (Budget, error) {
	if err := b.check(); err != nil {
		return nil, err
	}
	d := DefaultBench()
	var out Budget
	repeat := func(name string, side Side, r Repeats, one, fallback unit.DB) {
		if r.N >= 2 {
			out = append(out, r.Component(name, side))
			return
		}
		if v := pick(one, fallback); v > 0 {
			out = append(out, Component{Name: name, Value: v, Distribution: Normal, Side: side, Source: "bench, one reading"})
		}
	}
	repeat("reference repeatability", Reference, p.Reference, b.ReferenceRepeat, d.ReferenceRepeat)
	repeat(EnclosedRepeatability, Enclosed, p.Enclosed, b.EnclosedRepeat, d.EnclosedRepeat)
	width := func(name string, v, fallback unit.DB) {
		if v = pick(v, fallback); v > 0 {
			out = append(out, Component{Name: name, Value: v, Distribution: Rectangular, Source: "bench"})
		}
	}
	width("linearity", b.Linearity, d.Linearity)
	if !p.SameSettings {
		width("attenuator switching", b.Switching, d.Switching)
	}
	width("source drift", b.SourceDrift, d.SourceDrift)
	width("position", b.Position, d.Position)
	for _, side := range []Side{Reference, Enclosed} {
		for _, m := range []struct {
			name string
			vswr float64
			back float64
		}{{"source to antenna", b.SourceVSWR, d.SourceVSWR}, {"antenna to analyzer", b.AnalyzerVSWR, d.AnalyzerVSWR}} {
			c, err := MismatchComponent("mismatch "+m.name+", "+side.String(), side, pickRatio(m.vswr, m.back), pickRatio(b.AntennaVSWR, d.AntennaVSWR))
			if err != nil {
				return nil, fmt.Errorf("bench uncertainty: %w", err)
			}
			if c.Value > 0 {
				out = append(out, c)
			}
		}
	}
	if p.Noise < 0 || math.IsNaN(float64(p.Noise)) {
		return nil, fmt.Errorf("bench uncertainty: noise %v: give 0 dB or more", p.Noise)
	}
	if p.Noise > 0 {
		out = append(out, Component{Name: "noise", Value: p.Noise, Distribution: Normal, Side: Enclosed, Source: "looks of this point"})
	}
	out = append(out, b.Extra...)
	for _, c := range out {
		if err := c.Check(); err != nil {
			return nil, fmt.Errorf("bench uncertainty: %w", err)
		}
	}
	return out, nil
}

func (b Bench) check() error {
	for _, e := range []struct {
		name string
		v    unit.DB
	}{
		{"linearity", b.Linearity}, {"switching", b.Switching}, {"source drift", b.SourceDrift},
		{"position", b.Position}, {"reference repeatability", b.ReferenceRepeat}, {"enclosed repeatability", b.EnclosedRepeat},
	} {
		if e.v != Zero && !(e.v >= 0 && !math.IsInf(float64(e.v), 1)) {
			return fmt.Errorf("bench uncertainty: %s %v: give a finite value of 0 dB or more", e.name, float64(e.v))
		}
	}
	return nil
}

func pick(v, fallback unit.DB) unit.DB {
	switch {
	case v == 0:
		return fallback
	case v == Zero:
		return 0
	}
	return v
}

func pickRatio(v, fallback float64) float64 {
	if v == 0 {
		return fallback
	}
	return v
}

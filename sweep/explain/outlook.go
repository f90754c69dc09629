package explain

import (
	"fmt"
	"math"
	"slices"

	"lidded/driver/unit"
	"lidded/sweep/wall"
)

// Outlook is what a specimen should do.
type Outlook struct {
	Specimen string
	Title    string
	Validity wall.Validity
	Modes    []wall.Mode // of the empty cavity, the first few
	Curves   []Curve     // one per field
	Pulse    *Pulse      // nil unless asked for
}

// Curve is the expectation in one field.
type Curve struct {
	Field wall.Field
	At    []wall.Expectation // in rising frequency
}

// modesListed is how many resonances an outlook names.
const modesListed = 6

// Expect asks a model at each frequency in each field. Without fields it asks
// for all, without frequencies for Range(10 kHz, 10 GHz, 10).
func Expect(m *wall.Model, fields []wall.Field, freqs []unit.Hz) Outlook {
	if len(fields) == 0 {
		fields = wall.Fields()
	}
	if len(freqs) == 0 {
		freqs = Range(10e3, 10e9, 10)
	}
	o := Outlook{Specimen: m.Specimen.Name, Title: m.Specimen.Title, Validity: m.Validity()}
	if first := o.Validity.FirstMode.Freq; first > 0 {
		o.Modes = m.Modes(3 * first)
		o.Modes = o.Modes[:min(len(o.Modes), modesListed)]
	}
	for _, f := range fields {
		o.Curves = append(o.Curves, Curve{Field: f, At: m.Expect(f, freqs)})
	}
	return o
}

// mostAsked keeps a table of frequencies within reason.
const mostAsked = 20000

// Range returns frequencies evenly spaced in the logarithm, both ends included.
func Range(from, to unit.Hz, perDecade int) []unit.Hz {
	if !(from > 0) || to <= from || perDecade < 1 {
		return []unit.Hz{from}
	}
	decades := math.Log10(float64(to / from))
	n := min(int(math.Ceil(decades*float64(perDecade)-1e-9)), mostAsked)
	out := make([]unit.Hz, n+1)
	for i := range out {
		out[i] = from * unit.Hz(math.Pow(float64(to/from), float64(i)/float64(n)))
	}
	out[n] = to
	return out
}

// RoundFreq keeps three digits, for showing.
func RoundFreq(f unit.Hz) unit.Hz {
	if !(f > 0) || math.IsInf(float64(f), 0) {
		return f
	}
	p := math.Pow(10, math.Floor(math.Log10(float64(f)))-2)
	return unit.Hz(math.Round(float64(f)/p) * p)
}

// Span is a stretch of a curve in which the models hold, or do not.
type Span struct {
	Valid bool
	At    []wall.Expectation
}

// Spans cuts a curve where the models begin or cease to hold. A stretch of one
// point stays by itself.
func (c Curve) Spans() []Span {
	var out []Span
	for _, e := range c.At {
		if n := len(out); n > 0 && out[n-1].Valid == e.Valid {
			out[n-1].At = append(out[n-1].At, e)
			continue
		}
		out = append(out, Span{Valid: e.Valid, At: []wall.Expectation{e}})
	}
	return out
}

// WithPulse adds what is left of the early-time pulse behind the lower end of
// the expected band, over the lowest stretch where the models hold: that of a
// plane wave.
func (o *Outlook) WithPulse(m *wall.Model) error {
	v := o.Validity
	to := v.To
	if !(to > pulseFrom) {
		return fmt.Errorf("the models of %s hold up to %v only: too little of a pulse to follow", o.Specimen, RoundFreq(to))
	}
	var low, high []wall.CurvePoint
	for _, e := range m.Expect(wall.PlaneWave, Range(pulseFrom, to, 20)) {
		low = append(low, wall.CurvePoint{Freq: e.Freq, SE: e.Low})
		high = append(high, wall.CurvePoint{Freq: e.Freq, SE: e.High})
	}
	p, err := through(low, low)
	if err != nil {
		return err
	}
	best, err := wall.EarlyTime().Bounds(high)
	if err != nil {
		return err
	}
	p.BestBound = best.PeakBound
	p.Notes = append([]string{"through the lower end of the expected band for a plane wave, up to where the models hold"}, p.Notes...)
	o.Pulse = &p
	return nil
}

// pulseFrom is the lowest frequency at which the pulse is followed: less than
// a thousandth of its energy lies below it.
const pulseFrom unit.Hz = 10e3

func sortedUnique(freqs []unit.Hz) []unit.Hz {
	out := slices.Clone(freqs)
	slices.Sort(out)
	return slices.Compact(out)
}

package explain

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"lidded/driver/unit"
	"lidded/sweep/wall"
)

// Pulse is what is left of the early-time pulse of IEC 61000-2-9 behind a curve.
type Pulse struct {
	IncidentPeak   float64 // V/m
	IncidentEnergy float64 // J/m²

	// Bound holds whatever the phase; it comes from the lower ends of the
	// points. Estimate has minimum phase; it comes from their values.
	Bound    wall.Residual
	Estimate wall.Residual

	// BestBound is the peak bound, in V/m, if every point that is only a lower
	// bound hid a perfect shield; for an expectation, that of the upper end of
	// the band. Zero: there is no such point.
	BestBound float64
	Notes     []string
}

// PeakDB is the incident peak over the bound of the residual one.
func (p Pulse) PeakDB() unit.DB { return p.Bound.BoundDB }

// perfect is an SE in dB at which nothing of a pulse is left.
const perfect = 300

// through makes a Pulse of a curve of lower ends and one of values.
func through(low, values []wall.CurvePoint) (Pulse, error) {
	e := wall.EarlyTime()
	var p Pulse
	p.IncidentPeak, _ = e.Peak()
	p.IncidentEnergy = e.Energy()
	var err error
	if p.Bound, err = e.Bounds(low); err != nil {
		return Pulse{}, err
	}
	if p.Estimate, err = e.Behind(values, wall.PowerLaw); err != nil {
		return Pulse{}, err
	}
	p.Notes = p.Estimate.Notes
	if out := p.Bound.EnergyBelow + p.Bound.EnergyAbove; out > 0.5 {
		p.Notes = append(p.Notes, fmt.Sprintf("%.0f %% of the pulse's energy lies outside the span: the estimate rests on what is assumed there; measure lower", 100*out))
	}
	return p, nil
}

// measured follows the pulse through measured points: at each frequency the
// lowest over fields, positions and polarizations.
func measured(points []wall.Point) (Pulse, error) {
	lowest := map[unit.Hz]wall.Point{}
	fields := map[wall.Field]bool{}
	for _, p := range points {
		fields[p.Field] = true
		if q, ok := lowest[p.Freq]; !ok || floor(p) < floor(q) {
			lowest[p.Freq] = p
		}
	}
	all := make([]wall.Point, 0, len(lowest))
	for _, p := range lowest {
		all = append(all, p)
	}
	slices.SortFunc(all, func(a, b wall.Point) int { return cmp.Compare(a.Freq, b.Freq) })
	var low, values, best []wall.CurvePoint
	bounds := 0
	for _, p := range all {
		low = append(low, wall.CurvePoint{Freq: p.Freq, SE: floor(p), Bound: p.Bound})
		values = append(values, wall.CurvePoint{Freq: p.Freq, SE: p.SE, Bound: p.Bound})
		if p.Bound {
			bounds++
			best = append(best, wall.CurvePoint{Freq: p.Freq, SE: perfect})
			continue
		}
		best = append(best, wall.CurvePoint{Freq: p.Freq, SE: p.SE + p.U})
	}
	p, err := through(low, values)
	if err != nil {
		return Pulse{}, fmt.Errorf("the pulse: %w", err)
	}
	if bounds > 0 {
		b, err := wall.EarlyTime().Bounds(best)
		if err != nil {
			return Pulse{}, fmt.Errorf("the pulse: %w", err)
		}
		p.BestBound = b.PeakBound
	}
	if fields[wall.Magnetic] || fields[wall.Electric] {
		p.Notes = append(p.Notes, "near-field points stand for the plane wave where they are the lower ones: for a magnetic field that is the careful side")
	}
	p.Notes = append(p.Notes, "between the points the SE is taken as straight in dB against log frequency: a resonance between them would let more through")
	return p, nil
}

// floor is the lower end of a point.
func floor(p wall.Point) unit.DB {
	if p.Bound {
		return p.SE
	}
	return p.SE - unit.DB(math.Abs(float64(p.U)))
}

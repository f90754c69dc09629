package sweep

import (
	"math"
	"slices"

	"lidded/driver/unit"
)

// FloorDensity is the noise floor of a capture in 1 Hz, by the median over the
// trace of what the looks with the source off show; a carrier, ours or somebody
// else's, fills few of its points. Without such looks, or in zero span, there is
// none. It is meant to be compared with others of the same detector.
func FloorDensity(c Capture) (unit.DBm, bool) {
	power := meanPower(c.Looks, false)
	if len(power) == 0 || c.Settings.Span <= 0 || c.Settings.RBW <= 0 {
		return unit.Missing(), false
	}
	slices.Sort(power)
	m := power[len(power)/2]
	if !(m > 0) {
		return unit.Missing(), false
	}
	return level(m).Add(-unit.PowerRatio(float64(c.Settings.RBW))), true
}

// How a plain floor looks: common practice, no source. Two looks of noise alone, as
// single samples, have nine tenths of their points within 11 dB of the lowest tenth.
const (
	plainSpread = unit.DB(14) // from the lowest tenth of a trace to the highest
	plainLooks  = unit.DB(6)  // between the medians of looks
)

// PlainFloor reports whether what the looks with the source off show is a floor and
// nothing else: as high at one end of the trace as at the other, and in each look. A
// station that fills much of the trace, or comes and goes, is none.
func PlainFloor(c Capture) bool {
	power := meanPower(c.Looks, false)
	if len(power) == 0 {
		return false
	}
	slices.Sort(power)
	if len(power) >= 10 && unit.PowerRatio(power[len(power)*9/10]/power[len(power)/10]) > plainSpread {
		return false
	}
	least, most := math.Inf(1), 0.0
	for _, l := range c.Looks {
		if one := meanPower([]Look{l}, false); len(one) > 0 {
			slices.Sort(one)
			least, most = min(least, one[len(one)/2]), max(most, one[len(one)/2])
		}
	}
	return unit.PowerRatio(most/least) <= plainLooks
}

// Carrier is the highest level of a capture with the source on, and how far it
// stands over the median of the same looks.
func Carrier(c Capture) (unit.DBm, unit.DB) {
	power := meanPower(c.Looks, true)
	if len(power) == 0 {
		return unit.Missing(), 0
	}
	top := slices.Max(power)
	slices.Sort(power)
	return level(top), unit.PowerRatio(top / power[len(power)/2])
}

// meanPower is the mean power of the looks in one state at each trace point, in
// milliwatts; points that are missing in a trace are left out.
func meanPower(looks []Look, on bool) []float64 {
	var sum []float64
	n := 0
	for _, l := range looks {
		if l.SourceOn != on {
			continue
		}
		if sum == nil {
			sum = make([]float64, len(l.Trace.Levels))
		}
		if len(l.Trace.Levels) != len(sum) {
			return nil
		}
		n++
		for i, p := range l.Trace.Levels {
			sum[i] += milliwatts(p)
		}
	}
	out := sum[:0]
	for _, v := range sum {
		if v == v && v > 0 {
			out = append(out, v/float64(n))
		}
	}
	return out
}

// Floors keeps the noise floors of a run's captures, for each point and input
// attenuation, in the open and in each specimen apart: somebody's station raises
// the floor in the open, and a shield takes it away.
type Floors struct{ seen map[floorKey][]unit.DBm }

type floorKey struct {
	point        int
	input        unit.DB
	specimen     string // empty: in the open
	position     string
	polarization Polarization
}

func floorKeyOf(c Capture) floorKey {
	k := floorKey{point: c.Point, input: -1, position: c.At.Position, polarization: c.At.Polarization}
	if deep(c.Kind) {
		k.specimen = c.At.Specimen
	}
	if a := c.Settings.Attenuator; a != nil {
		k.input = *a
	}
	return k
}

// Learn takes in a committed capture.
func (f *Floors) Learn(c Capture) {
	d, ok := FloorDensity(c)
	if !ok || c.Void != "" || c.HeldSweeps > 0 || c.Overload || !PlainFloor(c) {
		return
	}
	if f.seen == nil {
		f.seen = map[floorKey][]unit.DBm{}
	}
	k := floorKeyOf(c)
	f.seen[k] = append(f.seen[k], d)
}

// Before is the median of the floors learnt at a capture's point and place with its
// attenuation. Inside a specimen without any, those in the open serve: a shield
// lets no more in, so that what stands over them is no station.
func (f *Floors) Before(c Capture) (unit.DBm, bool) {
	k := floorKeyOf(c)
	list := slices.Clone(f.seen[k])
	if len(list) == 0 && k.specimen != "" {
		k.specimen = ""
		list = slices.Clone(f.seen[k])
	}
	if len(list) == 0 {
		return unit.Missing(), false
	}
	slices.Sort(list)
	return list[(len(list)-1)/2], true
}

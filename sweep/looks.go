package sweep

import (
	"math"

	"lidded/driver/unit"
)

// How far looks are added at a point: until the noise part of the standard
// uncertainty of its level is this small, or, without a signal, until the
// bound gains little from more.
const (
	lookTarget     = unit.DB(0.15)
	looksForBound  = 12
	singleLookAtSN = 8.686 / math.Sqrt2 // SD in dB of one look at S/N s is this over √s (Rician envelope, first order)
)

// LooksFor returns how many on looks a point of this margin (signal over mean
// noise, power detection) wants, within the plan's least and most.
func LooksFor(p Plan, margin unit.DB) int {
	want := looksForBound
	if margin >= 6 {
		sd := singleLookAtSN / math.Sqrt(margin.Power())
		want = int(math.Ceil(math.Pow(sd/float64(lookTarget), 2)))
	}
	return min(max(want, p.Looks), p.MaxLooks)
}

// LooksWanted returns how many on looks (and as many off looks) a linked point
// wants in all, judged from those it has. The answer grows no more once it is
// at most the number of on looks given.
func LooksWanted(p Plan, q Point, b Bench, rbw unit.Hz, looks []Look) int {
	c := Capture{Looks: looks}
	if len(looks) == 0 {
		return p.Looks
	}
	c.Settings = PointSettings(q)
	if rbw > 0 {
		c.Settings.RBW = rbw
	}
	axis := looks[0].Trace
	bin := (axis.Stop - axis.Start) / unit.Hz(max(len(axis.Levels)-1, 1))
	r, why := reduce(c, sum(looks, true), sum(looks, false), c.Settings.RBW, searchWindow(q, b, c.Settings.RBW, bin, 0))
	if why != "" || r.looks == 0 {
		return p.Looks
	}
	return LooksFor(p, r.level.Sub(level(r.floor)))
}

package uncertainty

import (
	"fmt"
	"math"

	"lidded/driver/unit"
)

// Repeats summarises repeated levels of one point.
type Repeats struct {
	// Mean is the level of the mean power. Decibels are never averaged for a level.
	Mean unit.DBm
	// SD is the standard deviation of the decibel values about their own mean. The
	// budget is in decibels, and there setting up again acts as a factor.
	SD unit.DB
	// Standard is SD/√N, that of the mean; DoF is N−1.
	Standard unit.DB
	DoF      float64
	N        int
}

// Repeatability takes at least two finite levels (GUM 4.2).
func Repeatability(levels []unit.DBm) (Repeats, error) {
	if len(levels) < 2 {
		return Repeats{}, fmt.Errorf("repeatability: %d levels: repeat at least twice", len(levels))
	}
	first := levels[0]
	var sum, square float64
	for i, p := range levels {
		if !p.IsFinite() {
			return Repeats{}, fmt.Errorf("repeatability: level %d is %v: give finite levels", i+1, p)
		}
		d := float64(p.Sub(first))
		sum += d
		square += d * d
	}
	n := float64(len(levels))
	sd := math.Sqrt(math.Max(0, square-sum*sum/n) / (n - 1))
	mean, _ := unit.MeanPower(levels)
	return Repeats{mean, unit.DB(sd), unit.DB(sd / math.Sqrt(n)), n - 1, len(levels)}, nil
}

// Component is the entry of the mean of these repeats.
func (r Repeats) Component(name string, side Side) Component {
	return Component{
		Name: name, Value: r.Standard, Distribution: Normal, DoF: r.DoF, Side: side, Statistical: true,
		Source: fmt.Sprintf("%d repeats, s = %.2f dB", r.N, float64(r.SD)),
	}
}

// PooledSD combines the standard deviations of several sets of repeats, weighted by
// their degrees of freedom (GUM H.3.6 note; ISO 5725-2).
func PooledSD(sets []Repeats) (sd unit.DB, dof float64) {
	var q float64
	for _, r := range sets {
		q += r.DoF * float64(r.SD) * float64(r.SD)
		dof += r.DoF
	}
	if dof == 0 {
		return unit.DB(math.NaN()), 0
	}
	return unit.DB(math.Sqrt(q / dof)), dof
}

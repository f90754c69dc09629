package trend

import (
	"math"

	"lidded/sweep/uncertainty"
)

// Interval is an estimate with its two-sided interval; a side that the points do
// not limit is infinite, and then Value is too.
type Interval struct{ Value, Low, High float64 }

// profile estimates the coefficient of x beside a constant. Its interval holds
// every coefficient whose profile likelihood is not too far below the best:
// 2Δ ≤ n·ln(1 + t²/ν), which without bounds is Student's interval exactly.
func profile(points []Point, x []float64, o Options) (Interval, bool) {
	n := measured(points)
	dof := float64(n - 2)
	if dof < 1 {
		return Interval{}, false
	}
	rows := make([]datum, len(points))
	at := func(b float64) (fitted, error) {
		for i, p := range points {
			rows[i] = datum{y: p.Value - b*x[i], bound: p.Bound, x: one}
		}
		return fit(rows, o.Resolution)
	}
	scale, unlimited := spreadOf(x), direction(points, x)
	var best Interval
	var top float64
	if unlimited == 0 {
		both := make([]datum, len(points))
		for i, p := range points {
			both[i] = datum{y: p.Value, bound: p.Bound, x: []float64{1, x[i]}}
		}
		f, err := fit(both, o.Resolution)
		if err != nil {
			return Interval{}, false
		}
		best.Value, top = f.beta[1], f.logLike
	} else {
		best.Value = unlimited
		f, err := at(math.Copysign(farAway/scale, unlimited))
		if err != nil {
			return Interval{}, false
		}
		top = f.logLike
	}
	t := uncertainty.StudentT(o.Confidence, dof)
	drop := 0.5 * float64(n) * math.Log1p(t*t/dof)
	within := func(b float64) bool {
		f, err := at(b)
		return err == nil && f.logLike >= top-drop
	}
	best.Low, best.High = math.Inf(-1), math.Inf(1)
	from := best.Value
	if unlimited != 0 {
		from = math.Copysign(farAway/scale, unlimited)
	}
	if !math.IsInf(best.Value, -1) {
		best.Low = edge(from, -1/scale, within)
	}
	if !math.IsInf(best.Value, 1) {
		best.High = edge(from, 1/scale, within)
	}
	return best, true
}

// farAway is a change that no pair of claims leaves open, in dB.
const farAway = 500

var one = []float64{1}

// edge walks from a coefficient inside to one outside, and halves between them.
func edge(inside, step float64, within func(float64) bool) float64 {
	first := step
	for outside := inside + step; ; outside = inside + step {
		if !within(outside) {
			for range 60 {
				mid := (inside + outside) / 2
				if math.Abs(outside-inside) < 1e-4*math.Abs(first) {
					break
				}
				if within(mid) {
					inside = mid
				} else {
					outside = mid
				}
			}
			return inside
		}
		inside = outside
		if step *= 2; math.Abs(step/first) > 1e5 {
			return math.Inf(int(math.Copysign(1, step)))
		}
	}
}

// spreadOf is the range of x: a coefficient times it is a change in dB.
func spreadOf(x []float64) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, v := range x {
		lo, hi = min(lo, v), max(hi, v)
	}
	return hi - lo
}

// direction is the infinity that the coefficient of x tends to where the values
// stand on one x alone and every bound elsewhere on one side of it; zero where it
// has a maximum.
func direction(points []Point, x []float64) float64 {
	at := math.NaN()
	for i, p := range points {
		if p.Bound {
			continue
		}
		if !math.IsNaN(at) && x[i] != at {
			return 0
		}
		at = x[i]
	}
	var below, above bool
	for i, p := range points {
		below = below || p.Bound && x[i] < at
		above = above || p.Bound && x[i] > at
	}
	switch {
	case above && !below:
		return math.Inf(1)
	case below && !above:
		return math.Inf(-1)
	}
	return 0
}

package trend

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// Change is the one change that explains a series best.
type Change struct {
	First  int       // index of the first point after it, oldest first
	Since  time.Time // of that point
	Before time.Time // of the last point before it
	// By is by how much the level is higher afterwards, negative for a fall; where
	// one side holds bounds alone it is known from one side only.
	By Interval
	P  float64 // share of unchanged series that look as changed as this one
}

// Fell reports whether it is a fall.
func (c Change) Fell() bool { return c.By.Value < 0 }

// change looks for a change of level between any two neighbouring points. The
// statistic is the largest score of a step (Rao's test at every split) in the
// regression on values and bounds; its distribution without change is simulated
// with the fitted scatter and the series' own bounds, so that a change is called
// in an unchanged series as often as stated. A longer series pays for its many
// splits by that.
func change(points []Point, o Options) (Change, bool) {
	if len(points) < leastForChange || measured(points) < leastValues {
		return Change{}, false
	}
	rows := constant(points)
	f, err := fit(rows, o.Resolution)
	if err != nil {
		return Change{}, false
	}
	seen, split := largestStep(rows, f)
	if split == 0 { // all values are the same
		return Change{P: 1}, false
	}
	as := 0
	limits := limitsOf(points)
	rng := rand.New(rand.NewPCG(orderOf(points), 1958))
	again := make([]datum, len(rows))
	for range o.Trials {
		for i := range again {
			y := f.beta[0] + f.sigma*rng.NormFloat64()
			again[i] = datum{y: min(y, limits[i]), bound: y > limits[i], x: one}
		}
		g, err := fit(again, o.Resolution)
		if err != nil {
			continue // bounds alone: no change is called there
		}
		if v, _ := largestStep(again, g); v >= seen {
			as++
		}
	}
	p := float64(1+as) / float64(1+o.Trials)
	if p > o.FalseAlarm {
		return Change{P: p}, false
	}
	x := make([]float64, len(points))
	for i := split; i < len(x); i++ {
		x[i] = 1
	}
	by, ok := profile(points, x, o)
	if !ok {
		return Change{P: p}, false
	}
	return Change{First: split, Since: points[split].Time, Before: points[split-1].Time, By: by, P: p}, true
}

// orderOf is a number made of the order of the points' levels: simulations start
// from it, so that they are repeatable, and not the same for every series.
func orderOf(points []Point) uint64 {
	by := make([]int, len(points))
	for i := range by {
		by[i] = i
	}
	slices.SortStableFunc(by, func(a, b int) int { return cmp.Compare(points[a].Value, points[b].Value) })
	const prime = 1099511628211 // FNV-1a
	h := uint64(14695981039346656037)
	for _, i := range by {
		h = (h ^ uint64(i)) * prime
		if points[i].Bound {
			h = (h ^ 255) * prime
		}
	}
	return h
}

func constant(points []Point) []datum {
	rows := make([]datum, len(points))
	for i, p := range points {
		rows[i] = datum{y: p.Value, bound: p.Bound, x: one}
	}
	return rows
}

// largestStep is the largest absolute score of a step over all splits, in its own
// standard deviations, and the split; zero where no split says anything.
func largestStep(rows []datum, f fitted) (most float64, split int) {
	var whole float64
	for _, r := range rows {
		_, w := weigh((r.y-f.beta[0])/f.sigma, r.bound)
		whole += w
	}
	var sum, left float64
	for k, r := range rows[:len(rows)-1] {
		d, w := weigh((r.y-f.beta[0])/f.sigma, r.bound)
		sum, left = sum+d, left+w
		if v := left * (whole - left) / whole; v > 1e-3 {
			if s := math.Abs(sum) / math.Sqrt(v); s > most {
				most, split = s, k+1
			}
		}
	}
	return most, split
}

// limitsOf is up to where each point would have been a value: known for bounds;
// for a value, that of the nearest bound, if it lies above.
func limitsOf(points []Point) []float64 {
	out := make([]float64, len(points))
	for i, p := range points {
		out[i] = math.Inf(1)
		if p.Bound {
			out[i] = p.Value
			continue
		}
		for d := 1; d < len(points); d++ {
			l, r := i-d, i+d
			if l >= 0 && points[l].Bound {
				r = l
			} else if r >= len(points) || !points[r].Bound {
				continue
			}
			if points[r].Value >= p.Value {
				out[i] = points[r].Value
			}
			break
		}
	}
	return out
}

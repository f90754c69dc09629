package trend

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// Point is what one run says.
type Point struct {
	Time  time.Time
	Cycle *int64 // door cycles of the specimen so far; nil: not stated
	// Value is in dB or dBm. Of a Bound the truth is at least that.
	Value float64
	Bound bool
	// Low and High are the ends of the claim itself, each at the confidence of the
	// options and with everything that is uncertain in it; High of a bound is +Inf.
	// NaN where the claim has none: then no single claim proves anything.
	Low, High float64
}

// Value is a point without a claim of its own.
func Value(t time.Time, v float64) Point {
	return Point{Time: t, Value: v, Low: math.NaN(), High: math.NaN()}
}

// AtLeast is a lower bound.
func AtLeast(t time.Time, v float64) Point {
	return Point{Time: t, Value: v, Bound: true, Low: v, High: math.Inf(1)}
}

// inOrder returns the finite points, oldest first.
func inOrder(points []Point) []Point {
	out := slices.DeleteFunc(slices.Clone(points), func(p Point) bool { return math.IsNaN(p.Value) || math.IsInf(p.Value, 0) })
	slices.SortStableFunc(out, func(a, b Point) int { return cmp.Compare(a.Time.UnixNano(), b.Time.UnixNano()) })
	return out
}

func measured(points []Point) int {
	n := 0
	for _, p := range points {
		if !p.Bound {
			n++
		}
	}
	return n
}

// Median is the median after Kaplan and Meier (J. Am. Stat. Assoc. 53, 1958, 457),
// the bounds counting as what they are. Where more than half may lie above every
// value it is a bound: at least the largest value.
func Median(points []Point) (v float64, bound bool) {
	steps := KaplanMeier(points)
	for _, s := range steps {
		if s.Above <= 0.5 {
			return s.Value, false
		}
	}
	if len(steps) > 0 {
		return steps[len(steps)-1].Value, true
	}
	low := math.NaN() // only bounds: their median holds for the series' own
	if all := inOrder(points); len(all) > 0 {
		slices.SortFunc(all, func(a, b Point) int { return cmp.Compare(a.Value, b.Value) })
		low = all[(len(all)-1)/2].Value
	}
	return low, true
}

// Step is one step of the Kaplan-Meier curve: the share of the series above Value.
type Step struct{ Value, Above float64 }

// KaplanMeier is the product-limit estimate of the share above each value; a bound
// equal to a value lies above it.
func KaplanMeier(points []Point) []Step {
	all := inOrder(points)
	slices.SortStableFunc(all, func(a, b Point) int { return cmp.Compare(a.Value, b.Value) })
	var out []Step
	above := 1.0
	for i := 0; i < len(all); {
		j, n := i, 0
		for ; j < len(all) && all[j].Value == all[i].Value; j++ {
			if !all[j].Bound {
				n++
			}
		}
		if n > 0 {
			above *= 1 - float64(n)/float64(len(all)-i)
			out = append(out, Step{all[i].Value, above})
		}
		i = j
	}
	return out
}

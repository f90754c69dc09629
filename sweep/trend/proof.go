package trend

import (
	"cmp"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat/distuv"
)

// Proof is a fall that two claims prove whatever the scatter between runs: the
// upper end of the newest value lies below what earlier claims state at least.
type Proof struct {
	By         float64   // at least, in dB
	Since      time.Time // of the earlier claim it is counted from
	Confidence float64
}

// proof sets the newest point beside the earlier ones. Each claim fails as often as
// its confidence leaves, so the highest of many earlier ones may be one that
// failed; counted from is the h-th highest, with h such that h independent claims
// out of so many fail together no more often than one alone. Then the fall is
// claimed wrongly with probability 2(1 − confidence) at most.
func proof(points []Point, o Options) (Proof, bool) {
	if len(points) < 2 {
		return Proof{}, false
	}
	last := points[len(points)-1]
	if last.Bound || math.IsNaN(last.High) {
		return Proof{}, false
	}
	earlier := slices.DeleteFunc(slices.Clone(points[:len(points)-1]), func(p Point) bool { return math.IsNaN(p.Low) })
	if len(earlier) == 0 {
		return Proof{}, false
	}
	slices.SortStableFunc(earlier, func(a, b Point) int { return cmp.Compare(b.Low, a.Low) })
	h := reliable(len(earlier), 1-o.Confidence)
	from := earlier[h-1]
	by := from.Low - last.High
	if by <= 0 {
		return Proof{}, false
	}
	return Proof{By: by, Since: from.Time, Confidence: 1 - 2*(1-o.Confidence)}, true
}

// reliable is the least h for which h of n independent claims that fail with
// probability q do so with probability q at most.
func reliable(n int, q float64) int {
	law := distuv.Binomial{N: float64(n), P: q}
	for h := 1; h < n; h++ {
		if 1-law.CDF(float64(h-1)) <= q*(1+1e-9) {
			return h
		}
	}
	return n
}

package sweep

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"lidded/driver/unit"
	"lidded/sweep/requirement"
	"lidded/sweep/uncertainty"
)

// Repeats of a setting are combined in decibels: setting up and closing again
// multiplies the level by a factor, so in decibels it scatters evenly about the
// specimen's value, while a mean of powers would follow the worst set-up. The noise
// of each capture, which adds as power, was averaged as power before; what it leaves
// of a bias in the mean of decibels is taken off (logBias).

// leastOwn is how many repeats with values a setting needs for a scatter of its
// own; with fewer that of all points and settings of the specimen is taken.
const leastOwn = 5

// logBias is by how much the mean of decibels of levels that scatter with a standard
// deviation of 1 dB lies below the level of their mean power, in dB, to first order:
// ln10/20, times the square for others.
const logBias = math.Ln10 / 20

// repeated is what one repeat of a setting says of the SE, set-up scatter being all
// that is left out: a value, or at least that.
type repeated struct {
	value unit.DB
	bound bool
	noise unit.DB // standard uncertainty of a value from its own noise
}

// repeatedOf takes a claim apart.
func repeatedOf(r Result) repeated {
	out := repeated{value: r.Reference.Sub(r.Enclosed), bound: r.SE.Relation == AtLeastRelation}
	if r.budget != nil {
		out.noise = r.budget.noise
	}
	return out
}

// setUpScatter is the standard deviation of one repeat and its degrees of freedom,
// zero where no setting has two values.
type setUpScatter struct {
	sd  unit.DB
	dof float64
}

// scatterOf pools the scatter of settings, of those with values alone where there
// are such: beside bounds the values are the lower ones, and too close together.
func scatterOf(settings [][]repeated) setUpScatter {
	var whole [][]repeated
	for _, list := range settings {
		if len(list) > 1 && !slices.ContainsFunc(list, func(r repeated) bool { return r.bound }) {
			whole = append(whole, list)
		}
	}
	if len(whole) > 0 {
		settings = whole
	}
	var sets []uncertainty.Repeats
	for _, list := range settings {
		var levels []unit.DBm
		for _, r := range list {
			if !r.bound {
				levels = append(levels, unit.DBm(0).Add(-r.value))
			}
		}
		if len(levels) < 2 {
			continue
		}
		if s, err := uncertainty.Repeatability(levels); err == nil {
			sets = append(sets, s)
		}
	}
	if len(sets) == 0 {
		return setUpScatter{}
	}
	sd, dof := uncertainty.PooledSD(sets)
	return setUpScatter{sd, dof}
}

// combination of the repeats of a setting; repeats is what they add to the budget.
type combination struct {
	value   unit.DB
	bound   bool
	noise   unit.DB
	repeats uncertainty.Repeats
	rule    string
}

// combineRepeats combines at least two repeats; false where the lowest claim must
// count: they lie further apart than the scatter explains, so that something else
// than setting up again changed, or values and bounds stand together and no scatter
// is known.
func combineRepeats(list []repeated, pooled setUpScatter) (combination, bool) {
	n := float64(len(list))
	var values []repeated
	for _, r := range list {
		if !r.bound {
			values = append(values, r)
		}
	}
	s := pooled
	if len(values) >= leastOwn {
		s = scatterOf([][]repeated{values})
	}
	c := combination{}
	for _, r := range list {
		c.value += r.value / unit.DB(n)
	}
	switch {
	case len(values) > 0 && apart(list, s):
		return c, false
	case len(values) == 0:
		// Each bound holds for its own set-up. Their mean is a bound of the mean, and
		// no surer than one of them where what they share is wrong.
		c.bound, c.rule = true, fmt.Sprintf("mean of %d bounds", len(list))
	case len(values) == len(list):
		var noise float64
		for _, r := range list {
			noise += float64(r.noise * r.noise)
		}
		c.noise = unit.DB(math.Sqrt(noise) / n)
		c.value -= unit.DB(logBias * noise / n)
		c.rule = fmt.Sprintf("mean of %d repeats in decibels", len(list))
	case s.dof == 0 || s.sd == 0:
		return c, false
	default:
		var informs float64
		c.value, informs, c.noise = mixed(list, float64(s.sd))
		n = informs
		c.rule = fmt.Sprintf("likeliest level of %d values and %d bounds", len(values), len(list)-len(values))
	}
	if s.dof > 0 {
		c.repeats = uncertainty.Repeats{SD: s.sd, Standard: s.sd / unit.DB(math.Sqrt(n)), DoF: s.dof, N: len(list)}
		if len(values) < leastOwn {
			c.rule += fmt.Sprintf(", scatter %.2f dB pooled over the specimen (%.0f degrees of freedom)", float64(s.sd), s.dof)
		} else {
			c.rule += fmt.Sprintf(", scatter %.2f dB", float64(s.sd))
		}
	}
	return c, true
}

// sameScatter is how rarely repeats that agree are taken to disagree (common
// practice, no source).
const sameScatter = 0.001

// apart reports whether repeats lie further apart than the scatter explains, by an F
// test; bounds count where they lie above the values.
func apart(list []repeated, s setUpScatter) bool {
	if s.dof == 0 || s.sd == 0 {
		return false
	}
	var sum, n, square float64
	for _, r := range list {
		if !r.bound {
			sum, n = sum+float64(r.value), n+1
		}
	}
	dof := -1.0
	mean := sum / n
	for _, r := range list {
		if d := float64(r.value) - mean; !r.bound || d > 0 {
			square, dof = square+d*d, dof+1
		}
	}
	if dof < 1 {
		return false
	}
	f := distuv.F{D1: dof, D2: s.dof}
	return 1-f.CDF(square/dof/float64(s.sd*s.sd)) < sameScatter
}

// mixed is the maximum of the likelihood of a mean, at a known scatter, given values
// and lower bounds (right-censored; Tobin, Econometrica 26, 1958, 24), how many
// values the list is worth by the curvature there, and what noise is left.
func mixed(list []repeated, sd float64) (mean unit.DB, informs float64, noise unit.DB) {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, r := range list {
		lo, hi = min(lo, float64(r.value)), max(hi, float64(r.value))
	}
	hi += 10 * sd
	slope := func(m float64) (d, w float64) {
		for _, r := range list {
			z := (float64(r.value) - m) / sd
			if !r.bound {
				d, w = d+z, w+1
				continue
			}
			h := z + 1/z // far out (Abramowitz & Stegun 26.2.12)
			if z < 25 {
				h = math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) / (0.5 * math.Erfc(z/math.Sqrt2))
			}
			d, w = d+h, w+h*(h-z)
		}
		return d, w
	}
	for range 60 { // the slope falls steadily
		if m := (lo + hi) / 2; first(slope(m)) > 0 {
			lo = m
		} else {
			hi = m
		}
	}
	_, informs = slope(lo)
	var sum, count float64
	for _, r := range list {
		if !r.bound {
			sum += float64(r.noise * r.noise)
			count++
		}
	}
	return unit.DB(lo - logBias*sum/count), informs, unit.DB(math.Sqrt(sum) / count)
}

func first(a, _ float64) float64 { return a }

// settings joins the results of one specimen and point to one claim per setting, in
// their order: that of the only claim, or of all repeats combined. A repeat without
// a claim does not hide those that have one.
func (e *Evaluator) settings(here []Result, pooled setUpScatter, q Point) []Result {
	var out []Result
	for _, list := range bySetting(here) {
		claims := withClaim(list)
		switch len(claims) {
		case 0:
			out = append(out, list[0])
		case 1:
			out = append(out, claims[0])
		default:
			out = append(out, e.combine(claims, pooled, q))
		}
	}
	return out
}

func bySetting(here []Result) [][]Result {
	at := map[Setting]int{}
	var out [][]Result
	for _, r := range here {
		k := r.At
		k.Repeat = 0
		i, ok := at[k]
		if !ok {
			i = len(out)
			at[k] = i
			out = append(out, nil)
		}
		out[i] = append(out[i], r)
	}
	return out
}

func withClaim(list []Result) []Result {
	var out []Result
	for _, r := range list {
		if r.SE.Relation != RelationUnknown {
			out = append(out, r)
		}
	}
	return out
}

// combine states one claim for the repeats of a setting. Where it stands, and what
// is said of the capture, is that of the lowest.
func (e *Evaluator) combine(claims []Result, pooled setUpScatter, q Point) Result {
	low := claims[0]
	k := budgetKey{same: true}
	list := make([]repeated, len(claims))
	for i, r := range claims {
		if lower(r, low) {
			low = r
		}
		list[i] = repeatedOf(r)
		if b := r.budget; b != nil {
			k.same = k.same && b.same
			k.reference, k.moved = max(k.reference, b.reference), max(k.moved, b.moved)
			k.leak, k.linear = max(k.leak, b.leak), max(k.linear, b.linear) // alike in every repeat: they do not average out
		}
	}
	c, ok := combineRepeats(list, pooled)
	if !ok {
		low.Rule = fmt.Sprintf("lowest of %d repeats: they lie further apart than the scatter explains, or no scatter is known", len(claims))
		return low
	}
	k.noise, k.repeats = c.noise, c.repeats
	low.budget, low.Rule = &k, c.rule
	_, u := e.combined(k)
	if c.bound {
		b := c.value - u.OneSided
		low.SE = SE{Relation: AtLeastRelation, Value: b, Low: b, High: unit.DB(math.Inf(1))}
		low.Outcome = AtLeast
	} else {
		low.SE = SE{Relation: Equal, Value: c.value, Low: c.value - u.OneSided, High: c.value + u.OneSided, U: u.Expanded}
		low.Outcome, low.Reason = Measured, ""
	}
	e.against(&low, q)
	if low.Verdict != requirement.Undecided {
		low.Decide = ""
	}
	return low
}

// pooledScatter is the set-up scatter of a specimen over all its points and
// settings.
func pooledScatter(results []Result, specimen string) setUpScatter {
	type place struct {
		at    Setting
		point int
	}
	at := map[place][]repeated{}
	var order []place
	for _, r := range results {
		if r.At.Specimen != specimen || r.SE.Relation == RelationUnknown {
			continue
		}
		k := place{r.At, r.Point}
		k.at.Repeat = 0
		if at[k] == nil {
			order = append(order, k)
		}
		at[k] = append(at[k], repeatedOf(r))
	}
	all := make([][]repeated, len(order))
	for i, k := range order {
		all[i] = at[k]
	}
	return scatterOf(all)
}

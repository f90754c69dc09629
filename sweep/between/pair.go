package between

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
)

// Pair is one bench held against another.
type Pair struct {
	A, B   string // names of the benches; differences are B less A
	Rows   []Row  // by setting as A has them, rising in frequency
	Counts Counts
	// Values are the comparisons of two values, Bounds those of a bound with a value.
	Values, Bounds Chance
	Median         unit.DB // of the differences of two values; NaN: none
	Largest        *Row    // with the largest difference that may be stated
	// ReferenceMedian and ReferenceLargest are of the reference differences, at equal
	// source level where Normalised.
	ReferenceMedian  unit.DB
	ReferenceLargest *Row
	Normalised       bool
	Apart            time.Duration // from the older run to the newer
	Shared           []string      // gear that both runs state, and that their errors may have in common
	Sentences        []string
	ReferenceSays    string
}

// Counts of verdicts over the rows.
type Counts struct{ Agree, Differ, CannotSay int }

// Compare holds a night against another.
func Compare(specimen string, a, b Night, only Choice) Pair {
	p := Pair{A: a.Run.Bench.Name, B: b.Run.Bench.Name, Median: none(), ReferenceMedian: none()}
	atA, orderA := a.readings(specimen, only)
	atB, orderB := b.readings(specimen, only)
	for _, k := range orderB {
		if atA[k] == nil {
			orderA = append(orderA, k)
		}
	}
	for _, k := range orderA {
		for _, r := range beside(atA[k], atB[k]) {
			r.Position, r.Polarization, r.Field = k.position, k.polarization, k.field
			r.judge(p.A, p.B)
			p.Rows = append(p.Rows, r)
		}
	}
	p.Shared, p.Apart = shared(a, b), b.Run.Began().Sub(a.Run.Began()).Abs()
	p.count()
	p.references()
	p.say()
	return p
}

// beside pairs readings whose frequencies are each other's nearest and the same but
// for what plans round differently; the rest stand alone.
func beside(a, b []Reading) []Row {
	nearest := func(f unit.Hz, in []Reading) int {
		best, off := -1, math.Inf(1)
		for i, r := range in {
			if d := math.Abs(float64(r.Freq - f)); d < off && same(r.Freq, f) {
				best, off = i, d
			}
		}
		return best
	}
	var out []Row
	taken := make([]bool, len(b))
	for i := range a {
		row := Row{Freq: a[i].Freq, A: &a[i]}
		if k := nearest(a[i].Freq, b); k >= 0 && nearest(b[k].Freq, a) == i {
			row.B, taken[k] = &b[k], true
		}
		out = append(out, row)
	}
	for k := range b {
		if !taken[k] {
			out = append(out, Row{Freq: b[k].Freq, B: &b[k]})
		}
	}
	slices.SortStableFunc(out, func(x, y Row) int { return cmp.Compare(x.Freq, y.Freq) })
	return out
}

func (p *Pair) count() {
	var by []float64
	var values, bounds, differ, contradicted int
	var score float64
	for i := range p.Rows {
		r := &p.Rows[i]
		switch r.Verdict {
		case Agrees:
			p.Counts.Agree++
		case Differs:
			p.Counts.Differ++
		default:
			p.Counts.CannotSay++
		}
		switch wide := r.Verdict == Differs; {
		case r.ofValues():
			values++
			by, score = append(by, float64(r.Difference.By)), max(score, math.Abs(r.Difference.En))
			if wide {
				differ++
			}
		case r.ofBound():
			bounds++
			if wide {
				contradicted++
			}
		}
		if d := r.Difference; d != nil && (p.Largest == nil || size(d.By) > size(p.Largest.Difference.By)) {
			p.Largest = r
		}
	}
	kinds := 1
	if values > 0 && bounds > 0 {
		kinds = 2
	}
	p.Values, p.Bounds = chanceOf(differ, values, score, kinds), chanceOf(contradicted, bounds, 0, kinds)
	p.Median = median(by)
}

// references looks at the open levels, at equal source level where every row lets it.
func (p *Pair) references() {
	p.Normalised = true
	found := false
	for _, r := range p.Rows {
		if d := r.Reference; d != nil {
			found, p.Normalised = true, p.Normalised && known(d.Normalised)
		}
	}
	p.Normalised = p.Normalised && found
	var by []float64
	for i := range p.Rows {
		r := &p.Rows[i]
		if r.Reference == nil {
			continue
		}
		d := p.ReferenceBy(*r)
		by = append(by, float64(d))
		if p.ReferenceLargest == nil || size(d) > size(p.ReferenceBy(*p.ReferenceLargest)) {
			p.ReferenceLargest = r
		}
	}
	p.ReferenceMedian = median(by)
}

// ReferenceBy is the reference difference of a row that the pair's summary speaks
// of; the row has one.
func (p Pair) ReferenceBy(r Row) unit.DB {
	if p.Normalised {
		return r.Reference.Normalised
	}
	return r.Reference.By
}

func size(v unit.DB) float64 { return math.Abs(float64(v)) }

func median(v []float64) unit.DB {
	if len(v) == 0 {
		return none()
	}
	slices.Sort(v)
	n := len(v)
	return unit.DB((v[(n-1)/2] + v[n/2]) / 2)
}

// shared names gear that both runs state: an instrument by maker, model and serial
// number, other equipment by its serial number.
func shared(a, b Night) []string {
	var out []string
	add := func(s string) {
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	instrument := func(role string, x, y driver.Identity) {
		if x.Serial != "" && x.Serial != "0" && x.Maker == y.Maker && x.Model == y.Model && x.Serial == y.Serial {
			add(fmt.Sprintf("%s with serial number %s", role, x.Serial))
		}
	}
	instrument("analyzer", a.Run.Analyzer, b.Run.Analyzer)
	instrument("source", a.Run.Source, b.Run.Source)
	if x, y := a.Run.Bench.Facts, b.Run.Bench.Facts; x != nil && y != nil {
		for _, e := range x.Equipment {
			for _, f := range y.Equipment {
				if e.Serial != "" && e.Serial == f.Serial && e.Maker == f.Maker && e.Model == f.Model {
					add(strings.TrimSpace(e.Role + " with serial number " + e.Serial))
				}
			}
		}
	}
	return out
}

package explain

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
	"lidded/sweep/wall"
)

// Explanation is what a run says of one specimen, set beside what it should do.
type Explanation struct {
	Run      sweep.RunID
	State    sweep.State
	Specimen string
	Made     string // what the specimen is made of, in a line; "": not known

	Points     []wall.Point     // that make a claim
	NoClaim    int              // results that make none
	Outlook    *Outlook         // at the measured frequencies; nil: not known how it is made
	Findings   []wall.Finding   // nil: nothing to compare
	Inferences []wall.Inference // between and beyond the points
	Code       requirement.EMCode
	Pulse      *Pulse // nil unless asked for and possible
	Notes      []string
}

// Options say what else is wanted.
type Options struct {
	At    []unit.Hz // frequencies to infer at, besides those chosen here
	Pulse bool      // takes a quarter of a second
}

// Made is the model of a specimen as the run keeps it; nil: nothing is known.
func Made(run sweep.Run, specimen string) *wall.Model {
	i := slices.IndexFunc(run.Specimens, func(s sweep.Specimen) bool { return s.Name == specimen })
	if i < 0 || run.Specimens[i].Made == "" {
		return nil
	}
	materials, err := wall.BuiltinMaterials()
	if err != nil {
		return nil
	}
	m, err := wall.LoadSpecimen(specimen+".yaml", []byte(run.Specimens[i].Made), materials)
	if err != nil {
		return nil // of a newer program: as if it were not known
	}
	return m
}

// Of explains one specimen of a run. The model may be nil: then what the run keeps
// of it serves; without that there is nothing to compare with, but code, inference
// and pulse remain.
func Of(run sweep.Run, e sweep.Evaluation, specimen string, m *wall.Model, o Options) (Explanation, error) {
	if !slices.ContainsFunc(run.Specimens, func(s sweep.Specimen) bool { return s.Name == specimen }) {
		return Explanation{}, fmt.Errorf("run %s has no specimen %q: it has %s", run.ID, specimen, strings.Join(Specimens(run), ", "))
	}
	x := Explanation{Run: run.ID, State: run.State, Specimen: specimen, Code: Code(e, specimen)}
	x.Points, x.NoClaim = Points(run, e, specimen)
	fields := fieldsOf(x.Points)
	if m == nil {
		m = Made(run, specimen)
	}
	if m != nil {
		x.Made = m.Specimen.Title
		x.Findings = m.Explain(x.Points)
		x.outlook(m, fields)
	} else {
		x.Notes = append(x.Notes, fmt.Sprintf("nothing is known of how %s is made, so there is no expectation to compare with: give made_of in the config", specimen))
	}
	if len(x.Points) == 0 {
		x.Notes = append(x.Notes, "no point makes a claim: there is nothing to explain yet")
		return x, nil
	}
	for _, f := range fields {
		in, err := wall.Infer(f, x.Points, m)
		if err != nil {
			return Explanation{}, err
		}
		for _, at := range asked(f, x.Points, in, o.At) {
			x.Inferences = append(x.Inferences, in.At(at))
		}
	}
	if x.NoClaim > 0 {
		x.Notes = append(x.Notes, fmt.Sprintf("%d results make no claim (ambient or void) and count neither for nor against", x.NoClaim))
	}
	if o.Pulse {
		p, err := measured(x.Points)
		if err != nil {
			x.Notes = append(x.Notes, err.Error())
			return x, nil
		}
		x.Pulse = &p
	}
	return x, nil
}

// outlook keeps the expectation at the frequencies measured in each field.
func (x *Explanation) outlook(m *wall.Model, fields []wall.Field) {
	o := Expect(m, fields, []unit.Hz{})
	o.Curves = nil
	for _, f := range fields {
		var freqs []unit.Hz
		for _, p := range x.Points {
			if p.Field == f {
				freqs = append(freqs, p.Freq)
			}
		}
		o.Curves = append(o.Curves, Curve{Field: f, At: m.Expect(f, sortedUnique(freqs))})
	}
	x.Outlook = &o
}

// Specimens lists the names of a run's specimens.
func Specimens(run sweep.Run) []string {
	out := make([]string, len(run.Specimens))
	for i, s := range run.Specimens {
		out[i] = s.Name
	}
	return out
}

// Points are the results of a specimen that make a claim, and how many make none.
func Points(run sweep.Run, e sweep.Evaluation, specimen string) (points []wall.Point, noClaim int) {
	for _, r := range e.Results {
		if r.At.Specimen != specimen || r.Point < 0 || r.Point >= len(run.Plan.Points) {
			continue
		}
		if r.SE.Relation == sweep.RelationUnknown {
			noClaim++
			continue
		}
		points = append(points, wall.Point{
			Freq: r.Freq, Field: FieldOf(run.Plan.Points[r.Point].Field), SE: r.SE.Value, U: r.SE.U, Bound: r.SE.Relation == sweep.AtLeastRelation,
			Position: r.At.Position, Polarization: string(r.At.Polarization),
		})
	}
	return points, noClaim
}

// FieldOf turns the field of a plan into that of the wall; a plan that names
// none means a plane wave.
func FieldOf(f requirement.Field) wall.Field {
	switch f {
	case requirement.Magnetic:
		return wall.Magnetic
	case requirement.Electric:
		return wall.Electric
	}
	return wall.PlaneWave
}

func fieldsOf(points []wall.Point) []wall.Field {
	var out []wall.Field
	for _, f := range wall.Fields() {
		if slices.ContainsFunc(points, func(p wall.Point) bool { return p.Field == f }) {
			out = append(out, f)
		}
	}
	return out
}

// Code is the protection code of IEC 61000-5-7 from the worst cases of a specimen.
func Code(e sweep.Evaluation, specimen string) requirement.EMCode {
	for _, s := range e.Summaries {
		if s.Specimen == specimen {
			return CodeOf(s)
		}
	}
	return requirement.NewEMCode(nil)
}

// CodeOf is Code for one summary.
func CodeOf(s sweep.Summary) requirement.EMCode {
	var points []requirement.CodePoint
	for _, w := range s.Worst {
		r := requirement.Result{Outcome: w.Outcome, SE: w.SE.Value, U: w.SE.U}
		if w.SE.Relation == sweep.AtLeastRelation {
			r = requirement.AtLeastSE(w.SE.Value)
		}
		if w.SE.Relation == sweep.RelationUnknown {
			r = requirement.Result{Outcome: requirement.Void}
		}
		points = append(points, requirement.CodePoint{Freq: w.Freq, Result: r})
	}
	return requirement.NewEMCode(points)
}

// mostGaps is how many gaps between points are spoken of, the riskiest first.
const mostGaps = 4

// asked chooses where to infer: half a decade beyond both ends, in the middle
// of the riskiest gaps, and wherever the caller wants to know.
func asked(field wall.Field, points []wall.Point, in *wall.Inferer, at []unit.Hz) []unit.Hz {
	var freqs []unit.Hz
	for _, p := range points {
		if p.Field == field {
			freqs = append(freqs, p.Freq)
		}
	}
	freqs = sortedUnique(freqs)
	const beyond = 3.1622776601683795
	out := []unit.Hz{RoundFreq(freqs[0] / beyond), RoundFreq(freqs[len(freqs)-1] * beyond)}
	type gap struct {
		mid  unit.Hz
		risk float64
	}
	var gaps []gap
	for i := 1; i < len(freqs); i++ {
		mid := RoundFreq(freqs[i-1] * unit.Hz(math.Sqrt(float64(freqs[i]/freqs[i-1]))))
		if mid > freqs[i-1] && mid < freqs[i] {
			gaps = append(gaps, gap{mid, in.At(mid).Risk})
		}
	}
	slices.SortStableFunc(gaps, func(a, b gap) int { return cmp.Compare(b.risk, a.risk) })
	for _, g := range gaps[:min(len(gaps), mostGaps)] {
		out = append(out, g.mid)
	}
	for _, f := range at {
		if f > 0 {
			out = append(out, f)
		}
	}
	return sortedUnique(out)
}

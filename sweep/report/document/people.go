package document

import (
	"fmt"
	"strings"
	"time"

	"lidded/sweep"
	"lidded/sweep/requirement"
)

func orEmpty[T any](p *T) T {
	if p == nil {
		var none T
		return none
	}
	return *p
}

// specimens says what was tested.
func (b *builder) specimens() Section {
	s := Section{Title: "Specimens"}
	for _, one := range b.in.Run.Specimens {
		d, a := orEmpty(one.Facts), b.in.Facts.Specimens[one.Name]
		key := func(what string) string { return one.Name + ": " + what }
		s.Blocks = append(s.Blocks, Text{Strong, one.Name}, Pairs{
			known("description", one.About),
			b.fact("owner", key("owner"), d.Owner, a.Owner),
			b.fact("identification", key("identification"), d.ID, a.ID),
			b.fact("location", key("location"), d.Location, a.Location),
			b.fact("dimensions", key("dimensions"), d.Dimensions, a.Dimensions),
			b.fact("construction", key("construction"), d.Construction, a.Construction),
			b.fact("doors, filters, vents", key("state of doors, filters, vents"), d.Openings, a.Openings),
			b.fact("services fitted", key("services fitted"), d.Services, a.Services),
			b.fact("grid of positions", key("grid of positions"), d.Grid, a.Grid),
		})
	}
	return s
}

// people says who tested, where and when.
func (b *builder) people() Section {
	r := b.in.Run
	d, a := orEmpty(r.Bench.Facts), b.in.Facts.Bench
	return Section{"Organisation, people, time", []Block{Pairs{
		b.fact("test organisation", "test organisation", d.Organisation, a.Organisation),
		known("operator of the run", r.Operator),
		b.fact("further operators", "further operators", d.Operators, a.Operators),
		b.fact("witnesses", "witnesses", d.Witnesses, a.Witnesses),
		b.fact("place of the test", "place of the test", d.Location, a.Location),
		b.fact("environment", "environment", d.Environment, a.Environment),
		known("created", moment(r.Created)),
		known("begun", momentOr(r.Started)),
		known("ended", momentOr(r.Ended)),
		known("started by", r.Trigger),
	}, b.pace()}}
}

// pace sets the time that was predicted beside the time taken.
func (b *builder) pace() Pairs {
	r, t := b.in.Run, b.in.Evaluation.Time
	out := Pairs{known("predicted time", seconds(r.Predicted)), known("captures took", seconds(t.Took))}
	if t.Ratio > 0 {
		out = append(out, known("taken over predicted", fmt.Sprintf("%.2f", t.Ratio)))
	}
	if t.Nominal > 0 {
		out = append(out, known("of that, by the analyzer's own sweep times", seconds(t.Nominal)))
	}
	if r.Started != nil && r.Ended != nil {
		out = append(out, known("from begin to end, with hold points", seconds(r.Ended.Sub(*r.Started))))
	}
	return out
}

// seconds writes a time to a tenth of a second; "" for none, which is not known.
func seconds(d time.Duration) string {
	if d <= 0 {
		return ""
	}
	return d.Round(100 * time.Millisecond).String()
}

// method says by what rules.
func (b *builder) method() Section {
	r := b.in.Run
	d, a := orEmpty(r.Plan.Facts), b.in.Facts.Plan
	pairs := Pairs{
		b.fact("standard", "standard", d.Standard, a.Standard),
		b.fact("edition", "edition of the standard", d.Edition, a.Edition),
		b.fact("method", "method", d.Method, a.Method),
		b.fact("test plan", "test plan", d.TestPlan, a.TestPlan),
		b.fact("approved deviations", "approved deviations", d.Deviations, a.Deviations),
		b.fact("pass rule agreed", "pass rule agreed", d.PassRule, a.PassRule),
		known("frequency plan", strings.TrimSuffix(r.Plan.Name+": "+r.Plan.About, ": ")),
		known("capture", captureMode(r)),
		known("positions", strings.Join(r.Plan.Positions, ", ")),
		known("polarizations", join(r.Plan.Polarizations)),
		known("enclosed captures of each", fmt.Sprint(max(1, r.Plan.Repeats))),
		known("hold points", holdPoints(r)),
	}
	s := Section{"Standard, method, requirement", []Block{pairs}}
	if r.Line == nil {
		b.missing = append(b.missing, "requirement")
		s.Blocks = append(s.Blocks, Text{Missing, "No requirement was set: the results are not judged against one."})
		return s
	}
	s.Blocks = append(s.Blocks, Pairs{
		known("requirement", strings.Trim(r.Line.Name+", "+r.Line.Title, ", ")),
		known("from", r.Line.Source()),
		known("its values are", markOf(r.Line.Mark)),
		known("note", orNone(r.Line.Note)),
	})
	if c := r.Line.Caution(); c != "" {
		s.Blocks = append(s.Blocks, Text{Caution, "Requirement: " + c + "."})
	}
	s.Blocks = append(s.Blocks,
		text("How a point is judged: it meets the requirement when the lower end of what is shown is at or above the line, falls short when the upper end is below it, and is undecided otherwise. A lower bound can meet it or leave it undecided, never fall short. A point without a claim is undecided. A specimen falls short as soon as one point does; it meets the requirement when every point with a requirement meets it."),
		b.requirementTable())
	return s
}

func captureMode(r sweep.Run) string {
	switch {
	case r.HandRead:
		return "levels read off a screen by a person and imported"
	case r.Plan.Capture == sweep.Sealed:
		return "sealed: the analyzer alone in the closed box, in max hold"
	}
	return "linked: each frequency captured as it was keyed"
}

func holdPoints(r sweep.Run) string {
	if r.Plan.ByRule {
		return "released by the bench's stated rule"
	}
	return "released by a person"
}

func markOf(m requirement.Mark) string {
	switch m {
	case requirement.Seen:
		return "seen in a published source"
	case requirement.Memory:
		return requirement.CheckYourCopy
	case requirement.Computed:
		return "computed from other values"
	case requirement.Chosen:
		return "chosen by a client or the operator; no publication stands behind them"
	}
	return "of unknown origin"
}

func join(list []sweep.Polarization) string {
	out := make([]string, len(list))
	for i, p := range list {
		out[i] = string(p)
	}
	return strings.Join(out, ", ")
}

// requirementTable is what is required at each frequency of the plan.
func (b *builder) requirementTable() Table {
	t := Table{Caption: "Requirement at each frequency of the plan", Columns: []Column{right("point", ""), right("frequency", ""), left("field"), right("required", "dB"), right("range wanted", "dB")}}
	r := b.in.Run
	for _, q := range r.Plan.Points {
		required, wanted := "none", "none"
		if v, ok := r.Line.At(fieldOf(q), q.Freq); ok {
			required, wanted = number(v), number(v+r.Plan.Headroom)
		}
		t.Rows = append(t.Rows, []string{fmt.Sprint(q.Index + 1), q.Freq.String(), fieldOf(q).String(), required, wanted})
	}
	return t
}

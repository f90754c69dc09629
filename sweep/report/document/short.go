package document

import (
	"fmt"
	"slices"
	"strings"

	"lidded/sweep/report/drawing"
	"lidded/sweep/report/plain"
)

// Most that the one page has room for.
const (
	shortSpecimens = 8
	shortChart     = 205
	shortMissing   = 4 // groups
)

// short is the abbreviated form: one page.
func (b *builder) short() {
	// What the full form states is gathered for what is missing, and dropped.
	for _, f := range []func() Section{b.specimens, b.people, b.method, b.equipment, b.setUp, b.settings, b.references, b.ranges, b.ambient, b.failures, b.budgets, b.transmission, b.log} {
		f()
	}
	r := b.in.Run
	sums := b.in.Evaluation.Summaries
	full := b.summary()
	s := Section{Title: "Result"}
	for _, block := range full.Blocks { // cautions on the state of the run
		if t, ok := block.(Text); ok && t.Tone == Caution {
			s.Blocks = append(s.Blocks, t)
		}
	}
	for _, one := range firstOf(sums, shortSpecimens) {
		s.Blocks = append(s.Blocks, Text{Strong, one.Sentence + "."}, Text{Plain, plain.Summary(one)})
	}
	if len(sums) > shortSpecimens {
		s.Blocks = append(s.Blocks, Text{Caution, fmt.Sprintf("%d more specimens were tested; the full report has them.", len(sums)-shortSpecimens)})
	}
	if len(sums) > 0 {
		s.Blocks = append(s.Blocks, seChart(r, b.in.Evaluation, firstOf(sums, drawing.SeriesInks), shortChart))
	}
	s.Blocks = append(s.Blocks, Text{Note, "= a measured value with its expanded uncertainty; ≥ a lower bound: no signal was found through the shield. Lowest over positions and polarizations."})

	d, a := orEmpty(r.Bench.Facts), b.in.Facts.Bench
	requirement := "none was set"
	if r.Line != nil {
		requirement = fmt.Sprintf("%s (%s)", r.Line.Name, r.Line.Source())
		if c := r.Line.Caution(); c != "" {
			requirement += "; " + c
		}
	}
	facts := Pairs{
		known("requirement", requirement),
		known("plan", fmt.Sprintf("%s: %s, %s; %s", r.Plan.Name, plural(len(r.Plan.Points), "frequency", "frequencies"), b.reach(), captureMode(r))),
		known("analyzer, source", fmt.Sprintf("%s; %s", identity(r.Analyzer), identity(r.Source))),
		b.fact("test organisation", "", d.Organisation, a.Organisation),
		known("operator", r.Operator),
		known("begun, ended", momentOr(r.Started)+", "+momentOr(r.Ended)),
		known("other runs of these", fmt.Sprintf("%d in the store; the full report lists them", len(b.in.Others))),
		known("digest", "sha256 "+b.digest),
		known("software", "lidded "+r.Software),
	}
	b.missing = slices.DeleteFunc(b.missing, func(m string) bool { return m == "" })
	checks := Section{Title: "What it rests on", Blocks: []Block{facts}}
	for _, n := range firstOf(b.in.Evaluation.Notes, 3) {
		checks.Blocks = append(checks.Blocks, Text{Note, "Note: " + n + "."})
	}
	if n := len(b.missing); n > 0 {
		groups := b.grouped(b.missing)
		list := strings.Join(firstOf(groups, shortMissing), "; ")
		if len(groups) > shortMissing {
			list += "; the full report lists the rest"
		}
		checks.Blocks = append(checks.Blocks, Text{Missing, fmt.Sprintf("Not stated (%s): %s.", plural(n, "item", "items"), list)})
	}
	checks.Blocks = append(checks.Blocks, Text{Caution, "The figures hold for the specimens as tested and for the frequencies measured. Licensing, exposure limits and site rules are set by local codes and competent persons."})
	b.doc.Sections = []Section{s, checks}
}

// reach is the range of frequencies of the plan.
func (b *builder) reach() string {
	pts := b.in.Run.Plan.Points
	if len(pts) == 0 {
		return "none"
	}
	lo, hi := pts[0].Freq, pts[0].Freq
	for _, q := range pts {
		lo, hi = min(lo, q.Freq), max(hi, q.Freq)
	}
	return fmt.Sprintf("%v to %v", lo, hi)
}

func identity(id identifier) string {
	if s := id.String(); strings.TrimSpace(s) != "" {
		return s
	}
	return "not known"
}

type identifier interface{ String() string }

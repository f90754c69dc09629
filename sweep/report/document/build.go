package document

import (
	"fmt"
	"strings"
	"time"

	"lidded/sweep"
)

// Build makes the report of a run. The only errors are those of the captures.
func Build(in Input, form Form) (Document, error) {
	b := &builder{in: in}
	if err := b.read(); err != nil {
		return Document{}, err
	}
	b.doc = Document{
		Title:    "Shielding effectiveness of " + names(in.Run.Specimens),
		Subtitle: fmt.Sprintf("Report on run %s, plan %s, bench %s", in.Run.ID, in.Run.Plan.Name, in.Run.Bench.Name),
		Language: "en", Made: in.Run.Created.UTC(),
		Footer: fmt.Sprintf("run %s · captures sha256 %s…", in.Run.ID, b.digest[:16]),
	}
	if in.Run.Ended != nil {
		b.doc.Made = in.Run.Ended.UTC()
	}
	if form == Short {
		b.doc.OnePage = true
		b.short()
		return b.doc, nil
	}
	// The parts that state facts come first, so that the summary can say what
	// is missing.
	rest := []func() Section{
		b.specimens, b.people, b.method, b.equipment, b.setUp, b.settings, b.references, b.ranges, b.ambient,
		b.results, b.failures, b.uncertainty, b.budgets, b.transmission, b.cautions, b.log, b.raw, b.evidence,
	}
	sections := make([]Section, 0, len(rest)+3)
	for _, f := range rest {
		sections = append(sections, f())
	}
	b.doc.Sections = append([]Section{b.summary()}, sections...)
	b.doc.Sections = append(b.doc.Sections, b.checklist(), signatures())
	return b.doc, nil
}

// builder gathers the parts of a report.
type builder struct {
	in      Input
	doc     Document
	missing []string // what nobody stated, in order
	stated  map[string]bool

	rows    [][]string // raw readings
	heard   [][]string // ambient
	tally   map[sweep.StepKind]int
	lost    [][]string // captures without a valid trace
	backs   readBack
	digest  string // over the captures
	digests []digest
}

// Names of what is listed as missing.
const notStated = "not stated"

func names(list []sweep.Specimen) string {
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = s.Name
	}
	switch n := len(out); {
	case n == 0:
		return "no specimen"
	case n == 1:
		return out[0]
	case n > 6:
		return fmt.Sprintf("%s and %d more", strings.Join(out[:5], ", "), n-5)
	default:
		return strings.Join(out[:n-1], ", ") + " and " + out[n-1]
	}
}

// fact is a pair from what was stated with the run and what was stated after.
func (b *builder) fact(name, key, during, after string) Pair {
	p := Pair{Name: name, Value: strings.TrimSpace(during)}
	after = strings.TrimSpace(after)
	switch {
	case p.Value == "" && after == "":
		b.missing = append(b.missing, key)
		return Pair{name, notStated, true}
	case p.Value == "":
		p.Value = after + " (stated after the run)"
	case after != "" && after != p.Value:
		p.Value += " (stated after the run: " + after + ")"
	}
	if b.stated == nil {
		b.stated = map[string]bool{}
	}
	b.stated[key] = true
	return p
}

// known is a pair that the run itself knows.
func known(name, value string) Pair {
	if strings.TrimSpace(value) == "" {
		return Pair{name, "not known", true}
	}
	return Pair{Name: name, Value: value}
}

func orNone(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

// moment writes a time to the second, UTC.
func moment(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	return t.UTC().Format("2006-01-02 15:04:05 UTC")
}

func momentOr(t *time.Time) string {
	if t == nil {
		return "-"
	}
	return moment(*t)
}

func text(format string, args ...any) Text { return Text{Plain, fmt.Sprintf(format, args...)} }

func left(title string) Column { return Column{Title: title} }

func right(title, unit string) Column { return Column{title, unit, true} }

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

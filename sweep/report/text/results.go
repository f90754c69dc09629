package text

import (
	"fmt"
	"io"
	"strings"

	"lidded/sweep"
	"lidded/sweep/report/plain"
	"lidded/sweep/requirement"
)

// Style says how tables are written.
type Style struct {
	// ASCII writes ">=", "<=" and "+-" for terminals without UTF-8.
	ASCII bool
}

var plainSigns = strings.NewReplacer("≥", ">=", "≤", "<=", "±", "+-")

// text replaces what the terminal cannot show of our own signs.
func (s Style) text(t string) string {
	if s.ASCII {
		return plainSigns.Replace(t)
	}
	return t
}

// Results writes a table per specimen, each with its verdict in one line below,
// and the notes of the evaluation at the end.
func Results(w io.Writer, run sweep.Run, e sweep.Evaluation, style Style) error {
	for i, s := range e.Summaries {
		if i > 0 {
			if _, err := io.WriteString(w, "\n"); err != nil {
				return err
			}
		}
		if err := Specimen(w, run, e, s.Specimen, style); err != nil {
			return err
		}
	}
	for _, n := range e.Notes {
		if _, err := fmt.Fprintf(w, "\nnote: %s\n", style.text(n)); err != nil {
			return err
		}
	}
	return nil
}

// Specimen writes the table of one specimen: a row for each result, in plan
// order, and its verdict in one line below.
func Specimen(w io.Writer, run sweep.Run, e sweep.Evaluation, specimen string, style Style) error {
	title := specimen
	if run.HandRead {
		title += " (levels read by hand)"
	}
	if _, err := fmt.Fprintf(w, "%s\n", title); err != nil {
		return err
	}
	if err := table(run, e, specimen, style).write(w); err != nil {
		return err
	}
	for _, s := range e.Summaries {
		if s.Specimen != specimen {
			continue
		}
		for _, worst := range s.Worst {
			if worst.Rule == "" {
				continue
			}
			if _, err := fmt.Fprintf(w, "%s\n", style.text(fmt.Sprintf("%v: %v %v: %s (%s)", worst.Freq, worst.At.Position, worst.At.Polarization, worst.SE, worst.Rule))); err != nil {
				return err
			}
		}
		if s.Sentence != "" {
			_, err := fmt.Fprintf(w, "%s\n%s\n", style.text(s.Sentence), style.text(plain.Summary(s)))
			return err
		}
	}
	return nil
}

func table(run sweep.Run, e sweep.Evaluation, specimen string, style Style) *grid {
	var rows []sweep.Result
	for _, r := range e.Results {
		if r.At.Specimen == specimen {
			rows = append(rows, r)
		}
	}
	columns := []column{
		{"frequency", "", false, func(r sweep.Result) string { return r.Freq.String() }},
	}
	if len(run.Plan.Positions) > 1 {
		columns = append(columns, column{"position", "", true, func(r sweep.Result) string { return r.At.Position }})
	}
	if len(run.Plan.Polarizations) > 1 {
		columns = append(columns, column{"polarization", "", true, func(r sweep.Result) string { return string(r.At.Polarization) }})
	}
	if run.Plan.Repeats > 1 {
		columns = append(columns, column{"repeat", "", false, func(r sweep.Result) string { return fmt.Sprint(r.At.Repeat) }})
	}
	columns = append(columns,
		column{"reference", "dBm", false, func(r sweep.Result) string { return Number(r.Reference) }},
		column{"enclosed", "dBm", false, Enclosed},
		column{"noise floor", "dBm", false, func(r sweep.Result) string { return Number(r.NoiseFloor) }},
		column{"margin", "dB", false, func(r sweep.Result) string { return Number(r.Margin) }},
		column{"SE", "dB", true, func(r sweep.Result) string { return SE(r.SE) }},
		column{"outcome", "", true, func(r sweep.Result) string { return r.Outcome.String() }},
	)
	if run.Line != nil {
		columns = append(columns,
			column{"required", "dB", false, func(r sweep.Result) string { return Optional(r.Required) }},
			column{"verdict", "", true, func(r sweep.Result) string { return verdict(r.Verdict) }})
	}
	columns = append(columns, column{"", "", true, why})

	g := &grid{}
	var titles, units []string
	for _, c := range columns {
		g.left = append(g.left, c.left)
		titles, units = append(titles, c.title), append(units, c.unit)
	}
	g.head(titles, units)
	for _, r := range rows {
		var cells []string
		for _, c := range columns {
			cells = append(cells, style.text(c.cell(r)))
		}
		g.add(cells...)
	}
	return g
}

type column struct {
	title, unit string
	left        bool // stands to the left; numbers stand to the right
	cell        func(sweep.Result) string
}

func verdict(v sweep.Verdict) string {
	if v == requirement.NotRequired {
		return None
	}
	return v.String()
}

// why is the reason of a result without a claim.
func why(r sweep.Result) string {
	if r.SE.Relation != sweep.RelationUnknown {
		return ""
	}
	return r.Reason
}

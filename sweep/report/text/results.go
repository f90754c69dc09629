package text

import (
	"fmt"
	"io"
	"math"
	"strings"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

// Style says how tables are written.
type Style struct {
	// ASCII writes ">=", "<=" and "+-" for terminals without UTF-8.
	ASCII bool
}

var plain = strings.NewReplacer("≥", ">=", "≤", "<=", "±", "+-")

// text replaces what the terminal cannot show of our own signs.
func (s Style) text(t string) string {
	if s.ASCII {
		return plain.Replace(t)
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
		if s.Specimen == specimen && s.Sentence != "" {
			_, err := fmt.Fprintf(w, "%s\n", style.text(s.Sentence))
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
		column{"reference", "dBm", false, func(r sweep.Result) string { return number(r.Reference) }},
		column{"enclosed", "dBm", false, enclosed},
		column{"noise floor", "dBm", false, func(r sweep.Result) string { return number(r.NoiseFloor) }},
		column{"margin", "dB", false, func(r sweep.Result) string { return number(r.Margin) }},
		column{"SE", "dB", true, func(r sweep.Result) string { return SE(r.SE) }},
		column{"outcome", "", true, func(r sweep.Result) string { return r.Outcome.String() }},
	)
	if run.Line != nil {
		columns = append(columns,
			column{"required", "dB", false, func(r sweep.Result) string { return optional(r.Required) }},
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

// none stands for a number that is not there.
const none = "-"

// number writes a level or a ratio with one decimal.
func number[T unit.DB | unit.DBm](v T) string {
	if p := unit.DBm(v); !p.IsFinite() {
		return none
	}
	if s := fmt.Sprintf("%.1f", float64(v)); s != "-0.0" {
		return s
	}
	return "0.0"
}

func optional(p *unit.DB) string {
	if p == nil {
		return none
	}
	return number(*p)
}

// Limits are rounded to the safe side, a lower one down and an upper one up. The
// hair keeps a decimal number from moving because it has no exact binary form.
const hair = 1e-6

func atLeast(v unit.DB) string { return number(unit.DB(math.Floor(float64(v)*10+hair) / 10)) }

func atMost(v unit.DBm) string { return number(unit.DBm(math.Ceil(float64(v)*10-hair) / 10)) }

// SE writes a shielding effectiveness in dB, without the unit, with its
// relation: "= 67.5 ± 2.1", "≥ 73.4", or "-" where there is no claim.
func SE(se sweep.SE) string {
	switch se.Relation {
	case sweep.Equal:
		return fmt.Sprintf("= %s ± %s", number(se.Value), number(se.U))
	case sweep.AtLeastRelation:
		return "≥ " + atLeast(se.Value)
	}
	return none
}

// enclosed is the level through the shield; of a bound, its upper limit.
func enclosed(r sweep.Result) string {
	switch {
	case !r.Enclosed.IsFinite():
		return none
	case r.SE.Relation == sweep.AtLeastRelation:
		return "≤ " + atMost(r.Enclosed)
	}
	return number(r.Enclosed)
}

func verdict(v sweep.Verdict) string {
	if v == requirement.NotRequired {
		return none
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

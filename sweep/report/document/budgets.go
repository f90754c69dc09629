package document

import (
	"fmt"
	"math"
	"slices"

	"lidded/sweep"
	"lidded/sweep/uncertainty"
)

// part names a component of a budget wherever it stands.
type part struct {
	name string
	side uncertainty.Side
}

// parts are the components of a run's budgets: those of one value at every claim,
// and those that differ from point to point.
type parts struct {
	same []uncertainty.Row
	vary []part
}

func partsOf(budgets []uncertainty.Result) parts {
	type kept struct {
		row    uncertainty.Row
		times  int
		varies bool
	}
	all, order, claims := map[part]*kept{}, []part{}, 0
	for _, b := range budgets {
		if len(b.Rows) == 0 {
			continue
		}
		claims++
		for _, r := range b.Rows {
			p := part{r.Name, r.Side}
			k := all[p]
			if k == nil {
				k = &kept{row: r}
				all[p] = k
				order = append(order, p)
			}
			k.times++
			k.varies = k.varies || r.Value != k.row.Value || r.DoF != k.row.DoF || r.Distribution != k.row.Distribution
		}
	}
	slices.SortFunc(order, func(a, b part) int { // whatever the first claim was
		return compareParts(a, b)
	})
	var out parts
	for _, p := range order {
		if k := all[p]; k.varies || k.times < claims {
			out.vary = append(out.vary, p)
		} else {
			out.same = append(out.same, k.row)
		}
	}
	return out
}

func compareParts(a, b part) int {
	switch {
	case a.name < b.name, a.name == b.name && a.side < b.side:
		return -1
	case a == b:
		return 0
	}
	return 1
}

// budgets are the uncertainty budgets behind every claim: what is the same
// everywhere once, and point by point what is not.
func (b *builder) budgets() Section {
	s := Section{Title: "Uncertainty budgets"}
	budgets, results := b.in.Evaluation.Budgets, b.in.Evaluation.Results
	if len(budgets) != len(results) || !slices.ContainsFunc(budgets, func(u uncertainty.Result) bool { return len(u.Rows) > 0 }) {
		b.missing = append(b.missing, "uncertainty budgets")
		s.Blocks = append(s.Blocks, Text{Missing, "There are no budgets: nothing is claimed, or the traces that they follow from are away."})
		return s
	}
	p := partsOf(budgets)
	s.Blocks = append(s.Blocks, text("Standard uncertainties are in dB. Kind A was found from a series of readings, kind B from anything other (JCGM 100:2008 4.2, 4.3). Path loss, antenna factors and the absolute level stand in both levels of the difference with the same value: they cancel and have no entry. k is the expanded over the standard uncertainty; where one component that is not normal dominates it comes from a simulation (JCGM 101:2008)."))
	if len(p.same) > 0 {
		s.Blocks = append(s.Blocks, sameTable(p.same))
	}
	for _, one := range b.in.Evaluation.Summaries {
		t := pointBudgets(one.Specimen, p, results, budgets)
		if len(t.Rows) > 0 {
			s.Blocks = append(s.Blocks, t)
		}
	}
	return s
}

func sameTable(rows []uncertainty.Row) Table {
	t := Table{Caption: "Components that are the same at every claim", Columns: []Column{
		left("component"), left("kind"), left("acts on"), right("value", "dB"), left("distribution"), right("divisor", ""), right("u", "dB"), right("dof", ""), left("in common"), left("from"),
	}}
	for _, r := range rows {
		common := "nothing"
		if r.Cancels > 0 {
			common = fmt.Sprintf("%s, cancels by %.0f %%", r.Common, 100*r.Cancels)
		}
		t.Rows = append(t.Rows, []string{
			r.Name, typeOf(r), r.Side.String(), thousandth(float64(r.Value)), r.Distribution.String(), thousandth(r.Divisor), thousandth(float64(r.Standard)), degrees(r.DoF), common, orNone(r.Source),
		})
	}
	return t
}

func typeOf(r uncertainty.Row) string {
	if r.Statistical {
		return "A"
	}
	return "B"
}

// pointBudgets is a line for each claim on a specimen.
func pointBudgets(specimen string, p parts, results []sweep.Result, budgets []uncertainty.Result) Table {
	t := Table{Caption: "Budget of each claim: " + specimen, Columns: []Column{right("frequency", ""), left("where")}}
	for _, v := range p.vary {
		t.Columns = append(t.Columns, right(shorter(v.name), "dB"))
	}
	t.Columns = append(t.Columns, right("combined u", "dB"), right("dof", ""), right("k", ""), right("±", "dB"), right("one-sided", "dB"))
	for i, r := range results {
		u := budgets[i]
		if r.At.Specimen != specimen || len(u.Rows) == 0 {
			continue
		}
		row := []string{r.Freq.String(), where(r.At)}
		for _, v := range p.vary {
			cell := orNone("")
			if k := slices.IndexFunc(u.Rows, func(r uncertainty.Row) bool { return part{r.Name, r.Side} == v }); k >= 0 {
				cell = thousandth(float64(u.Rows[k].Standard))
			}
			row = append(row, cell)
		}
		expanded, factor := orNone(""), orNone("") // a bound has no two-sided interval
		if r.SE.Relation == sweep.Equal {
			expanded, factor = thousandth(float64(u.Expanded)), fmt.Sprintf("%.2f", u.Factor)
		}
		t.Rows = append(t.Rows, append(row, thousandth(float64(u.Standard)), degrees(u.DoF), factor, expanded, thousandth(float64(u.OneSided))))
	}
	return t
}

// shorter is a component's name as the head of a narrow column.
func shorter(name string) string {
	switch name {
	case "noise of the reference":
		return "reference noise"
	case "noise of the enclosed level":
		return "enclosed noise"
	case "closing reference moved":
		return "closing moved"
	case "switching of settings":
		return "switching"
	case "repeats through the shield":
		return "repeats"
	}
	return name
}

func thousandth(v float64) string { return fmt.Sprintf("%.3f", v) }

func degrees(v float64) string {
	if math.IsInf(v, 1) {
		return "∞"
	}
	return fmt.Sprintf("%.4g", v)
}

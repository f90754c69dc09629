package document

import (
	"fmt"
	"math"

	"lidded/sweep"
	textreport "lidded/sweep/report/text"
)

// proof is a fact that the run itself may have shown; what was shown comes first.
func (b *builder) proof(name, key, during, after, shown string) Pair {
	if shown == "" {
		return b.fact(name, key, during, after)
	}
	if during != "" || after != "" {
		shown += "; " + b.fact(name, key, during, after).Value
	}
	return known(name, shown)
}

// linearityChecked says what the run's linearity check came to, "" without one.
func (b *builder) linearityChecked() string {
	list, over := b.in.Evaluation.Linearity, 0
	if len(list) == 0 {
		return ""
	}
	for _, d := range list {
		if d.Over() {
			over++
		}
	}
	return fmt.Sprintf("checked by this run (%v): %s, %d over the limit", b.in.Run.Plan.LinearityCheck, plural(len(list), "step", "steps"), over)
}

// linearity is the table of the run's linearity check.
func (b *builder) linearity() []Block {
	list := b.in.Evaluation.Linearity
	if len(list) == 0 {
		return nil
	}
	t := Table{Caption: "Linearity: how far the level fell from the known step", Columns: []Column{
		right("point", ""), right("frequency", ""), right("step", "dB"), right("deviation", "dB"), right("limit", "dB"), left("verdict"),
	}}
	for _, d := range list {
		deviation, limit, verdict := textreport.None, textreport.None, d.Reason
		if d.Reason == "" {
			deviation, limit, verdict = fmt.Sprintf("%+.2f", float64(d.Deviation)), fmt.Sprintf("%.2f", float64(d.Limit)), "within the limit"
			if d.Over() {
				verdict = "not linear: void"
			}
		}
		t.Rows = append(t.Rows, []string{fmt.Sprint(d.Point + 1), b.in.Run.Plan.Points[d.Point].Freq.String(), number(d.Step), deviation, limit, verdict})
	}
	return []Block{text("The reference was lowered by known steps. The limit is twice the standard uncertainty of the step, of the noise of both levels and of the linearity that the bench states. Below zero the level fell too little: the reference was compressed."), t}
}

// leaks are what the leakage check found at each point, once a point.
func (b *builder) leaks() []*sweep.Leak {
	out := make([]*sweep.Leak, len(b.in.Run.Plan.Points))
	for _, r := range b.in.Evaluation.Results {
		if r.Leakage != nil && r.Leakage.From == r.Point {
			out[r.Point] = r.Leakage
		}
	}
	return out
}

// leakageChecked says what the run's leakage check came to, "" without one.
func (b *builder) leakageChecked() string {
	seen, n := 0, 0
	for _, l := range b.leaks() {
		if l != nil {
			n++
			if l.Seen {
				seen++
			}
		}
	}
	if n == 0 {
		return ""
	}
	return fmt.Sprintf("checked by this run (%v) at %s, a leakage seen at %d", b.in.Run.Plan.LeakageCheck, plural(n, "frequency", "frequencies"), seen)
}

// leakage is the table of the run's leakage check.
func (b *builder) leakage() []Block {
	if b.leakageChecked() == "" {
		return nil
	}
	p := b.in.Run.Plan
	t := Table{Caption: "Leakage round the specimen", Columns: []Column{
		right("point", ""), right("frequency", ""), right("leakage", "dBm"), right("under the lowest reference", "dB"), left("seen"),
	}}
	low := map[int]float64{}
	for _, r := range b.in.Evaluation.Results {
		if v := float64(r.Reference); !math.IsNaN(v) {
			if was, ok := low[r.Point]; !ok || v < was {
				low[r.Point] = v
			}
		}
	}
	for i, l := range b.leaks() {
		if l == nil {
			continue
		}
		value, seen, under := number(l.Level), "yes", textreport.None
		if !l.Seen {
			value, seen = "≤ "+value, "no: upper limit"
		}
		if v, ok := low[i]; ok {
			under = fmt.Sprintf("%.1f", v-float64(l.Level))
		}
		t.Rows = append(t.Rows, []string{fmt.Sprint(i + 1), p.Points[i].Freq.String(), value, under, seen})
	}
	return []Block{text("With the %s, the source on and everything else as for the enclosures. An enclosed level less than %.0f dB over the leakage is no value but a bound, and the bound allows for both adding up; further over it, the leakage is part of the uncertainty, 20·log10(1 ± 10^(−d/20)).", fittedWords(p.LeakageCheck), float64(p.LeakageMargin)), t}
}

func fittedWords(f sweep.Fitting) string {
	if f == sweep.SourceLoaded {
		return "source in a load"
	}
	return "receiver terminated"
}

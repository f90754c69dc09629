package document

import (
	"fmt"
	"math"
	"strings"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/report/drawing"
	"lidded/sweep/report/plain"
	textreport "lidded/sweep/report/text"
	"lidded/sweep/requirement"
)

// summary is what a reader must know first.
func (b *builder) summary() Section {
	r := b.in.Run
	s := Section{Title: "Summary"}
	if r.State != sweep.Completed {
		reason := ""
		if r.Reason != "" {
			reason = ": " + r.Reason
		}
		s.Blocks = append(s.Blocks, Text{Caution, fmt.Sprintf("This run is not complete. It is %v%s. What is missing is not judged.", r.State, reason)})
	}
	if r.HandRead {
		s.Blocks = append(s.Blocks, Text{Caution, "Levels of this run were read off a screen by a person; there are no traces behind them."})
	}
	for _, one := range b.in.Evaluation.Summaries {
		s.Blocks = append(s.Blocks, Text{Strong, one.Sentence + "."}, Text{Plain, plain.Summary(one)})
	}
	if len(b.in.Evaluation.Summaries) == 0 {
		s.Blocks = append(s.Blocks, Text{Caution, "Nothing was captured through a shield: there is no result."})
	}
	s.Blocks = append(s.Blocks, b.verdicts(), seChart(r, b.in.Evaluation, firstOf(b.in.Evaluation.Summaries, drawing.SeriesInks), drawing.ChartHeight))
	if n := len(b.in.Evaluation.Summaries); n > drawing.SeriesInks {
		s.Blocks = append(s.Blocks, Text{Note, fmt.Sprintf("The plot shows the first %d of %d specimens; each has a plot of its own below.", drawing.SeriesInks, n)})
	}
	s.Blocks = append(s.Blocks, Text{Note, "Every value has its relation: = a measured value with its expanded uncertainty, ≥ a lower bound, because no signal was found through the shield. The SE of a specimen at a frequency is the lowest over its positions and polarizations; a lowest over bounds is itself a bound."})
	s.Blocks = append(s.Blocks, Text{Note, plain.Rule})
	for _, n := range b.in.Evaluation.Notes {
		s.Blocks = append(s.Blocks, Text{Note, "Note: " + n + "."})
	}
	if len(b.missing) > 0 {
		s.Blocks = append(s.Blocks, Text{Missing, fmt.Sprintf("Not stated, and therefore missing from this report (%s):", plural(len(b.missing), "item", "items"))}, List{Missing, b.grouped(b.missing)})
	}
	return s
}

// grouped is what is missing, a line for each specimen and one for the rest;
// specimens that miss the same share a line.
func (b *builder) grouped(missing []string) []string {
	var rest []string
	lines := map[string][]string{}
	for _, m := range missing {
		own := false
		for _, s := range b.in.Run.Specimens {
			if what, ok := strings.CutPrefix(m, s.Name+": "); ok && !own {
				own = true
				lines[s.Name] = append(lines[s.Name], what)
			}
		}
		if !own {
			rest = append(rest, m)
		}
	}
	var out, order []string
	who := map[string][]string{}
	for _, s := range b.in.Run.Specimens {
		if l := strings.Join(lines[s.Name], ", "); l != "" {
			if who[l] == nil {
				order = append(order, l)
			}
			who[l] = append(who[l], s.Name)
		}
	}
	for _, l := range order {
		out = append(out, strings.Join(who[l], ", ")+": "+l)
	}
	if len(rest) > 0 {
		out = append(out, "of the test: "+strings.Join(rest, ", "))
	}
	return out
}

func firstOf[T any](list []T, n int) []T { return list[:min(len(list), n)] }

// verdicts is a line for each specimen.
func (b *builder) verdicts() Table {
	t := Table{Caption: "Verdicts", Columns: []Column{
		left("specimen"), left("verdict"), left("lowest SE, dB"), right("at", ""), right("measured", ""), right("at least", ""), right("ambient", ""), right("void", ""), right("not captured", ""),
	}}
	for _, s := range b.in.Evaluation.Summaries {
		lowest, at := textreport.None, textreport.None
		if s.Lowest != nil {
			lowest, at = textreport.SE(s.Lowest.SE), s.Lowest.Freq.String()
		}
		c := s.Counts
		t.Rows = append(t.Rows, []string{s.Specimen, s.Verdict.String(), lowest, at, fmt.Sprint(c.Measured), fmt.Sprint(c.AtLeast), fmt.Sprint(c.Ambient), fmt.Sprint(c.Void), fmt.Sprint(c.Missing)})
	}
	return t
}

// results shows each specimen's results whole.
func (b *builder) results() Section {
	s := Section{Title: "Results"}
	for _, one := range b.in.Evaluation.Summaries {
		s.Blocks = append(s.Blocks, Text{Strong, one.Sentence + "."},
			seChart(b.in.Run, b.in.Evaluation, []sweep.Summary{one}, drawing.ChartHeight), levelChart(b.in.Run, b.in.Evaluation, one.Specimen),
			b.worstTable(one), b.resultTable(one.Specimen))
	}
	return s
}

func (b *builder) worstTable(s sweep.Summary) Table {
	t := Table{Caption: "Worst case at each frequency: " + s.Specimen, Columns: []Column{
		right("frequency", ""), left("SE, dB"), left("outcome"), right("range", "dB"), right("required", "dB"), right("headroom", "dB"), left("verdict"), left("where"), left("why"),
	}}
	for _, w := range s.Worst {
		t.Rows = append(t.Rows, []string{
			w.Freq.String(), textreport.SE(w.SE), w.Outcome.String(), number(w.Range), textreport.Optional(w.Required), headroom(w.SE, w.Headroom), verdict(w.Verdict), where(w.At), orNone(because(w)),
		})
	}
	return t
}

// because is why there is no claim, or how repeats made it.
func because(w sweep.Worst) string {
	if why := reason(w.SE, w.Reason); why != "" {
		return why
	}
	return w.Rule
}

// headroom is rounded down: it is what was shown, not more.
func headroom(se sweep.SE, h *unit.DB) string {
	if h == nil || math.IsNaN(float64(*h)) || math.IsInf(float64(*h), 0) {
		return textreport.None
	}
	if se.Relation == sweep.AtLeastRelation {
		return "≥ " + textreport.AtLeast(*h)
	}
	return textreport.AtLeast(*h)
}

func verdict(v sweep.Verdict) string {
	if v == requirement.NotRequired {
		return "not required"
	}
	return v.String()
}

// reason is why there is no claim; a bound's own reason is the same for all.
func reason(se sweep.SE, why string) string {
	if se.Relation != sweep.RelationUnknown {
		return ""
	}
	return why
}

func (b *builder) resultTable(specimen string) Table {
	t := Table{Caption: "Every position, polarization and frequency: " + specimen, Columns: []Column{
		right("frequency", ""), left("where"), right("reference", "dBm"), right("reading", "dBm"), right("noise floor", "dBm"), right("margin", "dB"), right("enclosed", "dBm"), right("range", "dB"), left("SE, dB"), left("outcome"), left("why"),
	}}
	for _, r := range b.in.Evaluation.Results {
		if r.At.Specimen != specimen {
			continue
		}
		t.Rows = append(t.Rows, []string{
			r.Freq.String(), where(r.At), number(r.Reference), number(r.Reading), number(r.NoiseFloor), number(r.Margin), textreport.Enclosed(r), number(r.DynamicRange), textreport.SE(r.SE), r.Outcome.String(), orNone(r.Reason),
		})
	}
	return t
}

// openPoint says why a point is undecided and what would decide it.
func openPoint(w sweep.Worst) (why, cure string) {
	switch {
	case w.Outcome == sweep.AmbientHeard:
		return w.Reason, "measure beside it, or when the signal is off the air"
	case w.SE.Relation == sweep.RelationUnknown:
		return w.Reason, "mend the cause and measure again"
	case w.Required == nil:
		return w.Reason, ""
	case w.SE.Relation == sweep.AtLeastRelation:
		return "the bound does not reach the requirement", textreport.AtMost(unit.DBm(*w.Required-w.SE.Value)) + " dB more dynamic range"
	}
	gap := unit.DB(math.Abs(float64(w.SE.Value - *w.Required)))
	if textreport.AtLeast(gap) == "0.0" {
		return "the value lies on the requirement", "a better specimen: no uncertainty is small enough"
	}
	return "the requirement lies within the uncertainty", "an uncertainty of at most ± " + textreport.AtLeast(gap) + " dB"
}

// failures lists what fell short, what was lost, repairs, and every other run
// of the same specimens.
func (b *builder) failures() Section {
	s := Section{Title: "Failures, repairs, retests"}
	short := Table{Caption: "Points that fall short", Columns: []Column{left("specimen"), right("frequency", ""), left("SE, dB"), right("required", "dB"), right("short by at least", "dB"), left("where")}}
	open := Table{Caption: "Points left open", Columns: []Column{left("specimen"), right("frequency", ""), left("SE, dB"), left("outcome"), right("required", "dB"), left("why"), left("what would decide it")}}
	for _, one := range b.in.Evaluation.Summaries {
		for _, w := range one.Worst {
			switch {
			case w.Verdict == requirement.FallsShort:
				by := textreport.None
				if w.Required != nil && w.SE.Relation == sweep.Equal {
					by = textreport.AtLeast(*w.Required - (w.SE.Value + w.SE.U))
				}
				short.Rows = append(short.Rows, []string{w.Specimen, w.Freq.String(), textreport.SE(w.SE), textreport.Optional(w.Required), by, where(w.At)})
			case w.Verdict == requirement.Undecided, w.SE.Relation == sweep.RelationUnknown:
				why, cure := openPoint(w)
				open.Rows = append(open.Rows, []string{w.Specimen, w.Freq.String(), textreport.SE(w.SE), w.Outcome.String(), textreport.Optional(w.Required), orNone(why), orNone(cure)})
			}
		}
	}
	for _, t := range []struct {
		table Table
		none  string
	}{
		{short, "No point falls short of the requirement."},
		{open, "No point is left open."},
	} {
		if len(t.table.Rows) == 0 {
			s.Blocks = append(s.Blocks, text("%s", t.none))
		} else {
			s.Blocks = append(s.Blocks, t.table)
		}
	}
	if len(b.lost) > 0 {
		s.Blocks = append(s.Blocks, Table{Caption: "Captures that failed; all are kept", Columns: []Column{right("no.", ""), left("what"), left("specimen"), left("where"), right("frequency", ""), left("what happened")}, Rows: b.lost})
	} else {
		s.Blocks = append(s.Blocks, text("No capture failed."))
	}
	var repairs Pairs
	for _, one := range b.in.Run.Specimens {
		repairs = append(repairs, b.fact("repairs of "+one.Name, one.Name+": repairs", orEmpty(one.Facts).Repairs, b.in.Facts.Specimens[one.Name].Repairs))
	}
	s.Blocks = append(s.Blocks, repairs)
	if len(b.in.Others) == 0 {
		s.Blocks = append(s.Blocks, text("The store holds no other run of these specimens: no earlier failure and no retest."))
		return s
	}
	t := Table{Caption: "Other runs of these specimens in the store, oldest first", Columns: []Column{left("created"), left("run"), left("plan"), left("state"), left("what it found")}}
	for _, o := range b.in.Others {
		var found []string
		for _, sum := range o.Summaries {
			found = append(found, sum.Sentence)
		}
		if len(found) == 0 {
			found = []string{"not judged here; it has a report of its own"}
		}
		state := o.Run.State.String()
		if o.Run.State != sweep.Completed && o.Run.Reason != "" {
			state += ": " + o.Run.Reason
		}
		t.Rows = append(t.Rows, []string{moment(o.Run.Created), string(o.Run.ID), o.Run.Plan, state, strings.Join(found, ". ")})
	}
	s.Blocks = append(s.Blocks, t)
	return s
}

package document

import (
	"fmt"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

// fieldsOf lists the fields a run's points speak of.
func fieldsOf(run sweep.Run) []requirement.Field {
	seen := map[requirement.Field]bool{}
	var out []requirement.Field
	for _, q := range run.Plan.Points {
		f := fieldOf(q)
		if !seen[f] {
			seen[f] = true
			out = append(out, f)
		}
	}
	return out
}

func fieldOf(q sweep.Point) requirement.Field {
	if q.Field == requirement.FieldUnknown {
		return requirement.PlaneWave
	}
	return q.Field
}

// seChart draws SE against the logarithm of frequency: the worst case of one
// or more specimens, and small marks for every single result when it is one.
func seChart(run sweep.Run, e sweep.Evaluation, specimens []sweep.Summary, height float64) Figure {
	d := &Drawing{Width: chartWidth, Height: height}
	freqs, levels := newSpan(), newSpan()
	for _, q := range run.Plan.Points {
		freqs.add(float64(q.Freq))
	}
	several := len(specimens) > 1
	for _, s := range specimens {
		for _, w := range s.Worst {
			if w.SE.Relation == sweep.RelationUnknown {
				continue
			}
			levels.add(float64(w.SE.Value))
			if w.SE.Relation == sweep.Equal {
				levels.add(float64(w.SE.Value - w.SE.U))
				levels.add(float64(w.SE.Value + w.SE.U))
			}
		}
	}
	if run.Line != nil {
		for _, q := range run.Plan.Points {
			if v, ok := run.Line.At(fieldOf(q), q.Freq); ok {
				levels.add(float64(v))
			}
		}
	}
	entries := legendOf(run, specimens)
	texts := make([]string, len(entries))
	for i, en := range entries {
		texts[i] = en.text
	}
	lines := legendLines(chartWidth-roomLeft-roomRight, texts)
	p := newPlot(d, freqs, levels, "SE, dB", true, lines)
	if run.Line != nil {
		p.requirement(run)
	}
	for i, s := range specimens {
		if !several {
			p.allResults(e, s)
		}
		for _, w := range s.Worst {
			p.worst(w, i, several)
		}
	}
	l := p.newLegend(lines)
	for _, en := range entries {
		l.entry(en.text, func(at XY) { en.mark(d, at) })
	}
	name := "all specimens"
	if !several && len(specimens) == 1 {
		name = specimens[0].Specimen
	}
	f := Figure{Drawing: d, Caption: "Shielding effectiveness against frequency: " + name}
	for _, s := range specimens {
		if f.Says != "" {
			f.Says += " "
		}
		f.Says += s.Sentence + "."
	}
	return f
}

// entry is a line of a legend.
type entry struct {
	text string
	mark func(d *Drawing, at XY)
}

func legendOf(run sweep.Run, specimens []sweep.Summary) []entry {
	var counts sweep.Counts
	for _, s := range specimens {
		counts.Measured += s.Counts.Measured
		counts.AtLeast += s.Counts.AtLeast
		counts.Ambient += s.Counts.Ambient
		counts.Void += s.Counts.Void
	}
	var out []entry
	add := func(show bool, text string, mark func(d *Drawing, at XY)) {
		if show {
			out = append(out, entry{text, mark})
		}
	}
	if run.Line != nil {
		add(true, "required ("+run.Line.Name+")", func(d *Drawing, at XY) {
			d.line(InkRequired, 1.4, XY{at.X - 6, at.Y}, XY{at.X + 6, at.Y})
		})
	}
	several := len(specimens) > 1
	ink := func(one Ink) Ink {
		if several {
			return InkText
		}
		return one
	}
	add(counts.Measured > 0, "measured, with ± uncertainty", func(d *Drawing, at XY) { d.measuredMark(at, at.Y-4.5, at.Y+4.5, ink(InkMeasured)) })
	add(counts.AtLeast > 0, "at least (lower bound)", func(d *Drawing, at XY) { d.boundMark(XY{at.X, at.Y + 3}, -1, ink(InkBound)) })
	add(counts.Ambient > 0, "somebody else's signal: no claim", func(d *Drawing, at XY) { d.ambientMark(at) })
	add(counts.Void > 0, "void: no claim", func(d *Drawing, at XY) { d.voidMark(at) })
	if several {
		for i, s := range specimens {
			add(true, tag(i)+": "+s.Specimen, func(d *Drawing, at XY) {
				d.line(inkOf(i), 2.4, XY{at.X - 5, at.Y}, XY{at.X + 5, at.Y})
			})
		}
	}
	return out
}

// tag is the letter that tells a series from others without colour.
func tag(i int) string { return string(rune('a' + i%26)) }

// requirement draws the line for every field of the plan.
func (p *plot) requirement(run sweep.Run) {
	for _, field := range fieldsOf(run) {
		for _, seg := range run.Line.Polylines(field) {
			var s Stroke
			s.Ink, s.Width = InkRequired, 1.4
			if len(seg) == 1 {
				if x := p.x(seg[0].Freq); x >= p.left && x <= p.right {
					y := p.y(float64(seg[0].SE))
					p.d.line(InkRequired, 1.4, XY{x - 5, y}, XY{x + 5, y})
				}
				continue
			}
			for i := 1; i < len(seg); i++ {
				a, b, ok := p.clip(seg[i-1], seg[i])
				if !ok {
					continue
				}
				if len(s.Points) == 0 {
					s.Points = append(s.Points, a)
				}
				s.Points = append(s.Points, b)
			}
			if len(s.Points) > 1 {
				p.d.stroke(s)
			}
		}
	}
}

// clip cuts a stretch of the line, straight against the logarithm of
// frequency, to the field's frequencies.
func (p *plot) clip(a, b requirement.Point) (from, to XY, ok bool) {
	x0, x1 := p.x(a.Freq), p.x(b.Freq)
	if x1 <= p.left || x0 >= p.right || x1 <= x0 {
		return from, to, false
	}
	at := func(x float64) XY {
		t := (x - x0) / (x1 - x0)
		return XY{x, p.y(float64(a.SE) + t*float64(b.SE-a.SE))}
	}
	return at(max(x0, p.left)), at(min(x1, p.right)), true
}

// allResults marks every single result faintly, where there are several to a
// frequency.
func (p *plot) allResults(e sweep.Evaluation, s sweep.Summary) {
	n := map[int]int{}
	for _, r := range e.Results {
		if r.At.Specimen == s.Specimen {
			n[r.Point]++
		}
	}
	for _, r := range e.Results {
		if r.At.Specimen == s.Specimen && n[r.Point] > 1 && r.SE.Relation != sweep.RelationUnknown {
			p.d.dot(XY{p.x(r.Freq), p.y(float64(r.SE.Value))}, 1.1, InkFaint, r.SE.Relation == sweep.AtLeastRelation)
		}
	}
}

func (p *plot) worst(w sweep.Worst, series int, several bool) {
	x := p.x(w.Freq)
	measured, bound := InkMeasured, InkBound
	if several {
		measured, bound = inkOf(series), inkOf(series)
	}
	switch {
	case w.SE.Relation == sweep.Equal:
		p.d.measuredMark(XY{x, p.y(float64(w.SE.Value))}, p.y(float64(w.SE.Value-w.SE.U)), p.y(float64(w.SE.Value+w.SE.U)), measured)
	case w.SE.Relation == sweep.AtLeastRelation:
		p.d.boundMark(XY{x, p.y(float64(w.SE.Value))}, -1, bound)
	case w.Outcome == sweep.AmbientHeard:
		p.d.ambientMark(XY{x, p.strip})
	default:
		p.d.voidMark(XY{x, p.strip})
	}
	if several && w.SE.Relation != sweep.RelationUnknown {
		p.d.label(XY{x + 3, p.y(float64(w.SE.Value)) + 2}, 4.5, InkText, AnchorStart, tag(series))
	}
}

// levelChart draws the levels an SE is made of: reference, enclosed, noise
// floor, of every result of a specimen.
func levelChart(run sweep.Run, e sweep.Evaluation, specimen string) Figure {
	d := &Drawing{Width: chartWidth, Height: 215}
	freqs, levels := newSpan(), newSpan()
	for _, q := range run.Plan.Points {
		freqs.add(float64(q.Freq))
	}
	var rows []sweep.Result
	for _, r := range e.Results {
		if r.At.Specimen != specimen {
			continue
		}
		rows = append(rows, r)
		for _, v := range []unit.DBm{r.Reference, r.Enclosed, r.NoiseFloor} {
			levels.add(float64(v))
		}
	}
	texts := []string{"reference", "enclosed", "enclosed, at most", "noise floor, source off"}
	lines := legendLines(chartWidth-roomLeft-roomRight, texts)
	p := newPlot(d, freqs, levels, "level, dBm", false, lines)
	square := func(at XY) { d.shape(at, InkText, false, XY{-2, -2}, XY{2, -2}, XY{2, 2}, XY{-2, 2}) }
	dash := func(at XY) { d.line(InkFaint, 1.2, XY{at.X - 3, at.Y}, XY{at.X + 3, at.Y}) }
	mark := func(f unit.Hz, v unit.DBm, draw func(at XY)) {
		if v.IsFinite() {
			draw(XY{p.x(f), p.y(float64(v))})
		}
	}
	measured := func(at XY) { d.dot(at, markSize-0.4, InkMeasured, false) }
	atMost := func(at XY) { d.boundMark(at, 1, InkBound) }
	for _, r := range rows {
		mark(r.Freq, r.NoiseFloor, dash)
		mark(r.Freq, r.Reference, square)
		if r.SE.Relation == sweep.AtLeastRelation {
			mark(r.Freq, r.Enclosed, atMost)
		} else if r.SE.Relation == sweep.Equal {
			mark(r.Freq, r.Enclosed, measured)
		}
	}
	l := p.newLegend(lines)
	for i, m := range []func(XY){square, measured, func(at XY) { atMost(XY{at.X, at.Y - 3}) }, dash} {
		l.entry(texts[i], m)
	}
	return Figure{
		Drawing: d, Caption: "Levels: " + specimen,
		Says: fmt.Sprintf("Reference, level through the shield and noise floor at each of %d results; the distance of reference and noise floor is the dynamic range.", len(rows)),
	}
}

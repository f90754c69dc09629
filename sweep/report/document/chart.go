package document

import (
	"fmt"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/report/drawing"
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
	d := &drawing.Drawing{Width: drawing.ChartWidth, Height: height}
	freqs, levels := drawing.NewSpan(), drawing.NewSpan()
	for _, q := range run.Plan.Points {
		freqs.Add(float64(q.Freq))
	}
	several := len(specimens) > 1
	for _, s := range specimens {
		for _, w := range s.Worst {
			if w.SE.Relation == sweep.RelationUnknown {
				continue
			}
			levels.Add(float64(w.SE.Value))
			if w.SE.Relation == sweep.Equal {
				levels.Add(float64(w.SE.Value - w.SE.U))
				levels.Add(float64(w.SE.Value + w.SE.U))
			}
		}
	}
	if run.Line != nil {
		for _, q := range run.Plan.Points {
			if v, ok := run.Line.At(fieldOf(q), q.Freq); ok {
				levels.Add(float64(v))
			}
		}
	}
	entries := legendOf(run, specimens)
	texts := make([]string, len(entries))
	for i, en := range entries {
		texts[i] = en.text
	}
	lines := drawing.LegendLines(drawing.ChartWidth-drawing.RoomLeft-drawing.RoomRight, texts)
	p := field{drawing.NewPlot(d, freqs, levels, "SE, dB", true, lines)}
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
	l := p.NewLegend(lines)
	for _, en := range entries {
		l.Entry(en.text, func(at drawing.XY) { en.mark(d, at) })
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
	mark func(d *drawing.Drawing, at drawing.XY)
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
	add := func(show bool, text string, mark func(d *drawing.Drawing, at drawing.XY)) {
		if show {
			out = append(out, entry{text, mark})
		}
	}
	if run.Line != nil {
		add(true, "required ("+run.Line.Name+")", func(d *drawing.Drawing, at drawing.XY) {
			d.Line(drawing.InkRequired, 1.4, drawing.At(at.X-6, at.Y), drawing.At(at.X+6, at.Y))
		})
	}
	several := len(specimens) > 1
	ink := func(one drawing.Ink) drawing.Ink {
		if several {
			return drawing.InkText
		}
		return one
	}
	add(counts.Measured > 0, "measured, with ± uncertainty", func(d *drawing.Drawing, at drawing.XY) {
		d.MeasuredMark(at, at.Y-4.5, at.Y+4.5, ink(drawing.InkMeasured))
	})
	add(counts.AtLeast > 0, "at least (lower bound)", func(d *drawing.Drawing, at drawing.XY) {
		d.BoundMark(drawing.At(at.X, at.Y+3), -1, ink(drawing.InkBound))
	})
	add(counts.Ambient > 0, "somebody else's signal: no claim", func(d *drawing.Drawing, at drawing.XY) { d.AmbientMark(at) })
	add(counts.Void > 0, "void: no claim", func(d *drawing.Drawing, at drawing.XY) { d.VoidMark(at) })
	if several {
		for i, s := range specimens {
			add(true, tag(i)+": "+s.Specimen, func(d *drawing.Drawing, at drawing.XY) {
				d.Line(drawing.InkOf(i), 2.4, drawing.At(at.X-5, at.Y), drawing.At(at.X+5, at.Y))
			})
		}
	}
	return out
}

// tag is the letter that tells a series from others without colour.
func tag(i int) string { return string(rune('a' + i%26)) }

// field is where SE is drawn.
type field struct{ *drawing.Plot }

// requirement draws the line for every field of the plan.
func (p field) requirement(run sweep.Run) {
	for _, field := range fieldsOf(run) {
		for _, seg := range run.Line.Polylines(field) {
			var s drawing.Stroke
			s.Ink, s.Width = drawing.InkRequired, 1.4
			if len(seg) == 1 {
				if x := p.X(seg[0].Freq); x >= p.Left && x <= p.Right {
					y := p.Y(float64(seg[0].SE))
					p.Sheet.Line(drawing.InkRequired, 1.4, drawing.At(x-5, y), drawing.At(x+5, y))
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
				p.Sheet.Stroke(s)
			}
		}
	}
}

// clip cuts a stretch of the line, straight against the logarithm of
// frequency, to the field's frequencies.
func (p field) clip(a, b requirement.Point) (from, to drawing.XY, ok bool) {
	x0, x1 := p.X(a.Freq), p.X(b.Freq)
	if x1 <= p.Left || x0 >= p.Right || x1 <= x0 {
		return from, to, false
	}
	at := func(x float64) drawing.XY {
		t := (x - x0) / (x1 - x0)
		return drawing.At(x, p.Y(float64(a.SE)+t*float64(b.SE-a.SE)))
	}
	return at(max(x0, p.Left)), at(min(x1, p.Right)), true
}

// allResults marks every single result faintly, where there are several to a
// frequency.
func (p field) allResults(e sweep.Evaluation, s sweep.Summary) {
	n := map[int]int{}
	for _, r := range e.Results {
		if r.At.Specimen == s.Specimen {
			n[r.Point]++
		}
	}
	for _, r := range e.Results {
		if r.At.Specimen == s.Specimen && n[r.Point] > 1 && r.SE.Relation != sweep.RelationUnknown {
			p.Sheet.Dot(drawing.At(p.X(r.Freq), p.Y(float64(r.SE.Value))), 1.1, drawing.InkFaint, r.SE.Relation == sweep.AtLeastRelation)
		}
	}
}

func (p field) worst(w sweep.Worst, series int, several bool) {
	x := p.X(w.Freq)
	measured, bound := drawing.InkMeasured, drawing.InkBound
	if several {
		measured, bound = drawing.InkOf(series), drawing.InkOf(series)
	}
	switch {
	case w.SE.Relation == sweep.Equal:
		p.Sheet.MeasuredMark(drawing.At(x, p.Y(float64(w.SE.Value))), p.Y(float64(w.SE.Value-w.SE.U)), p.Y(float64(w.SE.Value+w.SE.U)), measured)
	case w.SE.Relation == sweep.AtLeastRelation:
		p.Sheet.BoundMark(drawing.At(x, p.Y(float64(w.SE.Value))), -1, bound)
	case w.Outcome == sweep.AmbientHeard:
		p.Sheet.AmbientMark(drawing.At(x, p.Strip))
	default:
		p.Sheet.VoidMark(drawing.At(x, p.Strip))
	}
	if several && w.SE.Relation != sweep.RelationUnknown {
		p.Sheet.Label(drawing.At(x+3, p.Y(float64(w.SE.Value))+2), 4.5, drawing.InkText, drawing.AnchorStart, tag(series))
	}
}

// levelChart draws the levels an SE is made of: reference, enclosed, noise
// floor, of every result of a specimen.
func levelChart(run sweep.Run, e sweep.Evaluation, specimen string) Figure {
	d := &drawing.Drawing{Width: drawing.ChartWidth, Height: 215}
	freqs, levels := drawing.NewSpan(), drawing.NewSpan()
	for _, q := range run.Plan.Points {
		freqs.Add(float64(q.Freq))
	}
	var rows []sweep.Result
	for _, r := range e.Results {
		if r.At.Specimen != specimen {
			continue
		}
		rows = append(rows, r)
		for _, v := range []unit.DBm{r.Reference, r.Enclosed, r.NoiseFloor} {
			levels.Add(float64(v))
		}
	}
	texts := []string{"reference", "enclosed", "enclosed, at most", "noise floor, source off"}
	lines := drawing.LegendLines(drawing.ChartWidth-drawing.RoomLeft-drawing.RoomRight, texts)
	p := drawing.NewPlot(d, freqs, levels, "level, dBm", false, lines)
	square := func(at drawing.XY) {
		d.Shape(at, drawing.InkText, false, drawing.At(-2, -2), drawing.At(2, -2), drawing.At(2, 2), drawing.At(-2, 2))
	}
	dash := func(at drawing.XY) {
		d.Line(drawing.InkFaint, 1.2, drawing.At(at.X-3, at.Y), drawing.At(at.X+3, at.Y))
	}
	mark := func(f unit.Hz, v unit.DBm, draw func(at drawing.XY)) {
		if v.IsFinite() {
			draw(drawing.At(p.X(f), p.Y(float64(v))))
		}
	}
	measured := func(at drawing.XY) { d.Dot(at, drawing.MarkSize-0.4, drawing.InkMeasured, false) }
	atMost := func(at drawing.XY) { d.BoundMark(at, 1, drawing.InkBound) }
	for _, r := range rows {
		mark(r.Freq, r.NoiseFloor, dash)
		mark(r.Freq, r.Reference, square)
		if r.SE.Relation == sweep.AtLeastRelation {
			mark(r.Freq, r.Enclosed, atMost)
		} else if r.SE.Relation == sweep.Equal {
			mark(r.Freq, r.Enclosed, measured)
		}
	}
	l := p.NewLegend(lines)
	for i, m := range []func(drawing.XY){square, measured, func(at drawing.XY) { atMost(drawing.At(at.X, at.Y-3)) }, dash} {
		l.Entry(texts[i], m)
	}
	return Figure{
		Drawing: d, Caption: "Levels: " + specimen,
		Says: fmt.Sprintf("Reference, level through the shield and noise floor at each of %d results; the distance of reference and noise floor is the dynamic range.", len(rows)),
	}
}

// Package chart draws what a specimen should do, and what was measured of it,
// as PNG or SVG, with the marks of the reports.
//
// It decides nothing: bands, validity and points come from package explain.
package chart

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"lidded/driver/unit"
	"lidded/sweep/explain"
	"lidded/sweep/report/drawing"
	"lidded/sweep/wall"
)

// Format is a kind of picture.
type Format string

// The formats.
const (
	PNG Format = "png"
	SVG Format = "svg"
)

// FormatOf tells the format from a file's name.
func FormatOf(file string) (Format, error) {
	switch f := Format(strings.ToLower(strings.TrimPrefix(filepath.Ext(file), "."))); f {
	case PNG, SVG:
		return f, nil
	}
	return "", fmt.Errorf("%q: a picture's name ends in .png or .svg", file)
}

// inks tell the fields apart; a title over each panel does, too.
var inks = map[wall.Field]drawing.Ink{
	wall.Magnetic: drawing.InkOf(1), wall.Electric: drawing.InkOf(2), wall.PlaneWave: drawing.InkOf(0),
}

// Sizes in points (1/72 inch), and pixels to a point.
const (
	wide   = 680
	panel  = 210 // height of one field's panel
	top    = 30  // for the title
	bottom = 24  // for the key
	pixels = 1.5
)

// Axis of SE in dB: it always shows from zero, and never more than no
// measurement reaches. A band whose end is beyond has no edge there.
const (
	leastTop = 40
	mostTop  = 150
	step     = 20
)

// Draw writes a picture of an outlook with measured points on it, which may be
// none: a panel for each field. Where the models hold, the expected band is
// filled; where they do not, only the edges of a guess are dashed. A band is
// never a line.
func Draw(w io.Writer, format Format, o explain.Outlook, points []wall.Point) error {
	fields := fieldsOf(o, points)
	d := &drawing.Drawing{Width: wide, Height: float64(top + bottom + panel*len(fields))}
	title := o.Specimen
	if o.Title != "" {
		title += ": " + o.Title
	}
	d.Label(drawing.At(wide/2, 16), 13, drawing.InkText, drawing.AnchorMiddle, title)
	s := scaleOf(o, points)
	for i, f := range fields {
		y := float64(top + i*panel)
		d.Label(drawing.At(wide/2, y+8), 10, drawing.InkText, drawing.AnchorMiddle, f.String()+" field")
		freqs := drawing.NewSpan()
		freqs.Add(s.left)
		freqs.Add(s.right)
		p := panelOf{drawing.NewPanel(d, y+14, y+panel, freqs, s.bottom, s.top, step, "shielding effectiveness, dB")}
		p.guess(o, s)
		for _, c := range o.Curves {
			if c.Field == f {
				p.curve(c)
			}
		}
		p.points(f, points)
	}
	key(d, points)
	var whole bytes.Buffer // a torso is not a picture
	if format == SVG {
		whole.WriteString(drawing.Page(d, title, "What the specimen should do by what it is made of, field by field."))
	} else if err := drawing.PNG(&whole, d, pixels); err != nil {
		return err
	}
	_, err := whole.WriteTo(w)
	return err
}

// fieldsOf are those with an expectation or a point.
func fieldsOf(o explain.Outlook, points []wall.Point) []wall.Field {
	var out []wall.Field
	for _, f := range wall.Fields() {
		if slices.ContainsFunc(o.Curves, func(c explain.Curve) bool { return c.Field == f }) ||
			slices.ContainsFunc(points, func(q wall.Point) bool { return q.Field == f }) {
			out = append(out, f)
		}
	}
	if len(out) == 0 {
		out = []wall.Field{wall.PlaneWave}
	}
	return out
}

// scale is what the axes show.
type scale struct{ left, right, bottom, top float64 }

func scaleOf(o explain.Outlook, points []wall.Point) scale {
	s := scale{left: math.Inf(1), right: math.Inf(-1), top: leastTop}
	x := func(f unit.Hz) { s.left, s.right = min(s.left, float64(f)), max(s.right, float64(f)) }
	y := func(v unit.DB) { s.bottom, s.top = min(s.bottom, float64(v)), max(s.top, float64(v)) }
	for _, c := range o.Curves {
		for _, e := range c.At {
			x(e.Freq)
			y(e.Low)
			y(e.High)
		}
	}
	for _, q := range points {
		x(q.Freq)
		y(q.SE + q.U)
		y(q.SE - q.U)
	}
	if !(s.left < s.right) {
		s.left, s.right = 1e6, 1e9
	}
	s.top = min(math.Ceil((s.top+step/4)/step)*step, mostTop)
	s.bottom = math.Floor(s.bottom/step) * step
	return s
}

// panelOf is the field of one panel.
type panelOf struct{ *drawing.Plot }

func (p panelOf) at(f unit.Hz, v unit.DB) drawing.XY {
	return drawing.At(p.X(f), p.Y(float64(v)))
}

// guess shades where the models do not hold and marks the first resonances.
func (p panelOf) guess(o explain.Outlook, s scale) {
	from, to := max(float64(o.Validity.To), s.left), min(float64(o.Validity.ManyModes), s.right)
	if from < to {
		box(p.Sheet, drawing.InkFaint, p.X(unit.Hz(from)), p.X(unit.Hz(to)), p.Top(), p.Bottom())
	}
	for i, m := range o.Modes {
		if f := float64(m.Freq); f < s.left || f > s.right {
			continue
		}
		x := p.X(m.Freq)
		p.Sheet.Line(drawing.InkFaint, 1.2, drawing.At(x, p.Bottom()), drawing.At(x, p.Bottom()-8))
		if i == 0 {
			p.Sheet.Label(drawing.At(x, p.Bottom()-11), 8, drawing.InkFaint, drawing.AnchorMiddle, m.Name)
		}
	}
}

// box is a shaded rectangle.
func box(d *drawing.Drawing, ink drawing.Ink, left, right, top, bottom float64) {
	d.Stroke(drawing.Stroke{Points: []drawing.XY{{X: left, Y: top}, {X: right, Y: top}, {X: right, Y: bottom}, {X: left, Y: bottom}}, Ink: ink, Closed: true, Soft: true})
}

func (p panelOf) curve(c explain.Curve) {
	ink := inks[c.Field]
	for _, span := range c.Spans() {
		if len(span.At) < 2 {
			continue
		}
		low, high := make([]drawing.XY, len(span.At)), make([]drawing.XY, len(span.At))
		for i, e := range span.At {
			low[i], high[i] = p.at(e.Freq, e.Low), p.at(e.Freq, e.High)
		}
		if span.Valid {
			ring := slices.Clone(low)
			for _, q := range slices.Backward(high) {
				ring = append(ring, q)
			}
			p.Sheet.Stroke(drawing.Stroke{Points: ring, Ink: ink, Closed: true, Soft: true})
		}
		p.edge(low, ink, !span.Valid)
		p.edge(high, ink, !span.Valid)
	}
}

// edge draws the end of a band, but not where the paper ends first.
func (p panelOf) edge(edge []drawing.XY, ink drawing.Ink, dashed bool) {
	beyond := func(q drawing.XY) bool { return q.Y <= p.Top() }
	for len(edge) > 0 {
		n := slices.IndexFunc(edge, beyond)
		if n < 0 {
			n = len(edge)
		}
		if n > 1 {
			p.Sheet.Stroke(drawing.Stroke{Points: edge[:n], Ink: ink, Width: 0.9, Dashed: dashed})
		}
		edge = edge[min(n+1, len(edge)):]
	}
}

// points draws values with their uncertainty, and bounds as what they are.
func (p panelOf) points(f wall.Field, points []wall.Point) {
	for _, q := range points {
		switch at := p.at(q.Freq, q.SE); {
		case q.Field != f:
		case q.Bound:
			p.Sheet.BoundMark(at, -1, drawing.InkText)
		default:
			p.Sheet.MeasuredMark(at, p.at(q.Freq, q.SE-q.U).Y, p.at(q.Freq, q.SE+q.U).Y, drawing.InkText)
		}
	}
}

// key says what the marks mean.
func key(d *drawing.Drawing, points []wall.Point) {
	x, y := float64(drawing.RoomLeft), d.Height-8
	say := func(words string, mark func(at drawing.XY)) {
		mark(drawing.At(x+11, y-3))
		d.Label(drawing.At(x+28, y), 8, drawing.InkText, drawing.AnchorStart, words)
		x += 46 + 4.2*float64(len(words))
	}
	say("expected", func(at drawing.XY) { box(d, drawing.InkOf(0), at.X-11, at.X+11, at.Y-4, at.Y+4) })
	say("single resonances: a guess between the dashes", func(at drawing.XY) {
		box(d, drawing.InkFaint, at.X-11, at.X+11, at.Y-4, at.Y+4)
		d.Stroke(drawing.Stroke{Points: []drawing.XY{{X: at.X - 11, Y: at.Y}, {X: at.X + 11, Y: at.Y}}, Ink: drawing.InkFaint, Width: 0.9, Dashed: true})
	})
	if slices.ContainsFunc(points, func(q wall.Point) bool { return !q.Bound }) {
		say("measured", func(at drawing.XY) { d.MeasuredMark(at, at.Y+4, at.Y-4, drawing.InkText) })
	}
	if slices.ContainsFunc(points, func(q wall.Point) bool { return q.Bound }) {
		say("at least", func(at drawing.XY) { d.BoundMark(drawing.At(at.X, at.Y+3), -1, drawing.InkText) })
	}
}

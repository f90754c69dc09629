// Package chart draws what a specimen should do, and what was measured of it,
// as PNG or SVG.
//
// It owns colours, axes and file formats, and is the only importer of
// gonum/plot. It decides nothing: bands, validity and points come from package
// explain.
package chart

import (
	"bytes"
	"fmt"
	"image/color"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"lidded/driver/unit"
	"lidded/sweep/explain"
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

// Colours that people with red-green blindness can tell apart (Okabe and Ito).
var (
	colours = map[wall.Field]color.NRGBA{
		wall.Magnetic:  {0xd5, 0x5e, 0x00, 0xff},
		wall.Electric:  {0x00, 0x9e, 0x73, 0xff},
		wall.PlaneWave: {0x00, 0x72, 0xb2, 0xff},
	}
	grey  = color.NRGBA{0x70, 0x70, 0x70, 0xff}
	faint = color.NRGBA{0x70, 0x70, 0x70, 0x18}
)

const (
	wide   = 24 * vg.Centimeter
	panel  = 7.5 * vg.Centimeter // height of one field's panel
	top    = 1.1 * vg.Centimeter // for the title
	bottom = 1.0 * vg.Centimeter // for the key
	margin = 0.6 * vg.Centimeter
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
	height := top + bottom + panel*vg.Length(len(fields))
	canvas, err := draw.NewFormattedCanvas(wide, height, string(format))
	if err != nil {
		return fmt.Errorf("draw: %w", err)
	}
	page := draw.New(canvas)
	page.SetColor(color.White)
	page.Fill(page.Rectangle.Path())
	s := scaleOf(o, points)
	var plots [][]*plot.Plot
	for i, f := range fields {
		p, err := drawField(o, f, points, s)
		if err != nil {
			return err
		}
		if i < len(fields)-1 {
			p.X.Label.Text = ""
		}
		plots = append(plots, []*plot.Plot{p})
	}
	tiles := draw.Tiles{Rows: len(fields), Cols: 1, PadTop: top, PadBottom: bottom, PadLeft: margin / 2, PadRight: margin * 2, PadY: margin / 2}
	for i, row := range plot.Align(plots, tiles, page) {
		plots[i][0].Draw(row[0])
	}
	title(page, o)
	key(page, points)
	var whole bytes.Buffer // a torso is not a picture
	if _, err := canvas.WriteTo(&whole); err != nil {
		return fmt.Errorf("draw: %w", err)
	}
	_, err = whole.WriteTo(w)
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

func drawField(o explain.Outlook, f wall.Field, points []wall.Point, s scale) (*plot.Plot, error) {
	p := plot.New()
	p.Title.Text = f.String() + " field"
	p.Title.TextStyle.Font.Size = font.Points(11)
	p.X.Label.Text = "frequency"
	p.Y.Label.Text = "shielding effectiveness, dB"
	p.X.Scale = plot.LogScale{}
	p.X.Tick.Marker, p.Y.Tick.Marker = hertz{}, decibels{}
	grid := plotter.NewGrid()
	grid.Horizontal.Color, grid.Vertical.Color = color.Gray{0xdd}, color.Gray{0xdd}
	p.Add(grid)
	if err := addGuess(p, o, s); err != nil {
		return nil, err
	}
	for _, c := range o.Curves {
		if c.Field != f {
			continue
		}
		if err := addCurve(p, c, s); err != nil {
			return nil, err
		}
	}
	if err := addPoints(p, f, points, s); err != nil {
		return nil, err
	}
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = s.left, s.right, s.bottom, s.top
	return p, nil
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

// clip keeps a value on the paper.
func (s scale) clip(v unit.DB) float64 { return min(max(float64(v), s.bottom), s.top) }

// addGuess shades where the models do not hold and marks the first resonances.
func addGuess(p *plot.Plot, o explain.Outlook, s scale) error {
	from, to := max(float64(o.Validity.To), s.left), min(float64(o.Validity.ManyModes), s.right)
	if from < to {
		poly, err := plotter.NewPolygon(plotter.XYs{{X: from, Y: s.bottom}, {X: to, Y: s.bottom}, {X: to, Y: s.top}, {X: from, Y: s.top}})
		if err != nil {
			return fmt.Errorf("draw: %w", err)
		}
		poly.Color, poly.LineStyle.Width = faint, 0
		p.Add(poly)
	}
	for i, m := range o.Modes {
		f := float64(m.Freq)
		if f < s.left || f > s.right {
			continue
		}
		mark, err := plotter.NewLine(plotter.XYs{{X: f, Y: s.bottom}, {X: f, Y: s.bottom + (s.top-s.bottom)/20}})
		if err != nil {
			return fmt.Errorf("draw: %w", err)
		}
		mark.Color, mark.Width = grey, vg.Points(1.2)
		p.Add(mark)
		if i > 0 {
			continue
		}
		label, err := plotter.NewLabels(plotter.XYLabels{XYs: plotter.XYs{{X: f, Y: s.bottom + (s.top-s.bottom)/18}}, Labels: []string{m.Name}})
		if err != nil {
			return fmt.Errorf("draw: %w", err)
		}
		label.TextStyle[0].Color, label.TextStyle[0].XAlign = grey, draw.XCenter
		label.TextStyle[0].Font.Size = font.Points(9)
		p.Add(label)
	}
	return nil
}

func addCurve(p *plot.Plot, c explain.Curve, s scale) error {
	col := colours[c.Field]
	for _, span := range c.Spans() {
		if len(span.At) < 2 {
			continue
		}
		var low, high plotter.XYs
		for _, e := range span.At {
			low = append(low, plotter.XY{X: float64(e.Freq), Y: s.clip(e.Low)})
			high = append(high, plotter.XY{X: float64(e.Freq), Y: s.clip(e.High)})
		}
		if span.Valid {
			ring := slices.Clone(low)
			for _, q := range slices.Backward(high) {
				ring = append(ring, q)
			}
			poly, err := plotter.NewPolygon(ring)
			if err != nil {
				return fmt.Errorf("draw: %w", err)
			}
			fill := col
			fill.A = 0x38
			poly.Color, poly.LineStyle.Width = fill, 0
			p.Add(poly)
		}
		for _, edge := range []plotter.XYs{low, high} {
			if err := addEdge(p, edge, col, !span.Valid, s); err != nil {
				return err
			}
		}
	}
	return nil
}

// addEdge draws the end of a band, but not where the paper ends first.
func addEdge(p *plot.Plot, edge plotter.XYs, col color.Color, dashed bool, s scale) error {
	beyond := func(q plotter.XY) bool { return q.Y >= s.top }
	for len(edge) > 0 {
		n := slices.IndexFunc(edge, beyond)
		if n < 0 {
			n = len(edge)
		}
		if n > 1 {
			l, err := plotter.NewLine(edge[:n])
			if err != nil {
				return fmt.Errorf("draw: %w", err)
			}
			l.Color, l.Width = col, vg.Points(0.9)
			if dashed {
				l.Dashes = dashes
			}
			p.Add(l)
		}
		edge = edge[min(n+1, len(edge)):]
	}
	return nil
}

var dashes = []vg.Length{vg.Points(3), vg.Points(3)}

var (
	dot      = draw.GlyphStyle{Color: color.Black, Radius: vg.Points(2.2), Shape: draw.CircleGlyph{}}
	triangle = draw.GlyphStyle{Color: color.Black, Radius: vg.Points(3), Shape: draw.TriangleGlyph{}}
)

// addPoints draws values as dots with their uncertainty, bounds as triangles
// that point up: the SE lies there or above.
func addPoints(p *plot.Plot, f wall.Field, points []wall.Point, s scale) error {
	var values, bounds plotter.XYs
	var bars plotter.YErrors
	for _, q := range points {
		if q.Field != f {
			continue
		}
		xy := plotter.XY{X: float64(q.Freq), Y: s.clip(q.SE)}
		if q.Bound {
			bounds = append(bounds, xy)
			continue
		}
		values = append(values, xy)
		bars = append(bars, struct{ Low, High float64 }{float64(q.U), float64(q.U)})
	}
	if len(values) > 0 {
		dots, err := plotter.NewScatter(values)
		if err != nil {
			return fmt.Errorf("draw: %w", err)
		}
		dots.GlyphStyle = dot
		whiskers, err := plotter.NewYErrorBars(struct {
			plotter.XYs
			plotter.YErrors
		}{values, bars})
		if err != nil {
			return fmt.Errorf("draw: %w", err)
		}
		whiskers.CapWidth = vg.Points(3)
		p.Add(whiskers, dots)
	}
	if len(bounds) > 0 {
		up, err := plotter.NewScatter(bounds)
		if err != nil {
			return fmt.Errorf("draw: %w", err)
		}
		up.GlyphStyle = triangle
		p.Add(up)
	}
	return nil
}

// title writes what the picture shows.
func title(c draw.Canvas, o explain.Outlook) {
	s := o.Specimen
	if o.Title != "" {
		s += ": " + o.Title
	}
	c.FillText(text(14, draw.XCenter), vg.Point{X: c.Center().X, Y: c.Max.Y - top*0.7}, s)
}

// key says what the marks mean.
func key(c draw.Canvas, points []wall.Point) {
	x, y := c.Min.X+2*vg.Centimeter, c.Min.Y+bottom*0.45
	const swatch = 0.8 * vg.Centimeter
	say := func(words string, mark func(from vg.Point)) {
		mark(vg.Point{X: x, Y: y})
		style := text(10, draw.XLeft)
		style.YAlign = draw.YCenter
		c.FillText(style, vg.Point{X: x + swatch + vg.Points(5), Y: y}, words)
		x += swatch + style.Width(words) + vg.Points(24)
	}
	box := func(fill color.Color) func(vg.Point) {
		return func(at vg.Point) {
			c.SetColor(fill)
			c.Fill(vg.Rectangle{Min: vg.Point{X: at.X, Y: at.Y - vg.Points(4)}, Max: vg.Point{X: at.X + swatch, Y: at.Y + vg.Points(4)}}.Path())
		}
	}
	glyph := func(g draw.GlyphStyle) func(vg.Point) {
		return func(at vg.Point) { c.DrawGlyph(g, vg.Point{X: at.X + swatch/2, Y: at.Y}) }
	}
	say("expected", box(color.NRGBA{0x00, 0x72, 0xb2, 0x38}))
	say("single resonances: a guess between the dashes", func(at vg.Point) {
		box(faint)(at)
		c.StrokeLine2(draw.LineStyle{Color: grey, Width: vg.Points(0.9), Dashes: dashes}, at.X, at.Y, at.X+swatch, at.Y)
	})
	if slices.ContainsFunc(points, func(q wall.Point) bool { return !q.Bound }) {
		say("measured", glyph(dot))
	}
	if slices.ContainsFunc(points, func(q wall.Point) bool { return q.Bound }) {
		say("at least", glyph(triangle))
	}
}

func text(size float64, align draw.XAlignment) draw.TextStyle {
	return draw.TextStyle{Color: color.Black, Font: font.From(plot.DefaultFont, font.Points(size)), XAlign: align, Handler: plot.DefaultTextHandler}
}

// decibels marks every 20 dB.
type decibels struct{}

// Ticks implements plot.Ticker.
func (decibels) Ticks(lo, hi float64) []plot.Tick {
	var out []plot.Tick
	for v := math.Ceil(lo/10) * 10; v <= hi; v += 10 {
		t := plot.Tick{Value: v}
		if math.Mod(v, step) == 0 {
			t.Label = fmt.Sprint(v)
		}
		out = append(out, t)
	}
	return out
}

// hertz marks a logarithmic frequency axis at 1, 2 and 5 in each decade, with
// units; over more than three decades it names the decades alone.
type hertz struct{}

// Ticks implements plot.Ticker.
func (hertz) Ticks(lo, hi float64) []plot.Tick {
	var out []plot.Tick
	wide := math.Log10(hi/lo) > 3
	for d := math.Floor(math.Log10(lo)); d <= math.Ceil(math.Log10(hi)); d++ {
		for m := 1; m < 10; m++ {
			f := float64(m) * math.Pow(10, d)
			if f < lo*(1-1e-9) || f > hi*(1+1e-9) {
				continue
			}
			t := plot.Tick{Value: f}
			if m == 1 || (!wide && (m == 2 || m == 5)) {
				t.Label = explain.RoundFreq(unit.Hz(f)).String()
			}
			out = append(out, t)
		}
	}
	return out
}

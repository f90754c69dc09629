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
	wide = 24 * vg.Centimeter
	high = 14 * vg.Centimeter
)

// roof is how far above the highest finite figure the axis goes; a band that
// has no upper end within reach is cut off there.
const roof = 10

// Draw writes a picture of an outlook with measured points on it, which may be
// none. Where the models hold, the expected band is filled; where they do not,
// only the edges of a guess are dashed. A band is never a line.
func Draw(w io.Writer, format Format, o explain.Outlook, points []wall.Point) error {
	p, err := build(o, points)
	if err != nil {
		return err
	}
	to, err := p.WriterTo(wide, high, string(format))
	if err != nil {
		return fmt.Errorf("draw: %w", err)
	}
	var whole bytes.Buffer // a torso is not a picture
	if _, err := to.WriteTo(&whole); err != nil {
		return fmt.Errorf("draw: %w", err)
	}
	_, err = whole.WriteTo(w)
	return err
}

func build(o explain.Outlook, points []wall.Point) (*plot.Plot, error) {
	p := plot.New()
	p.Title.Text = o.Specimen
	if o.Title != "" {
		p.Title.Text += ": " + o.Title
	}
	p.Title.TextStyle.Font.Size = font.Points(13)
	p.Title.Padding = vg.Points(8)
	p.X.Label.Text = "frequency"
	p.Y.Label.Text = "shielding effectiveness, dB"
	p.X.Scale = plot.LogScale{}
	p.X.Tick.Marker = hertz{}
	grid := plotter.NewGrid()
	grid.Horizontal.Color, grid.Vertical.Color = color.Gray{0xdd}, color.Gray{0xdd}
	p.Add(grid)
	s := scaleOf(o, points)
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = s.left, s.right, s.bottom, s.top
	p.Legend.Top, p.Legend.Left = true, false
	p.Legend.Padding = vg.Points(3)
	p.Legend.TextStyle.Font.Size = font.Points(10)
	if err := addGuess(p, o, s); err != nil {
		return nil, err
	}
	for _, c := range o.Curves {
		if err := addCurve(p, c, s); err != nil {
			return nil, err
		}
	}
	return p, addPoints(p, points)
}

// scale is what the axes show.
type scale struct{ left, right, bottom, top float64 }

func scaleOf(o explain.Outlook, points []wall.Point) scale {
	s := scale{left: math.Inf(1), right: math.Inf(-1), bottom: 0, top: 20}
	x := func(f unit.Hz) { s.left, s.right = min(s.left, float64(f)), max(s.right, float64(f)) }
	y := func(v unit.DB) {
		if v < 200 {
			s.bottom, s.top = min(s.bottom, float64(v)), max(s.top, float64(v))
		}
	}
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
	s.top = math.Ceil((s.top+roof)/10) * 10
	s.bottom = math.Floor(s.bottom/10) * 10
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
		p.Legend.Add("single resonances: only a guess", poly)
	}
	for i, m := range o.Modes {
		f := float64(m.Freq)
		if f < s.left || f > s.right {
			continue
		}
		tick, err := plotter.NewLine(plotter.XYs{{X: f, Y: s.bottom}, {X: f, Y: s.bottom + (s.top-s.bottom)/30}})
		if err != nil {
			return fmt.Errorf("draw: %w", err)
		}
		tick.Color, tick.Width = grey, vg.Points(1.2)
		p.Add(tick)
		if i == 0 {
			label, err := plotter.NewLabels(plotter.XYLabels{XYs: plotter.XYs{{X: f, Y: s.bottom + (s.top-s.bottom)/26}}, Labels: []string{m.Name}})
			if err != nil {
				return fmt.Errorf("draw: %w", err)
			}
			label.TextStyle[0].Color = grey
			label.TextStyle[0].XAlign = draw.XCenter
			label.TextStyle[0].Font.Size = font.Points(9)
			p.Add(label)
		}
	}
	return nil
}

func addCurve(p *plot.Plot, c explain.Curve, s scale) error {
	named := false
	spans := c.Spans()
	for i, span := range spans {
		at := span.At
		if span.Valid && i+1 < len(spans) && len(at) > 0 {
			at = at[:len(at):len(at)] // never borrows a point from where the models do not hold
		}
		if len(at) < 2 {
			continue
		}
		var low, high plotter.XYs
		for _, e := range at {
			low = append(low, plotter.XY{X: float64(e.Freq), Y: s.clip(e.Low)})
			high = append(high, plotter.XY{X: float64(e.Freq), Y: s.clip(e.High)})
		}
		col := colours[c.Field]
		if !span.Valid {
			for _, edge := range []plotter.XYs{low, high} {
				l, err := plotter.NewLine(edge)
				if err != nil {
					return fmt.Errorf("draw: %w", err)
				}
				l.Color, l.Width, l.Dashes = col, vg.Points(0.8), []vg.Length{vg.Points(3), vg.Points(3)}
				p.Add(l)
			}
			continue
		}
		ring := append(plotter.XYs{}, low...)
		for k := len(high) - 1; k >= 0; k-- {
			ring = append(ring, high[k])
		}
		poly, err := plotter.NewPolygon(ring)
		if err != nil {
			return fmt.Errorf("draw: %w", err)
		}
		fill := col
		fill.A = 0x40
		poly.Color, poly.LineStyle.Color, poly.LineStyle.Width = fill, col, vg.Points(0.8)
		p.Add(poly)
		if !named {
			p.Legend.Add("expected, "+c.Field.String()+" field", poly)
			named = true
		}
	}
	return nil
}

// addPoints draws values as dots with their uncertainty, bounds as triangles
// that point up: the SE lies there or above.
func addPoints(p *plot.Plot, points []wall.Point) error {
	for _, f := range wall.Fields() {
		var values, bounds plotter.XYs
		var bars plotter.YErrors
		for _, q := range points {
			if q.Field != f {
				continue
			}
			xy := plotter.XY{X: float64(q.Freq), Y: float64(q.SE)}
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
			dots.GlyphStyle = draw.GlyphStyle{Color: colours[f], Radius: vg.Points(2.2), Shape: draw.CircleGlyph{}}
			whiskers, err := plotter.NewYErrorBars(struct {
				plotter.XYs
				plotter.YErrors
			}{values, bars})
			if err != nil {
				return fmt.Errorf("draw: %w", err)
			}
			whiskers.Color, whiskers.CapWidth = colours[f], vg.Points(3)
			p.Add(whiskers, dots)
			p.Legend.Add("measured, "+f.String()+" field", dots)
		}
		if len(bounds) > 0 {
			up, err := plotter.NewScatter(bounds)
			if err != nil {
				return fmt.Errorf("draw: %w", err)
			}
			up.GlyphStyle = draw.GlyphStyle{Color: colours[f], Radius: vg.Points(3), Shape: draw.TriangleGlyph{}}
			p.Add(up)
			p.Legend.Add("at least, "+f.String()+" field", up)
		}
	}
	return nil
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

// Package drawing is how pictures are drawn: a list of marks on a sheet, the scales
// of a chart, and the ways of writing them, as SVG and PNG here and as PDF by the
// report. It owns the marks of the outcomes and their colours; what is drawn it is
// told.
package drawing

// Ink says what a stroke stands for; each way of writing has its colour for it.
type Ink uint8

// The inks.
const (
	InkText Ink = iota
	InkFaint
	InkGrid
	InkRequired
	InkMeasured
	InkBound
	InkAmbient
	InkVoid
	InkSeries // and the numbers after it, for specimens over each other
)

const SeriesInks = 6

// inkOf is the ink of the i-th of several series.
func InkOf(i int) Ink { return InkSeries + Ink(i%SeriesInks) }

// XY is a place in points (1/72 inch), from the upper left corner.
type XY struct{ X, Y float64 }

// At is the place x, y.
func At(x, y float64) XY { return XY{x, y} }

// Anchor is which end of a text stands at its place.
type Anchor uint8

// The anchors.
const (
	AnchorStart Anchor = iota
	AnchorMiddle
	AnchorEnd
)

// Stroke is a line through points, closed and filled if asked.
type Stroke struct {
	Points []XY
	Ink    Ink
	Width  float64
	Closed bool
	Fill   bool // with the ink, instead of a line
	Soft   bool // filled with a fifth of the ink and without a line
	Dashed bool
	Hollow bool // closed: filled with the paper
}

// Dot is a circle.
type Dot struct {
	At     XY
	Radius float64
	Ink    Ink
	Hollow bool
}

// Label is a text of one line.
type Label struct {
	At     XY // on the base line
	Text   string
	Size   float64 // in points
	Ink    Ink
	Anchor Anchor
	Bold   bool
	Up     bool // written from below upwards
}

// Drawing is a list of marks on a sheet of Width by Height points.
type Drawing struct {
	Width, Height float64
	Marks         []any // Stroke, Dot or Label, in order
}

func (d *Drawing) Stroke(s Stroke) { d.Marks = append(d.Marks, s) }

func (d *Drawing) Line(ink Ink, width float64, points ...XY) {
	d.Stroke(Stroke{Points: points, Ink: ink, Width: width})
}

func (d *Drawing) Dot(at XY, radius float64, ink Ink, hollow bool) {
	d.Marks = append(d.Marks, Dot{at, radius, ink, hollow})
}

func (d *Drawing) Label(at XY, size float64, ink Ink, anchor Anchor, text string) {
	d.Marks = append(d.Marks, Label{At: at, Text: text, Size: size, Ink: ink, Anchor: anchor})
}

// shape is a closed figure around a place, of points relative to it.
func (d *Drawing) Shape(at XY, ink Ink, hollow bool, around ...XY) {
	s := Stroke{Ink: ink, Width: 0.9, Closed: true, Fill: !hollow, Hollow: hollow}
	for _, p := range around {
		s.Points = append(s.Points, XY{at.X + p.X, at.Y + p.Y})
	}
	d.Stroke(s)
}

// The marks of the outcomes, each with a shape of its own.
const MarkSize = 2.6

// measuredMark is a disc with a bar from low to high.
func (d *Drawing) MeasuredMark(at XY, low, high float64, ink Ink) {
	d.Line(ink, 0.7, XY{at.X, low}, XY{at.X, high})
	for _, y := range []float64{low, high} {
		d.Line(ink, 0.7, XY{at.X - 2, y}, XY{at.X + 2, y})
	}
	d.Dot(at, MarkSize-0.4, ink, false)
}

// boundMark is a hollow triangle that points where the value may be, with an
// arrow; up is -1 for "at least", 1 for "at most" (the sheet's y goes down).
func (d *Drawing) BoundMark(at XY, up float64, ink Ink) {
	tip := at.Y + up*11
	d.Line(ink, 0.7, at, XY{at.X, tip})
	d.Line(ink, 0.7, XY{at.X - 1.8, tip - up*3}, XY{at.X, tip}, XY{at.X + 1.8, tip - up*3})
	d.Shape(at, ink, true, XY{-MarkSize, -up * 1.6}, XY{MarkSize, -up * 1.6}, XY{0, up * 3.2})
}

// ambientMark is a hollow diamond.
func (d *Drawing) AmbientMark(at XY) {
	d.Shape(at, InkAmbient, true, XY{0, -3.4}, XY{3.4, 0}, XY{0, 3.4}, XY{-3.4, 0})
}

// voidMark is a cross.
func (d *Drawing) VoidMark(at XY) {
	d.Line(InkVoid, 1.1, XY{at.X - 2.6, at.Y - 2.6}, XY{at.X + 2.6, at.Y + 2.6})
	d.Line(InkVoid, 1.1, XY{at.X - 2.6, at.Y + 2.6}, XY{at.X + 2.6, at.Y - 2.6})
}

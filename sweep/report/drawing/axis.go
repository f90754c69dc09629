package drawing

import (
	"math"
	"strconv"

	"lidded/driver/unit"
)

// plot is the field of a chart: the logarithm of frequency to the right,
// decibels upwards, and below the field a strip for points without a claim.
type Plot struct {
	Sheet                    *Drawing
	Left, Right, top, bottom float64
	lo, hi                   float64 // Hz
	min, max                 float64 // dB or dBm
	Strip                    float64 // y of the strip's middle, zero: none
}

const (
	ChartWidth   = 510
	ChartHeight  = 250
	labelSize    = 7.5
	stripHeight  = 16
	legendLine   = 11
	RoomLeft     = 42
	RoomRight    = 10
	roomTop      = 8
	roomXLabels  = 28
	legendSpacer = 6
)

// Span widens values to whole steps, so that nothing stands on the edge.
type Span struct{ min, max float64 }

func NewSpan() Span { return Span{math.Inf(1), math.Inf(-1)} }

func (s *Span) Add(v float64) {
	if !math.IsNaN(v) && !math.IsInf(v, 0) {
		s.min, s.max = min(s.min, v), max(s.max, v)
	}
}

// Empty reports whether nothing was added.
func (s *Span) Empty() bool { return s.min > s.max }

// NewPlot draws the field of a chart that fills its sheet, with its scales, and
// leaves room for a legend below.
func NewPlot(d *Drawing, freqs, levels Span, quantity string, withStrip bool, legendLines int) *Plot {
	p := &Plot{Sheet: d, Left: RoomLeft, Right: d.Width - RoomRight, top: roomTop}
	p.bottom = d.Height - roomXLabels - legendSpacer - float64(legendLines)*legendLine
	if withStrip {
		p.bottom -= stripHeight
		p.Strip = p.bottom + stripHeight/2
	}
	if levels.Empty() {
		levels = Span{0, 100}
	}
	step := 10.0
	for (levels.max-levels.min)/step > 8 {
		step *= 2
	}
	p.min, p.max = step*math.Floor((levels.min-1)/step), step*math.Ceil((levels.max+2)/step)
	p.rule(freqs, step, quantity)
	return p
}

// NewPanel draws a field between two heights of a sheet, from low to high, with
// its scales.
func NewPanel(d *Drawing, top, bottom float64, freqs Span, low, high, step float64, quantity string) *Plot {
	p := &Plot{Sheet: d, Left: RoomLeft, Right: d.Width - RoomRight, top: top, bottom: bottom - roomXLabels, min: low, max: high}
	p.rule(freqs, step, quantity)
	return p
}

// rule draws the scales and the frame.
func (p *Plot) rule(freqs Span, step float64, quantity string) {
	if freqs.Empty() {
		freqs = Span{1e6, 1e9}
	}
	p.lo, p.hi = freqs.min/1.06, freqs.max*1.06
	if p.hi/p.lo < 1.2 {
		p.lo, p.hi = p.lo/1.1, p.hi*1.1
	}
	p.scaleY(step, quantity)
	p.scaleX()
	d, bottom := p.Sheet, p.bottom
	if p.Strip > 0 {
		bottom += stripHeight
	}
	d.Stroke(Stroke{Points: []XY{{p.Left, p.top}, {p.Right, p.top}, {p.Right, bottom}, {p.Left, bottom}}, Ink: InkText, Width: 0.7, Closed: true})
	if p.Strip > 0 {
		d.Line(InkText, 0.4, XY{p.Left, p.bottom}, XY{p.Right, p.bottom})
		d.Label(XY{p.Left - 4, p.Strip + 2.6}, labelSize, InkText, AnchorEnd, "no claim")
	}
}

// Top is the field's upper edge, in points of the sheet.
func (p *Plot) Top() float64 { return p.top }

// Bottom is the field's lower edge, in points of the sheet.
func (p *Plot) Bottom() float64 { return p.bottom }

func (p *Plot) X(f unit.Hz) float64 {
	return p.Left + (p.Right-p.Left)*math.Log(float64(f)/p.lo)/math.Log(p.hi/p.lo)
}

// y is where a level stands, kept within the field.
func (p *Plot) Y(v float64) float64 {
	v = max(p.min, min(p.max, v))
	return p.bottom - (p.bottom-p.top)*(v-p.min)/(p.max-p.min)
}

func (p *Plot) scaleY(step float64, quantity string) {
	for v := p.min; v <= p.max+step/2; v += step {
		y := p.Y(v)
		if v > p.min && v < p.max {
			p.Sheet.Line(InkGrid, 0.4, XY{p.Left, y}, XY{p.Right, y})
		}
		p.Sheet.Label(XY{p.Left - 4, y + 2.6}, labelSize, InkText, AnchorEnd, strconv.FormatFloat(v, 'f', 0, 64))
	}
	p.Sheet.Marks = append(p.Sheet.Marks, Label{At: XY{11, (p.top + p.bottom) / 2}, Text: quantity, Size: labelSize + 0.5, Ink: InkText, Anchor: AnchorMiddle, Up: true})
}

// scaleX rules the decades and labels what has room.
func (p *Plot) scaleX() {
	bottom := p.bottom
	if p.Strip > 0 {
		bottom += stripHeight
	}
	decades := math.Log10(p.hi / p.lo)
	labelled := map[int]bool{1: true}
	if decades < 2.5 {
		labelled[2], labelled[5] = true, true
	}
	if decades < 1 {
		labelled[3], labelled[7] = true, true
	}
	if decades < 0.6 {
		labelled[4], labelled[6], labelled[8] = true, true, true
	}
	free := math.Inf(-1)
	for e := int(math.Floor(math.Log10(p.lo))); e <= int(math.Ceil(math.Log10(p.hi))); e++ {
		for m := 1; m <= 9; m++ {
			f := float64(m) * math.Pow(10, float64(e))
			if f < p.lo || f > p.hi {
				continue
			}
			x := p.X(unit.Hz(f))
			if decades > 6 && m > 1 {
				continue
			}
			p.Sheet.Line(InkGrid, 0.4, XY{x, p.top}, XY{x, bottom})
			text := unit.Hz(f).String()
			if half := 2.1 * float64(len(text)); labelled[m] && x-half > free {
				p.Sheet.Label(XY{x, bottom + 10}, labelSize, InkText, AnchorMiddle, text)
				free = x + half + 4
			}
		}
	}
	p.Sheet.Label(XY{(p.Left + p.Right) / 2, bottom + 21}, labelSize+0.5, InkText, AnchorMiddle, "frequency")
}

// Legend writes what the marks mean, below the chart.
type Legend struct {
	p     *Plot
	x, y  float64
	lines int
}

// entryWidth is a generous estimate of a text's width in a legend.
func entryWidth(text string) float64 { return 22 + 4.1*float64(len([]rune(text))) }

// legendLines is how many lines the entries take.
func LegendLines(width float64, texts []string) int {
	x, n := 0.0, 1
	for _, t := range texts {
		w := entryWidth(t)
		if x > 0 && x+w > width {
			x, n = 0, n+1
		}
		x += w
	}
	return n
}

func (p *Plot) NewLegend(lines int) *Legend {
	return &Legend{p: p, x: p.Left, y: p.Sheet.Height - float64(lines)*legendLine + 6}
}

func (l *Legend) Entry(text string, mark func(at XY)) {
	w := entryWidth(text)
	if l.x > l.p.Left && l.x+w > l.p.Right {
		l.x, l.y = l.p.Left, l.y+legendLine
	}
	mark(XY{l.x + 6, l.y - 2.6})
	l.p.Sheet.Label(XY{l.x + 15, l.y}, labelSize, InkText, AnchorStart, text)
	l.x += w
}

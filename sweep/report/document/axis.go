package document

import (
	"math"
	"strconv"

	"lidded/driver/unit"
)

// plot is the field of a chart: the logarithm of frequency to the right,
// decibels upwards, and below the field a strip for points without a claim.
type plot struct {
	d                        *Drawing
	left, right, top, bottom float64
	lo, hi                   float64 // Hz
	min, max                 float64 // dB or dBm
	strip                    float64 // y of the strip's middle, zero: none
}

const (
	chartWidth   = 510
	chartHeight  = 250
	labelSize    = 7.5
	stripHeight  = 16
	legendLine   = 11
	roomLeft     = 42
	roomRight    = 10
	roomTop      = 8
	roomXLabels  = 28
	legendSpacer = 6
)

// span widens values to whole steps, so that nothing stands on the edge.
type span struct{ min, max float64 }

func newSpan() span { return span{math.Inf(1), math.Inf(-1)} }

func (s *span) add(v float64) {
	if !math.IsNaN(v) && !math.IsInf(v, 0) {
		s.min, s.max = min(s.min, v), max(s.max, v)
	}
}

func (s *span) empty() bool { return s.min > s.max }

// newPlot draws the field with its scales and returns it.
func newPlot(d *Drawing, freqs, levels span, quantity string, withStrip bool, legendLines int) *plot {
	p := &plot{d: d, left: roomLeft, right: d.Width - roomRight, top: roomTop}
	p.bottom = d.Height - roomXLabels - legendSpacer - float64(legendLines)*legendLine
	if withStrip {
		p.bottom -= stripHeight
		p.strip = p.bottom + stripHeight/2
	}
	if freqs.empty() {
		freqs = span{1e6, 1e9}
	}
	if levels.empty() {
		levels = span{0, 100}
	}
	p.lo, p.hi = freqs.min/1.06, freqs.max*1.06
	if p.hi/p.lo < 1.2 {
		p.lo, p.hi = p.lo/1.1, p.hi*1.1
	}
	step := 10.0
	for (levels.max-levels.min)/step > 8 {
		step *= 2
	}
	p.min, p.max = step*math.Floor((levels.min-1)/step), step*math.Ceil((levels.max+2)/step)
	p.scaleY(step, quantity)
	p.scaleX()
	bottom := p.bottom
	if withStrip {
		bottom += stripHeight
	}
	d.stroke(Stroke{Points: []XY{{p.left, p.top}, {p.right, p.top}, {p.right, bottom}, {p.left, bottom}}, Ink: InkText, Width: 0.7, Closed: true})
	if withStrip {
		d.line(InkText, 0.4, XY{p.left, p.bottom}, XY{p.right, p.bottom})
		d.label(XY{p.left - 4, p.strip + 2.6}, labelSize, InkText, AnchorEnd, "no claim")
	}
	return p
}

func (p *plot) x(f unit.Hz) float64 {
	return p.left + (p.right-p.left)*math.Log(float64(f)/p.lo)/math.Log(p.hi/p.lo)
}

// y is where a level stands, kept within the field.
func (p *plot) y(v float64) float64 {
	v = max(p.min, min(p.max, v))
	return p.bottom - (p.bottom-p.top)*(v-p.min)/(p.max-p.min)
}

func (p *plot) scaleY(step float64, quantity string) {
	for v := p.min; v <= p.max+step/2; v += step {
		y := p.y(v)
		if v > p.min && v < p.max {
			p.d.line(InkGrid, 0.4, XY{p.left, y}, XY{p.right, y})
		}
		p.d.label(XY{p.left - 4, y + 2.6}, labelSize, InkText, AnchorEnd, strconv.FormatFloat(v, 'f', 0, 64))
	}
	p.d.Marks = append(p.d.Marks, Label{At: XY{11, (p.top + p.bottom) / 2}, Text: quantity, Size: labelSize + 0.5, Ink: InkText, Anchor: AnchorMiddle, Up: true})
}

// scaleX rules the decades and labels what has room.
func (p *plot) scaleX() {
	bottom := p.bottom
	if p.strip > 0 {
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
			x := p.x(unit.Hz(f))
			if decades > 6 && m > 1 {
				continue
			}
			p.d.line(InkGrid, 0.4, XY{x, p.top}, XY{x, bottom})
			text := unit.Hz(f).String()
			if half := 2.1 * float64(len(text)); labelled[m] && x-half > free {
				p.d.label(XY{x, bottom + 10}, labelSize, InkText, AnchorMiddle, text)
				free = x + half + 4
			}
		}
	}
	p.d.label(XY{(p.left + p.right) / 2, bottom + 21}, labelSize+0.5, InkText, AnchorMiddle, "frequency")
}

// legend writes what the marks mean, below the chart.
type legend struct {
	p     *plot
	x, y  float64
	lines int
}

// entryWidth is a generous estimate of a text's width in a legend.
func entryWidth(text string) float64 { return 22 + 4.1*float64(len([]rune(text))) }

// legendLines is how many lines the entries take.
func legendLines(width float64, texts []string) int {
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

func (p *plot) newLegend(lines int) *legend {
	return &legend{p: p, x: p.left, y: p.d.Height - float64(lines)*legendLine + 6}
}

func (l *legend) entry(text string, mark func(at XY)) {
	w := entryWidth(text)
	if l.x > l.p.left && l.x+w > l.p.right {
		l.x, l.y = l.p.left, l.y+legendLine
	}
	mark(XY{l.x + 6, l.y - 2.6})
	l.p.d.label(XY{l.x + 15, l.y}, labelSize, InkText, AnchorStart, text)
	l.x += w
}

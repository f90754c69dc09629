package document

import (
	"codeberg.org/go-pdf/fpdf"

	"lidded/sweep/report/drawing"
)

// draw puts a drawing on the page, its upper left corner at x, y, k points to
// one of its own.
func (p *pdf) draw(d *drawing.Drawing, x, y, k float64) {
	at := func(q drawing.XY) (float64, float64) { return x + q.X*k, y + q.Y*k }
	for _, m := range d.Marks {
		switch m := m.(type) {
		case drawing.Stroke:
			p.stroke(m, at, k)
		case drawing.Dot:
			p.pen(m.Ink, 0.6*k)
			p.fill(m.Ink, m.Hollow)
			cx, cy := at(m.At)
			p.f.Circle(cx, cy, m.Radius*k, "FD")
		case drawing.Label:
			p.label(m, at, k)
		}
	}
}

func (p *pdf) pen(i drawing.Ink, width float64) {
	c := inkColors[i]
	p.f.SetDrawColor(c[0], c[1], c[2])
	p.f.SetLineWidth(width)
}

func (p *pdf) fill(i drawing.Ink, paper bool) {
	c := inkColors[i]
	if paper {
		c = [3]int{255, 255, 255}
	}
	p.f.SetFillColor(c[0], c[1], c[2])
}

func (p *pdf) stroke(s drawing.Stroke, at func(drawing.XY) (float64, float64), k float64) {
	if len(s.Points) == 0 {
		return
	}
	p.pen(s.Ink, s.Width*k)
	if s.Dashed {
		p.f.SetDashPattern([]float64{3 * k, 3 * k}, 0)
		defer p.f.SetDashPattern(nil, 0)
	}
	if s.Soft {
		p.f.SetAlpha(0.2, "Normal")
		defer p.f.SetAlpha(1, "Normal")
	}
	if s.Closed {
		points := make([]fpdf.PointType, len(s.Points))
		for i, q := range s.Points {
			points[i].X, points[i].Y = at(q)
		}
		how := "D"
		if s.Fill || s.Hollow || s.Soft {
			p.fill(s.Ink, s.Hollow)
			how = "FD"
		}
		p.f.Polygon(points, how)
		return
	}
	p.f.SetLineJoinStyle("round")
	for i, q := range s.Points {
		px, py := at(q)
		if i == 0 {
			p.f.MoveTo(px, py)
		} else {
			p.f.LineTo(px, py)
		}
	}
	p.f.DrawPath("D")
}

func (p *pdf) label(l drawing.Label, at func(drawing.XY) (float64, float64), k float64) {
	style := ""
	if l.Bold {
		style = "B"
	}
	p.font(style, l.Size*k)
	p.color(inkColors[l.Ink])
	text := p.clean(l.Text)
	shift := p.f.GetStringWidth(text) * float64(l.Anchor) / 2
	px, py := at(l.At)
	if l.Up {
		p.f.TransformBegin()
		p.f.TransformRotate(90, px, py)
		p.f.Text(px-shift, py, text)
		p.f.TransformEnd()
		return
	}
	p.f.Text(px-shift, py, text)
}

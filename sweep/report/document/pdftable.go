package document

import "lidded/sweep/report/drawing"

const (
	cellPad  = 3.0 // either side
	slack    = 0.6 // so that a sum of widths is not a hair wider than the whole
	longWord = 150.0
	easyCell = 72.0 // a cell up to here is better not broken
)

// table writes a table over as many pages as it takes, its head on each.
func (p *pdf) table(t Table) {
	if len(t.Rows) == 0 {
		return
	}
	size := tableSize * p.scale
	p.need(60 * p.scale)
	p.tone(Note, 8*p.scale)
	p.paragraph(t.Caption, 8*p.scale, 0)
	p.f.Ln(1)
	widths, size := p.columns(t, size)
	head := make([]string, len(t.Columns))
	for i, c := range t.Columns {
		head[i] = c.Title
		if c.Unit != "" {
			head[i] += " " + c.Unit
		}
	}
	p.row(t, head, widths, size, "B", -1)
	p.tableRule(widths, drawing.InkFaint)
	for n, r := range t.Rows {
		p.font("", size)
		if h := p.height(r, widths, size); p.room() < h {
			p.f.AddPage()
			p.row(t, head, widths, size, "B", -1)
			p.tableRule(widths, drawing.InkFaint)
		}
		p.row(t, r, widths, size, "", n)
	}
	p.tableRule(widths, drawing.InkGrid)
	p.f.Ln(7 * p.scale)
}

func (p *pdf) tableRule(widths []float64, ink drawing.Ink) {
	total := 0.0
	for _, w := range widths {
		total += w
	}
	c := inkColors[ink]
	p.f.SetDrawColor(c[0], c[1], c[2])
	p.f.SetLineWidth(0.5)
	p.f.Line(marginSide, p.f.GetY(), marginSide+total, p.f.GetY())
}

// columns shares the width out: every column gets its widest word, what is
// left goes to those that want more; a table that does not fit that way is
// written smaller.
func (p *pdf) columns(t Table, size float64) ([]float64, float64) {
	for {
		least, easy, natural := make([]float64, len(t.Columns)), make([]float64, len(t.Columns)), make([]float64, len(t.Columns))
		see := func(i int, s string) {
			least[i] = max(least[i], min(p.widest(s), longWord)+2*cellPad+slack)
			natural[i] = max(natural[i], p.f.GetStringWidth(p.clean(s))+2*cellPad+slack)
		}
		p.font("B", size)
		for i, c := range t.Columns {
			see(i, c.Title)
			see(i, c.Unit)
		}
		p.font("", size)
		for _, r := range t.Rows {
			for i, cell := range r {
				if t.Columns[i].Right { // numbers and their units stay on one line
					w := p.f.GetStringWidth(p.clean(cell)) + 2*cellPad + slack
					least[i], natural[i] = max(least[i], w), max(natural[i], w)
					continue
				}
				see(i, cell)
			}
		}
		var sumLeast, sumEasy, sumWant float64
		for i := range least {
			natural[i] = max(natural[i], least[i])
			easy[i] = max(least[i], min(natural[i], easyCell))
			sumLeast += least[i]
			sumEasy += easy[i]
		}
		if sumEasy <= bodyWidth { // short cells stay whole, long ones wrap
			least, sumLeast = easy, sumEasy
		}
		for i := range least {
			sumWant += natural[i] - least[i]
		}
		switch {
		case sumLeast+sumWant <= bodyWidth:
			return natural, size
		case sumLeast <= bodyWidth:
			for i := range least {
				least[i] += (bodyWidth - sumLeast) * (natural[i] - least[i]) / sumWant
			}
			return least, size
		case size > leastSize:
			size *= 0.95
			continue
		}
		for i := range least {
			least[i] *= bodyWidth / sumLeast
		}
		return least, size
	}
}

// height is the height of a row in the present font.
func (p *pdf) height(cells []string, widths []float64, size float64) float64 {
	n := 1
	for i, c := range cells {
		n = max(n, len(p.wrap(c, widths[i]-2*cellPad)))
	}
	return float64(n)*size*lineFactor + 2
}

// row writes a row; a row higher than a page goes on over the next.
func (p *pdf) row(t Table, cells []string, widths []float64, size float64, style string, n int) {
	p.font(style, size)
	lines := make([][]string, len(cells))
	most := 1
	for i, c := range cells {
		lines[i] = p.wrap(c, widths[i]-2*cellPad)
		most = max(most, len(lines[i]))
	}
	total := 0.0
	for _, w := range widths {
		total += w
	}
	step := size * lineFactor
	pad := 1.0
	for k := range most {
		if p.room() < step {
			p.f.AddPage()
		}
		p.font(style, size)
		p.color(inkColors[drawing.InkText])
		h := step
		if k == 0 {
			h += pad
		}
		if k == most-1 {
			h += pad
		}
		y := p.f.GetY()
		if n%2 == 1 {
			p.f.SetFillColor(243, 245, 247)
			p.f.Rect(marginSide, y, total, h, "F")
		}
		top := y
		if k == 0 {
			top += pad
		}
		x := marginSide
		for i := range cells {
			if k < len(lines[i]) {
				align := "L"
				if t.Columns[i].Right {
					align = "R"
				}
				p.f.SetXY(x+cellPad, top)
				p.f.CellFormat(widths[i]-2*cellPad, step, lines[i][k], "", 0, align, false, 0, "")
			}
			x += widths[i]
		}
		p.f.SetXY(marginSide, y+h)
	}
}

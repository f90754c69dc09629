package document

import (
	"fmt"
	"io"
	"strings"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansitalic"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"

	"lidded/sweep/report/drawing"
)

// Sizes of an A4 page in points, and of its type.
const (
	pageWidth   = 595.28
	pageHeight  = 841.89
	marginSide  = 40.0
	marginTop   = 38.0
	marginFoot  = 44.0
	bodyWidth   = pageWidth - 2*marginSide
	bodySize    = 9.0
	tableSize   = 7.0
	leastSize   = 4.5
	lineFactor  = 1.28
	family      = "body"
	allPages    = "{pages}"
	shortFactor = 0.92 // type of the one-page form
)

// inkColors are the inks on paper.
var inkColors = drawing.Colors

var cautionColor = [3]int{122, 61, 0}

// PDF writes the report as PDF with its fonts in it, plots drawn as vectors.
func (d Document) PDF(w io.Writer) error {
	scale := 1.0
	if d.OnePage {
		scale = shortFactor
	}
	for {
		p := newPDF(d, scale, true)
		p.write()
		if d.OnePage && p.f.PageCount() > 1 && scale > 0.55 {
			scale *= 0.93 // the promise is one page
			continue
		}
		if err := p.f.Output(w); err != nil {
			return fmt.Errorf("write report: %w", err)
		}
		return nil
	}
}

// pdf writes one document.
type pdf struct {
	f     *fpdf.Fpdf
	doc   Document
	scale float64
}

func newPDF(d Document, scale float64, compress bool) *pdf {
	f := fpdf.New("P", "pt", "A4", "")
	f.SetCatalogSort(true)
	f.SetCompression(compress)
	f.SetCreationDate(d.Made)
	f.SetModificationDate(d.Made)
	f.SetProducer("lidded", false)
	f.SetTitle(d.Title, true)
	f.SetSubject(d.Subtitle, true)
	f.SetLang(d.Language)
	f.SetMargins(marginSide, marginTop, marginSide)
	f.SetAutoPageBreak(false, 0)
	f.SetCellMargin(0)
	f.AddUTF8FontFromBytes(family, "", liberationsansregular.TTF)
	f.AddUTF8FontFromBytes(family, "B", liberationsansbold.TTF)
	f.AddUTF8FontFromBytes(family, "I", liberationsansitalic.TTF)
	p := &pdf{f: f, doc: d, scale: scale}
	f.AliasNbPages(allPages)
	f.SetFooterFunc(p.footer)
	return p
}

func (p *pdf) footer() {
	p.font("", 7)
	p.color(inkColors[drawing.InkFaint])
	y := pageHeight - 26
	p.f.Text(marginSide, y, p.clean(p.doc.Footer))
	n := fmt.Sprintf("page %d of %s", p.f.PageNo(), allPages)
	p.f.Text(pageWidth-marginSide-58, y, n)
}

func (p *pdf) font(style string, size float64) { p.f.SetFont(family, style, size) }

func (p *pdf) color(c [3]int) { p.f.SetTextColor(c[0], c[1], c[2]) }

func (p *pdf) write() {
	p.f.AddPage()
	p.font("B", 15*p.scale)
	p.color(inkColors[drawing.InkText])
	p.paragraph(p.doc.Title, 15*p.scale, 0)
	p.font("", bodySize*p.scale)
	p.color(inkColors[drawing.InkFaint])
	p.paragraph(p.doc.Subtitle, bodySize*p.scale, 0)
	for i, s := range p.doc.Sections {
		title := s.Title
		if !p.doc.OnePage {
			title = fmt.Sprintf("%d %s", i+1, s.Title)
		}
		p.heading(title, p.together(s.Blocks))
		for j, b := range s.Blocks {
			var next Block
			if j+1 < len(s.Blocks) {
				next = s.Blocks[j+1]
			}
			p.block(b, next)
		}
	}
}

// room is what is left of the page.
func (p *pdf) room() float64 { return pageHeight - marginFoot - p.f.GetY() }

// need starts a new page if the height given does not fit.
func (p *pdf) need(h float64) {
	if p.room() < h && p.f.GetY() > marginTop+1 {
		p.f.AddPage()
	}
}

// together is how much of a section's start stays with its heading.
func (p *pdf) together(blocks []Block) float64 {
	if len(blocks) > 1 && !p.doc.OnePage {
		if _, ok := blocks[1].(Figure); ok {
			return 330
		}
	}
	return 90 * p.scale
}

func (p *pdf) heading(title string, start float64) {
	p.f.Ln(11 * p.scale)
	p.need(start)
	size := 11.5 * p.scale
	p.f.Bookmark(p.clean(title), 0, -1)
	p.font("B", size)
	p.color(inkColors[drawing.InkText])
	p.paragraph(title, size, 0)
	p.rule(inkColors[drawing.InkFaint], 0.5)
	p.f.Ln(4 * p.scale)
}

func (p *pdf) rule(c [3]int, width float64) {
	p.f.SetDrawColor(c[0], c[1], c[2])
	p.f.SetLineWidth(width)
	y := p.f.GetY()
	p.f.Line(marginSide, y, pageWidth-marginSide, y)
}

// paragraph writes wrapped lines in the present font and colour.
func (p *pdf) paragraph(s string, size, indent float64) {
	style := p.f.GetFontStyle()
	r, g, b := p.f.GetTextColor()
	for _, line := range p.wrap(s, bodyWidth-indent) {
		p.need(size * lineFactor)
		p.font(style, size) // a new page's footer changed both
		p.color([3]int{r, g, b})
		p.f.SetX(marginSide + indent)
		p.f.CellFormat(bodyWidth-indent, size*lineFactor, line, "", 1, "L", false, 0, "")
	}
}

func (p *pdf) block(b, next Block) {
	size := bodySize * p.scale
	switch b := b.(type) {
	case Text:
		p.tone(b.Tone, size)
		h := float64(len(p.wrap(b.Text, bodyWidth))) * size * lineFactor
		if _, figure := next.(Figure); figure && b.Tone == Strong {
			h += 260 // a verdict stays with its plot
		}
		p.need(min(h, 300))
		p.tone(b.Tone, size)
		p.paragraph(before(b.Tone)+b.Text, size, 0)
		p.f.Ln(3 * p.scale)
	case List:
		for _, item := range b.Items {
			p.tone(b.Tone, size)
			p.paragraph("– "+item, size, 8)
		}
		p.f.Ln(3 * p.scale)
	case Pairs:
		p.pairs(b, size)
	case Table:
		p.table(b)
	case Figure:
		p.figure(b)
	case Lines:
		p.need(float64(len(b)) * 50)
		for _, l := range b {
			p.f.Ln(30)
			p.rule(inkColors[drawing.InkText], 0.5)
			p.f.Ln(2)
			p.tone(Note, size)
			p.paragraph(l+": name, date, signature", size, 0)
		}
	}
}

// before is the word that says a tone without colour.
func before(t Tone) string {
	if t == Caution {
		return "Caution: "
	}
	return ""
}

func (p *pdf) tone(t Tone, size float64) {
	style, c := "", inkColors[drawing.InkText]
	switch t {
	case Strong:
		style = "B"
	case Caution:
		c = cautionColor
	case Missing:
		style, c = "I", inkColors[drawing.InkFaint]
	case Note:
		c = inkColors[drawing.InkFaint]
	}
	p.font(style, size)
	p.color(c)
}

// pairs writes names to the left and values beside them.
func (p *pdf) pairs(list Pairs, size float64) {
	const name = 150.0
	for _, one := range list {
		tone := Plain
		if one.Missing {
			tone = Missing
		}
		p.tone(tone, size)
		value := p.wrap(one.Value, bodyWidth-name)
		p.tone(Note, size)
		label := p.wrap(one.Name, name-8)
		n := max(len(value), len(label))
		if h := float64(n) * size * lineFactor; h < pageHeight/2 {
			p.need(h)
		}
		for i := range n {
			p.need(size * lineFactor)
			if i < len(label) {
				p.tone(Note, size)
				p.f.SetX(marginSide)
				p.f.CellFormat(name, size*lineFactor, label[i], "", 0, "L", false, 0, "")
			}
			p.tone(tone, size)
			p.f.SetX(marginSide + name)
			v := ""
			if i < len(value) {
				v = value[i]
			}
			p.f.CellFormat(bodyWidth-name, size*lineFactor, v, "", 1, "L", false, 0, "")
		}
	}
	p.f.Ln(4 * p.scale)
}

// figure draws a drawing as wide as the text.
func (p *pdf) figure(g Figure) {
	k := bodyWidth / g.Drawing.Width
	size := 7.5 * p.scale
	h := g.Drawing.Height * k
	p.need(h + 2*size)
	top := p.f.GetY()
	p.draw(g.Drawing, marginSide, top, k)
	p.f.SetY(top + h + 2)
	p.tone(Note, size)
	p.paragraph(g.Caption, size, 0)
	p.f.Ln(4 * p.scale)
}

// clean makes a text that the fonts can write: what they have no sign for is
// written as its number, so that nothing vanishes.
func (p *pdf) clean(s string) string {
	var b strings.Builder
	for _, r := range s {
		switch {
		case r == '\n' || r == '\t':
			b.WriteByte(' ')
		case r < ' ' || r == 0x7f:
		case hasGlyph(r):
			b.WriteRune(r)
		default:
			fmt.Fprintf(&b, "(U+%04X)", r)
		}
	}
	return b.String()
}

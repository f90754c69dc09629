package drawing

import (
	"fmt"
	"html"
	"strconv"
	"strings"
)

// Colors are the inks on white paper, red, green and blue from 0 to 255.
var Colors = [][3]int{
	{27, 34, 40}, {91, 101, 109}, {221, 226, 230}, {138, 31, 92}, {11, 83, 148}, {15, 107, 79}, {138, 75, 0}, {160, 22, 22},
	{11, 83, 148}, {154, 52, 18}, {15, 107, 79}, {107, 47, 160}, {92, 84, 0}, {150, 20, 95},
}

// colorVars are the inks as the page's style names them.
var colorVars = []string{"text", "faint", "grid", "required", "measured", "bound", "ambient", "void", "s0", "s1", "s2", "s3", "s4", "s5"}

func cssColor(i Ink) string { return "var(--" + colorVars[i] + ")" }

// svg writes a drawing as an SVG element for use inside HTML.
func SVG(d *Drawing, title, says string) string {
	var b strings.Builder
	head(&b, d, title, says, "")
	return b.String()
}

// Page writes a drawing as an SVG file of its own, with its colours in it.
func Page(d *Drawing, title, says string) string {
	var b strings.Builder
	var style strings.Builder
	style.WriteString("<style>:root{--paper:#fff")
	for i, name := range colorVars {
		c := Colors[i]
		fmt.Fprintf(&style, ";--%s:#%02x%02x%02x", name, c[0], c[1], c[2])
	}
	style.WriteString(`}svg{background:var(--paper)}text{font-family:"Liberation Sans",Arial,Helvetica,sans-serif}</style>`)
	head(&b, d, title, says, style.String())
	b.WriteByte('\n')
	return strings.Replace(b.String(), "<svg ", `<svg xmlns="http://www.w3.org/2000/svg" `, 1)
}

// head writes the whole element; style stands in it first.
func head(b *strings.Builder, d *Drawing, title, says, style string) {
	fmt.Fprintf(b, `<svg viewBox="0 0 %s %s" role="img" aria-label="%s">`, place(d.Width), place(d.Height), html.EscapeString(title+". "+says))
	b.WriteString(style)
	fmt.Fprintf(b, "<title>%s</title><desc>%s</desc>\n", html.EscapeString(title), html.EscapeString(says))
	for _, m := range d.Marks {
		switch m := m.(type) {
		case Stroke:
			svgStroke(b, m)
		case Dot:
			fill := cssColor(m.Ink)
			if m.Hollow {
				fill = "var(--paper)"
			}
			fmt.Fprintf(b, `<circle cx="%s" cy="%s" r="%s" style="fill:%s;stroke:%s;stroke-width:.6"/>`, place(m.At.X), place(m.At.Y), place(m.Radius), fill, cssColor(m.Ink))
		case Label:
			svgLabel(b, m)
		}
		b.WriteByte('\n')
	}
	b.WriteString("</svg>")
}

func svgStroke(b *strings.Builder, s Stroke) {
	b.WriteString(`<path d="`)
	for i, p := range s.Points {
		op := "L"
		if i == 0 {
			op = "M"
		}
		fmt.Fprintf(b, "%s%s %s", op, place(p.X), place(p.Y))
	}
	if s.Closed {
		b.WriteString("Z")
	}
	fill := "none"
	switch {
	case s.Soft:
		fmt.Fprintf(b, `" style="fill:%s;fill-opacity:.2;stroke:none"/>`, cssColor(s.Ink))
		return
	case s.Fill:
		fill = cssColor(s.Ink)
	case s.Hollow:
		fill = "var(--paper)"
	}
	dash := ""
	if s.Dashed {
		dash = ";stroke-dasharray:3 3"
	}
	fmt.Fprintf(b, `" style="fill:%s;stroke:%s;stroke-width:%s%s"/>`, fill, cssColor(s.Ink), place(s.Width), dash)
}

func svgLabel(b *strings.Builder, l Label) {
	anchor := []string{"start", "middle", "end"}[l.Anchor]
	turn := ""
	if l.Up {
		turn = fmt.Sprintf(` transform="rotate(-90 %s %s)"`, place(l.At.X), place(l.At.Y))
	}
	weight := ""
	if l.Bold {
		weight = ";font-weight:700"
	}
	fmt.Fprintf(b, `<text x="%s" y="%s" text-anchor="%s"%s style="fill:%s;font-size:%spx%s">%s</text>`,
		place(l.At.X), place(l.At.Y), anchor, turn, cssColor(l.Ink), place(l.Size), weight, html.EscapeString(l.Text))
}

// place writes a coordinate to a hundredth.
func place(v float64) string {
	s := strconv.FormatFloat(v, 'f', 2, 64)
	s = strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
	if s == "-0" {
		return "0"
	}
	return s
}

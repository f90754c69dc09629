package document

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"

	"lidded/sweep/report/drawing"
)

//go:embed page.html
var pageSource string

//go:embed page.css
var pageStyle string

var page = template.Must(template.New("page").Funcs(template.FuncMap{
	"kind":  kindOf,
	"class": func(t Tone) string { return toneClasses[t] },
	"svg": func(d *drawing.Drawing, title, says string) template.HTML {
		return template.HTML(drawing.SVG(d, title, says))
	},
	"style": func() template.CSS { return template.CSS(pageStyle) },
	"cell":  together,
	"inc":   func(i int) int { return i + 1 },
	"anchor": func(title string) string {
		return strings.ToLower(strings.NewReplacer(" ", "-", ",", "", ":", "").Replace(title))
	},
}).Parse(pageSource))

var toneClasses = []string{"plain", "strong", "caution", "missing", "note"}

func kindOf(b Block) string {
	switch b.(type) {
	case Text:
		return "text"
	case List:
		return "list"
	case Pairs:
		return "pairs"
	case Table:
		return "table"
	case Figure:
		return "figure"
	case Lines:
		return "lines"
	}
	return ""
}

// HTML writes the report as one page that needs nothing else: styles and plots
// are in it, and it has no script.
func (d Document) HTML(w io.Writer) error {
	if err := page.Execute(w, d); err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	return nil
}

var glue = strings.NewReplacer("≥ ", "≥\u00a0", "≤ ", "≤\u00a0", "= ", "=\u00a0", " ± ", "\u00a0±\u00a0")

// together keeps a short value and its relation on one line.
func together(cell string) string {
	if len(cell) > 24 {
		return cell
	}
	return glue.Replace(cell)
}

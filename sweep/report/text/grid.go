package text

import (
	"io"
	"strings"
	"unicode/utf8"
)

// grid is a table whose columns are as wide as their widest cell.
type grid struct {
	left []bool // columns that stand to the left; numbers stand to the right
	rows [][]string
	rule int // rows of the head, below which a rule is drawn
}

// head adds the rows of the head.
func (g *grid) head(rows ...[]string) {
	g.rows = append(g.rows, rows...)
	g.rule = len(g.rows)
}

func (g *grid) add(cells ...string) { g.rows = append(g.rows, cells) }

// write writes the rows with two blanks between columns and none at the ends
// of lines. A column without a title has no rule.
func (g *grid) write(w io.Writer) error {
	var widths []int
	for _, row := range g.rows {
		for i, cell := range row {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	var b strings.Builder
	for n, row := range g.rows {
		g.line(&b, row, widths)
		if n == g.rule-1 {
			rule := make([]string, len(row))
			for i := range rule {
				if g.rows[0][i] != "" {
					rule[i] = strings.Repeat("-", widths[i])
				}
			}
			g.line(&b, rule, widths)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (g *grid) line(b *strings.Builder, row []string, widths []int) {
	var line strings.Builder
	for i, cell := range row {
		if i > 0 {
			line.WriteString("  ")
		}
		pad := strings.Repeat(" ", widths[i]-utf8.RuneCountInString(cell))
		if i < len(g.left) && g.left[i] {
			line.WriteString(cell + pad)
		} else {
			line.WriteString(pad + cell)
		}
	}
	b.WriteString(strings.TrimRight(line.String(), " ") + "\n")
}

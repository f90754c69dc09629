package document

import (
	"strings"
	"sync"

	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font/sfnt"
)

var glyphs = sync.OnceValue(func() *sfnt.Font {
	f, err := sfnt.Parse(liberationsansregular.TTF)
	if err != nil {
		return nil // the font is compiled in; TestFont reads it
	}
	return f
})

// hasGlyph reports whether the fonts can write a sign. The PDF writer itself
// knows signs of the basic plane alone.
func hasGlyph(r rune) bool {
	if r < 0x80 {
		return true
	}
	f := glyphs()
	if r > 0xffff || f == nil {
		return false
	}
	var b sfnt.Buffer
	i, err := f.GlyphIndex(&b, r)
	return err == nil && i != 0
}

// wrap breaks a text into lines of at most the width, in the present font: at
// blanks, and within words that are wider than a line.
func (p *pdf) wrap(s string, width float64) []string {
	var lines []string
	line, used := "", 0.0
	blank := p.f.GetStringWidth(" ")
	for _, word := range strings.Fields(p.clean(s)) {
		w := p.f.GetStringWidth(word)
		if line != "" && used+blank+w <= width {
			line, used = line+" "+word, used+blank+w
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for w > width {
			head := p.fit(word, width)
			lines = append(lines, head)
			word = word[len(head):]
			w = p.f.GetStringWidth(word)
		}
		line, used = word, w
	}
	if line != "" || len(lines) == 0 {
		lines = append(lines, line)
	}
	return lines
}

// fit is the longest start of a word that fits, at least one sign.
func (p *pdf) fit(word string, width float64) string {
	end := 0
	for i, r := range word {
		next := i + len(string(r))
		if end > 0 && p.f.GetStringWidth(word[:next]) > width {
			break
		}
		end = next
	}
	return word[:end]
}

// widest is the width of the widest word.
func (p *pdf) widest(s string) float64 {
	var w float64
	for _, word := range strings.Fields(p.clean(s)) {
		w = max(w, p.f.GetStringWidth(word))
	}
	return w
}

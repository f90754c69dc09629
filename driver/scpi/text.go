package scpi

import (
	"bytes"
	"fmt"
	"strings"
)

// ParseString reads one text reply. In quotes, single or double, a doubled
// quote stands for one (IEEE 488.2 8.7.8); without quotes the text is taken as
// it is, less outer blanks. Bytes outside ASCII are taken as ISO 8859-1.
func ParseString(b []byte) (string, error) {
	s := trim(b)
	if len(s) == 0 || (s[0] != '"' && s[0] != '\'') {
		return latin1(s), nil
	}
	q := s[0]
	if len(s) < 2 || s[len(s)-1] != q {
		return "", fmt.Errorf("text %s has no closing quote", show(s))
	}
	in := s[1 : len(s)-1]
	out := make([]byte, 0, len(in))
	for i := 0; i < len(in); i++ {
		if in[i] == q {
			if i+1 == len(in) || in[i+1] != q {
				return "", fmt.Errorf("text %s has a single quote inside", show(s))
			}
			i++
		}
		out = append(out, in[i])
	}
	return latin1(out), nil
}

// Quote writes a text in double quotes, inner ones doubled.
func Quote(s string) string { return `"` + strings.ReplaceAll(s, `"`, `""`) + `"` }

// Split cuts a reply at each sep that is not inside quotes: ',' for the
// elements of one answer, ';' for the answers to a compound query. The pieces
// are trimmed and alias b. An empty reply has no pieces.
func Split(b []byte, sep byte) [][]byte {
	b = trim(b)
	if len(b) == 0 {
		return nil
	}
	out := make([][]byte, 0, bytes.Count(b, []byte{sep})+1)
	var quote byte
	start := 0
	for i, c := range b {
		switch {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == sep:
			out = append(out, trim(b[start:i]))
			start = i + 1
		}
	}
	return append(out, trim(b[start:]))
}

// latin1 turns bytes outside ASCII into their ISO 8859-1 characters.
func latin1(b []byte) string {
	for _, c := range b {
		if c >= 0x80 {
			var s strings.Builder
			for _, c := range b {
				s.WriteRune(rune(c))
			}
			return s.String()
		}
	}
	return string(b)
}

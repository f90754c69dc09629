package dialect

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// format is how a number is written.
type format uint8

const (
	formatPlain    format = iota // shortest, no exponent: 433920000, -12.5
	formatFixed                  // with so many decimals
	formatInt                    // rounded to a whole number
	formatExponent               // NR3: 4.3392E+08
)

// placeholder is the one variable part of a template: "{frequency MHz .6}".
type placeholder struct {
	quantity Quantity
	wire     wire
	format   format
	decimals int
}

// template is a command with at most one placeholder.
type template struct {
	before, after string
	value         *placeholder
}

// parseTemplate reads "FREQ {frequency MHz .6}MHZ"; "{{" and "}}" stand for
// braces.
func parseTemplate(text string) (template, error) {
	parts, err := splitTemplate(text)
	if err != nil {
		return template{}, err
	}
	var t template
	for _, p := range parts {
		switch {
		case p.hole == "" && t.value == nil:
			t.before += p.literal
		case p.hole == "":
			t.after += p.literal
		case p.hole == skipWord:
			return template{}, fmt.Errorf("{skip} belongs into a reply, not into a command")
		case t.value != nil:
			return template{}, fmt.Errorf("%q has more than one placeholder: write one per command", text)
		default:
			if t.value, err = parsePlaceholder(p.hole); err != nil {
				return template{}, err
			}
		}
	}
	return t, nil
}

// quantity returns what the template needs, QuantityUnknown for nothing.
func (t template) quantity() Quantity {
	if t.value == nil {
		return QuantityUnknown
	}
	return t.value.quantity
}

// number renders the template with a number in the base unit.
func (t template) number(v float64) string {
	if t.value == nil {
		return t.before
	}
	return t.before + t.value.write(v) + t.after
}

// word renders the template with a word.
func (t template) word(w string) string {
	if t.value == nil {
		return t.before
	}
	return t.before + w + t.after
}

func (p placeholder) write(v float64) string {
	w := p.wire.toWire(v)
	switch p.format {
	case formatFixed:
		return strconv.FormatFloat(w, 'f', p.decimals, 64)
	case formatInt:
		return strconv.FormatFloat(math.Round(w), 'f', 0, 64)
	case formatExponent:
		return strconv.FormatFloat(w, 'E', -1, 64)
	}
	return plain(w)
}

const skipWord = "skip"

type piece struct{ literal, hole string }

func splitTemplate(text string) ([]piece, error) {
	var out []piece
	var lit strings.Builder
	flush := func() {
		if lit.Len() > 0 {
			out = append(out, piece{literal: lit.String()})
			lit.Reset()
		}
	}
	for i := 0; i < len(text); i++ {
		switch c := text[i]; {
		case (c == '{' || c == '}') && i+1 < len(text) && text[i+1] == c:
			lit.WriteByte(c)
			i++
		case c == '{':
			end := strings.IndexByte(text[i:], '}')
			if end < 0 {
				return nil, fmt.Errorf("%q has a { without its }: write {{ for a brace", text)
			}
			flush()
			hole := strings.TrimSpace(text[i+1 : i+end])
			if hole == "" {
				return nil, fmt.Errorf("%q has an empty placeholder: write its kind, such as {frequency}", text)
			}
			out = append(out, piece{hole: hole})
			i += end
		case c == '}':
			return nil, fmt.Errorf("%q has a } without its {: write }} for a brace", text)
		default:
			lit.WriteByte(c)
		}
	}
	flush()
	return out, nil
}

func parsePlaceholder(hole string) (*placeholder, error) {
	words := strings.Fields(hole)
	q := quantityNamed(words[0])
	if q == QuantityUnknown {
		return nil, fmt.Errorf("{%s}: unknown kind %q: known are %s", hole, words[0], strings.Join(quantityNames[1:], ", "))
	}
	p := &placeholder{quantity: q}
	if q.numeric() {
		p.wire = wires[q][0]
	}
	if q == Integer {
		p.format = formatInt
	}
	for _, w := range words[1:] {
		if !q.numeric() {
			return nil, fmt.Errorf("{%s}: a %s takes no options", hole, q)
		}
		switch digits, fixed := strings.CutPrefix(w, "."); {
		case w == "int":
			p.format = formatInt
		case w == "nr3":
			p.format = formatExponent
		case fixed:
			n, err := strconv.Atoi(digits)
			if err != nil || n < 0 || n > 15 {
				return nil, fmt.Errorf("{%s}: %q is not a number of decimals from .0 to .15", hole, w)
			}
			p.format, p.decimals = formatFixed, n
		default:
			u, ok := wireNamed(q, w)
			if !ok || u.unit == "" {
				return nil, fmt.Errorf("{%s}: unknown option %q: a %s takes a unit (%s), int, nr3 or a number of decimals such as .6", hole, w, q, wireNames(q))
			}
			p.wire = u
		}
	}
	return p, nil
}

// pattern reads a reply: literal text, {skip} for what does not matter, and one
// value.
type pattern struct {
	whole *regexp.Regexp // nil: the whole reply is the value
	wire  wire
}

func parsePattern(text string, q Quantity) (pattern, error) {
	if text == "" {
		p := pattern{}
		if q.numeric() {
			p.wire = wires[q][0]
		}
		return p, nil
	}
	parts, err := splitTemplate(text)
	if err != nil {
		return pattern{}, err
	}
	var p pattern
	var re strings.Builder
	re.WriteString(`(?is)^\s*`)
	found := false
	for i, part := range parts {
		switch {
		case part.hole == "":
			for _, r := range strings.Join(strings.Fields(part.literal), "") {
				re.WriteString(regexp.QuoteMeta(string(r)) + `\s*`) // blanks do not count
			}
		case part.hole == skipWord && i == len(parts)-1:
			re.WriteString(`.*`)
		case part.hole == skipWord:
			re.WriteString(`.*?`)
		default:
			v, err := parsePlaceholder(part.hole)
			switch {
			case err != nil:
				return pattern{}, err
			case found:
				return pattern{}, fmt.Errorf("%q has more than one value: use {skip} for the others", text)
			case v.quantity != q:
				return pattern{}, fmt.Errorf("%q reads a %s where a %s is needed: write {%s}", text, v.quantity, q, q)
			}
			found, p.wire = true, v.wire
			if q.numeric() {
				re.WriteString(`([-+]?[0-9.]+(?:[eE][-+]?[0-9]+)?(?:\s*[a-zA-Z]+)??|-{2,}|[-+]?(?:NAN|N?INF))\s*`)
			} else {
				re.WriteString(`(.+?)\s*`)
			}
		}
	}
	if !found {
		return pattern{}, fmt.Errorf("%q reads no value: add {%s} where it stands", text, q)
	}
	re.WriteString(`$`)
	if p.whole, err = regexp.Compile(re.String()); err != nil {
		return pattern{}, fmt.Errorf("%q: %w", text, err)
	}
	return p, nil
}

// value returns the part of the reply that is the value.
func (p pattern) value(reply string) (string, error) {
	if p.whole == nil {
		return strings.TrimSpace(reply), nil
	}
	m := p.whole.FindStringSubmatch(reply)
	if m == nil {
		return "", fmt.Errorf("reply %q is not of the form the dialect states", clip(reply))
	}
	return m[1], nil
}

func clip(s string) string {
	if len(s) > 64 {
		return s[:64] + "…"
	}
	return s
}

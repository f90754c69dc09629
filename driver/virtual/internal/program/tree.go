package program

import (
	"fmt"
	"strconv"
	"strings"
)

// Tree holds header patterns and what each stands for.
//
// A pattern is written as manuals write it: "[SENSe#]:FREQuency:CENTer". The
// capitals are the short form; a header node is exactly the short or the long
// form. "[...]" is optional, "|" separates alternatives of one node, "#" allows
// a numeric suffix (1 when absent), a closing "?" makes it a query. Patterns
// beginning with "*" are common commands.
type Tree[T any] struct {
	root     *node[T]
	common   map[string]T
	patterns []string
}

type node[T any] struct {
	children map[string]*node[T]
	set, ask *leaf[T]
}

type leaf[T any] struct {
	value T
	slots []int // for each "#" of the pattern: depth of its node here, -1 if left out
	marks []bool
}

// Path is where the last header of a message left the parser.
// The zero value is the root.
type Path[T any] struct {
	at    *node[T]
	given []int // suffixes of the nodes from the root to at, -1 where none
}

type part struct {
	names    []string // all accepted spellings, upper case
	optional bool
	suffix   bool
}

// Add enters a pattern. A malformed or duplicate pattern is a programming
// mistake and gives an error naming it.
func (t *Tree[T]) Add(pattern string, value T) error {
	if t.root == nil {
		t.root = &node[T]{}
		t.common = map[string]T{}
	}
	t.patterns = append(t.patterns, pattern)
	if strings.HasPrefix(pattern, "*") {
		t.common[strings.ToUpper(pattern)] = value
		return nil
	}
	body, ask := strings.CutSuffix(pattern, "?")
	parts, err := parts(body)
	if err != nil {
		return fmt.Errorf("pattern %q: %w", pattern, err)
	}
	return t.expand(pattern, t.root, parts, 0, ask, &leaf[T]{value: value})
}

// Patterns returns the patterns in the order in which they were added.
func (t *Tree[T]) Patterns() []string { return t.patterns }

func parts(body string) ([]part, error) {
	var out []part
	depth := 0
	start := 0
	flush := func(end int) error {
		text := body[start:end]
		if text == "" {
			return nil
		}
		p := part{optional: depth > 0}
		for alt := range strings.SplitSeq(text, "|") {
			if s, ok := strings.CutSuffix(alt, "#"); ok {
				alt, p.suffix = s, true
			}
			long := strings.ToUpper(alt)
			short := strings.TrimRightFunc(alt, func(r rune) bool { return r >= 'a' && r <= 'z' })
			if short == "" {
				return fmt.Errorf("node %q has no short form", text)
			}
			p.names = append(p.names, short)
			if long != short {
				p.names = append(p.names, long)
			}
		}
		out = append(out, p)
		return nil
	}
	for i := 0; i < len(body); i++ {
		switch body[i] {
		case ':', '[', ']':
			if err := flush(i); err != nil {
				return nil, err
			}
			switch body[i] {
			case '[':
				depth++
			case ']':
				depth--
			}
			start = i + 1
		}
	}
	if err := flush(len(body)); err != nil {
		return nil, err
	}
	if depth != 0 || len(out) == 0 {
		return nil, fmt.Errorf("brackets do not match")
	}
	return out, nil
}

func (t *Tree[T]) expand(pattern string, at *node[T], rest []part, depth int, ask bool, lf *leaf[T]) error {
	if len(rest) == 0 {
		if at == t.root {
			return nil
		}
		place := &at.set
		if ask {
			place = &at.ask
		}
		if *place != nil {
			return fmt.Errorf("pattern %q is entered twice", pattern)
		}
		*place = lf
		return nil
	}
	p := rest[0]
	with := &leaf[T]{value: lf.value, slots: lf.slots, marks: append(lf.marks[:len(lf.marks):len(lf.marks)], p.suffix)}
	if p.suffix {
		with.slots = append(lf.slots[:len(lf.slots):len(lf.slots)], depth)
	}
	next := at.child(p.names)
	if err := t.expand(pattern, next, rest[1:], depth+1, ask, with); err != nil {
		return err
	}
	if !p.optional {
		return nil
	}
	without := &leaf[T]{value: lf.value, slots: lf.slots, marks: lf.marks}
	if p.suffix {
		without.slots = append(lf.slots[:len(lf.slots):len(lf.slots)], -1)
	}
	return t.expand(pattern, at, rest[1:], depth, ask, without)
}

func (n *node[T]) child(names []string) *node[T] {
	if n.children == nil {
		n.children = map[string]*node[T]{}
	}
	next := n.children[names[0]]
	if next == nil {
		next = &node[T]{}
	}
	for _, name := range names {
		n.children[name] = next
	}
	return next
}

// Find resolves a header from the path and moves the path to the header's
// parent. suffixes holds one number for each "#" of the pattern. Common
// commands leave the path alone. An unknown header gives -113.
func (t *Tree[T]) Find(path *Path[T], header string) (value T, suffixes []int, err *Error) {
	var none T
	if len(header) > 1 && header[0] == '*' {
		v, ok := t.common[strings.ToUpper(header)]
		if !ok {
			return none, nil, Fail(-113, header)
		}
		return v, nil, nil
	}
	body, ask := strings.CutSuffix(header, "?")
	at := path.at
	var store [16]int
	given := append(store[:0], path.given...)
	if rooted, ok := strings.CutPrefix(body, ":"); ok {
		body, at = rooted, nil
	}
	if at == nil {
		at, given = t.root, given[:0]
	}
	own := len(given)
	parent := at
	for body != "" {
		name := body
		if i := strings.IndexByte(body, ':'); i >= 0 {
			name, body = body[:i], body[i+1:]
			if body == "" {
				return none, nil, Fail(-102, header)
			}
		} else {
			body = ""
		}
		name, suffix, e := cutSuffix(name)
		if e != nil {
			e.Info = header
			return none, nil, e
		}
		next := at.children[name]
		if next == nil {
			return none, nil, Fail(-113, header)
		}
		given = append(given, suffix)
		parent, at = at, next
	}
	lf := at.set
	if ask {
		lf = at.ask
	}
	if lf == nil || len(given) == own {
		return none, nil, Fail(-113, header)
	}
	for i, n := range given {
		if n >= 0 && !lf.marks[i] && i >= own {
			return none, nil, Fail(-114, header)
		}
	}
	for _, d := range lf.slots {
		n := 1
		if d >= 0 && given[d] >= 0 {
			n = given[d]
		}
		suffixes = append(suffixes, n)
	}
	path.at, path.given = parent, append(path.given[:0], given[:len(given)-1]...)
	return lf.value, suffixes, nil
}

// cutSuffix separates a header node from its number; -1 means none.
func cutSuffix(s string) (string, int, *Error) {
	end := len(s)
	for end > 0 && s[end-1] >= '0' && s[end-1] <= '9' {
		end--
	}
	name, ok := upper(s[:end])
	if !ok {
		return "", 0, Fail(-101, "")
	}
	if end == len(s) {
		return name, -1, nil
	}
	n, err := strconv.Atoi(s[end:])
	if err != nil {
		return "", 0, Fail(-114, "")
	}
	return name, n, nil
}

// upper returns s in upper case, without allocation if it is already; ok is
// false if a character cannot stand in a mnemonic.
func upper(s string) (string, bool) {
	lower := false
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case c >= 'A' && c <= 'Z' || c == '_' || c >= '0' && c <= '9':
		case c >= 'a' && c <= 'z':
			lower = true
		default:
			return "", false
		}
	}
	if lower {
		return strings.ToUpper(s), true
	}
	return s, true
}

package openapi

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// Break is one way in which a newer document breaks a client of the older one.
type Break struct {
	Where string // "GET /v1/runs answer 200 runs[].state"
	What  string
}

func (b Break) String() string { return b.Where + ": " + b.What }

// Breaks lists where a client that keeps to the old document would fail against the
// new one. What is asked may be asked more freely and answered more strictly,
// never the other way: in a request nothing may be newly required, refused or
// narrowed; in an answer nothing may be missing or be something else. A new member
// of an answer, and a new value of one of its lists of words, is no break: a client
// must bear them.
func Breaks(old, now *Document) []Break {
	c := &comparison{old: old, now: now, seen: map[[3]string]bool{}}
	for _, r := range old.routes() {
		at := r.Method + " " + r.Path
		op, ok := now.Paths[r.Path][strings.ToLower(r.Method)]
		if !ok {
			c.add(at, "is gone")
			continue
		}
		c.operation(at, r.Operation, op)
	}
	return c.found
}

type comparison struct {
	old, now *Document
	found    []Break
	seen     map[[3]string]bool // pairs of named schemas that were compared, by direction
}

func (c *comparison) add(where, format string, args ...any) {
	c.found = append(c.found, Break{where, fmt.Sprintf(format, args...)})
}

// roles in rising order, as tokens have them.
var roles = []string{"", "scrape", "read", "operate", "administer"}

func (c *comparison) operation(at string, old, now Operation) {
	if a, b := old.needs(), now.needs(); slices.Index(roles, b) > slices.Index(roles, a) {
		c.add(at, "needs the role %q, and needed %q", b, a)
	}
	c.parameters(at, old.Parameters, now.Parameters)
	switch {
	case old.Body == nil && now.Body != nil && now.Body.Required:
		c.add(at+" body", "is newly required")
	case old.Body != nil && now.Body == nil:
		c.add(at+" body", "is no longer taken")
	case old.Body != nil:
		if now.Body.Required && !old.Body.Required {
			c.add(at+" body", "is newly required")
		}
		c.content(at+" body", old.Body.Content, now.Body.Content, asked)
	}
	for _, status := range slices.Sorted(maps.Keys(old.Responses)) {
		where := at + " answer " + status
		r, ok := now.Responses[status]
		if !ok {
			if status[0] == '2' {
				c.add(where, "is gone")
			}
			continue
		}
		c.content(where, old.Responses[status].Content, r.Content, answered)
	}
}

func (c *comparison) parameters(at string, old, now []Parameter) {
	find := func(all []Parameter, p Parameter) *Parameter {
		for i := range all {
			if all[i].Name == p.Name && all[i].In == p.In {
				return &all[i]
			}
		}
		return nil
	}
	for _, p := range old {
		where := fmt.Sprintf("%s %s %s", at, p.In, p.Name)
		q := find(now, p)
		if q == nil {
			c.add(where, "is no longer taken")
			continue
		}
		if q.Required && !p.Required {
			c.add(where, "is newly required")
		}
		c.schema(where, p.Schema, q.Schema, asked)
	}
	for _, q := range now {
		if q.Required && find(old, q) == nil {
			c.add(fmt.Sprintf("%s %s %s", at, q.In, q.Name), "is new and required")
		}
	}
}

func (c *comparison) content(at string, old, now map[string]Media, d direction) {
	for _, media := range slices.Sorted(maps.Keys(old)) {
		m, ok := now[media]
		if !ok {
			c.add(at, "is no longer %s", media)
			continue
		}
		c.schema(at, old[media].Schema, m.Schema, d)
	}
}

// direction is the way a value goes.
type direction string

const (
	asked    direction = "asked"
	answered direction = "answered"
)

// schema compares what a value may be.
func (c *comparison) schema(at string, old, now *Schema, d direction) {
	if old == nil || now == nil {
		if old != now && d == answered {
			c.add(at, "is described differently: the schema came or went")
		}
		return
	}
	if old.Ref != "" && now.Ref != "" {
		pair := [3]string{old.Ref, now.Ref, string(d)}
		if c.seen[pair] {
			return
		}
		c.seen[pair] = true
	}
	was, is := c.old.resolve(old), c.now.resolve(now)
	if was == nil || is == nil {
		c.add(at, "refers to a schema that is not there (%s, %s)", old.Ref, now.Ref)
		return
	}
	c.types(at, was, is, d)
	c.words(at, was, is, d)
	if d == asked {
		c.limits(at, was, is)
	}
	if was.Items != nil && is.Items != nil {
		c.schema(at+"[]", was.Items, is.Items, d)
	}
	if a, b := was.others(), is.others(); a != nil && b != nil {
		c.schema(at+"{}", a, b, d)
	}
	c.members(at, was, is, d)
}

// types: what was taken must still be taken, what is answered must have been known.
func (c *comparison) types(at string, old, now *Schema, d direction) {
	from, to, what := old.Types, now.Types, "is no longer taken as %s"
	if d == answered {
		from, to, what = now.Types, old.Types, "may now be %s"
	}
	if len(to) == 0 {
		return // any
	}
	if len(from) == 0 {
		c.add(at, what, "anything")
		return
	}
	for _, t := range from {
		if !slices.Contains(to, t) && (t != "integer" || !slices.Contains(to, "number")) {
			c.add(at, what, t)
		}
	}
	if old.Format != now.Format && (d == asked && now.Format != "" || d == answered && old.Format != "") {
		c.add(at, "has the format %q, and had %q", now.Format, old.Format)
	}
}

// words: a list of words may grow, and what had none must not be bound to one when
// it is asked.
func (c *comparison) words(at string, old, now *Schema, d direction) {
	switch {
	case len(old.Enum) == 0 && len(now.Enum) > 0 && d == asked:
		c.add(at, "is newly bound to %v", now.Enum)
	case len(old.Enum) > 0 && len(now.Enum) == 0 && d == answered:
		c.add(at, "is no longer bound to %v", old.Enum)
	case len(now.Enum) > 0:
		for _, w := range old.Enum {
			if !slices.Contains(now.Enum, w) {
				c.add(at, "has no %q any more", w)
			}
		}
	}
}

// limits of what is asked must not get narrower.
func (c *comparison) limits(at string, old, now *Schema) {
	for _, l := range []struct {
		name     string
		old, now *float64
		least    bool
	}{
		{"minimum", old.Minimum, now.Minimum, true}, {"maximum", old.Maximum, now.Maximum, false},
		{"minLength", old.MinLength, now.MinLength, true}, {"maxLength", old.MaxLength, now.MaxLength, false},
		{"minItems", old.MinItems, now.MinItems, true}, {"maxItems", old.MaxItems, now.MaxItems, false},
	} {
		if l.now != nil && (l.old == nil || l.least && *l.now > *l.old || !l.least && *l.now < *l.old) {
			c.add(at, "has a narrower %s, %g", l.name, *l.now)
		}
	}
	if now.Pattern != "" && now.Pattern != old.Pattern {
		c.add(at, "has another pattern, %s", now.Pattern)
	}
	if now.UniqueItems && !old.UniqueItems {
		c.add(at, "no longer takes the same entry twice")
	}
	if now.closed() && !old.closed() {
		c.add(at, "no longer takes members that it does not name")
	}
}

func (c *comparison) members(at string, old, now *Schema, d direction) {
	for _, name := range slices.Sorted(maps.Keys(old.Properties)) {
		where := at + "." + name
		p, ok := now.Properties[name]
		switch {
		case !ok && d == answered:
			c.add(where, "is gone")
		case !ok && now.closed():
			c.add(where, "is no longer taken")
		}
		if !ok {
			continue
		}
		was, is := slices.Contains(old.Required, name), slices.Contains(now.Required, name)
		switch {
		case d == asked && is && !was:
			c.add(where, "is newly required")
		case d == answered && was && !is:
			c.add(where, "may now be left out")
		}
		c.schema(where, old.Properties[name], p, d)
	}
	if d != asked {
		return
	}
	for _, name := range now.Required {
		if _, ok := old.Properties[name]; !ok {
			c.add(at+"."+name, "is new and required")
		}
	}
}

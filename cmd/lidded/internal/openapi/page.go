package openapi

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"html/template"
	"maps"
	"slices"
	"strconv"
	"strings"
)

//go:embed page.html
var pageText string

// Style is the sheet that the page asks for, at the address given to Page.
//
//go:embed page.css
var Style []byte

// Page makes a page of the document: every operation with what it takes and gives,
// every schema, and a command line for each. It has no script. style is the
// address of the sheet.
func Page(d *Document, style string) ([]byte, error) {
	t, err := template.New("page").Funcs(template.FuncMap{
		"paragraphs": func(s string) []string { return strings.Split(s, "\n") },
		"kind":       kind, "limits": limits, "anchor": anchor, "command": d.command,
	}).Parse(pageText)
	if err != nil {
		return nil, fmt.Errorf("page of the interface: %w", err)
	}
	v := view{Info: d.Info, Style: style}
	tags := slices.Clone(d.Tags)
	named := map[string]bool{}
	for _, tag := range tags {
		named[tag.Name] = true
	}
	all := d.routes()
	for _, r := range all {
		for _, name := range r.Tags {
			if !named[name] {
				named[name] = true
				tags = append(tags, Tag{Name: name})
			}
		}
	}
	for _, tag := range tags {
		g := groupView{Tag: tag}
		for _, r := range all {
			if slices.Contains(r.Tags, tag.Name) {
				g.Operations = append(g.Operations, operationOf(r))
			}
		}
		if len(g.Operations) > 0 {
			v.Groups = append(v.Groups, g)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(d.Components.Schemas)) {
		v.Schemas = append(v.Schemas, schemaView{name, d.Components.Schemas[name], membersOf(d.Components.Schemas[name])})
	}
	var out bytes.Buffer
	if err := t.Execute(&out, v); err != nil {
		return nil, fmt.Errorf("page of the interface: %w", err)
	}
	return out.Bytes(), nil
}

type view struct {
	Info    Info
	Style   string
	Groups  []groupView
	Schemas []schemaView
}

type groupView struct {
	Tag
	Operations []operationView
}

type operationView struct {
	route
	Role    string
	Sends   []mediaView
	Answers []answerView // those that are no error
	Errors  []string     // statuses
}

type mediaView struct {
	Type   string
	Schema *Schema
}

type answerView struct {
	Status, Description string
	Media               []mediaView
}

type schemaView struct {
	Name string
	*Schema
	Members []memberView
}

type memberView struct {
	Name     string
	Required bool
	Schema   *Schema
}

func operationOf(r route) operationView {
	v := operationView{route: r, Role: r.needs()}
	if r.Body != nil {
		v.Sends = mediaOf(r.Body.Content)
	}
	for _, status := range slices.Sorted(maps.Keys(r.Responses)) {
		if status[0] != '2' {
			v.Errors = append(v.Errors, status)
			continue
		}
		v.Answers = append(v.Answers, answerView{status, r.Responses[status].Description, mediaOf(r.Responses[status].Content)})
	}
	return v
}

func mediaOf(content map[string]Media) []mediaView {
	var out []mediaView
	for _, t := range slices.Sorted(maps.Keys(content)) {
		out = append(out, mediaView{t, content[t].Schema})
	}
	return out
}

func membersOf(s *Schema) []memberView {
	var out []memberView
	for _, name := range slices.Sorted(maps.Keys(s.Properties)) {
		out = append(out, memberView{name, slices.Contains(s.Required, name), s.Properties[name]})
	}
	return out
}

// anchor is the place of a schema on the page.
func anchor(name string) string { return "schema-" + name }

// piece is a piece of text, with the schema it leads to.
type piece struct{ Text, To string }

// kind says in words what a value is: "array of ", then a link.
func kind(s *Schema) []piece {
	if s == nil {
		return []piece{{Text: "anything"}}
	}
	if name := s.name(); name != "" {
		return []piece{{Text: name, To: name}}
	}
	types := slices.Clone(s.Types)
	if len(types) == 0 {
		types = Types{"anything"}
	}
	null := slices.Index(types, "null")
	if null >= 0 {
		types = slices.Delete(types, null, null+1)
	}
	text := strings.Join(types, " or ")
	if s.Format != "" && s.Format != "double" && s.Format != "int64" {
		text += " (" + s.Format + ")"
	}
	out := []piece{{Text: text}}
	switch {
	case s.Items != nil:
		out = append([]piece{{Text: text + " of "}}, kind(s.Items)...)
	case s.others() != nil:
		out = append([]piece{{Text: text + " of name to "}}, kind(s.others())...)
	}
	if null >= 0 {
		out = append(out, piece{Text: " or null"})
	}
	return out
}

// limits says in words what a value is bound to; "" for nothing.
func limits(s *Schema) string {
	if s == nil {
		return ""
	}
	var out []string
	if len(s.Enum) > 0 {
		var words []string
		for _, w := range s.Enum {
			words = append(words, fmt.Sprint(w))
		}
		out = append(out, "one of: "+strings.Join(words, ", "))
	}
	number := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
	for _, l := range []struct {
		format string
		v      *float64
	}{
		{"at least %s", s.Minimum}, {"at most %s", s.Maximum}, {"at least %s characters", s.MinLength}, {"at most %s characters", s.MaxLength},
		{"at least %s entries", s.MinItems}, {"at most %s entries", s.MaxItems},
	} {
		if l.v != nil {
			out = append(out, fmt.Sprintf(l.format, number(*l.v)))
		}
	}
	if s.UniqueItems {
		out = append(out, "no entry twice")
	}
	if s.Pattern != "" {
		out = append(out, "like "+s.Pattern)
	}
	if s.Default != nil {
		if b, err := json.Marshal(s.Default); err == nil {
			out = append(out, "left out: "+strings.Trim(string(b), `"`))
		}
	}
	return strings.Join(out, "; ")
}

// command is a command line for an operation. $LIDDED is the daemon's address and
// $LIDDED_TOKEN a token.
func (d *Document) command(o operationView) string {
	var b strings.Builder
	b.WriteString("curl")
	if o.Method != "GET" {
		b.WriteString(" -X " + o.Method)
	}
	if o.Role != "" && o.Role != "anyone" {
		b.WriteString(` -H "Authorization: Bearer $LIDDED_TOKEN"`)
	}
	if o.Body != nil {
		if body := d.example(o.Body); body != "" {
			b.WriteString(" --json '" + body + "'")
		}
	}
	query := ""
	for _, p := range o.Parameters {
		if p.In == "query" && p.Required {
			query += "&" + p.Name + "="
		}
	}
	b.WriteString(` "$LIDDED` + o.Path)
	if query != "" {
		b.WriteString("?" + query[1:])
	}
	b.WriteString(`"`)
	return b.String()
}

// example is a body with a word for each member.
func (d *Document) example(body *Body) string {
	m, ok := body.Content["application/json"]
	if !ok {
		return ""
	}
	s := d.resolve(m.Schema)
	if s == nil {
		return ""
	}
	var members []string
	for _, p := range membersOf(s) {
		value := "…"
		if q := d.resolve(p.Schema); q != nil {
			switch {
			case len(q.Enum) > 0:
				value = fmt.Sprintf("%q", fmt.Sprint(q.Enum[0]))
			case slices.Contains(q.Types, "string"):
				value = `"…"`
			case slices.Contains(q.Types, "array"):
				value = `["…"]`
			case slices.Contains(q.Types, "boolean"):
				value = "true"
			}
		}
		members = append(members, fmt.Sprintf("%q: %s", p.Name, value))
	}
	return "{" + strings.Join(members, ", ") + "}"
}

// Package strict decodes YAML into Go structs and refuses everything it does
// not understand, naming the place (file:line:column) and the cure.
//
// It owns unknown and repeated keys, the nearest known key, wrong types and
// values that a type's own UnmarshalYAML or UnmarshalText refuses. It does not
// know what the values mean: whoever owns the struct checks that, and can name
// the place with Locator.
package strict

import (
	"bytes"
	"encoding"
	"errors"
	"fmt"
	"io"
	"reflect"
	"sort"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// Problem is one thing wrong with a document, and where.
type Problem struct {
	File         string
	Line, Column int
	Path         string // dotted path of the value, such as "benches[0].source.max_level"
	Message      string // what is wrong and what to do
}

// Error gives "file:line:column: path: message".
func (p *Problem) Error() string {
	where := p.File
	if p.Line > 0 {
		where = fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column)
	}
	if p.Path == "" {
		return where + ": " + p.Message
	}
	return where + ": " + p.Path + ": " + p.Message
}

// Document is a parsed file that remembers where each value stood.
type Document struct {
	file  string
	root  *yaml.Node
	place map[string]*yaml.Node
}

// Decode reads one YAML document into the pointer given. Every problem found
// is reported, joined, each a *Problem.
func Decode(file string, data []byte, into any) error {
	_, err := Read(file, data, into)
	return err
}

// Read is Decode that also returns the document, for errors found later about
// values that decoded well.
func Read(file string, data []byte, into any) (*Document, error) {
	dec := yaml.NewDecoder(bytes.NewReader(data))
	var node yaml.Node
	if err := dec.Decode(&node); err != nil {
		if errors.Is(err, io.EOF) {
			return nil, &Problem{File: file, Message: "the file is empty"}
		}
		return nil, syntax(file, err)
	}
	var more yaml.Node
	if err := dec.Decode(&more); !errors.Is(err, io.EOF) {
		return nil, &Problem{File: file, Line: more.Line, Column: more.Column, Message: "only one document per file: remove the second ---"}
	}
	d := &Document{file: file, root: node.Content[0], place: map[string]*yaml.Node{}}
	v := reflect.ValueOf(into)
	if v.Kind() != reflect.Pointer || v.IsNil() {
		return nil, fmt.Errorf("decode %s: need a non-nil pointer, have %T", file, into)
	}
	var w walker
	w.doc = d
	w.value(d.root, v.Elem(), "")
	return d, errors.Join(w.errs...)
}

// Has reports whether the document has a value at the path.
func (d *Document) Has(path string) bool { _, ok := d.place[path]; return ok }

// Errorf makes a *Problem at the value with this path ("plans[1].bands[0].rbw");
// with no such value, at its nearest parent that is there.
func (d *Document) Errorf(path, format string, args ...any) error {
	p := &Problem{File: d.file, Path: path, Message: fmt.Sprintf(format, args...)}
	for at := path; ; {
		if n, ok := d.place[at]; ok {
			p.Line, p.Column = n.Line, n.Column
			return p
		}
		cut := strings.LastIndexAny(at, ".[")
		if cut < 0 {
			p.Line, p.Column = d.root.Line, d.root.Column
			return p
		}
		at = at[:cut]
	}
}

func syntax(file string, err error) error {
	msg := strings.TrimPrefix(err.Error(), "yaml: ")
	var line int
	if _, e := fmt.Sscanf(msg, "line %d:", &line); e == nil {
		_, msg, _ = strings.Cut(msg, ": ")
		return &Problem{File: file, Line: line, Column: 1, Message: "not YAML: " + msg}
	}
	return &Problem{File: file, Message: "not YAML: " + msg}
}

type walker struct {
	doc  *Document
	errs []error
}

func (w *walker) fail(n *yaml.Node, path, format string, args ...any) {
	w.errs = append(w.errs, &Problem{File: w.doc.file, Line: n.Line, Column: n.Column, Path: path, Message: fmt.Sprintf(format, args...)})
}

// ScalarUnmarshaler is a struct or list that may also be written as one plain
// value: the short form of its commonest case. Such a list of structs may also
// be written as its one element.
type ScalarUnmarshaler interface{ UnmarshalScalar(text string) error }

type funcUnmarshaler interface{ UnmarshalYAML(func(any) error) error }

var durationType = reflect.TypeFor[time.Duration]()

func (w *walker) value(n *yaml.Node, v reflect.Value, path string) {
	for n.Kind == yaml.AliasNode {
		n = n.Alias
	}
	w.doc.place[path] = n
	if v.Kind() == reflect.Pointer {
		if n.Tag == "!!null" {
			return
		}
		v.Set(reflect.New(v.Type().Elem()))
		w.value(n, v.Elem(), path)
		return
	}
	if v.Type() == durationType {
		w.duration(n, v, path)
		return
	}
	if v.CanAddr() {
		switch v.Addr().Interface().(type) {
		case yaml.Unmarshaler, funcUnmarshaler, encoding.TextUnmarshaler:
			w.leaf(n, v, path)
			return
		}
	}
	if short, ok := shorthand(n, v); ok {
		if err := short.UnmarshalScalar(n.Value); err != nil {
			w.fail(n, path, "%v", err)
		}
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		w.structure(n, v, path)
	case reflect.Slice:
		if n.Tag == "!!null" {
			return
		}
		if one := listOfOne(n, v); one.IsValid() {
			w.value(n, one.Index(0), path+"[0]")
			w.doc.place[path] = n
			v.Set(one)
			return
		}
		if n.Kind != yaml.SequenceNode {
			w.fail(n, path, "need a list, have %s", kind(n))
			return
		}
		out := reflect.MakeSlice(v.Type(), len(n.Content), len(n.Content))
		for i, c := range n.Content {
			w.value(c, out.Index(i), fmt.Sprintf("%s[%d]", path, i))
		}
		v.Set(out)
	case reflect.Map:
		if n.Tag == "!!null" {
			return
		}
		if n.Kind != yaml.MappingNode {
			w.fail(n, path, "need a mapping, have %s", kind(n))
			return
		}
		out := reflect.MakeMap(v.Type())
		for i := 0; i < len(n.Content); i += 2 {
			k, c := n.Content[i], n.Content[i+1]
			at := join(path, k.Value)
			if out.MapIndex(reflect.ValueOf(k.Value).Convert(v.Type().Key())).IsValid() {
				w.fail(k, at, "the key stands twice: keep one")
				continue
			}
			e := reflect.New(v.Type().Elem()).Elem()
			w.value(c, e, at)
			out.SetMapIndex(reflect.ValueOf(k.Value).Convert(v.Type().Key()), e)
		}
		v.Set(out)
	default:
		w.leaf(n, v, path)
	}
}

// listOfOne returns a list of one for a mapping where the list has a short form
// anyway, and nothing where a list must be written as one.
func listOfOne(n *yaml.Node, v reflect.Value) (one reflect.Value) {
	if n.Kind != yaml.MappingNode || v.Type().Elem().Kind() != reflect.Struct || !v.CanAddr() {
		return one
	}
	if _, ok := v.Addr().Interface().(ScalarUnmarshaler); ok {
		one = reflect.MakeSlice(v.Type(), 1, 1)
	}
	return one
}

// shorthand reports whether the node is one plain value and the type takes it.
func shorthand(n *yaml.Node, v reflect.Value) (ScalarUnmarshaler, bool) {
	if n.Kind != yaml.ScalarNode || n.Tag == "!!null" || !v.CanAddr() {
		return nil, false
	}
	short, ok := v.Addr().Interface().(ScalarUnmarshaler)
	return short, ok
}

func (w *walker) leaf(n *yaml.Node, v reflect.Value, path string) {
	err := n.Decode(v.Addr().Interface())
	if err == nil {
		return
	}
	var te *yaml.TypeError
	if errors.As(err, &te) {
		w.fail(n, path, "need %s, have %q", typeName(v), n.Value)
		return
	}
	w.fail(n, path, "%s", strings.TrimPrefix(err.Error(), "yaml: "))
}

func (w *walker) duration(n *yaml.Node, v reflect.Value, path string) {
	d, err := time.ParseDuration(strings.ReplaceAll(n.Value, " ", ""))
	if n.Kind != yaml.ScalarNode || err != nil {
		w.fail(n, path, "need a time with its unit, for example \"500ms\" or \"2s\", have %q", n.Value)
		return
	}
	v.SetInt(int64(d))
}

func (w *walker) structure(n *yaml.Node, v reflect.Value, path string) {
	if n.Tag == "!!null" {
		return
	}
	if n.Kind != yaml.MappingNode {
		w.fail(n, path, "need a mapping of keys, have %s", kind(n))
		return
	}
	known := fields(v.Type())
	seen := map[string]bool{}
	for i := 0; i < len(n.Content); i += 2 {
		k, c := n.Content[i], n.Content[i+1]
		at := join(path, k.Value)
		idx, ok := known[k.Value]
		switch {
		case !ok:
			w.fail(k, at, "unknown key %q%s", k.Value, didYouMean(k.Value, known))
		case seen[k.Value]:
			w.fail(k, at, "the key stands twice: keep one")
		default:
			seen[k.Value] = true
			w.value(c, v.FieldByIndex(idx), at)
		}
	}
}

func didYouMean(key string, known map[string][]int) string {
	names := make([]string, 0, len(known))
	for k := range known {
		names = append(names, k)
	}
	sort.Strings(names)
	if near := Nearest(key, names); near != "" {
		return fmt.Sprintf(": did you mean %q?", near)
	}
	return ": known keys are " + strings.Join(names, ", ")
}

// fields maps YAML keys to field indexes, after the yaml struct tags; a field
// tagged ",inline" lends its own.
func fields(t reflect.Type) map[string][]int {
	out := map[string][]int{}
	for i := range t.NumField() {
		f := t.Field(i)
		tag := f.Tag.Get("yaml")
		if tag == "-" || !f.IsExported() {
			continue
		}
		name, opts, _ := strings.Cut(tag, ",")
		if strings.Contains(opts, "inline") {
			for k, idx := range fields(f.Type) {
				out[k] = append([]int{i}, idx...)
			}
			continue
		}
		if name == "" {
			name = strings.ToLower(f.Name)
		}
		out[name] = []int{i}
	}
	return out
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func kind(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "a mapping"
	case yaml.SequenceNode:
		return "a list"
	}
	if n.Tag == "!!null" {
		return "nothing"
	}
	return fmt.Sprintf("%q", n.Value)
}

func typeName(v reflect.Value) string {
	switch v.Kind() {
	case reflect.Bool:
		return "true or false"
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64, reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return "a whole number"
	case reflect.Float32, reflect.Float64:
		return "a number"
	case reflect.String:
		return "text"
	}
	return v.Type().String()
}

// Nearest returns the name most like the key (edit distance at most a third of
// the key's length, at least 2), or "" when none is near.
func Nearest(key string, names []string) string {
	best, bestD := "", max(2, len(key)/3)+1
	for _, n := range names {
		if d := distance(strings.ToLower(key), n); d < bestD {
			best, bestD = n, d
		}
	}
	return best
}

// distance is the optimal string alignment distance in bytes: an insertion, a
// deletion, a substitution or a swap of neighbours costs one.
func distance(a, b string) int {
	before, prev, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(prev[j]+1, row[j-1]+1, prev[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, prev, row = prev, row, before
	}
	return prev[len(b)]
}

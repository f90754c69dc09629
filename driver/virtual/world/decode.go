package world

import (
	"embed"
	"errors"
	"fmt"
	"os"
	"path"
	"reflect"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

//go:embed presets/*.yaml
var presets embed.FS

// Presets lists the worlds that are built in.
func Presets() []string {
	var names []string
	files, _ := presets.ReadDir("presets")
	for _, f := range files {
		names = append(names, strings.TrimSuffix(f.Name(), ".yaml"))
	}
	return names
}

// Preset returns a built-in world.
func Preset(name string) (*World, error) {
	data, err := presets.ReadFile(path.Join("presets", name+".yaml"))
	if err != nil {
		return nil, fmt.Errorf("no world %q is built in: there are %s", name, strings.Join(Presets(), ", "))
	}
	return Parse(name+".yaml", data)
}

// Load reads a world from a file. Errors name the file and the line.
func Load(file string) (*World, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("world: %w", err)
	}
	return Parse(file, data)
}

// Parse reads a world from YAML text; file is used in errors only.
func Parse(file string, data []byte) (*World, error) {
	w := &World{}
	lines, err := Decode(file, data, w)
	if err != nil {
		return nil, err
	}
	w.lines = lines
	w.fill()
	if err := w.Check(); err != nil {
		var f *Fault
		if errors.As(err, &f) {
			f.File = file
		}
		return nil, err
	}
	return w, nil
}

// Decode reads one YAML document into the struct that into points to. Unknown
// and repeated keys and values of the wrong kind are errors that name file and
// line. It returns the line of each field by its path, such as "path[2].freq".
func Decode(file string, data []byte, into any) (map[string]int, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal(data, &doc); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	d := decoder{file: file, lines: map[string]int{}}
	if len(doc.Content) == 0 {
		return nil, &Fault{File: file, Line: 1, Text: "the file is empty"}
	}
	if err := d.value(doc.Content[0], reflect.ValueOf(into).Elem(), ""); err != nil {
		return nil, err
	}
	return d.lines, nil
}

type decoder struct {
	file  string
	lines map[string]int
}

func (d *decoder) fail(n *yaml.Node, at, format string, args ...any) error {
	return &Fault{File: d.file, Line: n.Line, Path: at, Text: fmt.Sprintf(format, args...)}
}

var (
	durationType = reflect.TypeFor[time.Duration]()
	getterType   = reflect.TypeFor[interface{ UnmarshalYAML(func(any) error) error }]()
)

func (d *decoder) value(n *yaml.Node, v reflect.Value, at string) error {
	d.lines[at] = n.Line
	if n.Kind == yaml.AliasNode {
		n = n.Alias
	}
	if v.Kind() == reflect.Pointer {
		v.Set(reflect.New(v.Type().Elem()))
		return d.value(n, v.Elem(), at)
	}
	if v.Addr().Type().Implements(getterType) || v.Type() == durationType {
		if n.Kind != yaml.ScalarNode {
			return d.fail(n, at, "must be one value, not a list or a table")
		}
		if err := n.Decode(v.Addr().Interface()); err != nil {
			text := err.Error()
			if v.Type() == durationType {
				text = fmt.Sprintf("%q is not a duration: write it as 20ms, 3s or 2h", n.Value)
			}
			return d.fail(n, at, "%s", text)
		}
		return nil
	}
	switch v.Kind() {
	case reflect.Struct:
		return d.table(n, v, at)
	case reflect.Slice:
		if n.Kind != yaml.SequenceNode {
			return d.fail(n, at, "must be a list")
		}
		v.Set(reflect.MakeSlice(v.Type(), len(n.Content), len(n.Content)))
		for i, c := range n.Content {
			if err := d.value(c, v.Index(i), fmt.Sprintf("%s[%d]", at, i)); err != nil {
				return err
			}
		}
		return nil
	case reflect.Map:
		if n.Kind != yaml.MappingNode {
			return d.fail(n, at, "must be a table of key: value")
		}
		if err := n.Decode(v.Addr().Interface()); err != nil {
			return d.fail(n, at, "must be a table of text: text")
		}
		return nil
	}
	if n.Kind != yaml.ScalarNode {
		return d.fail(n, at, "must be one value, not a list or a table")
	}
	if err := n.Decode(v.Addr().Interface()); err != nil {
		return d.fail(n, at, "%q is not %s", n.Value, kindName(v.Kind()))
	}
	return nil
}

func kindName(k reflect.Kind) string {
	switch k {
	case reflect.Bool:
		return "true or false"
	case reflect.Float64:
		return "a number"
	case reflect.Int, reflect.Int64, reflect.Uint64:
		return "a whole number"
	}
	return "text"
}

func (d *decoder) table(n *yaml.Node, v reflect.Value, at string) error {
	if n.Kind != yaml.MappingNode {
		return d.fail(n, at, "must be a table of key: value")
	}
	fields := map[string]int{}
	var names []string
	for i := range v.NumField() {
		name := strings.Split(v.Type().Field(i).Tag.Get("yaml"), ",")[0]
		if name != "" && name != "-" {
			fields[name] = i
			names = append(names, name)
		}
	}
	seen := map[string]bool{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key := n.Content[i]
		where := key.Value
		if at != "" {
			where = at + "." + key.Value
		}
		f, ok := fields[key.Value]
		if !ok {
			return d.fail(key, where, "is unknown here: the keys are %s", strings.Join(names, ", "))
		}
		if seen[key.Value] {
			return d.fail(key, where, "is given twice")
		}
		seen[key.Value] = true
		if err := d.value(n.Content[i+1], v.Field(f), where); err != nil {
			return err
		}
	}
	return nil
}

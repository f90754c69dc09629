package requirement

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"sort"
	"strings"

	"lidded/configs"
	"lidded/driver/strict"
)

// Library is the set of lines known by name.
type Library struct {
	lines map[string]*Line
}

// Builtin returns the lines that ship with the program.
func Builtin() (*Library, error) {
	sub, err := fs.Sub(configs.FS, "requirements")
	if err != nil {
		return nil, fmt.Errorf("open the built-in requirement lines: %w", err)
	}
	l := &Library{lines: map[string]*Line{}}
	if err := l.Add(sub); err != nil {
		return nil, err
	}
	return l, nil
}

// Add reads every *.yaml file at the top of a folder. A line whose name is
// already known takes its place, so an operator's checked copy wins over a
// preset; the same name twice within the folder is an error. When any file is
// wrong the library stays as it was.
func (l *Library) Add(folder fs.FS) error {
	names, err := fs.Glob(folder, "*.yaml")
	if err != nil {
		return fmt.Errorf("list requirement lines: %w", err)
	}
	found, from := map[string]*Line{}, map[string]string{}
	var errs []error
	for _, name := range names {
		data, err := fs.ReadFile(folder, name)
		if err != nil {
			errs = append(errs, fmt.Errorf("read requirement line: %w", err))
			continue
		}
		line, err := Load(path.Base(name), data)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		if other, twice := from[line.Name]; twice {
			errs = append(errs, fmt.Errorf("%s: name %q is already used by %s: rename one", name, line.Name, other))
			continue
		}
		found[line.Name], from[line.Name] = line, name
	}
	if len(errs) > 0 {
		return errors.Join(errs...)
	}
	for name, line := range found {
		l.lines[name] = line
	}
	return nil
}

// Get returns the line with a name; the error for an unknown one names the nearest.
func (l *Library) Get(name string) (*Line, error) {
	if line, ok := l.lines[name]; ok {
		return line, nil
	}
	names := l.Names()
	if near := strict.Nearest(name, names); near != "" {
		return nil, fmt.Errorf("unknown requirement line %q: did you mean %q?", name, near)
	}
	return nil, fmt.Errorf("unknown requirement line %q: known are %s", name, strings.Join(names, ", "))
}

// Names lists the known names, sorted.
func (l *Library) Names() []string {
	names := make([]string, 0, len(l.lines))
	for n := range l.lines {
		names = append(names, n)
	}
	sort.Strings(names)
	return names
}

// Lines lists the known lines, sorted by name.
func (l *Library) Lines() []*Line {
	out := make([]*Line, 0, len(l.lines))
	for _, n := range l.Names() {
		out = append(out, l.lines[n])
	}
	return out
}

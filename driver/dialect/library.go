package dialect

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

// Library is the set of dialects known by name.
type Library struct {
	known map[string]*Dialect
}

// Builtin returns the dialects that ship with the program.
func Builtin() (*Library, error) {
	sub, err := fs.Sub(configs.FS, "dialects")
	if err != nil {
		return nil, fmt.Errorf("open the built-in dialects: %w", err)
	}
	l := &Library{known: map[string]*Dialect{}}
	if err := l.Add("built in", sub); err != nil {
		return nil, err
	}
	return l, nil
}

// Add reads every *.yaml file at the top of a folder; from is how the folder is
// named in errors and listings. A dialect of a name already known takes its
// place, so that an operator's own file wins over one that ships. When any file
// is wrong the library stays as it was and every problem is reported.
func (l *Library) Add(from string, folder fs.FS) error {
	names, err := fs.Glob(folder, "*.yaml")
	if err != nil {
		return fmt.Errorf("list dialects in %s: %w", from, err)
	}
	found := make([]*Dialect, 0, len(names))
	var errs []error
	for _, name := range names {
		data, err := fs.ReadFile(folder, name)
		if err != nil {
			errs = append(errs, fmt.Errorf("read dialect: %w", err))
			continue
		}
		d, err := Load(path.Join(from, name), data)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		found = append(found, d)
	}
	if len(errs) > 0 {
		return errors.Join(errs...)
	}
	for _, d := range found {
		l.known[d.Name] = d
	}
	return nil
}

// Get returns the dialect with a name; the error for an unknown one names the
// nearest.
func (l *Library) Get(name string) (*Dialect, error) {
	if d, ok := l.known[name]; ok {
		return d, nil
	}
	names := l.Names()
	if near := strict.Nearest(name, names); near != "" {
		return nil, fmt.Errorf("unknown dialect %q: did you mean %q?", name, near)
	}
	return nil, fmt.Errorf("unknown dialect %q: known are %s", name, strings.Join(names, ", "))
}

// Names lists the known names, sorted.
func (l *Library) Names() []string { return sortedKeys(l.known) }

// List lists the dialects, sorted by role and name.
func (l *Library) List() []*Dialect {
	out := make([]*Dialect, 0, len(l.known))
	for _, d := range l.known {
		out = append(out, d)
	}
	sort.Slice(out, func(i, j int) bool {
		if out[i].Role != out[j].Role {
			return out[i].Role < out[j].Role
		}
		return out[i].Name < out[j].Name
	})
	return out
}

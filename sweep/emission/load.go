package emission

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"regexp"
	"slices"
	"strings"
	"sync"

	"lidded/configs"
	"lidded/driver/strict"
	"lidded/sweep/requirement"
)

// neverFile is one file of the never-transmit table.
type neverFile struct {
	Title   string  `yaml:"title"`
	Entries []Entry `yaml:"entries"`
}

// nameForm is what a name may look like.
var nameForm = regexp.MustCompile(`^[a-z0-9]+([.-][a-z0-9]+)*$`)

// LoadNever reads every *.yaml of a folder into one table, sorted by frequency.
// Errors name file, line and column.
func LoadNever(folder fs.FS) (Never, error) {
	var n Never
	var errs []error
	seen := map[string]string{}
	err := eachFile(folder, func(name string, data []byte) error {
		var f neverFile
		doc, err := strict.Read(name, data, &f)
		if err != nil {
			return err
		}
		bad := func(path, format string, args ...any) { errs = append(errs, doc.Errorf(path, format, args...)) }
		if len(f.Entries) == 0 {
			bad("entries", "no entries: list at least one, or remove the file")
		}
		for i, e := range f.Entries {
			at := fmt.Sprintf("entries[%d]", i)
			e.check(at, bad)
			if other, twice := seen[e.Name]; twice {
				bad(at+".name", "the name %q stands in %s already: rename one", e.Name, other)
			}
			seen[e.Name] = name
			n.Entries = append(n.Entries, e)
		}
		return nil
	})
	if err := errors.Join(append(errs, err)...); err != nil {
		return Never{}, err
	}
	slices.SortStableFunc(n.Entries, func(a, b Entry) int {
		switch {
		case a.From < b.From:
			return -1
		case a.From > b.From:
			return 1
		}
		return 0
	})
	return n, nil
}

func (e Entry) check(at string, bad func(path, format string, args ...any)) {
	if !nameForm.MatchString(e.Name) {
		bad(at+".name", "need a name of lower-case letters, digits and hyphens such as \"airband-voice\", have %q", e.Name)
	}
	if !(e.From > 0) || e.To < e.From {
		bad(at+".from", "need from above zero and to at or above from, have %v to %v", e.From, e.To)
	}
	for _, v := range []struct{ key, text string }{{"why", e.Why}, {"source", e.Source}, {"region", e.Region}} {
		if strings.TrimSpace(v.text) == "" {
			bad(at, "no %s: write one", v.key)
		}
	}
	if e.Mark == requirement.MarkUnknown {
		bad(at, "no mark: write seen or memory")
	}
}

// LoadLimits reads every *.yaml of a folder, each one table of limits.
func LoadLimits(folder fs.FS) ([]Limits, error) {
	var out []Limits
	var errs []error
	err := eachFile(folder, func(name string, data []byte) error {
		var l Limits
		doc, err := strict.Read(name, data, &l)
		if err != nil {
			return err
		}
		bad := func(path, format string, args ...any) { errs = append(errs, doc.Errorf(path, format, args...)) }
		l.check(bad)
		if slices.ContainsFunc(out, func(o Limits) bool { return o.Name == l.Name }) {
			bad("name", "the name %q is used twice: rename one", l.Name)
		}
		out = append(out, l)
		return nil
	})
	return out, errors.Join(append(errs, err)...)
}

func (l Limits) check(bad func(path, format string, args ...any)) {
	if !nameForm.MatchString(l.Name) {
		bad("name", "need a name of lower-case letters, digits, dots and hyphens, have %q", l.Name)
	}
	if l.Title == "" || l.Source == "" {
		bad("title", "need a title and a source")
	}
	if l.Mark == requirement.MarkUnknown {
		bad("mark", "no mark: write seen or memory")
	}
	if len(l.Rows) == 0 {
		bad("rows", "no rows: list at least one")
	}
	for i, r := range l.Rows {
		at := fmt.Sprintf("rows[%d]", i)
		if !(r.From > 0) || r.To <= r.From {
			bad(at+".from", "need from above zero and to above from, have %v to %v", r.From, r.To)
		}
		if r.E == nil && r.H == nil && r.S == nil {
			bad(at, "no limit: need at least one of e_v_per_m, h_a_per_m, s_w_per_m2")
		}
		for _, t := range []struct {
			key string
			*Term
		}{{"e_v_per_m", r.E}, {"h_a_per_m", r.H}, {"s_w_per_m2", r.S}} {
			if t.Term != nil && (!(t.Factor > 0) || math.IsInf(t.Factor, 0) || t.Per < 0) {
				bad(at+"."+t.key, "need a factor above zero, have %g", t.Factor)
			}
		}
	}
}

func eachFile(folder fs.FS, read func(name string, data []byte) error) error {
	names, err := fs.Glob(folder, "*.yaml")
	if err != nil {
		return fmt.Errorf("list data files: %w", err)
	}
	if len(names) == 0 {
		return errors.New("the folder has no *.yaml file")
	}
	var errs []error
	for _, name := range names {
		data, err := fs.ReadFile(folder, name)
		if err == nil {
			err = read(name, data)
		}
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

func builtin[T any](dir string, load func(fs.FS) (T, error)) func() (T, error) {
	return sync.OnceValues(func() (T, error) {
		folder, err := fs.Sub(configs.FS, dir)
		if err != nil {
			var none T
			return none, fmt.Errorf("open the built-in %s: %w", dir, err)
		}
		return load(folder)
	})
}

var (
	builtinNever  = builtin("never-transmit", LoadNever)
	builtinLimits = builtin("exposure", LoadLimits)
)

// BuiltinNever is the never-transmit table that ships with the program.
func BuiltinNever() (Never, error) { return builtinNever() }

// DefaultLimits is the table used where a config names none.
const DefaultLimits = "47cfr-1.1310-public"

// BuiltinLimits finds a table of exposure limits that ships with the program;
// "" is DefaultLimits. The error for an unknown name gives the nearest.
func BuiltinLimits(name string) (Limits, error) {
	list, err := builtinLimits()
	if err != nil {
		return Limits{}, err
	}
	if name == "" {
		name = DefaultLimits
	}
	names := make([]string, len(list))
	for i, l := range list {
		if l.Name == name {
			return l, nil
		}
		names[i] = l.Name
	}
	return Limits{}, errors.New(unknown("exposure limits", name, names))
}

func unknown(what, name string, known []string) string {
	if near := strict.Nearest(name, known); near != "" {
		return fmt.Sprintf("unknown %s %q: did you mean %q?", what, name, near)
	}
	return fmt.Sprintf("unknown %s %q: known are %s", what, name, strings.Join(known, ", "))
}

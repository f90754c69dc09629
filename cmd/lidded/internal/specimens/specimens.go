// Package specimens knows how the specimens of a config are made: it reads
// their descriptions, from files or from those that ship with the program, and
// turns them into models.
//
// It owns the looking-up by name and the checks of what a config names. The
// physics and the format are package wall's.
package specimens

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"

	"lidded/cmd/lidded/internal/config"
	"lidded/configs"
	"lidded/driver/strict"
	"lidded/sweep/practice"
	"lidded/sweep/wall"
)

// Known is what is known of one specimen.
type Known struct {
	Name   string
	Model  *wall.Model // nil: only its size is known
	Cavity wall.Cavity
	From   string // the file, or "shipped heron"
	Text   string // the description as it is written; empty: none
}

// Shelf holds what is known of the specimens of a config.
type Shelf struct{ known []Known }

// Of reads the descriptions that a config names.
func Of(c *config.Config) (*Shelf, error) {
	s := &Shelf{}
	var errs []error
	for _, spec := range c.Specimens {
		m := c.Making(spec.Name)
		switch {
		case m.MadeOf != "":
			k, err := load(m.MadeOf, m.IsFile())
			if err != nil {
				errs = append(errs, c.Errorf(m.At+".made_of", "%v", err))
				continue
			}
			k.Name = spec.Name
			s.known = append(s.known, k)
		case m.Inner != wall.Cavity{}:
			s.known = append(s.known, Known{Name: spec.Name, Cavity: m.Inner, From: "the config"})
		}
	}
	return s, errors.Join(errs...)
}

// Get finds what is known of a specimen.
func (s *Shelf) Get(name string) (Known, bool) {
	i := slices.IndexFunc(s.known, func(k Known) bool { return k.Name == name })
	if i < 0 {
		return Known{}, false
	}
	return s.known[i], true
}

// Model returns the model of a specimen; nil: it is not known how it is made.
func (s *Shelf) Model(name string) *wall.Model {
	k, _ := s.Get(name)
	return k.Model
}

// Boxes sorts specimens into those whose size is known and the names of the others.
func (s *Shelf) Boxes(names []string) (known []practice.Box, unknown []string) {
	for _, n := range names {
		if k, ok := s.Get(n); ok {
			known = append(known, practice.Box{Name: n, Cavity: k.Cavity})
			continue
		}
		unknown = append(unknown, n)
	}
	return known, unknown
}

// Find reads a description by the path of a file, or by the name of one that
// ships with the program.
func Find(name string) (Known, error) {
	info, err := os.Stat(name)
	if err == nil && info.Mode().IsRegular() {
		return load(name, true)
	}
	if strings.ContainsAny(name, `/\`) || strings.HasSuffix(name, ".yaml") {
		return load(name, true)
	}
	return load(name, false)
}

// Shipped lists the names of the descriptions that ship with the program.
func Shipped() []string {
	files, _ := fs.Glob(configs.FS, "specimens/*.yaml") // the pattern is a constant and good
	out := make([]string, len(files))
	for i, f := range files {
		out[i] = strings.TrimSuffix(path.Base(f), ".yaml")
	}
	return out
}

func load(name string, file bool) (Known, error) {
	materials, err := wall.BuiltinMaterials()
	if err != nil {
		return Known{}, err
	}
	var data []byte
	from := name
	if file {
		if data, err = os.ReadFile(name); err != nil {
			return Known{}, fmt.Errorf("read specimen: %w", err)
		}
	} else {
		if data, err = configs.FS.ReadFile("specimens/" + name + ".yaml"); err != nil {
			return Known{}, unknown(name)
		}
		from, name = "shipped "+name, name+".yaml"
	}
	m, err := wall.LoadSpecimen(name, data, materials)
	if err != nil {
		return Known{}, err
	}
	return Known{Name: m.Specimen.Name, Model: m, Cavity: m.Specimen.Cavity, From: from, Text: string(data)}, nil
}

func unknown(name string) error {
	names := Shipped()
	if near := strict.Nearest(name, names); near != "" {
		return fmt.Errorf("there is no file and no shipped specimen %q: did you mean %q?", name, near)
	}
	return fmt.Errorf("there is no file and no shipped specimen %q: shipped are %s; a file's name ends in .yaml", name, strings.Join(names, ", "))
}

package config

import (
	"fmt"
	"path/filepath"
	"strings"

	"lidded/sweep"
	"lidded/sweep/practice"
	"lidded/sweep/wall"
)

// Specimen is an enclosure under test, and what is known of how it is made.
type Specimen struct {
	sweep.Specimen `yaml:",inline"`
	MadeOf         string      `yaml:"made_of"` // file that describes walls, lid and openings, or the name of a shipped one
	Inner          wall.Cavity `yaml:"inner"`   // inner dimensions, where nothing more is known
}

// Making is what the config says of how a specimen is made; neither: nothing.
type Making struct {
	MadeOf string // a shipped description's name, or a file's absolute path
	Inner  wall.Cavity
	At     string // path in the config, for errors
}

// IsFile reports whether MadeOf is a file.
func (m Making) IsFile() bool { return filepath.IsAbs(m.MadeOf) }

func (c *Config) takePlans(plans []practice.Plan) ([]error, error) {
	lib, err := practice.Builtin()
	if err != nil {
		return nil, err
	}
	var errs []error
	for i, p := range plans {
		r, bad := p.Resolve(lib)
		for _, q := range bad {
			errs = append(errs, c.Errorf(fmt.Sprintf("plans[%d].%s", i, q.Path), "%s", q.Message))
		}
		c.Plans, c.practices = append(c.Plans, r.Spec), append(c.practices, r)
	}
	return errs, nil
}

func (c *Config) takeSpecimens(list []Specimen) []error {
	var errs []error
	for i, s := range list {
		m := Making{MadeOf: s.MadeOf, Inner: s.Inner, At: fmt.Sprintf("specimens[%d]", i)}
		given := s.Inner != wall.Cavity{}
		switch {
		case s.MadeOf != "" && given:
			errs = append(errs, c.Errorf(m.At+".inner", "made_of and inner together: keep made_of, its file has the inner size"))
		case given:
			if err := s.Inner.Validate(); err != nil {
				errs = append(errs, c.Errorf(m.At+".inner", "%v", err))
			}
		case looksLikeFile(s.MadeOf) && !filepath.IsAbs(s.MadeOf):
			m.MadeOf = filepath.Join(filepath.Dir(c.Path), s.MadeOf)
		}
		c.Specimens, c.makings = append(c.Specimens, s.Specimen), append(c.makings, m)
	}
	return errs
}

// looksLikeFile tells a path from the name of a shipped description.
func looksLikeFile(s string) bool {
	return strings.ContainsAny(s, `/\`) || strings.HasSuffix(s, ".yaml") || strings.HasSuffix(s, ".yml")
}

// Practice is a plan with the preset it took over and its rule for resonances.
func (c *Config) Practice(plan string) (practice.Resolved, bool) {
	for i, p := range c.Plans {
		if p.Name == plan && i < len(c.practices) {
			return c.practices[i], true
		}
	}
	return practice.Resolved{}, false
}

// Making is what the config says of how a specimen is made.
func (c *Config) Making(specimen string) Making {
	for i, s := range c.Specimens {
		if s.Name == specimen && i < len(c.makings) {
			return c.makings[i]
		}
	}
	return Making{}
}

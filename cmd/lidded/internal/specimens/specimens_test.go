package specimens_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/specimens"
	"lidded/sweep/wall"
)

const birch = `
name: birch
cavity: {width: 0.3 m, height: 0.2 m, depth: 0.25 m}
wall:
  layers: [{material: copper, thickness: 0.5 mm}]
`

func parse(t *testing.T, text string) (*config.Config, error) {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "birch.yaml"), []byte(birch), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "bad.yaml"), []byte(strings.Replace(birch, "copper", "coper", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	return config.Parse(filepath.Join(dir, "lidded.yaml"), []byte(text), nil)
}

func TestConfigSaysHowSpecimensAreMade(t *testing.T) {
	c, err := parse(t, `
specimens:
  - {name: a, made_of: ./birch.yaml}
  - {name: b, made_of: otter}
  - {name: c, inner: {width: 0.6 m, height: 0.5 m, depth: 0.4 m}}
  - {name: d}
`)
	if err != nil {
		t.Fatal(err)
	}
	s, err := specimens.Of(c)
	if err != nil {
		t.Fatal(err)
	}
	if m := s.Model("a"); m == nil || m.Specimen.Name != "birch" {
		t.Errorf("a is %v", m)
	}
	if k, ok := s.Get("b"); !ok || k.Model == nil || k.From != "shipped otter" || k.Cavity.Width != 0.6 {
		t.Errorf("b is %+v", k)
	}
	if k, ok := s.Get("c"); !ok || k.Model != nil || k.Cavity != (wall.Cavity{Width: 0.6, Height: 0.5, Depth: 0.4}) {
		t.Errorf("c is %+v", k)
	}
	known, unknown := s.Boxes([]string{"a", "b", "c", "d"})
	if len(known) != 3 || !slices.Equal(unknown, []string{"d"}) || s.Model("d") != nil {
		t.Errorf("%v and %v", known, unknown)
	}
}

func TestConfigErrorsNameThePlace(t *testing.T) {
	for want, text := range map[string]string{
		`lidded.yaml:1:32: specimens[0].made_of: there is no file and no shipped specimen "oter": did you mean "otter"?`: "specimens: [{name: a, made_of: oter}]",
		"lidded.yaml:1:32: specimens[0].made_of: read specimen:":                                                         "specimens: [{name: a, made_of: ./none.yaml}]",
		`did you mean "copper"?`:                       "specimens: [{name: a, made_of: ./bad.yaml}]",
		"made_of and inner together: keep made_of":     "specimens: [{name: a, made_of: otter, inner: {width: 1 m, height: 1 m, depth: 1 m}}]",
		"need the inner width, height and depth":       "specimens: [{name: a, inner: {width: 1 m, diameter: 1 m}}]",
		"height: need a length from 5 mm to 100 m":     "specimens: [{name: a, inner: {width: 1 m, depth: 1 m}}]",
		`unknown key "mad_of": did you mean "made_of"`: "specimens: [{name: a, mad_of: otter}]",
	} {
		c, err := parse(t, text)
		if err == nil {
			_, err = specimens.Of(c)
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: error %v, want %q", text, err, want)
		}
	}
}

func TestShippedSpecimensLoad(t *testing.T) {
	names := specimens.Shipped()
	if !slices.Equal(names, []string{"heron", "kingfisher", "otter"}) {
		t.Errorf("shipped are %v", names)
	}
	for _, n := range names {
		if k, err := specimens.Find(n); err != nil || k.Model == nil {
			t.Errorf("%s: %v", n, err)
		}
	}
}

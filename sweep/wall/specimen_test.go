package wall_test

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lidded/driver/unit"
	"lidded/sweep/wall"
)

func materials(t testing.TB) wall.Materials {
	t.Helper()
	m, err := wall.BuiltinMaterials()
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func model(t testing.TB, yaml string) *wall.Model {
	t.Helper()
	m, err := wall.LoadSpecimen("specimen.yaml", []byte(yaml), materials(t))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

const (
	steelLocker = `name: locker
title: steel locker for spare radios, gasketed door
cavity: {width: 0.6 m, height: 0.5 m, depth: 0.4 m}
wall: {layers: [{material: steel, thickness: 0.8 mm}]}
lid: {joint: gasket, edge: 0.6 m}
`
	foilBox = `name: foil-box
title: carton lined with foil, folded seams
cavity: {width: 0.3 m, height: 0.3 m, depth: 0.3 m}
wall: {layers: [{material: aluminium, thickness: 16 µm}]}
`
	meshCage = `name: cage
title: cage of quarter-inch cloth
cavity: {width: 0.5 m, height: 0.5 m, depth: 0.5 m}
wall: {mesh: {pitch: 6.35 mm, wire: 0.64 mm, material: steel}}
`
	ventedCase = `name: vented-case
title: aluminium case with a loose cover, a vent and a window
cavity: {width: 30 cm, height: 12 cm, depth: 30 cm}
wall: {layers: [{material: aluminium, thickness: 1.5 mm}]}
lid: {joint: fastened, edge: 0.3 m, spacing: 50 mm}
openings:
  - {kind: slot, length: 100 mm, width: 5 mm}
  - {kind: hole, length: 5 mm, count: 12}
  - {kind: mesh window, length: 80 mm, width: 60 mm, mesh: {pitch: 1.15 mm, wire: 0.38 mm, material: copper}}
feedthroughs:
  - {kind: tube, width: 6.35 mm, length: 25.4 mm, round: true, count: 2}
  - {kind: filter, se: 80 dB}
`
	bin = `name: bin
title: galvanised bin
cavity: {diameter: 0.44 m, length: 0.65 m}
wall: {layers: [{material: zinc, thickness: 20 µm}, {material: steel, thickness: 0.4 mm}, {material: zinc, thickness: 20 µm}]}
lid: {joint: loose, edge: 0.3 m}
`
)

func TestSpecimensLoad(t *testing.T) {
	t.Parallel()
	for _, y := range []string{steelLocker, foilBox, meshCage, ventedCase, bin} {
		m := model(t, y)
		v := m.Validity()
		if !(v.To > v.From) || !(v.ManyModes >= v.To) || v.FirstMode.Name == "" || v.Text == "" {
			t.Errorf("%s: validity %+v", m.Specimen.Name, v)
		}
	}
	// .3×.12×.3 m: first mode 706.62 MHz (computed)
	if v := model(t, ventedCase).Validity(); math.Abs(float64(v.To)-0.7*706.62e6) > 1e5 || v.FirstMode.Name != "TE101" {
		t.Errorf("validity %+v", v)
	}
}

func TestSpecimenRefuses(t *testing.T) {
	t.Parallel()
	cases := []struct{ name, from, old, new, want string }{
		{"material", steelLocker, "material: steel", "material: steal", `specimen.yaml:4:28: wall.layers[0].material: unknown material "steal": did you mean "steel"?`},
		{"no unit", steelLocker, "0.8 mm", "0.8", `"0.8" has no unit of length`},
		{"unknown key", steelLocker, "edge:", "egde:", `unknown key "egde": did you mean "edge"?`},
		{"no wall", steelLocker, "wall: {layers: [{material: steel, thickness: 0.8 mm}]}", "", "wall: need layers or a mesh"},
		{"thick wire", meshCage, "wire: 0.64 mm", "wire: 7 mm", "the wire (7 mm) must be thinner than the pitch (6.35 mm)"},
		{"box and cylinder", bin, "diameter: 0.44 m", "width: 0.44 m", "cavity: need the inner width, height and depth of a box, or"},
		{"flat box", steelLocker, "depth: 0.4 m", "depth: 0 m", "specimen.yaml:3:46: cavity.depth: need a length from 5 mm to 100 m, have 0 m"},
		{"only air", foilBox, "material: aluminium", "material: air", "need at least one layer of metal"},
		{"lid without a joint", steelLocker, "joint: gasket, ", "", "lid: need the joint: none, gasket, fastened or loose"},
		{"joint", steelLocker, "joint: gasket", "joint: glued", `unknown joint "glued": use one of none, gasket, fastened, loose`},
		{"window without mesh", ventedCase, ", mesh: {pitch: 1.15 mm, wire: 0.38 mm, material: copper}", "", "a mesh window needs its mesh"},
		{"slot with mesh", ventedCase, "width: 5 mm}", "width: 5 mm, mesh: {pitch: 1 mm, wire: 0.1 mm, material: copper}}", "only a mesh window has a mesh"},
		{"filter without loss", ventedCase, ", se: 80 dB", "", "a filter needs its insertion loss"},
		{"count", ventedCase, "count: 12", "count: -3", "need a count from 1 to a million, have -3"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := wall.LoadSpecimen("specimen.yaml", []byte(strings.Replace(c.from, c.old, c.new, 1)), materials(t))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %v\nwant  %s", err, c.want)
			}
		})
	}
	if _, err := wall.NewModel(wall.Specimen{Name: "x"}, materials(t)); err == nil || !strings.Contains(err.Error(), `specimen "x": wall: need layers or a mesh`) {
		t.Errorf("in code: %v", err)
	}
}

func TestMaterialsFile(t *testing.T) {
	t.Parallel()
	for want, file := range map[string]string{
		"need a conductivity above zero": "materials: [{name: x, sigma_s_per_m: 0, source: here}]",
		"need a source":                  "materials: [{name: x, sigma_s_per_m: 1}]",
		"is there twice":                 "materials: [{name: x, sigma_s_per_m: 1, source: a}, {name: x, sigma_s_per_m: 1, source: a}]",
		"need rising frequencies":        "materials: [{name: x, sigma_s_per_m: 1, source: a, mu_r_table: [{freq: 2 Hz, mu_r: 1}, {freq: 1 Hz, mu_r: 1}]}]",
		"need at least one material":     "materials: []",
	} {
		if _, err := wall.LoadMaterials("m.yaml", []byte(file)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want %q", err, want)
		}
	}
	ms := materials(t)
	for _, name := range ms.Names() {
		if m := ms[name]; m.Source == "" || m.Title == "" {
			t.Errorf("%s has no source or title", name)
		}
	}
	// MIL-HDBK-419A table 8-4: permeability of iron, and half way in log f between
	iron := ms["iron-handbook"]
	for f, want := range map[unit.Hz]float64{60: 1000, 150e3: 1000, 1e6: 700, 15e6: 400, 100e6: 100, 1.5e9: 10, 10e9: 1, 40e9: 1, 387298.3346: 836.66} {
		if got := iron.Permeability(f); math.Abs(got-want) > 1e-4*want {
			t.Errorf("iron at %v: %g, want %g", f, got, want)
		}
	}
}

// The band of the closed mesh box holds what the method-of-moments model of a
// perfect-wire cube gave between its lowest place and its centre (nec2c 1.3).
func TestMeshBandHoldsTheBox(t *testing.T) {
	t.Parallel()
	m, err := wall.NewModel(wall.Specimen{
		Name:   "cube",
		Cavity: wall.Cavity{Width: 0.4826, Height: 0.4826, Depth: 0.4826},
		Wall:   wall.Construction{Mesh: &wall.MeshSpec{Pitch: 25.4e-3, Wire: 0.8e-3, Material: "copper"}},
	}, materials(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		mhz                              float64
		eCentre, eWorst, hCentre, hWorst float64
	}{
		{10, 30.1, 26.7, 21.9, 19.8}, {30, 30.3, 26.7, 22.0, 19.9}, {50, 30.8, 26.7, 22.2, 20.0}, {100, 35.3, 27.1, 22.9, 19.8},
		{150, 29.0, 29.0, 23.8, 19.4}, {200, 28.0, 23.5, 24.5, 19.8}, {300, 21.2, 18.1, 24.9, 19.5},
	} {
		f := unit.Hz(c.mhz * 1e6)
		e, h := m.At(wall.Electric, f), m.At(wall.Magnetic, f)
		if !e.Valid || float64(e.Low) > c.eWorst || float64(e.High) < c.eCentre {
			t.Errorf("%v: electric band %v to %v, model %g to %g", f, e.Low, e.High, c.eWorst, c.eCentre)
		}
		if !h.Valid || float64(h.Low) > c.hWorst || float64(h.High) < c.hCentre {
			t.Errorf("%v: magnetic band %v to %v, model %g to %g", f, h.Low, h.High, c.hWorst, c.hCentre)
		}
		if w := float64(h.High - h.Low); w > 9 {
			t.Errorf("%v: a magnetic band of %g dB says nothing", f, w)
		}
	}
}

// A 300 mm unbonded lid gap caps a can near 14 dB at 100 MHz whatever the wall
// (20·log10(λ/2L) = 13.97 dB).
func TestLooseLidCapsTheBin(t *testing.T) {
	t.Parallel()
	e := model(t, bin).At(wall.PlaneWave, 100e6)
	if e.Paths[0].Name != "lid edge" || float64(e.Low) > 13.97 || float64(e.High) < 13.97 {
		t.Errorf("band %v to %v, strongest way in %q", e.Low, e.High, e.Paths[0].Name)
	}
}

// Cloth windows of 3 to 6 mm on a 0.61×0.61×0.2 m box measured 50 to 60 dB
// magnetic at tens of MHz, flat (Hoeft 1984, abstract).
func TestMeshWindowAgainstMeasurement(t *testing.T) {
	t.Parallel()
	m := model(t, `name: windowed
cavity: {width: 0.61 m, height: 0.61 m, depth: 0.2 m}
wall: {layers: [{material: aluminium, thickness: 1.5 mm}]}
openings:
  - {kind: mesh window, length: 0.3 m, width: 0.3 m, mesh: {pitch: 6.35 mm, wire: 0.64 mm, material: copper}}
`)
	a, b := m.At(wall.Magnetic, 20e6), m.At(wall.Magnetic, 60e6)
	if a.Low > 60 || a.High < 50 || math.Abs(float64(a.Low-b.Low)) > 1 {
		t.Errorf("20 MHz %v to %v, 60 MHz %v to %v", a.Low, a.High, b.Low, b.High)
	}
}

func TestExpectProperties(t *testing.T) {
	t.Parallel()
	models := map[string]*wall.Model{}
	for _, y := range []string{steelLocker, foilBox, meshCage, ventedCase, bin} {
		m := model(t, y)
		models[m.Specimen.Name] = m
	}
	names := []string{"locker", "foil-box", "cage", "vented-case", "bin"}
	rapid.Check(t, func(t *rapid.T) {
		m := models[rapid.SampledFrom(names).Draw(t, "specimen")]
		field := rapid.SampledFrom(wall.Fields()).Draw(t, "field")
		e := m.At(field, unit.Hz(drawLog(t, "f", 60, 18e9)))
		if !(e.Low <= e.High) || math.IsNaN(float64(e.Low)) || e.High > 200 {
			t.Fatalf("band %v to %v", e.Low, e.High)
		}
		v := m.Validity()
		if e.Valid != (e.Freq >= v.From && (e.Freq <= v.To || e.Freq > v.ManyModes*(1-1e-12))) {
			t.Fatalf("at %v valid is %v, validity %+v", e.Freq, e.Valid, v)
		}
		if e.Regime == wall.BelowModes && float64(e.Low) < -1e-9-20*math.Log10(float64(len(e.Paths))) {
			t.Fatalf("%v below the first mode", e.Low)
		}
		for _, p := range e.Paths {
			if p.Low > p.High || math.IsNaN(float64(p.Low)) {
				t.Fatalf("path %+v", p)
			}
		}
	})
}

// One more way in never makes the expectation better.
func TestAnotherOpeningNeverHelps(t *testing.T) {
	t.Parallel()
	ms := materials(t)
	rapid.Check(t, func(t *rapid.T) {
		s := wall.Specimen{Name: "x", Cavity: wall.Cavity{Width: 0.5, Height: 0.4, Depth: 0.3},
			Wall: wall.Construction{Layers: []wall.SheetSpec{{Material: "aluminium", Thickness: wall.Metre(drawLog(t, "thickness", 1e-5, 2e-3))}}}}
		plain, err := wall.NewModel(s, ms)
		if err != nil {
			t.Fatal(err)
		}
		s.Openings = []wall.Opening{{Kind: wall.Slot, Length: wall.Metre(drawLog(t, "length", 1e-3, 0.3)), Width: 0.5e-3}}
		cut, err := wall.NewModel(s, ms)
		if err != nil {
			t.Fatal(err)
		}
		f, field := unit.Hz(drawLog(t, "f", 1e4, 5e9)), rapid.SampledFrom(wall.Fields()).Draw(t, "field")
		a, b := plain.At(field, f), cut.At(field, f)
		if b.Low > a.Low+1e-9 || b.High > a.High+1e-9 {
			t.Fatalf("%v %v: %v to %v without the slot, %v to %v with it", field, f, a.Low, a.High, b.Low, b.High)
		}
	})
}

func TestMetre(t *testing.T) {
	t.Parallel()
	for s, want := range map[string]float64{"16 µm": 16e-6, "16 um": 16e-6, "0.8 mm": 0.8e-3, "30 cm": 0.3, "0.6 m": 0.6, "15 mil": 381e-6, "1 in": 25.4e-3, "1e-3 m": 1e-3} {
		got, err := wall.ParseMetre(s)
		if err != nil || math.Abs(float64(got)-want) > 1e-12 {
			t.Errorf("%q: %v, %v", s, got, err)
		}
		b, _ := got.MarshalText()
		if back, err := wall.ParseMetre(string(b)); err != nil || back != got {
			t.Errorf("%q does not survive its own text %q", s, b)
		}
	}
	for _, s := range []string{"", "mm", "3", "x mm", "inf m", "3 furlong"} {
		if _, err := wall.ParseMetre(s); err == nil {
			t.Errorf("%q is taken as a length", s)
		}
	}
}

func FuzzLoadSpecimen(f *testing.F) {
	for _, y := range []string{steelLocker, ventedCase, bin, meshCage} {
		f.Add([]byte(y))
	}
	ms := materials(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := wall.LoadSpecimen("f.yaml", data, ms)
		if err != nil {
			return
		}
		for _, field := range wall.Fields() {
			if e := m.At(field, 50e6); math.IsNaN(float64(e.Low)) || e.Low > e.High {
				t.Fatalf("%+v", e)
			}
		}
	})
}

// TestASlotThatPartsAWall: the band of a metal box with a narrow slot along a whole
// edge reaches down to what a place near it sees (2 dB of magnetic SE at 200 MHz by the
// method of moments), one of a slot of half its length does not; an opening of a fifth
// of the wall and more is said to be outside.
func TestASlotThatPartsAWall(t *testing.T) {
	materials, err := wall.BuiltinMaterials()
	if err != nil {
		t.Fatal(err)
	}
	box := func(opening string) *wall.Model {
		m, err := wall.LoadSpecimen("box.yaml", []byte("name: box\ntitle: box\ncavity: {width: 0.3 m, height: 0.3 m, depth: 0.3 m}\nwall:\n  layers: [{material: steel, thickness: 1 mm}]\nlid: {joint: none}\nopenings:\n  - "+opening+"\n"), materials)
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	whole, half := box("{kind: slot, length: 300 mm, width: 5 mm}"), box("{kind: slot, length: 150 mm, width: 5 mm}")
	a, b := whole.At(wall.Magnetic, 200e6), half.At(wall.Magnetic, 200e6)
	if !a.Valid || a.Low > 2 || a.High < 8 {
		t.Errorf("a slot along the whole edge: %.1f to %.1f dB, valid %v", float64(a.Low), float64(a.High), a.Valid)
	}
	if !b.Valid || b.Low < a.Low+9 {
		t.Errorf("half of it: from %.1f dB, the whole from %.1f dB", float64(b.Low), float64(a.Low))
	}
	for opening, valid := range map[string]bool{
		"{kind: slot, length: 134 mm, width: 134 mm}": true, "{kind: slot, length: 135 mm, width: 135 mm}": false,
		"{kind: hole, length: 150 mm}": true, "{kind: hole, length: 152 mm}": false,
		"{kind: slot, length: 60 mm, width: 60 mm, count: 5}": true, "{kind: slot, length: 60 mm, width: 60 mm, count: 6}": false,
	} {
		if e := box(opening).At(wall.Electric, 50e6); e.Valid != valid {
			t.Errorf("%s: valid %v, %.1f to %.1f dB", opening, e.Valid, float64(e.Low), float64(e.High))
		}
	}
}

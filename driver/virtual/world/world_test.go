package world_test

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/driver/virtual/world"
)

func preset(t *testing.T, name string) *world.World {
	t.Helper()
	w, err := world.Preset(name)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// What each built-in world promises.
func TestPresets(t *testing.T) {
	for _, c := range []struct {
		name      string
		low, high unit.DBm // reference for a 0 dBm source, 30 MHz to 1 GHz
		se        map[string][2]unit.DB
	}{
		{"depot", -46, -30, map[string][2]unit.DB{"heron": {110, 130}, "otter": {3, 63}, "kingfisher": {25, 75}}},
		{"thin", -75, -50, map[string][2]unit.DB{"plate": {85, 85}, "leaky": {35, 60}, "mesh": {3, 50}}},
		{"shared", -75, -50, map[string][2]unit.DB{"plate": {85, 85}, "leaky": {35, 60}, "mesh": {3, 50}}},
	} {
		w := preset(t, c.name)
		for i := range 60 {
			f := unit.Hz(30e6 * math.Pow(1000.0/30, float64(i)/59))
			if p := w.Reference(f, 0, w.Positions[0].Name, w.Polarizations[0].Name); p < c.low || p > c.high {
				t.Errorf("%s: reference at %v is %v, want %v to %v", c.name, f, p, c.low, c.high)
			}
			for name, want := range c.se {
				e, err := w.Enclosure(name)
				if err != nil {
					t.Fatal(err)
				}
				if se := e.SE(f, w.Positions[0].Name, w.Polarizations[0].Name); se < want[0] || se > want[1] {
					t.Errorf("%s/%s at %v: %v, want %v to %v", c.name, name, f, se, want[0], want[1])
				}
			}
		}
	}
	if d := preset(t, "thin").NoiseDensity(); math.Abs(float64(d)+150) > 0.01 {
		t.Errorf("thin: noise density %v, want -150 dBm in 1 Hz", d)
	}
	if _, err := world.Preset("moon"); err == nil || !strings.Contains(err.Error(), "depot") {
		t.Errorf("unknown preset: %v", err)
	}
}

func TestSE(t *testing.T) {
	least := unit.DB(5)
	e := world.Enclosure{
		Curve: []world.Shield{{Freq: 10e6, SE: 80}, {Freq: 1e9, SE: 40}}, Slope: -20, Least: &least,
		Resonances: []world.Resonance{{Freq: 430e6, Depth: 30, Width: 10e6}},
		Offsets:    []world.Offset{{Position: "side", SE: 6}, {Polarization: "h", SE: -1}},
	}
	for _, c := range []struct {
		f        unit.Hz
		pos, pol string
		want     unit.DB
		tol      float64
	}{
		{10e6, "", "", 80, 0.01},
		{100e6, "", "", 60, 0.01}, // half way in log f
		{1e6, "", "", 100, 0.01},  // 20 dB per decade below
		{1e12, "", "", 5, 0.01},   // floor
		{100e6, "side", "h", 65, 0.01},
		{430e6, "", "", 80 - 20*float1(43) - 30, 0.02},
		{435e6, "", "", 80 - 20*float1(43.5) - 15, 0.02},
	} {
		if got := e.SE(c.f, c.pos, c.pol); math.Abs(float64(got-c.want)) > c.tol {
			t.Errorf("SE(%v, %q, %q) = %v, want %v", c.f, c.pos, c.pol, got, c.want)
		}
	}
}

func float1(x float64) unit.DB { return unit.DB(math.Log10(x)) }

func TestBadFiles(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"key", "name: x\nsorce: {}\n", "w.yaml:2: sorce is unknown here: the keys are name, about"},
		{"twice", "name: x\nname: y\n", "w.yaml:2: name is given twice"},
		{"unit", "name: x\npath:\n  - {freq: 30 MHz, loss: 3 dBm}\n", "w.yaml:3: path[0].loss"},
		{"bare", "name: x\npath:\n  - {freq: 30, loss: 3 dB}\n", `w.yaml:3: path[0].freq "30" has no unit`},
		{"duration", "name: x\nsource:\n  settle: 5\n", `w.yaml:3: source.settle "5" is not a duration`},
		{"number", "name: x\nsource:\n  ppm: a lot\n", `w.yaml:3: source.ppm "a lot" is not a number`},
		{"list", "name: x\npath: 3 dB\n", "w.yaml:2: path must be a list"},
		{"table", "name: x\nsource: 3\n", "w.yaml:2: source must be a table"},
		{"order", "name: x\npath:\n  - {freq: 30 MHz, loss: 3 dB}\n  - {freq: 3 MHz, loss: 3 dB}\n", "w.yaml:4: path[1].freq must be above"},
		{"same", "name: x\nenclosures:\n  - {name: a, curve: [{freq: 1 MHz, se: 1 dB}]}\n  - {name: a, curve: [{freq: 1 MHz, se: 1 dB}]}\n", `w.yaml:4: enclosures[1].name "a" is used twice`},
		{"curve", "name: x\nenclosures:\n  - name: a\n", "w.yaml:3: enclosures[0].curve is missing"},
		{"place", "name: x\npositions: [{name: front}]\nenclosures:\n  - name: a\n    curve: [{freq: 1 MHz, se: 1 dB}]\n    offsets:\n      - {position: rear, se: 1 dB}\n", `w.yaml:7: enclosures[0].offsets[0] no position "rear": there are front`},
		{"kind", "name: x\nambient:\n  - {freq: 90 MHz, level: -50 dBm, kind: loud}\n", `w.yaml:3: ambient[0].kind "loud" is unknown`},
		{"empty", "", "w.yaml:1: the file is empty"},
		{"yaml", "name: [", "w.yaml"},
		{"name", "about: x\n", "name is missing"},
	} {
		t.Run(c.name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "w.yaml")
			if err := os.WriteFile(file, []byte(c.text), 0o600); err != nil {
				t.Fatal(err)
			}
			_, err := world.Load(file)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %q, want %q in it", err, c.want)
			}
		})
	}
	if _, err := world.Load(filepath.Join(t.TempDir(), "none.yaml")); err == nil {
		t.Error("a missing file gave no error")
	}
}

func FuzzParse(f *testing.F) {
	f.Add("name: x\npath:\n  - {freq: 30 MHz, loss: 3 dB}\n")
	f.Add("name: x\nenclosures: [{name: a, curve: [{freq: 1 MHz, se: 1 dB}], least: 3 dB}]\n")
	f.Add("a: &a [*a]\n")
	f.Fuzz(func(t *testing.T, text string) {
		w, err := world.Parse("f.yaml", []byte(text))
		if err == nil && w.Check() != nil {
			t.Fatal("a parsed world fails its check")
		}
	})
}

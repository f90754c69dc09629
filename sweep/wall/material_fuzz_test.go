package wall_test

import (
	"io/fs"
	"math"
	"testing"

	"lidded/configs"
	"lidded/driver/unit"
	"lidded/sweep/wall"
)

// FuzzLoadMaterials: a material that loads has a permeability above zero
// everywhere and is found by its name.
func FuzzLoadMaterials(f *testing.F) {
	names, err := fs.Glob(configs.FS, "materials/*.yaml")
	if err != nil || len(names) == 0 {
		f.Fatal(names, err)
	}
	for _, name := range names {
		data, err := configs.FS.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte("materials:\n  - {name: mu, sigma_s_per_m: 1.6e6, mu_r_table: [{freq: 1 kHz, mu_r: 20000}, {freq: 1 MHz, mu_r: 100}], source: s}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		ms, err := wall.LoadMaterials("f.yaml", data)
		if err != nil {
			return
		}
		for _, name := range ms.Names() {
			m, err := ms.Get(name)
			if err != nil {
				t.Fatal(err)
			}
			for _, at := range []unit.Hz{1, 50, 30e3, 1e6, 1e9, 40e9} {
				mu := m.Permeability(at)
				if !(mu > 0) || math.IsInf(mu, 0) || math.IsNaN(float64(m.SkinDepth(at))) {
					t.Fatalf("%s at %v: mu_r %v, skin depth %v", name, at, mu, m.SkinDepth(at))
				}
			}
		}
	})
}

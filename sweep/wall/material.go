package wall

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"math/cmplx"
	"sort"
	"strings"

	"lidded/configs"
	"lidded/driver/strict"
	"lidded/driver/unit"
)

// Material is a conductor (or air) as a shield sees it.
type Material struct {
	Name      string    `yaml:"name"`
	Title     string    `yaml:"title"`
	Sigma     float64   `yaml:"sigma_s_per_m"` // conductivity; zero is a lossless gap
	MuR       float64   `yaml:"mu_r"`          // relative permeability; zero means 1, or MuRTable
	MuRTable  []MuPoint `yaml:"mu_r_table"`    // permeability against frequency, rising in frequency
	Source    string    `yaml:"source"`        // where the values come from
	MuRSource string    `yaml:"mu_r_source"`
}

// MuPoint is one point of a permeability table.
type MuPoint struct {
	Freq unit.Hz `yaml:"freq"`
	MuR  float64 `yaml:"mu_r"`
}

// Air is the gap between two sheets.
var Air = Material{Name: "air", Title: "air gap", MuR: 1, Source: "by definition"}

// Metal returns a nameless conductor with a constant permeability.
func Metal(sigma, muR float64) Material {
	return Material{Name: "metal", Title: "metal", Sigma: sigma, MuR: muR, Source: "given"}
}

// Permeability returns the relative permeability at a frequency. Between the
// points of a table it runs straight in log-log; beyond the ends it stays.
func (m Material) Permeability(f unit.Hz) float64 {
	t := m.MuRTable
	if len(t) == 0 {
		if m.MuR <= 0 {
			return 1
		}
		return m.MuR
	}
	i := sort.Search(len(t), func(i int) bool { return t[i].Freq >= f })
	switch {
	case i == 0:
		return t[0].MuR
	case i == len(t):
		return t[i-1].MuR
	}
	a, b := t[i-1], t[i]
	u := math.Log(float64(f/a.Freq)) / math.Log(float64(b.Freq/a.Freq))
	return a.MuR * math.Pow(b.MuR/a.MuR, u)
}

// SkinDepth returns 1/√(π f μ0 μr σ); infinite for a gap.
func (m Material) SkinDepth(f unit.Hz) Metre {
	return Metre(1 / math.Sqrt(math.Pi*float64(f)*Mu0*m.Permeability(f)*m.Sigma))
}

// Propagation returns the propagation constant γ = √(jωμ(σ+jωε0)) in 1/m and
// the intrinsic impedance √(jωμ/(σ+jωε0)) in ohm. In a metal these are
// (1+j)/δ and (1+j)/(σδ).
func (m Material) Propagation(f unit.Hz) (gamma, z complex128) {
	w := 2 * math.Pi * float64(f)
	zm := complex(0, w*Mu0*m.Permeability(f))
	ym := complex(m.Sigma, w*Eps0)
	return cmplx.Sqrt(zm * ym), cmplx.Sqrt(zm / ym)
}

// Relative returns the conductivity relative to annealed copper.
func (m Material) Relative() float64 { return m.Sigma / SigmaIACS }

// Materials is the set of materials known by name.
type Materials map[string]Material

// BuiltinMaterials returns the materials that ship with the program.
func BuiltinMaterials() (Materials, error) {
	ms := Materials{Air.Name: Air}
	names, err := fs.Glob(configs.FS, "materials/*.yaml")
	if err != nil {
		return nil, fmt.Errorf("list materials: %w", err)
	}
	for _, name := range names {
		data, err := fs.ReadFile(configs.FS, name)
		if err != nil {
			return nil, fmt.Errorf("read materials: %w", err)
		}
		more, err := LoadMaterials(name, data)
		if err != nil {
			return nil, err
		}
		for k, m := range more {
			if _, twice := ms[k]; twice {
				return nil, fmt.Errorf("%s: material %q is there twice: rename one", name, k)
			}
			ms[k] = m
		}
	}
	return ms, nil
}

// LoadMaterials reads a file of materials.
func LoadMaterials(file string, data []byte) (Materials, error) {
	var list struct {
		Materials []Material `yaml:"materials"`
	}
	doc, err := strict.Read(file, data, &list)
	if err != nil {
		return nil, err
	}
	ms := Materials{}
	var errs []error
	for i, m := range list.Materials {
		at := fmt.Sprintf("materials[%d]", i)
		if m.Name == "" {
			errs = append(errs, doc.Errorf(at, "need a name"))
		}
		if _, twice := ms[m.Name]; twice {
			errs = append(errs, doc.Errorf(at+".name", "%q is there twice: rename one", m.Name))
		}
		if !(m.Sigma > 0) || m.Sigma > 1e9 {
			errs = append(errs, doc.Errorf(at+".sigma_s_per_m", "need a conductivity above zero such as 5.8e7, have %g", m.Sigma))
		}
		if m.MuR < 0 || math.IsNaN(m.MuR) || (m.MuR != 0 && m.MuR < 0.9) {
			errs = append(errs, doc.Errorf(at+".mu_r", "need a relative permeability of about 1 or more, have %g", m.MuR))
		}
		for j, p := range m.MuRTable {
			if !(p.Freq > 0) || (j > 0 && p.Freq <= m.MuRTable[j-1].Freq) || !(p.MuR > 0) {
				errs = append(errs, doc.Errorf(fmt.Sprintf("%s.mu_r_table[%d]", at, j), "need rising frequencies and permeabilities above zero"))
			}
		}
		if m.Source == "" {
			errs = append(errs, doc.Errorf(at, "need a source for the values"))
		}
		ms[m.Name] = m
	}
	if len(list.Materials) == 0 {
		errs = append(errs, doc.Errorf("materials", "need at least one material"))
	}
	return ms, errors.Join(errs...)
}

// Get returns the material with a name; the error for an unknown one names the nearest.
func (ms Materials) Get(name string) (Material, error) {
	if m, ok := ms[name]; ok {
		return m, nil
	}
	names := ms.Names()
	if near := strict.Nearest(name, names); near != "" {
		return Material{}, fmt.Errorf("unknown material %q: did you mean %q?", name, near)
	}
	return Material{}, fmt.Errorf("unknown material %q: known are %s", name, strings.Join(names, ", "))
}

// Names lists the known names, sorted.
func (ms Materials) Names() []string {
	names := make([]string, 0, len(ms))
	for n := range ms {
		names = append(names, n)
	}
	sort.Strings(names)
	return names
}

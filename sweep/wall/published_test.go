package wall_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep/wall"
)

func TestSkinDepth(t *testing.T) {
	t.Parallel()
	table(t, "skin_depth.csv", func(r row) (got, want, tol float64) {
		m := wall.Metal(r.num("sigma_s_per_m"), r.num("mu_r"))
		want = r.num("want_um")
		return float64(m.SkinDepth(r.hz("freq_hz"))) * 1e6, want, rel(want, r.num("tolerance_rel"))
	})
}

// stack reads "sigma mu_r thickness + …".
func stack(t *testing.T, s string) wall.Stack {
	var out wall.Stack
	for l := range strings.SplitSeq(s, " + ") {
		var v [3]float64
		for i, f := range strings.Fields(l) {
			x, err := strconv.ParseFloat(f, 64)
			if err != nil {
				t.Fatal(err)
			}
			v[i] = x
		}
		out = append(out, wall.Layer{Material: wall.Metal(v[0], v[1]), Thickness: wall.Metre(v[2])})
	}
	return out
}

func wave(t *testing.T, r row) wall.Wave {
	f, err := wall.ParseField(r.text("field"))
	if err != nil {
		t.Fatal(err)
	}
	return wall.Wave{Field: f, Distance: wall.Metre(r.num("distance_m"))}
}

func TestSheets(t *testing.T) {
	t.Parallel()
	table(t, "sheet.csv", func(r row) (got, want, tol float64) {
		s, f, w := stack(t, r.text("layers_sigma_mur_metre")), r.hz("freq_hz"), wave(t, r)
		terms := s[0].Terms(f, w)
		switch r.text("term") {
		case "A":
			got = terms.Absorption
		case "R":
			got = terms.Reflection
		case "B":
			got = terms.ReReflection
		case "SE":
			got = float64(s.SE(f, w))
			if len(s) == 1 && math.Abs(got-float64(terms.Sum())) > 1e-6 {
				t.Errorf("matrix %.9f and A+R+B %.9f differ", got, float64(terms.Sum()))
			}
		}
		return got, r.num("want_db"), r.num("tolerance_db")
	})
}

func relative(r row) wall.Material {
	return wall.Metal(r.num("sigma_relative")*wall.SigmaIACS, r.num("mu_r"))
}

func TestHandbookReflection(t *testing.T) {
	t.Parallel()
	table(t, "reflection.csv", func(r row) (got, want, tol float64) {
		return wall.HandbookReflection(relative(r), r.hz("freq_hz"), wave(t, r)), r.num("want_db"), r.num("tolerance_db")
	})
}

func TestAbsorption(t *testing.T) {
	t.Parallel()
	table(t, "absorption.csv", func(r row) (got, want, tol float64) {
		l := wall.Layer{Material: relative(r), Thickness: wall.Metre(r.num("thickness_m"))}
		book := wall.HandbookAbsorption(l, r.hz("freq_hz"))
		exact := l.Terms(r.hz("freq_hz"), wall.Wave{Field: wall.PlaneWave}).Absorption
		if math.Abs(book-exact) > 3e-4*exact {
			t.Errorf("line %d: handbook %g and exact %g differ", r.line, book, exact)
		}
		return exact, r.num("want_db"), r.num("tolerance_db")
	})
}

func TestReReflection(t *testing.T) {
	t.Parallel()
	table(t, "rereflection.csv", func(r row) (got, want, tol float64) {
		l := wall.Layer{Material: relative(r), Thickness: wall.Metre(r.num("thickness_mil") * 25.4e-6)}
		f := r.hz("freq_hz")
		want, tol = r.num("want_db"), r.num("tolerance_db")
		exact := l.Terms(f, wall.Wave{Field: wall.PlaneWave})
		if book := wall.HandbookCorrection(exact.Absorption, 1); math.Abs(book-want) > tol {
			t.Errorf("line %d: handbook form %.3f, want %.2f", r.line, book, want)
		}
		return exact.ReReflection, want, tol
	})
}

func TestShell(t *testing.T) {
	t.Parallel()
	table(t, "shell.csv", func(r row) (got, want, tol float64) {
		s := wall.Shell{
			Wall:   wall.Layer{Material: wall.Metal(r.num("sigma_s_per_m"), r.num("mu_r")), Thickness: wall.Metre(r.num("thickness_m"))},
			Radius: wall.Metre(r.num("radius_m")),
		}
		return float64(s.SEMagnetic(r.hz("freq_hz"))), r.num("want_db"), r.num("tolerance_db")
	})
}

func TestMesh(t *testing.T) {
	t.Parallel()
	table(t, "mesh.csv", func(r row) (got, want, tol float64) {
		bare := wall.Mesh{Pitch: wall.Metre(r.num("pitch_m")), Wire: wall.Metre(r.num("wire_m"))}
		wired := bare
		wired.Material = wall.Metal(r.num("sigma_s_per_m"), r.num("mu_r"))
		f := r.hz("freq_hz")
		switch r.text("quantity") {
		case "inductance_nh":
			got = bare.Inductance() * 1e9
		case "saturation_db_cube_0.3m":
			got = float64(bare.EnclosureSE(1e6, 0.05))
		case "lossless_db":
			got = float64(bare.SE(f))
		case "wire_db":
			got = float64(wired.SE(f))
		}
		return got, r.num("want"), r.num("tolerance")
	})
}

// λ/2a and the lossless mesh agree where the logarithm is one.
func TestMeshIdentity(t *testing.T) {
	t.Parallel()
	a := wall.Metre(10e-3)
	m := wall.Mesh{Pitch: a, Wire: 2 * a * 0.0730004}
	const f = 1e6
	got := float64(m.SE(f))
	want := 20 * math.Log10(wall.C0/f/(2*float64(a)))
	if math.Abs(got-want) > 1e-3 {
		t.Errorf("mesh %.5f, λ/2a %.5f", got, want)
	}
}

func TestHandbookScreen(t *testing.T) {
	t.Parallel()
	s := wall.Screen{Opening: 0.030 * 25.4e-3, Wire: 0.015 * 25.4e-3, PerInch: 22, Material: wall.Metal(5.8e7, 1)}
	table(t, "screen.csv", func(r row) (got, want, tol float64) {
		field, err := wall.ParseField(r.text("field"))
		if err != nil {
			t.Fatal(err)
		}
		x := s.Terms(r.hz("freq_hz"), wall.Wave{Field: field, Distance: 1.75 * 25.4e-3})
		got = map[string]float64{
			"A": x.Absorption, "R": x.Reflection, "B": x.ReReflection,
			"K1": x.Number, "K2": x.Skin, "K3": x.Coupling,
			"SE": float64(x.Sum()), "SE without K2": float64(x.Sum()) - x.Skin,
		}[r.text("term")]
		return got, r.num("want_db"), r.num("tolerance_db")
	})
}

func TestSlot(t *testing.T) {
	t.Parallel()
	table(t, "slot.csv", func(r row) (got, want, tol float64) {
		n, l := int(r.num("count")), wall.Metre(r.num("length_m"))
		got = float64(wall.SlotsSE(r.hz("freq_hz"), l, n))
		if n == 1 && got > 0 {
			if back := wall.SlotLength(r.hz("freq_hz"), unit.DB(got)); math.Abs(float64(back-l)) > 1e-9 {
				t.Errorf("line %d: length back from the SE is %v", r.line, back)
			}
		}
		return got, r.num("want_db"), r.num("tolerance_db")
	})
}

func TestAperture(t *testing.T) {
	t.Parallel()
	table(t, "aperture.csv", func(r row) (got, want, tol float64) {
		l, w := wall.Metre(r.num("length_m")), wall.Metre(r.num("width_m"))
		p := wall.EllipticSlot(l, w)
		want, tol = r.num("want"), r.num("tolerance_rel_or_db")
		switch r.text("quantity") {
		case "on axis":
			return float64(p.OnAxisSE(r.hz("freq_hz"), wall.Metre(r.num("distance_m")))), want, tol
		case "sigma":
			got = p.CrossSection(r.hz("freq_hz"))
		case "magnetic":
			got = p.Magnetic
		case "electric":
			got = p.Electric
		case "narrow":
			got = wall.NarrowSlotMagnetic(l, w)
		}
		return got, want, rel(want, tol)
	})
}

func TestOvermoded(t *testing.T) {
	t.Parallel()
	hole := wall.CircularHole(10e-3)
	o := wall.Overmoded{
		Cavity:         wall.Cavity{Width: 0.3, Height: 0.12, Depth: 0.3},
		Wall:           wall.Metal(3.5e7, 1),
		OpeningSquared: hole.Magnetic * hole.Magnetic,
	}
	table(t, "overmoded.csv", func(r row) (got, want, tol float64) {
		return float64(o.SE(r.hz("freq_hz"))), r.num("want_db"), r.num("tolerance_db")
	})
}

func TestSlottedBox(t *testing.T) {
	t.Parallel()
	table(t, "slotted_box.csv", func(r row) (got, want, tol float64) {
		b := wall.SlottedBox{Width: 0.3, Height: 0.12, Depth: 0.3, WallThickness: 1.5e-3,
			SlotLength: wall.Metre(r.num("slot_m")), SlotWidth: wall.Metre(r.num("slot_width_m"))}
		behind := wall.Metre(r.num("behind_m"))
		e, m := b.SE(r.hz("freq_hz"), behind)
		switch r.text("quantity") {
		case "electric":
			got = float64(e)
		case "magnetic":
			got = float64(m)
		case "slot_impedance":
			got = b.SlotImpedance()
		case "dip_hz":
			lowest := math.Inf(1)
			for f := 600e6; f < 750e6; f += 0.05e6 {
				if e, _ := b.SE(unit.Hz(f), behind); float64(e) < lowest {
					lowest, got = float64(e), f
				}
			}
		}
		return got, r.num("want"), r.num("tolerance")
	})
}

func TestWaveguideBelowCutoff(t *testing.T) {
	t.Parallel()
	table(t, "waveguide.csv", func(r row) (got, want, tol float64) {
		b := wall.Below{Width: wall.Metre(r.num("width_m")), Length: wall.Metre(r.num("length_m")), Round: r.text("shape") == "round"}
		got = float64(b.SE(r.hz("freq_hz")))
		if r.text("quantity") == "cutoff_ghz" {
			got = float64(b.Cutoff()) / 1e9
		}
		return got, r.num("want"), r.num("tolerance")
	})
}

func TestCavityModes(t *testing.T) {
	t.Parallel()
	table(t, "cavity.csv", func(r row) (got, want, tol float64) {
		a, b := wall.Metre(r.num("a_or_diameter_m")), wall.Metre(r.num("b_or_length_m"))
		c := wall.Cavity{Width: a, Height: b, Depth: wall.Metre(r.num("c_m"))}
		if r.text("shape") == "cylinder" {
			c = wall.Cavity{Diameter: a, Length: b}
		}
		i := int(r.num("entry"))
		modes := c.Modes(unit.Hz(r.num("want_mhz") * 1.01e6))
		if len(modes) <= i {
			t.Fatalf("line %d: only %d modes", r.line, len(modes))
		}
		if first := c.FirstMode(); i == 0 && (first.Freq != modes[0].Freq || first.Name != modes[0].Name) {
			t.Errorf("line %d: first mode %v, lowest of all %v", r.line, first, modes[0])
		}
		return float64(modes[i].Freq) / 1e6, r.num("want_mhz"), r.num("tolerance_mhz")
	})
}

func TestCavityNamesAndQ(t *testing.T) {
	t.Parallel()
	box := wall.Cavity{Width: 0.3, Height: 0.12, Depth: 0.3}
	m := box.Modes(1.2e9)
	if len(m) != 2 || m[0].Name != "TE101" || m[1].Name != "TE102 = TE201" || m[1].Same != 2 {
		t.Errorf("modes %+v", m)
	}
	cube := wall.Cavity{Width: 2.4, Height: 2.4, Depth: 2.4}.Modes(110e6)
	if len(cube) != 2 || cube[0].Same != 3 || cube[1].Same != 2 {
		t.Errorf("cube: %+v, want three and two coinciding modes", cube)
	}
	if c := (wall.Cavity{Diameter: 0.44, Length: 0.65}).Modes(530e6); len(c) != 2 || c[0].Name != "TE111" || c[1].Name != "TM010" {
		t.Errorf("cylinder: %+v", c)
	}
	// 3V/(2Sδ) at the first mode of the box, aluminium; computed
	if q := box.WallQ(706.62e6, wall.Metal(3.5e7, 1)); math.Abs(q-15623) > 16 {
		t.Errorf("Q %.0f, want 15623", q)
	}
	if (wall.Cavity{}).FirstMode() != (wall.Mode{}) || len((wall.Cavity{}).Modes(1e9)) != 0 {
		t.Error("a cavity without size has modes")
	}
}

func TestMeshBox(t *testing.T) {
	t.Parallel()
	const side, pitch, wire = 0.4826, 25.4e-3, 0.8e-3
	m := wall.Mesh{Pitch: pitch, Wire: wire}
	radius := wall.EqualVolumeRadius(side, side, side)
	table(t, "mesh_box.csv", func(r row) (got, want, tol float64) {
		f := r.hz("freq_hz")
		e, h := m.SphereSE(f, radius)
		switch r.text("quantity") {
		case "slot":
			got = float64(wall.SlotSE(f, pitch))
		case "casey":
			got = float64(m.SE(f))
		case "sphere electric", "model electric worst":
			got = float64(e)
		case "sphere magnetic", "model magnetic centre":
			got = float64(h)
		}
		return got, r.num("want_db"), r.num("tolerance_db")
	})
}

func TestMacFarlaneGrid(t *testing.T) {
	t.Parallel()
	// MacFarlane 1946: X = 376.5(d/λ)ln(d/2πa); d 10 mm, a 0.5 mm, 1 GHz gives 14.54 Ω (computed)
	if x := wall.WireGridReactance(1e9, 10e-3, 1e-3); math.Abs(x-14.54) > 0.01 {
		t.Errorf("%.3f Ω, want 14.54", x)
	}
}

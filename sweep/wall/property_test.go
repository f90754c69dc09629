package wall_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"lidded/driver/unit"
	"lidded/sweep/wall"
)

func drawLog(t *rapid.T, name string, lo, hi float64) float64 {
	return math.Exp(rapid.Float64Range(math.Log(lo), math.Log(hi)).Draw(t, name))
}

func drawLayer(t *rapid.T) wall.Layer {
	if rapid.IntRange(0, 3).Draw(t, "kind") == 0 {
		return wall.Layer{Material: wall.Air, Thickness: wall.Metre(drawLog(t, "gap", 1e-5, 0.3))}
	}
	return wall.Layer{
		Material:  wall.Metal(drawLog(t, "sigma", 1, 6e7), drawLog(t, "mu", 1, 2000)),
		Thickness: wall.Metre(drawLog(t, "thickness", 1e-9, 0.1)),
	}
}

func drawStack(t *rapid.T) wall.Stack {
	s := make(wall.Stack, rapid.IntRange(1, 5).Draw(t, "layers"))
	for i := range s {
		s[i] = drawLayer(t)
	}
	return s
}

func drawFreq(t *rapid.T) unit.Hz { return unit.Hz(drawLog(t, "f", 10, 40e9)) }

var plane = wall.Wave{Field: wall.PlaneWave}

func TestStackProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s, f := drawStack(t), drawFreq(t)
		se := float64(s.SE(f, plane))
		if !(se >= -1e-6) || math.IsInf(se, 0) {
			t.Fatalf("a passive stack gives %g dB under a plane wave", se)
		}
		back := float64(s.Reversed().SE(f, plane))
		if math.Abs(back-se) > 1e-6*(1+se) {
			t.Fatalf("not reciprocal: %g dB one way, %g dB the other", se, back)
		}
		refl, through, heat := s.PowerBalance(f)
		if refl < -1e-9 || refl > 1+1e-9 || heat < -1e-6 {
			t.Fatalf("energy is made: reflected %g, through %g, heat %g", refl, through, heat)
		}
		if want := math.Pow(10, -se/10); math.Abs(through-want) > 1e-9+1e-6*want {
			t.Fatalf("power through %g and SE %g dB disagree", through, se)
		}
	})
}

// A lossless stack turns nothing to heat.
func TestGapsKeepTheEnergy(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s := wall.Stack{{Material: wall.Air, Thickness: wall.Metre(drawLog(t, "gap", 1e-4, 3))}}
		if refl, through, heat := s.PowerBalance(drawFreq(t)); math.Abs(through-1) > 1e-6 || math.Abs(refl) > 1e-6 || math.Abs(heat) > 1e-6 {
			t.Fatalf("air reflects %g, passes %g, heats %g", refl, through, heat)
		}
	})
}

// The heat of a thin resistive sheet equals the Joule loss in it: with the
// surface field E = 2η1/(…)·E0, loss is |E|²/R per square.
func TestHeatIsJouleLoss(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rs := drawLog(t, "sheet resistance", 0.1, 1e5)
		const thick = 1e-7
		s := wall.Stack{{Material: wall.Metal(1/(rs*thick), 1), Thickness: thick}}
		_, through, heat := s.PowerBalance(1e6)
		joule := through * wall.Eta0 / rs // |E/E0|² / R over |E0|²/η0
		if math.Abs(heat-joule) > 1e-4*joule+1e-9 {
			t.Fatalf("heat %g, Joule loss %g", heat, joule)
		}
	})
}

func TestMatrixEqualsTerms(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l := wall.Layer{Material: wall.Metal(drawLog(t, "sigma", 1e5, 6e7), drawLog(t, "mu", 1, 2000)), Thickness: wall.Metre(drawLog(t, "thickness", 1e-7, 0.1))}
		f := drawFreq(t)
		w := wall.Wave{Field: rapid.SampledFrom(wall.Fields()).Draw(t, "field"), Distance: wall.Metre(drawLog(t, "distance", 0.05, 5))}
		a, b := float64(wall.Stack{l}.SE(f, w)), float64(l.Terms(f, w).Sum())
		if math.Abs(a-b) > 1e-6+1e-12*math.Abs(a) {
			t.Fatalf("matrix %.9f dB, A+R+B %.9f dB", a, b)
		}
	})
}

func TestMoreMetalNeverHurts(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		sigma, mu := drawLog(t, "sigma", 1e5, 6e7), 1.0
		th := drawLog(t, "thickness", 1e-7, 0.01)
		more := drawLog(t, "more", 1.001, 10)
		f := drawFreq(t)
		se := func(sigma, th float64) float64 {
			return float64(wall.Stack{{Material: wall.Metal(sigma, mu), Thickness: wall.Metre(th)}}.SE(f, plane))
		}
		base := se(sigma, th)
		if got := se(sigma, th*more); got < base-1e-3 {
			t.Fatalf("%g times thicker: from %g to %g dB", more, base, got)
		}
		if got := se(sigma*more, th); got < base-1e-3 {
			t.Fatalf("%g times the conductivity: from %g to %g dB", more, base, got)
		}
		shell := func(th float64) float64 {
			return float64(wall.Shell{Wall: wall.Layer{Material: wall.Metal(sigma, mu), Thickness: wall.Metre(th)}, Radius: 0.2}.SEMagnetic(f))
		}
		if shell(th*more) < shell(th)-1e-3 {
			t.Fatal("a thicker shell is worse")
		}
	})
}

func TestFinerMeshIsNeverWorse(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		wire := drawLog(t, "wire", 1e-5, 2e-3)
		pitch := wire * drawLog(t, "pitch over wire", 1.5, 100)
		finer := math.Max(pitch/drawLog(t, "finer", 1.01, 20), 1.2*wire)
		m := wall.Metal(drawLog(t, "sigma", 1e6, 6e7), drawLog(t, "mu", 1, 200))
		f := unit.Hz(drawLog(t, "f", 1e3, wall.C0/(4*pitch)))
		a := wall.Mesh{Pitch: wall.Metre(pitch), Wire: wall.Metre(wire), Material: m}
		b := wall.Mesh{Pitch: wall.Metre(finer), Wire: wall.Metre(wire), Material: m}
		if b.SE(f) < a.SE(f)-1e-9 {
			t.Fatalf("pitch %g to %g: %v to %v", pitch, finer, a.SE(f), b.SE(f))
		}
		if b.EnclosureSE(f, 0.05) < a.EnclosureSE(f, 0.05)-1e-9 {
			t.Fatal("the enclosure of the finer mesh is worse")
		}
		if _, ah := a.SphereSE(f, 0.05); f < 200e6 {
			if _, bh := b.SphereSE(f, 0.05); bh < ah-1e-9 {
				t.Fatalf("the sphere of the finer mesh is worse: %v to %v", ah, bh)
			}
		}
		if a.SE(f) < 0 {
			t.Fatalf("a mesh gives %v", a.SE(f))
		}
	})
}

func TestLimits(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := unit.Hz(drawLog(t, "f", 10, 1e9))
		m := wall.Metal(drawLog(t, "sigma", 1e6, 6e7), drawLog(t, "mu", 1, 100))
		delta := m.SkinDepth(f)

		thin := wall.Layer{Material: m, Thickness: delta * wall.Metre(drawLog(t, "thin", 1e-6, 1e-2))}
		want := wall.ThinWall(1 / (m.Sigma * float64(thin.Thickness)))
		if got := (wall.Stack{thin}).SE(f, plane); math.Abs(float64(got-want)) > 1e-3+2e-2*float64(m.Permeability(f)-1) {
			t.Fatalf("thin sheet %v, closed form %v", float64(got), float64(want))
		}
		thick := wall.Layer{Material: m, Thickness: delta * wall.Metre(drawLog(t, "thick", 8, 1e5))}
		terms := thick.Terms(f, plane)
		if got := float64((wall.Stack{thick}).SE(f, plane)); math.Abs(got-terms.Absorption-terms.Reflection) > 1e-5 {
			t.Fatalf("thick sheet %g, A+R %g", got, terms.Absorption+terms.Reflection)
		}
		// the thin non-magnetic shell: |1 + jωμ0σtR/3|
		cu := wall.Metal(m.Sigma, 1)
		th := float64(cu.SkinDepth(f)) * drawLog(t, "shell", 1e-6, 1e-2)
		const radius = 0.5
		if th > radius/1000 {
			return
		}
		x := 2 * math.Pi * float64(f) * wall.Mu0 * m.Sigma * th * radius / 3
		if got := float64(wall.Shell{Wall: wall.Layer{Material: cu, Thickness: wall.Metre(th)}, Radius: radius}.SEMagnetic(f)); math.Abs(got-10*math.Log10(1+x*x)) > 0.02 {
			t.Fatalf("thin shell %g, closed form %g", got, 10*math.Log10(1+x*x))
		}
	})
}

// Two equal halves are the whole.
func TestSheetSplits(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l, f := drawLayer(t), drawFreq(t)
		half := wall.Layer{Material: l.Material, Thickness: l.Thickness / 2}
		a, b := float64(wall.Stack{l}.SE(f, plane)), float64(wall.Stack{half, half}.SE(f, plane))
		if math.Abs(a-b) > 1e-6*(1+a) {
			t.Fatalf("whole %g, halves %g", a, b)
		}
	})
}

func TestMeshObliqueLimits(t *testing.T) {
	t.Parallel()
	m := wall.Mesh{Pitch: 6e-3, Wire: 0.5e-3}
	for _, p := range []wall.Polarization{wall.TE, wall.TM} {
		if d := m.SEOblique(1e8, 0, p) - m.SE(1e8); math.Abs(float64(d)) > 1e-9 {
			t.Errorf("normal incidence differs by %v", d)
		}
	}
	if m.SEOblique(1e8, 1, wall.TE) <= m.SE(1e8) || m.SEOblique(1e8, 1, wall.TM) >= m.SE(1e8) {
		t.Error("at a slant TE must gain and TM lose")
	}
}

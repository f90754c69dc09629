package wall_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lidded/driver/unit"
	"lidded/sweep/wall"
)

// logSpaced returns n frequencies from lo to hi.
func logSpaced(lo, hi float64, n int) []unit.Hz {
	out := make([]unit.Hz, n)
	for i := range out {
		out[i] = unit.Hz(lo * math.Pow(hi/lo, float64(i)/float64(n-1)))
	}
	return out
}

// soundAt is what a sound specimen does: somewhere inside the band, the same
// place for all frequencies, with the noise of a measurement. Where the band
// is widened for resonances, the specimen shows none.
func soundAt(m *wall.Model, field wall.Field, freqs []unit.Hz, place float64, rng *rand.Rand) []wall.Point {
	var out []wall.Point
	for _, e := range m.Expect(field, freqs) {
		if e.Regime == wall.FewModes {
			e.Low, e.High = e.Low+20, e.High-6
			e.High = max(e.High, e.Low)
		}
		se := float64(e.Low) + place*float64(e.High-e.Low) + rng.NormFloat64()
		out = append(out, wall.Point{Freq: e.Freq, Field: field, SE: unit.DB(se), U: 2})
	}
	return out
}

// leak adds a way in to every point, by amplitude.
func leak(points []wall.Point, se func(f float64) float64) []wall.Point {
	out := make([]wall.Point, len(points))
	for i, p := range points {
		p.SE = unit.DB(-20 * math.Log10(math.Pow(10, -float64(p.SE)/20)+math.Pow(10, -se(float64(p.Freq))/20)))
		out[i] = p
	}
	return out
}

func slotLaw(length float64) func(f float64) float64 {
	return func(f float64) float64 { return math.Max(0, 20*math.Log10(wall.C0/f/(2*length))) }
}

func firstCause(t *testing.T, fs []wall.Finding, a wall.Agreement) wall.Hypothesis {
	t.Helper()
	for _, f := range fs {
		if f.Agreement == a && len(f.Hypotheses) > 0 {
			return f.Hypotheses[0]
		}
	}
	for _, f := range fs {
		t.Log(f.Says)
	}
	t.Fatalf("no finding %q with a hypothesis", a)
	return wall.Hypothesis{}
}

func TestHiddenFaults(t *testing.T) {
	t.Parallel()
	ghz := logSpaced(30e6, 1e9, 40)
	below := logSpaced(30e6, 250e6, 25)
	cases := []struct {
		name, specimen string
		field          wall.Field
		freqs          []unit.Hz
		fault          func(f float64) float64
		want           wall.Cause
		lo, hi         float64 // of the size inferred
	}{
		{"slot in a locker", steelLocker, wall.PlaneWave, ghz, slotLaw(0.12), wall.CauseSlot, 0.10, 0.14},
		{"slot in a foil box, few points", foilBox, wall.PlaneWave, logSpaced(30e6, 600e6, 8), slotLaw(0.05), wall.CauseSlot, 0.04, 0.06},
		{"slot in a box, by the box's own modes", foilBox, wall.Electric, logSpaced(5e6, 450e6, 20), func(f float64) float64 {
			e, _ := wall.SlottedBox{Width: 0.3, Height: 0.3, Depth: 0.3, SlotLength: 0.1, SlotWidth: 1e-3}.SE(unit.Hz(f), 0.12)
			return float64(e)
		}, wall.CauseSlot, 0.08, 0.16},
		{"unbonded lid edge", steelLocker, wall.PlaneWave, ghz, slotLaw(0.6), wall.CauseLidEdge, 0.5, 0.7},
		{"contact resistance, nearly flat", steelLocker, wall.PlaneWave, below, func(f float64) float64 { return 52 - 6*math.Log10(f/30e6) }, wall.CausePoorBonding, 0, 0},
		{"coarse mesh, flat law", meshCage, wall.PlaneWave, below, func(f float64) float64 {
			return float64(wall.Mesh{Pitch: 50e-3, Wire: 0.64e-3, Material: wall.Metal(6.99e6, 100)}.SE(unit.Hz(f)))
		}, wall.CauseCoarseMesh, 35e-3, 70e-3},
		{"coarse mesh, closed box", meshCage, wall.Magnetic, logSpaced(1e6, 200e6, 25), func(f float64) float64 {
			_, h := wall.Mesh{Pitch: 25.4e-3, Wire: 0.64e-3}.SphereSE(unit.Hz(f), wall.EqualVolumeRadius(0.5, 0.5, 0.5))
			return float64(h)
		}, wall.CauseCoarseMesh, 18e-3, 35e-3},
		{"thin foil, plane wave", foilBox, wall.PlaneWave, logSpaced(30e6, 600e6, 25), func(f float64) float64 {
			return float64(wall.Stack{{Material: wall.Metal(3.5e7, 1), Thickness: 3e-6}}.SE(unit.Hz(f), plane))
		}, wall.CauseThinWall, 2e-6, 5e-6},
		{"thin foil, magnetic", foilBox, wall.Magnetic, logSpaced(10e3, 30e6, 25), func(f float64) float64 {
			return float64(wall.Shell{Wall: wall.Layer{Material: wall.Metal(3.5e7, 1), Thickness: 2e-6}, Radius: 0.15}.SEMagnetic(unit.Hz(f)))
		}, wall.CauseThinWall, 1e-6, 5e-6},
	}
	for i, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(7, uint64(i)))
			m := model(t, c.specimen)
			got := m.Explain(leak(soundAt(m, c.field, c.freqs, 0.5, rng), c.fault))
			h := firstCause(t, got, wall.Lower)
			if h.Cause != c.want || float64(h.Size) < c.lo || (c.hi > 0 && float64(h.Size) > c.hi) {
				t.Errorf("%v %v (%s), want %v of %g to %g m", h.Cause, h.Size, h.Says, c.want, c.lo, c.hi)
			}
			if len(h.Evidence) == 0 || h.Next == "" || h.Says == "" {
				t.Errorf("no evidence or no next step: %+v", h)
			}
		})
	}
}

// dipAt lowers points around a frequency as a resonance of a quality does.
func dipAt(points []wall.Point, f0, depth, q float64) []wall.Point {
	out := make([]wall.Point, len(points))
	for i, p := range points {
		x := q * (float64(p.Freq)/f0 - f0/float64(p.Freq))
		p.SE -= unit.DB(depth / (1 + x*x))
		out[i] = p
	}
	return out
}

func TestResonanceIsNamed(t *testing.T) {
	t.Parallel()
	m := model(t, steelLocker) // 0.6×0.5×0.4 m: the first mode is at 390.24 MHz
	rng := rand.New(rand.NewPCG(1, 2))
	points := dipAt(soundAt(m, wall.PlaneWave, logSpaced(100e6, 800e6, 60), 0.6, rng), 384e6, 30, 12)
	h := firstCause(t, m.Explain(points), wall.Dip)
	if h.Cause != wall.CauseResonance || h.Mode.Name != "TM110" || math.Abs(float64(h.Mode.Freq)-390.24e6) > 1e5 {
		t.Errorf("%+v", h)
	}
}

func TestSoundSpecimensAreNotAccused(t *testing.T) {
	t.Parallel()
	for i, y := range []string{steelLocker, foilBox, meshCage, ventedCase, bin} {
		m := model(t, y)
		for seed := range uint64(20) {
			rng := rand.New(rand.NewPCG(uint64(i), seed))
			place := 0.05 + 0.9*rng.Float64()
			points := soundAt(m, wall.PlaneWave, logSpaced(30e6, 1e9, 30), place, rng)
			points = append(points, soundAt(m, wall.Magnetic, logSpaced(10e3, 30e6, 20), place, rng)...)
			for _, f := range m.Explain(points) {
				if f.Agreement == wall.Lower || f.Agreement == wall.Dip {
					t.Errorf("%s, seed %d: %s", m.Specimen.Name, seed, f.Says)
				}
			}
		}
	}
}

func TestNoModelExplains(t *testing.T) {
	t.Parallel()
	m := model(t, foilBox)
	rng := rand.New(rand.NewPCG(3, 3))
	// a leak that gets better by 40 dB per decade and then worse again
	odd := func(f float64) float64 { return 20 + 40*math.Abs(math.Log10(f/150e6)) }
	fs := m.Explain(leak(soundAt(m, wall.PlaneWave, logSpaced(30e6, 650e6, 25), 0.5, rng), odd))
	for _, f := range fs {
		if f.Agreement == wall.Lower {
			if len(f.Hypotheses) != 0 || !strings.Contains(f.Says, wall.NoModel) {
				t.Errorf("%s %+v", f.Says, f.Hypotheses)
			}
			return
		}
	}
	t.Error("the leak was not seen")
}

// Where a slot and a coarser mesh fit alike, the polarizations tell.
func TestPolarizationTellsSlotFromMesh(t *testing.T) {
	t.Parallel()
	m := model(t, meshCage)
	for split, want := range map[float64]wall.Cause{0: wall.CauseCoarseMesh, 15: wall.CauseSlot} {
		rng := rand.New(rand.NewPCG(9, 9))
		var points []wall.Point
		for _, p := range leak(soundAt(m, wall.PlaneWave, logSpaced(80e6, 280e6, 20), 0.5, rng), slotLaw(0.06)) {
			p.Polarization, p.Position = "vertical", "hinge side"
			points = append(points, p)
			p.Polarization, p.SE = "horizontal", p.SE+unit.DB(split)
			points = append(points, p)
			p.Position, p.SE = "back", p.SE+1
			points = append(points, p)
		}
		h := firstCause(t, m.Explain(points), wall.Lower)
		if h.Cause != want {
			t.Errorf("polarizations %g dB apart: %v, want %v", split, h.Cause, want)
		}
		if all := strings.Join(h.Evidence, "\n"); !strings.Contains(all, "polarizations differ by") || !strings.Contains(all, `lowest at position "hinge side"`) {
			t.Errorf("evidence %q", h.Evidence)
		}
		one := slices.DeleteFunc(points, func(p wall.Point) bool { return p.Position == "back" })
		if h := firstCause(t, m.Explain(one), wall.Lower); strings.Contains(strings.Join(h.Evidence, "\n"), "look there first") {
			t.Errorf("one position is no choice: %q", h.Evidence)
		}
	}
}

func TestBoundsAreNeverHeldAgainst(t *testing.T) {
	t.Parallel()
	m := model(t, steelLocker)
	rapid.Check(t, func(t *rapid.T) {
		var points []wall.Point
		for range rapid.IntRange(1, 20).Draw(t, "n") {
			points = append(points, wall.Point{
				Freq:  unit.Hz(drawLog(t, "f", 1e4, 1e9)),
				Field: rapid.SampledFrom(wall.Fields()).Draw(t, "field"),
				SE:    unit.DB(rapid.Float64Range(-10, 150).Draw(t, "se")), Bound: true,
			})
		}
		for _, f := range m.Explain(points) {
			if f.Agreement == wall.Lower || f.Agreement == wall.Dip {
				t.Fatalf("%s", f.Says)
			}
		}
	})
}

func TestFindingsCoverEveryFrequencyOnce(t *testing.T) {
	t.Parallel()
	m := model(t, ventedCase)
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "n")
		freqs := map[unit.Hz]bool{}
		var points []wall.Point
		for range n {
			p := wall.Point{Freq: unit.Hz(drawLog(t, "f", 1e6, 2e9)), Field: wall.PlaneWave,
				SE: unit.DB(rapid.Float64Range(-10, 150).Draw(t, "se")), U: unit.DB(rapid.Float64Range(0, 5).Draw(t, "u")),
				Bound: rapid.Bool().Draw(t, "bound")}
			points, freqs[p.Freq] = append(points, p), true
		}
		total, last := 0, unit.Hz(0)
		for _, f := range m.Explain(points) {
			if f.From <= last || f.To < f.From || f.Says == "" {
				t.Fatalf("%+v after %v", f, last)
			}
			total, last = total+f.Points, f.To
		}
		if total != len(freqs) {
			t.Fatalf("%d of %d frequencies covered", total, len(freqs))
		}
	})
}

func TestStrangePointsAreLeftOut(t *testing.T) {
	t.Parallel()
	m := model(t, foilBox)
	nan := math.NaN()
	if fs := m.Explain([]wall.Point{
		{Freq: 0, Field: wall.PlaneWave, SE: 30}, {Freq: unit.Hz(nan), Field: wall.PlaneWave, SE: 30},
		{Freq: 1e8, Field: wall.PlaneWave, SE: unit.DB(nan)}, {Freq: 1e8, SE: 40},
	}); len(fs) != 0 {
		t.Errorf("%+v", fs)
	}
}

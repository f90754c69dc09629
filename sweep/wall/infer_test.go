package wall_test

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lidded/driver/unit"
	"lidded/sweep/wall"
)

func TestInferBetweenAndBeyond(t *testing.T) {
	t.Parallel()
	locker := model(t, steelLocker) // first mode 390.24 MHz
	vented := model(t, ventedCase)
	points := []wall.Point{
		{Freq: 30e6, SE: 70, U: 2}, {Freq: 100e6, SE: 60, U: 2}, {Freq: 300e6, SE: 50, U: 2},
		{Freq: 500e6, SE: 55, Bound: true}, {Freq: 100e6, SE: 66, U: 2},
	}
	inf := math.Inf(1)
	cases := []struct {
		name     string
		field    wall.Field
		model    *wall.Model
		f        unit.Hz
		basis    wall.Basis
		low, hi  float64
		riskLow  float64
		riskHigh float64
		text     string
	}{
		{"measured, the lowest counts", wall.Electric, locker, 100e6, wall.AsMeasured, 58, 62, 0, 0, "measured here"},
		{"measured bound", wall.Electric, locker, 500e6, wall.AsMeasured, 55, inf, 0, 0, "measured here"},
		{"half way, no mode", wall.Electric, locker, unit.Hz(math.Sqrt(30e6 * 100e6)), wall.Between, 63, 67, 0, 0, "no cavity mode lies there (the first is TM110 at 390 MHz)"},
		{"between, modes", wall.Electric, locker, unit.Hz(math.Sqrt(300e6 * 500e6)), wall.Between, 51.5, inf, 0.95, 1, "the lowest TM110 at 390 MHz"},
		{"between, size unknown", wall.Electric, nil, 200e6, wall.Between, 51.69, 55.69, 0.9, 1, "size is not known"},
		{"below, electric", wall.Electric, locker, 1e6, wall.Physics, 68, inf, 0, 0, "does not fall with falling frequency"},
		{"below, magnetic", wall.Magnetic, locker, 1e6, wall.Physics, 0, 72, 0, 0, "at least 0 dB"},
		{"below, plane wave", wall.PlaneWave, locker, 1e6, wall.Nothing, -inf, inf, 0, 0, "no simple rule"},
		{"above", wall.Electric, nil, 2e9, wall.Nothing, -inf, inf, 0, 0, "measure there"},
		{"zero", wall.Electric, nil, 0, wall.Nothing, -inf, inf, 0, 0, "above zero"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			ps := make([]wall.Point, len(points))
			for i, p := range points {
				p.Field = c.field
				ps[i] = p
			}
			in, err := wall.Infer(c.field, ps, c.model)
			if err != nil {
				t.Fatal(err)
			}
			got := in.At(c.f)
			same := func(a unit.DB, b float64) bool { return float64(a) == b || math.Abs(float64(a)-b) < 0.02 }
			if got.Basis != c.basis || !same(got.Low, c.low) || !same(got.High, c.hi) || got.Risk < c.riskLow || got.Risk > c.riskHigh {
				t.Errorf("%+v", got)
			}
			if !strings.Contains(got.Text, c.text) {
				t.Errorf("text %q, want %q", got.Text, c.text)
			}
		})
	}
	// above the range a described opening bounds the SE from above, and only that
	in, err := wall.Infer(wall.PlaneWave, []wall.Point{{Freq: 30e6, Field: wall.PlaneWave, SE: 40, U: 2}}, vented)
	if err != nil {
		t.Fatal(err)
	}
	if got := in.At(300e6); got.Basis != wall.Physics || !math.IsInf(float64(got.Low), -1) || got.High > 60 || got.High < 20 {
		t.Errorf("%+v", got)
	}
	if _, err := wall.Infer(wall.Magnetic, points, nil); err == nil {
		t.Error("inferred from nothing")
	}
}

// What a solid shell truly does lies inside what is inferred below the range.
func TestInferBelowHoldsForShells(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s := wall.Shell{
			Wall:   wall.Layer{Material: wall.Metal(drawLog(t, "sigma", 1e6, 6e7), drawLog(t, "mu", 1, 500)), Thickness: wall.Metre(drawLog(t, "thickness", 1e-6, 3e-3))},
			Radius: wall.Metre(drawLog(t, "radius", 0.05, 1)),
		}
		f0 := unit.Hz(drawLog(t, "f0", 1e3, 1e7))
		in, err := wall.Infer(wall.Magnetic, []wall.Point{{Freq: f0, Field: wall.Magnetic, SE: min(s.SEMagnetic(f0), 900), U: 0.01}}, nil)
		if err != nil {
			t.Fatal(err)
		}
		f := f0 / unit.Hz(drawLog(t, "down", 1.01, 1e4))
		got := in.At(f)
		if se := s.SEMagnetic(f); se < 900 && (se < got.Low-1e-9 || se > got.High) {
			t.Fatalf("the shell gives %v at %v, inferred %v to %v from %v", se, f, got.Low, got.High, f0)
		}
	})
}

// The inferred band never grows wider than the points between which it lies,
// and the risk is a chance.
func TestInferBetweenStaysBetween(t *testing.T) {
	t.Parallel()
	m := model(t, steelLocker)
	rapid.Check(t, func(t *rapid.T) {
		a := wall.Point{Freq: unit.Hz(drawLog(t, "f", 1e6, 1e9)), Field: wall.PlaneWave, SE: unit.DB(rapid.Float64Range(0, 100).Draw(t, "a")), U: 1}
		b := wall.Point{Freq: a.Freq * unit.Hz(drawLog(t, "step", 1.001, 3)), Field: wall.PlaneWave, SE: unit.DB(rapid.Float64Range(0, 100).Draw(t, "b")), U: 2}
		in, err := wall.Infer(wall.PlaneWave, []wall.Point{b, a}, m)
		if err != nil {
			t.Fatal(err)
		}
		f := a.Freq * unit.Hz(math.Pow(float64(b.Freq/a.Freq), rapid.Float64Range(0.01, 0.99).Draw(t, "u")))
		got := in.At(f)
		if got.Low < min(a.SE-a.U, b.SE-b.U)-1e-9 || got.High > max(a.SE+a.U, b.SE+b.U)+1e-9 || got.Low > got.High {
			t.Fatalf("%+v", got)
		}
		if got.Risk < 0 || got.Risk > 1 || (len(got.Modes) == 0) != (got.Risk == 0) && len(got.Modes) == 0 {
			t.Fatalf("risk %g with %d modes", got.Risk, len(got.Modes))
		}
	})
}

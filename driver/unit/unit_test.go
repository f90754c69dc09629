package unit_test

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"lidded/driver/unit"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if math.Abs(got-want) > tol {
		t.Errorf("%s: got %.6f, want %.6f ± %g", what, got, want, tol)
	}
}

// Boltzmann constant exact in the SI (BIPM, SI brochure 9th ed.), T0 = 290 K
// (IEEE definition of noise figure): −173.975 dBm/Hz, −143.975 in 1 kHz,
// −113.975 in 1 MHz.
func TestThermalNoise(t *testing.T) {
	near(t, "1 Hz", float64(unit.ThermalNoise(1)), -173.975, 0.0005)
	near(t, "1 kHz", float64(unit.ThermalNoise(1e3)), -143.975, 0.0005)
	near(t, "1 MHz", float64(unit.ThermalNoise(1e6)), -113.975, 0.0005)
}

// Definitions of the decibel for power and field quantities (ISO 80000-3).
func TestRatios(t *testing.T) {
	for _, c := range []struct{ db, power, field float64 }{
		{3, 1.9953, 1.4125}, {6, 3.9811, 1.9953}, {20, 100, 10}, {60, 1e6, 1e3}, {100, 1e10, 1e5},
	} {
		near(t, "power", unit.DB(c.db).Power()/c.power, 1, 5e-5)
		near(t, "field", unit.DB(c.db).Field()/c.field, 1, 5e-5)
		near(t, "back power", float64(unit.PowerRatio(unit.DB(c.db).Power())), c.db, 1e-9)
		near(t, "back field", float64(unit.FieldRatio(unit.DB(c.db).Field())), c.db, 1e-9)
	}
}

// Mean of {0, −10, −20} dBm is −4.318 dBm in power; the mean of the decibels
// (−10) would be wrong (arithmetic).
func TestMeanPower(t *testing.T) {
	m, n := unit.MeanPower([]unit.DBm{0, -10, unit.Missing(), -20})
	near(t, "mean", float64(m), -4.318, 0.0005)
	if n != 3 {
		t.Errorf("counted %d levels, want 3", n)
	}
	if m, n := unit.MeanPower(nil); n != 0 || !m.IsMissing() {
		t.Errorf("mean of nothing: %v, %d", m, n)
	}
}

func TestParse(t *testing.T) {
	for in, want := range map[string]float64{"30 MHz": 30e6, "1GHz": 1e9, "9 khz": 9e3, "0": 0, "1.5e3 Hz": 1500, "-2 Hz": -2} {
		got, err := unit.ParseHz(in)
		if err != nil || float64(got) != want {
			t.Errorf("%q: %v, %v", in, got, err)
		}
	}
	for _, in := range []string{"", "MHz", "30", "30 dBm", "1e999 Hz", "3O MHz", "NaN Hz"} {
		if v, err := unit.ParseHz(in); err == nil {
			t.Errorf("%q gave %v, want an error", in, v)
		}
	}
	if v, err := unit.ParseDBm("-10.5 dBm"); err != nil || v != -10.5 {
		t.Error(v, err)
	}
	if _, err := unit.ParseDBm("-10 dB"); err == nil {
		t.Error("dB taken for dBm")
	}
	if v, err := unit.ParseDB("80 dB"); err != nil || v != 80 {
		t.Error(v, err)
	}
}

// What rounds to nothing has no sign: -0.04 dB is written as 0.0 dB.
func TestTenths(t *testing.T) {
	for v, want := range map[unit.DB]string{-0.04: "+0.0", 0.04: "+0.0", -0.06: "-0.1", 3.14: "+3.1", -9: "-9.0"} {
		if got := fmt.Sprintf("%+.1f", v.Tenths()); got != want {
			t.Errorf("%v: %s, want %s", float64(v), got, want)
		}
	}
}

func TestWattsAndBack(t *testing.T) {
	near(t, "0 dBm", float64(unit.DBm(0).Watts()), 1e-3, 1e-12)
	near(t, "30 dBm", float64(unit.DBm(30).Watts()), 1, 1e-9)
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(-200, 60).Draw(t, "p")
		if got := float64(unit.DBm(p).Watts().DBm()); math.Abs(got-p) > 1e-9 {
			t.Fatalf("%v came back as %v", p, got)
		}
	})
}

func TestYAMLTextComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := unit.Hz(rapid.Float64Range(0, 1e12).Draw(t, "f"))
		s, _ := f.MarshalYAML()
		got, err := unit.ParseHz(s.(string))
		if err != nil || got != f {
			t.Fatalf("%v → %q → %v, %v", float64(f), s, float64(got), err)
		}
	})
}

func FuzzParseHz(f *testing.F) {
	for _, s := range []string{"30 MHz", "1e3 Hz", "-", "e", "1e"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if v, err := unit.ParseHz(s); err == nil && math.IsNaN(float64(v)) {
			t.Fatalf("%q gave NaN", s)
		}
	})
}

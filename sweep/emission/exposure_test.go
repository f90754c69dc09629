package emission_test

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lidded/driver/strict"
	"lidded/driver/unit"
	"lidded/sweep/emission"
)

func limits(t testing.TB, name string) emission.Limits {
	t.Helper()
	l, err := emission.BuiltinLimits(name)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if math.Abs(got-want) > rel*math.Abs(want) {
		t.Errorf("%s: %g, want %g", what, got, want)
	}
}

// 47 CFR 1.1310 Table 1, whose power densities stand there in mW/cm²; 1 mW/cm²
// is 10 W/m².
func TestLimits47CFR(t *testing.T) {
	occupational, public := limits(t, "47cfr-1.1310-occupational"), limits(t, "")
	if public.Name != emission.DefaultLimits {
		t.Fatalf("the default is %s", public.Name)
	}
	for _, c := range []struct {
		l    emission.Limits
		mhz  float64
		mwcm float64
	}{
		{occupational, 1, 100}, {occupational, 10, 9}, {occupational, 100, 1}, {occupational, 900, 3}, {occupational, 2450, 5},
		{public, 1, 100}, {public, 10, 1.8}, {public, 100, 0.2}, {public, 900, 0.6}, {public, 2450, 1},
	} {
		s, ok := c.l.Density(unit.Hz(c.mhz * 1e6))
		if !ok {
			t.Errorf("%s has no limit at %g MHz", c.l.Name, c.mhz)
		}
		// The table's E and H are rounded: as a plane wave they come to within 3 % of its S.
		near(t, c.l.Name, s/10, c.mwcm, 0.03)
	}
	for _, f := range []unit.Hz{100e3, 101e9} {
		if _, ok := public.Density(f); ok {
			t.Errorf("a limit at %v, where the table ends", f)
		}
	}
}

// ICNIRP 2020, Health Physics 118:483: whole body from memory, local as
// reproduced there; f in MHz, in the last row GHz.
func TestLimitsICNIRP(t *testing.T) {
	for _, c := range []struct {
		name string
		f    unit.Hz
		want float64
		rel  float64
	}{
		{"icnirp-2020-occupational", 100e6, 10, 1e-9}, {"icnirp-2020-public", 100e6, 2, 1e-9},
		{"icnirp-2020-occupational", 900e6, 900.0 / 40, 1e-9}, {"icnirp-2020-public", 900e6, 900.0 / 200, 1e-9},
		{"icnirp-2020-occupational", 10e9, 50, 1e-9}, {"icnirp-2020-public", 10e9, 10, 1e-9},
		{"icnirp-2020-occupational-local", 900e6, 0.29 * math.Pow(900, 0.86), 1e-9},
		{"icnirp-2020-public-local", 900e6, 0.058 * math.Pow(900, 0.86), 1e-9},
		{"icnirp-2020-occupational-local", 10e9, 275 * math.Pow(10, -0.177), 1e-9},
		{"icnirp-2020-public-local", 10e9, 55 * math.Pow(10, -0.177), 1e-9},
		// E = 300/f^0.7 V/m at 10 MHz as a plane wave; H = 2.2/f A/m allows more.
		{"icnirp-2020-public", 10e6, math.Pow(300/math.Pow(10, 0.7), 2) / 376.73, 1e-4},
	} {
		s, ok := limits(t, c.name).Density(c.f)
		if !ok {
			t.Errorf("%s has no limit at %v", c.name, c.f)
		}
		near(t, c.name, s, c.want, c.rel)
	}
	if limits(t, "icnirp-2020-public").Caution() == "" || limits(t, "icnirp-2020-public-local").Caution() != "" {
		t.Error("values from memory need a caution, values seen none")
	}
}

// With S = 2 W/m² and full ground reflection: 10 mW 0.04 m, 1 W 0.40 m, 10 W
// 1.26 m (arithmetic of d = √(G·EIRP/(4π·S)), OET Bulletin 65).
func TestDistance(t *testing.T) {
	for eirp, want := range map[unit.DBm]float64{10: 0.040, 30: 0.399, 40: 1.262} {
		near(t, "distance", emission.Distance(eirp, 2, emission.FullReflection), want, 0.003)
	}
}

// 47 CFR 15.209(a) limits at their distances and the EIRP they come to in free
// space, E²d²/30.
func TestFieldAgainst15209(t *testing.T) {
	for _, c := range []struct {
		eirp unit.DBm
		d    float64
		uv   float64
	}{{-45.7, 30, 30}, {-55.2, 3, 100}, {-51.7, 3, 150}, {-49.2, 3, 200}, {-41.2, 3, 500}} {
		near(t, "field", emission.Field(c.eirp, c.d, emission.FreeSpace)*1e6, c.uv, 0.01)
	}
}

// 47 CFR 1.1307(b)(3) exempts so much ERP at R metres (from memory). The
// thresholds are the public limits of 1.1310 with full ground reflection, and
// ERP = EIRP/1.64.
func TestFullReflectionAgainst11307(t *testing.T) {
	public := limits(t, "47cfr-1.1310-public")
	for _, c := range []struct{ mhz, erp float64 }{
		{1, 1920}, {10, 3450.0 / 100}, {100, 3.83}, {900, 0.0128 * 900}, {2450, 19.2},
	} {
		for _, r := range []float64{1, 20} {
			rule := emission.Rule{Limits: public, Ground: emission.FullReflection}
			level := unit.Watt(c.erp * 1.64 * r * r).DBm()
			e := rule.Expose(emission.Chain{}, unit.Hz(c.mhz*1e6), level)
			near(t, "distance", e.Distance, r, 0.02)
		}
	}
}

func TestChain(t *testing.T) {
	c := emission.Chain{Amplifier: 20, Cable: 1, AntennaGain: 2}
	if got := c.EIRP(0); math.Abs(float64(got)-21) > 1e-9 {
		t.Errorf("0 dBm with 20 dB, −1 dB, 2 dBi is %v, want 21 dBm", got)
	}
}

// λ/2π at 30 MHz is 1.59 m; an aperture of 0.5 m at 3 GHz has 2D²/λ = 5.0 m.
func TestFarField(t *testing.T) {
	near(t, "λ/2π", emission.FarField(30e6, 0), 1.590, 0.001)
	near(t, "2D²/λ", emission.FarField(3e9, 0.5), 5.003, 0.001)
}

func TestCautionSaysWhatItIs(t *testing.T) {
	rule := emission.Rule{Limits: limits(t, "icnirp-2020-public"), Ground: emission.FullReflection}
	chain := emission.Chain{AntennaGain: 2}
	list := []emission.Exposure{rule.Expose(chain, 30e6, 20), rule.Expose(chain, 900e6, 40)}
	text := rule.Caution(list)
	for _, want := range []string{"at least 1.06 m", "at 900 MHz with EIRP 42.0 dBm", "ground reflection factor 4",
		"does not hold nearer than 1.60 m (at 30 MHz)", "check against your copy", "local codes and competent persons"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in %q", want, text)
		}
	}
	if strings.Contains(strings.ToLower(text), "complian") || strings.Contains(text, "safe") {
		t.Errorf("the caution passes a judgement: %q", text)
	}
	if !list[0].NearField() || list[1].NearField() {
		t.Error("20 dBm at 30 MHz ends in the near field, 40 dBm at 900 MHz does not")
	}
	none := rule.Expose(chain, 50e3, 0)
	if none.Limit != nil || !strings.Contains(rule.Caution([]emission.Exposure{none}), "has no limit at these frequencies") {
		t.Error("no limit at 50 kHz must be said")
	}
}

// Twice the distance, a quarter of the density; more power or reflection, never
// a smaller distance; at the distance computed the density is the limit.
func TestExposureProperties(t *testing.T) {
	public := limits(t, "")
	rapid.Check(t, func(t *rapid.T) {
		f := unit.Hz(rapid.Float64Range(3e5, 1e11).Draw(t, "f"))
		level := unit.DBm(rapid.Float64Range(-30, 60).Draw(t, "level"))
		ground := rapid.SampledFrom([]float64{1, 2.56, 4}).Draw(t, "ground")
		e := emission.Rule{Limits: public, Ground: ground}.Expose(emission.Chain{}, f, level)
		if e.Limit == nil {
			t.Fatalf("no limit at %v", f)
		}
		if s := emission.Density(e.EIRP, e.Distance, ground); math.Abs(s/(*e.Limit)-1) > 1e-9 {
			t.Fatalf("density %g at the distance, limit %g", s, *e.Limit)
		}
		if a, b := emission.Density(e.EIRP, 1, ground), emission.Density(e.EIRP, 2, ground); math.Abs(a/b-4) > 1e-9 {
			t.Fatalf("density falls by %g", a/b)
		}
		more := emission.Rule{Limits: public, Ground: emission.FullReflection}.Expose(emission.Chain{Amplifier: 1}, f, level)
		if more.Distance <= e.Distance || e.KeepAway() < e.Distance {
			t.Fatalf("distance %g with more power and reflection, %g before", more.Distance, e.Distance)
		}
	})
}

func TestParseGain(t *testing.T) {
	for text, want := range map[string]emission.Gain{"2 dBi": 2, "-3dBi": -3, "0 dBd": 2.15} {
		if got, err := emission.ParseGain(text); err != nil || got != want {
			t.Errorf("%q: %v %v, want %v", text, got, err, want)
		}
	}
	for text, want := range map[string]string{
		"2 dB":  `"2 dB" does not say over what: write dBi (over isotropic) or dBd (over a dipole), for example "2 dBi"`,
		"2":     `"2" does not say over what: write dBi (over isotropic) or dBd (over a dipole), for example "2 dBi"`,
		"x dBi": `"x dBi" is not an antenna gain: write it in dBi, for example "2 dBi"`,
	} {
		if _, err := emission.ParseGain(text); err == nil || err.Error() != want {
			t.Errorf("%q: %v, want %s", text, err, want)
		}
	}
}

// A run's snapshot holds all of it and must come back the same.
func TestSnapshotSurvivesJSON(t *testing.T) {
	n, err := table(t).With([]emission.Override{{Entry: "airband-voice", Basis: "b"}})
	if err != nil {
		t.Fatal(err)
	}
	type snapshot struct {
		Never emission.Never
		Chain emission.Chain
		Rule  emission.Rule
	}
	was := snapshot{n, emission.Chain{Cable: 1, AntennaGain: 2.15}, emission.Rule{Limits: limits(t, ""), Ground: 4}}
	text, err := json.Marshal(was)
	if err != nil {
		t.Fatal(err)
	}
	var is snapshot
	if err := json.Unmarshal(text, &is); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(was, is) {
		t.Errorf("%s", text)
	}
	var c emission.Chain
	if err := strict.Decode("c.yaml", []byte("{amplifier: 20 dB, cable: 1 dB, antenna_gain: 0 dBd, antenna_size_m: 0.4}"), &c); err != nil || c.AntennaGain != 2.15 {
		t.Errorf("%v %v", c, err)
	}
}

func TestUnknownLimitsNameTheNearest(t *testing.T) {
	_, err := emission.BuiltinLimits("icnirp-2020-publik")
	if err == nil || err.Error() != `unknown exposure limits "icnirp-2020-publik": did you mean "icnirp-2020-public"?` {
		t.Error(err)
	}
}

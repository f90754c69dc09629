package practice_test

import (
	"encoding/csv"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"lidded/driver/strict"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/practice"
	"lidded/sweep/requirement"
	"lidded/sweep/wall"
)

func builtin(t testing.TB) *practice.Library {
	t.Helper()
	l, err := practice.Builtin()
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// The size ranges, headrooms and reference rule of the documents; the figures'
// sources stand beside them.
func TestPresetsHoldTheDocumentsRules(t *testing.T) {
	l := builtin(t)
	for _, c := range []struct {
		name     string
		from, to wall.Metre
		headroom unit.DB
		source   string
	}{
		{"ieee-299-2006", 2, 0, 6, "IEEE Std 299-2006 abstract: 2.0 m and more; clause 4.4, 6 dB from memory"},
		{"ieee-299.1-2013-part-1", 0.75, 2, 6, "IEEE Std 299.1-2013 abstract: part I 0.75 m to 2 m"},
		{"ieee-299.1-2013-part-2", 0.1, 0.75, 6, "IEEE Std 299.1-2013 abstract: 0.1 m to 2 m, part II below 0.75 m"},
		{"hemp-188-125-1", 0, 0, 20, "MIL-STD-188-125-1, 20 dB from memory"},
		{"hemp-door-factory", 0, 0, 20, "as MIL-STD-188-125-1"},
	} {
		p, err := l.Get(c.name)
		if err != nil {
			t.Error(err)
			continue
		}
		if s := p.Practice.Size; s.From != c.from || s.To != c.to {
			t.Errorf("%s: size %v, want %v to %v (%s)", c.name, s, c.from, c.to, c.source)
		}
		if p.Headroom == nil || *p.Headroom != c.headroom {
			t.Errorf("%s: headroom %v, want %v (%s)", c.name, p.Headroom, c.headroom, c.source)
		}
		// IEEE Std 299-2006 clause 4.4 and UFGS 13095N: 3 dB
		if p.DriftLimit == nil || *p.DriftLimit != 3 || p.NoClosing || p.Practice.ReferenceRepeat == "" {
			t.Errorf("%s: no reference-repeat rule of 3 dB", c.name)
		}
		if p.Practice.Caution() != requirement.CheckYourCopy {
			t.Errorf("%s has values from memory and does not say so", c.name)
		}
		if p.Requirement != "" {
			lines, err := requirement.Builtin()
			if err != nil {
				t.Fatal(err)
			}
			if _, err := lines.Get(p.Requirement); err != nil {
				t.Errorf("%s: %v", c.name, err)
			}
		}
	}
	if n := len(l.Names()); n != 5 {
		t.Errorf("%d presets, want the five above: %v", n, l.Names())
	}
}

// Every preset has a frequency in each band it names, in that band's field.
func TestPresetsCoverTheirBands(t *testing.T) {
	for _, p := range builtin(t).Presets() {
		for _, b := range p.Practice.Bands {
			n := 0
			for _, x := range p.Bands {
				for _, f := range x.Freqs {
					if f >= b.From && f <= b.To && x.Field == b.Field {
						n++
					}
				}
			}
			if n == 0 || b.Antenna == "" || b.Geometry == "" || b.Mark == requirement.MarkUnknown {
				t.Errorf("%s, %s: %d frequencies, antenna %q, geometry %q, mark %v", p.Name, b.Name, n, b.Antenna, b.Geometry, b.Mark)
			}
		}
	}
}

// The frequencies that we chose lie clear of the restricted bands of
// 47 CFR 15.205; those of UFGS 13095N do not, and the file says so.
func TestChosenFrequenciesAreClearOfRestrictedBands(t *testing.T) {
	fh, err := os.Open("../../testdata/regulation/47cfr-15.205.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer fh.Close()
	r := csv.NewReader(fh)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 60 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	var bands [][2]unit.Hz
	for _, row := range rows[1:] {
		lo, err1 := strconv.ParseFloat(row[0], 64)
		hi, err2 := strconv.ParseFloat(row[1], 64)
		if err1 != nil || err2 != nil {
			t.Fatal(row)
		}
		bands = append(bands, [2]unit.Hz{unit.Hz(lo * 1e6), unit.Hz(hi * 1e6)})
	}
	inside := func(f unit.Hz) bool {
		return slices.ContainsFunc(bands, func(b [2]unit.Hz) bool { return f >= b[0] && f <= b[1] })
	}
	for _, p := range builtin(t).Presets() {
		var in []unit.Hz
		for _, b := range p.Bands {
			for _, f := range b.Freqs {
				if inside(f) {
					in = append(in, f)
				}
			}
		}
		if p.Name == "hemp-door-factory" {
			if !slices.Equal(in, []unit.Hz{100e3, 400e6, 1e9}) {
				t.Errorf("%s: %v lie in restricted bands: does the file still say so?", p.Name, in)
			}
			continue
		}
		if len(in) > 0 {
			t.Errorf("%s: %v lie in bands of 47 CFR 15.205", p.Name, in)
		}
	}
}

func TestPresetErrorsNameThePlace(t *testing.T) {
	for want, text := range map[string]string{
		`p.yaml:4:3: practice.standard`:       "name: x\nbands: [{name: a, freqs: [1 MHz], field: magnetic}]\npractice:\n  mark: seen\n  bands: [{name: a, from: 1 MHz, to: 2 MHz}]\n",
		`practice.bands has no "a"`:           "name: x\nbands: [{name: a, freqs: [1 MHz]}]\npractice: {standard: s, mark: seen}\n",
		`did you mean "antenna"?`:             "name: x\npractice: {standard: s, mark: seen, bands: [{antena: horn}]}\n",
		`need from above zero`:                "name: x\nbands: [{name: a, freqs: [1 MHz]}]\npractice: {standard: s, mark: seen, bands: [{name: a}]}\n",
		`bands[0].freqs[0]: 0 Hz`:             "name: x\nbands: [{name: a, freqs: [0 Hz]}]\npractice: {standard: s, mark: seen, bands: [{name: a, from: 1 MHz, to: 2 MHz}]}\n",
		`need from below to, have 2 m to 1 m`: "name: x\nbands: [{name: a, freqs: [1 MHz]}]\npractice: {standard: s, mark: seen, size: {from: 2 m, to: 1 m}, bands: [{name: a, from: 1 MHz, to: 2 MHz}]}\n",
	} {
		if _, err := practice.Load("p.yaml", []byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %v, want %q", text, err, want)
		}
	}
	if _, err := builtin(t).Get("iee-299-2006"); err == nil || !strings.Contains(err.Error(), `did you mean "ieee-299-2006"`) {
		t.Errorf("error %v", err)
	}
}

func plan(t *testing.T, text string) practice.Plan {
	t.Helper()
	var f struct {
		Plans []practice.Plan `yaml:"plans"`
	}
	if err := strict.Decode("c.yaml", []byte(text), &f); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	if len(f.Plans) != 1 {
		t.Fatalf("%d plans in\n%s", len(f.Plans), text)
	}
	return f.Plans[0]
}

// What "lidded plans show" prints is a plan that compiles as it stands.
func TestItemIsAPlan(t *testing.T) {
	l := builtin(t)
	for _, p := range l.Presets() {
		got, bad := plan(t, p.Item()).Resolve(l)
		if len(bad) > 0 {
			t.Fatalf("%s: %v", p.Name, bad)
		}
		compiled, bad := sweep.Compile(got.Spec, sweep.Bench{})
		if len(bad) > 0 {
			t.Fatalf("%s: %v", p.Name, bad)
		}
		want := 0
		for _, b := range p.Bands {
			want += len(b.Freqs)
		}
		if len(compiled.Points) != want || got.Practice == nil || compiled.Headroom != *p.Headroom {
			t.Errorf("%s: %d points, want %d", p.Name, len(compiled.Points), want)
		}
		for _, q := range compiled.Points {
			if q.Level != 0 || q.RBW != 1e3 {
				t.Errorf("%s: %v at %v, RBW %v", p.Name, q.Freq, q.Level, q.RBW)
			}
		}
	}
}

func TestPlanTakesAPresetOver(t *testing.T) {
	l := builtin(t)
	got, bad := plan(t, `
plans:
  - name: room
    preset: ieee-299-2006
    only: [14 MHz to 16 MHz, 20 MHz to 100 MHz]
    level: -3 dBm
    rbw: 100 Hz
    headroom: 10 dB
    positions: [door, back]
    bands:
      - {name: 20 MHz to 100 MHz, freqs: [30 MHz, 60 MHz], level: 5 dBm}
      - {name: ours, freqs: [5 MHz], rbw: 30 Hz}
`).Resolve(l)
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	p, bad := sweep.Compile(got.Spec, sweep.Bench{})
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	type point struct {
		f     unit.Hz
		level unit.DBm
		rbw   unit.Hz
		field requirement.Field
	}
	want := []point{
		{14.6e6, -3, 100, requirement.Magnetic}, {30e6, 5, 100, requirement.Electric},
		{60e6, 5, 100, requirement.Electric}, {5e6, -3, 30, requirement.PlaneWave},
	}
	for i, q := range p.Points {
		if i >= len(want) || want[i] != (point{q.Freq, q.Level, q.RBW, q.Field}) {
			t.Errorf("point %d: %+v", i, q)
		}
	}
	if len(p.Points) != len(want) || p.Headroom != 10 || p.DriftLimit != 3 || len(p.Polarizations) != 2 || len(p.Positions) != 2 {
		t.Errorf("%+v", p)
	}
	for in, out := range map[string]string{"bands[0].rbw": "preset", "bands[1].level": "bands[0].level", "bands[2].freqs[0]": "bands[1].freqs[0]", "positions[0]": "positions[0]"} {
		if got := got.Path(in); got != out {
			t.Errorf("path %s is %s, want %s", in, got, out)
		}
	}
}

func TestResolveRefuses(t *testing.T) {
	l := builtin(t)
	for want, text := range map[string]string{
		`preset: unknown preset "hemp-188-125"`: "{name: a, preset: hemp-188-125, level: 0 dBm, rbw: 1 kHz}",
		`level: preset ieee-299-2006 leaves`:    "{name: a, preset: ieee-299-2006, rbw: 1 kHz}",
		`rbw: preset ieee-299-2006 leaves`:      "{name: a, preset: ieee-299-2006, level: 0 dBm}",
		`only[0]: preset ieee-299-2006 has no`:  "{name: a, preset: ieee-299-2006, level: 0 dBm, rbw: 1 kHz, only: [9 kHz]}",
		`only: only chooses bands of a preset`:  "{name: a, only: [9 kHz], bands: [{freqs: [1 MHz], level: 0 dBm, rbw: 1 kHz}]}",
		`practice.mark: need a mark`:            "{name: a, practice: {standard: s}, bands: [{freqs: [1 MHz], level: 0 dBm, rbw: 1 kHz}]}",
	} {
		_, bad := plan(t, "plans: ["+text+"]").Resolve(l)
		if len(bad) == 0 || !strings.Contains(bad[0].Error(), want) {
			t.Errorf("%s: %v, want %q", text, bad, want)
		}
	}
	var rule practice.ModeRule
	if err := rule.UnmarshalText([]byte("dodge")); err == nil || !strings.Contains(err.Error(), "keep, avoid, densify") {
		t.Errorf("error %v", err)
	}
}

package requirement_test

import (
	"math"
	"strings"
	"testing"
	"testing/fstest"

	"pgregory.net/rapid"

	"lidded/driver/unit"
	"lidded/sweep/requirement"
)

func builtin(t *testing.T, name string) *requirement.Line {
	t.Helper()
	lib, err := requirement.Builtin()
	if err != nil {
		t.Fatalf("built-in lines: %v", err)
	}
	l, err := lib.Get(name)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestBuiltinValues(t *testing.T) {
	const none = -1
	cases := []struct {
		line  string
		field requirement.Field
		freq  unit.Hz
		want  float64
		from  string // where the expected value comes from
	}{
		{"mil-std-188-125-1", requirement.Magnetic, 10e3, 20, "20·log10(f)−60"},
		{"mil-std-188-125-1", requirement.Magnetic, 100e3, 40, "20·log10(f)−60"},
		{"mil-std-188-125-1", requirement.Magnetic, 150e3, 43.5218, "20·log10(f)−60"},
		{"mil-std-188-125-1", requirement.Magnetic, 1e6, 60, "20·log10(f)−60"},
		{"mil-std-188-125-1", requirement.Magnetic, 10e6, 80, "20·log10(f)−60"},
		{"mil-std-188-125-1", requirement.Magnetic, 10.1e6, none, "above the magnetic range"},
		{"mil-std-188-125-1", requirement.Magnetic, 9e3, none, "below the magnetic range"},
		{"mil-std-188-125-1", requirement.PlaneWave, 10e6, 80, "plateau"},
		{"mil-std-188-125-1", requirement.PlaneWave, 1e9, 80, "plateau"},
		{"mil-std-188-125-1", requirement.PlaneWave, 1.1e9, none, "above the plateau"},
		{"mil-std-188-125-1", requirement.Electric, 10e6, none, "no electric line"},
		{"nsa-94-106", requirement.Magnetic, 1e3, 20, "NSA 94-106 figure 1, from memory"},
		{"nsa-94-106", requirement.Magnetic, 10e3, 56, "NSA 94-106 figure 1, from memory"},
		{"nsa-94-106", requirement.Magnetic, 100e3, 90, "NSA 94-106 figure 1, from memory"},
		{"nsa-94-106", requirement.Magnetic, 1e6, 100, "NSA 94-106 figure 1, from memory"},
		{"nsa-94-106", requirement.Magnetic, 31.6227766e3, 73, "half way in log f between 56 and 90"},
		{"nsa-94-106", requirement.PlaneWave, 10e9, 100, "NSA 94-106 figure 1, from memory"},
		{"mil-std-285", requirement.Magnetic, 180e3, 70, "MIL-STD-285, from memory"},
		{"mil-std-285", requirement.Electric, 1e6, 100, "MIL-STD-285, from memory"},
		{"mil-std-285", requirement.PlaneWave, 400e6, 100, "MIL-STD-285, from memory; one frequency"},
		{"mil-std-285", requirement.PlaneWave, 401e6, none, "one frequency only"},
		{"iec-61587-3-level-1", requirement.Electric, 100e6, 20, "IEC 61587-3, from memory"},
		{"iec-61587-3-level-1", requirement.Electric, 2e9, 0, "IEC 61587-3, from memory"},
		{"iec-61587-3-level-2", requirement.Electric, 30e6, 40, "IEC 61587-3, from memory"},
		{"iec-61587-3-level-3", requirement.Electric, 230e6, 60, "a step: the higher holds"},
		{"iec-61587-3-level-3", requirement.Electric, 230.1e6, 50, "IEC 61587-3, from memory"},
		{"iec-61587-3-level-3", requirement.PlaneWave, 1.5e9, 40, "IEC 61587-3, from memory"},
		{"flat-80", requirement.Magnetic, 10e3, 80, "flat"},
		{"depot-spare-radio", requirement.PlaneWave, 30e6, 60, "the depot's own"},
		{"depot-spare-radio", requirement.PlaneWave, 29e6, none, "below its range"},
	}
	for _, c := range cases {
		l := builtin(t, c.line)
		got, ok := l.At(c.field, c.freq)
		if !ok {
			got = none
		}
		if math.Abs(float64(got)-c.want) > 1e-3 {
			t.Errorf("%s %s at %v: %v (%v), want %v (%s)", c.line, c.field, c.freq, float64(got), ok, c.want, c.from)
		}
	}
}

func TestCaution(t *testing.T) {
	for name, want := range map[string]string{
		"mil-std-188-125-1": requirement.CheckYourCopy,
		"nsa-94-106":        requirement.CheckYourCopy,
		"flat-60":           "",
		"depot-spare-radio": "",
	} {
		if got := builtin(t, name).Caution(); got != want {
			t.Errorf("%s: caution %q, want %q", name, got, want)
		}
	}
	if m := builtin(t, "nsa-94-106").MarkAt(requirement.Magnetic, 20e3); m != requirement.Memory {
		t.Errorf("mark between two points from memory: %v", m)
	}
}

func TestRangeAndSource(t *testing.T) {
	l := builtin(t, "iec-61587-3-level-2")
	lo, hi, ok := l.Range(requirement.Electric)
	if !ok || lo != 30e6 || hi != 3e9 {
		t.Errorf("range %v to %v, %v", lo, hi, ok)
	}
	if _, _, ok := l.Range(requirement.Magnetic); ok {
		t.Error("a magnetic range where there is none")
	}
	if got := l.Source(); got != "IEC 61587-3, 2013" {
		t.Errorf("source %q", got)
	}
	if n := len(l.Polylines(requirement.Electric)); n != 3 {
		t.Errorf("%d polylines, want 3", n)
	}
	if f := l.Fields(); len(f) != 2 || f[0] != requirement.Electric || f[1] != requirement.PlaneWave {
		t.Errorf("fields %v", f)
	}
}

const goodLine = `name: shed
title: Boat shed
mark: chosen
curves:
  - fields: [electric]
    segments:
      - points:
          - {freq: 30 MHz, se: 40 dB}
          - {freq: 1 GHz, se: 20 dB, mark: seen}
`

func TestLoadRefuses(t *testing.T) {
	cases := []struct{ name, old, new, want string }{
		{"unknown key", "title:", "titel:", `shed.yaml:2:1: titel: unknown key "titel": did you mean "title"?`},
		{"no unit", "30 MHz", "30", `shed.yaml:8:20: curves[0].segments[0].points[0].freq: "30" has no unit`},
		{"falling", "1 GHz", "10 MHz", `shed.yaml:9:20: curves[0].segments[0].points[1].freq: 10 MHz does not rise above the point before it (30 MHz)`},
		{"negative", "40 dB", "-1 dB", `shed.yaml:8:32: curves[0].segments[0].points[0].se: need an SE from 0 dB to 300 dB, have -1.0 dB`},
		{"field", "[electric]", "[sideways]", `unknown field "sideways": use one of magnetic, electric, plane wave`},
		{"no field", "[electric]", "[]", "curves[0].fields: need at least one of"},
		{"no mark", "mark: chosen", "note: x", "points[0].mark: need a mark"},
		{"bad mark", "mark: chosen", "mark: guessed", `unknown mark "guessed": use one of seen, memory, computed, chosen`},
		{"name", "name: shed", "name: The Shed", "shed.yaml:1:7: name: need a name of lower-case letters"},
		{"no title", "title: Boat shed", "title: ''", "title: need a title"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := requirement.Load("shed.yaml", []byte(strings.Replace(goodLine, c.old, c.new, 1)))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %v\nwant  %s", err, c.want)
			}
		})
	}
	if _, err := requirement.Load("shed.yaml", []byte(goodLine)); err != nil {
		t.Errorf("the good line: %v", err)
	}
}

func TestLibrary(t *testing.T) {
	lib, err := requirement.Builtin()
	if err != nil {
		t.Fatal(err)
	}
	if len(lib.Lines()) != len(lib.Names()) || len(lib.Names()) < 12 {
		t.Errorf("names %v", lib.Names())
	}
	if _, err := lib.Get("flat-8O"); err == nil || !strings.Contains(err.Error(), `did you mean "flat-80"`) {
		t.Errorf("near miss: %v", err)
	}
	own := strings.Replace(goodLine, "name: shed", "name: flat-80", 1)
	if err := lib.Add(fstest.MapFS{"mine.yaml": {Data: []byte(own)}}); err != nil {
		t.Fatal(err)
	}
	if l, _ := lib.Get("flat-80"); l.Title != "Boat shed" {
		t.Errorf("an operator's line does not win: %q", l.Title)
	}
	err = lib.Add(fstest.MapFS{"a.yaml": {Data: []byte(goodLine)}, "b.yaml": {Data: []byte(goodLine)}})
	if err == nil || !strings.Contains(err.Error(), `b.yaml: name "shed" is already used by a.yaml`) {
		t.Errorf("twice the same name: %v", err)
	}
	if _, err := lib.Get("shed"); err == nil {
		t.Error("a faulty folder was added in part")
	}
}

func TestLineStaysBetweenItsPoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 6).Draw(t, "n")
		pts := make([]requirement.Point, n)
		f := unit.Hz(rapid.Float64Range(1e3, 1e6).Draw(t, "f0"))
		for i := range pts {
			pts[i] = requirement.Point{Freq: f, SE: unit.DB(rapid.Float64Range(0, 120).Draw(t, "se")), Mark: requirement.Chosen}
			f *= unit.Hz(rapid.Float64Range(1.01, 100).Draw(t, "step"))
		}
		l := &requirement.Line{Name: "x", Title: "x", Mark: requirement.Chosen, Curves: []requirement.Curve{
			{Fields: []requirement.Field{requirement.Electric}, Segments: []requirement.Segment{{Points: pts}}}}}
		if err := l.Validate(); err != nil {
			t.Fatal(err)
		}
		i := rapid.IntRange(1, n-1).Draw(t, "i")
		a, b := pts[i-1], pts[i]
		u := rapid.Float64Range(0, 1).Draw(t, "u")
		at := a.Freq * unit.Hz(math.Pow(float64(b.Freq/a.Freq), u))
		got, ok := l.At(requirement.Electric, at)
		if !ok {
			t.Fatalf("nothing at %v between %v and %v", at, a.Freq, b.Freq)
		}
		want := a.SE + unit.DB(u)*(b.SE-a.SE)
		if math.Abs(float64(got-want)) > 1e-5 {
			t.Fatalf("%v at %v, want %v", got, at, want)
		}
		if _, ok := l.At(requirement.Electric, pts[0].Freq*0.999); ok {
			t.Fatal("a value below the line")
		}
		if _, ok := l.At(requirement.Electric, pts[n-1].Freq*1.001); ok {
			t.Fatal("a value above the line")
		}
	})
}

func FuzzLoad(f *testing.F) {
	f.Add([]byte(goodLine))
	f.Add([]byte("curves: [{segments: [{points: []}]}]"))
	f.Fuzz(func(t *testing.T, data []byte) {
		l, err := requirement.Load("f.yaml", data)
		if err != nil {
			return
		}
		for _, field := range l.Fields() {
			lo, hi, ok := l.Range(field)
			if _, in := l.At(field, lo); !ok || !in || hi < lo {
				t.Fatalf("a line that loads has no value at its own lower end: %+v", l)
			}
		}
	})
}

package practice_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/practice"
	"lidded/sweep/wall"
)

// locker is 0.6 m by 0.5 m by 0.4 m: first mode 391 MHz.
var locker = practice.Box{Name: "heron", Cavity: wall.Cavity{Width: 0.6, Height: 0.5, Depth: 0.4}}

// room is 3.6 m by 2.4 m by 2.4 m: first mode 75.1 MHz.
var room = practice.Box{Name: "weir-room", Cavity: wall.Cavity{Width: 3.6, Height: 2.4, Depth: 2.4}}

func resolved(t *testing.T, text string) practice.Resolved {
	t.Helper()
	r, bad := plan(t, "plans: ["+text+"]").Resolve(builtin(t))
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	return r
}

const ghz = "{name: a, level: 0 dBm, rbw: 1 kHz, modes: %, bands: [{name: all, from: 100 MHz, to: 900 MHz, count: 40}]}"

func compiled(t *testing.T, s sweep.PlanSpec) []unit.Hz {
	t.Helper()
	p, bad := sweep.Compile(s, sweep.Bench{})
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	var out []unit.Hz
	for _, q := range p.Points {
		out = append(out, q.Freq)
	}
	return out
}

func TestKeepChangesNothing(t *testing.T) {
	r := resolved(t, strings.ReplaceAll(ghz, "%", "keep"))
	spec, notes := r.Fit([]practice.Box{locker}, sweep.Bench{})
	if len(notes) > 0 || !slices.Equal(compiled(t, spec), compiled(t, r.Spec)) {
		t.Errorf("notes %v", notes)
	}
}

func TestAvoid(t *testing.T) {
	r := resolved(t, strings.ReplaceAll(ghz, "%", "avoid"))
	spec, notes := r.Fit([]practice.Box{locker}, sweep.Bench{})
	was, now := compiled(t, r.Spec), compiled(t, spec)
	if len(now) != len(was) {
		t.Errorf("%d frequencies, were %d", len(now), len(was))
	}
	all := strings.Join(notes, "\n")
	first := locker.Cavity.FirstMode()
	for _, f := range now {
		if d := math.Abs(float64(f/first.Freq) - 1); d < 0.05 && !strings.Contains(all, f.String()+" stays") {
			t.Errorf("%v is %.1f %% from the first mode and nobody says so:\n%s", f, 100*d, all)
		}
	}
	if slices.Equal(was, now) || !strings.Contains(all, "off TM110 of heron") && !strings.Contains(all, "off TE") || !strings.Contains(all, "nothing is shown where the box resonates") {
		t.Errorf("notes:\n%s", all)
	}
}

// A standard's single frequency moves within its band.
func TestAvoidMovesWithinTheStandardsBand(t *testing.T) {
	r := resolved(t, "{preset: ieee-299-2006, only: [20 MHz to 100 MHz], level: 0 dBm, rbw: 1 kHz, modes: avoid, bands: [{name: 20 MHz to 100 MHz, freqs: [75 MHz]}]}")
	spec, notes := r.Fit([]practice.Box{room}, sweep.Bench{})
	got := compiled(t, spec)
	if len(got) != 1 || got[0] == 75e6 || got[0] < 20e6 || got[0] > 100e6 || !strings.Contains(strings.Join(notes, "\n"), "75 MHz moved to") {
		t.Errorf("%v, %v", got, notes)
	}
}

func TestDensify(t *testing.T) {
	r := resolved(t, strings.ReplaceAll(ghz, "%", "densify"))
	spec, notes := r.Fit([]practice.Box{locker}, sweep.Bench{})
	got := compiled(t, spec)
	if !slices.IsSorted(got) {
		t.Errorf("not in order: %v", got)
	}
	first := float64(locker.Cavity.FirstMode().Freq)
	// a mode of Q 50, wherever it turns up within 6 %, has a point in its width
	for at := 0.94 * first; at <= 1.06*first; at *= 1.001 {
		if !slices.ContainsFunc(got, func(f unit.Hz) bool { return math.Abs(float64(f)/at-1) <= 1/100.0+1e-4 }) {
			t.Fatalf("a resonance at %.1f MHz would go unseen", at/1e6)
		}
	}
	for _, f := range compiled(t, r.Spec) {
		if !slices.Contains(got, f) {
			t.Errorf("%v was lost", f)
		}
	}
	if len(notes) == 0 || !strings.Contains(notes[0], "frequencies added across") {
		t.Errorf("notes %v", notes)
	}
}

// What the bench may not transmit is not added, and that is said.
func TestDensifyAsksThePermission(t *testing.T) {
	r := resolved(t, strings.ReplaceAll(ghz, "%", "densify"))
	b := sweep.Bench{MayTransmit: []sweep.Permission{{From: 100e6, To: 385e6, MaxLevel: 0, Basis: "cabled"}, {From: 395e6, To: 900e6, MaxLevel: -20, Basis: "cabled"}}}
	spec, notes := r.Fit([]practice.Box{locker}, b)
	was := compiled(t, r.Spec)
	for _, f := range compiled(t, spec) {
		if ok, _ := sweep.Permitted(b, f, 0); !ok && !slices.Contains(was, f) {
			t.Errorf("%v was added and is not permitted", f)
		}
	}
	if !strings.Contains(strings.Join(notes, "\n"), "left out: the bench may not transmit there") {
		t.Errorf("notes %v", notes)
	}
}

func TestModesNeedASize(t *testing.T) {
	r := resolved(t, strings.ReplaceAll(ghz, "%", "densify"))
	if _, notes := r.Fit(nil, sweep.Bench{}); len(notes) != 1 || !strings.Contains(notes[0], "give made_of or inner") {
		t.Errorf("notes %v", notes)
	}
}

// Whatever the box and the plan, avoiding keeps the number of frequencies and
// densifying loses none; both stay within the band and give a plan that compiles.
func TestFitProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		side := func(name string) wall.Metre { return wall.Metre(rapid.Float64Range(0.1, 4).Draw(t, name)) }
		box := practice.Box{Name: "b", Cavity: wall.Cavity{Width: side("w"), Height: side("h"), Depth: side("d")}}
		lo := rapid.Float64Range(1e6, 500e6).Draw(t, "lo")
		hi := lo * rapid.Float64Range(1.05, 30).Draw(t, "ratio")
		level := unit.DBm(0)
		p := practice.Plan{PlanSpec: sweep.PlanSpec{Name: "p", Bands: []sweep.BandSpec{{From: unit.Hz(lo), To: unit.Hz(hi), Count: rapid.IntRange(2, 30).Draw(t, "n"), Level: &level, RBW: 1e3}}}}
		p.Modes = rapid.SampledFrom([]practice.ModeRule{practice.ModesAvoided, practice.ModesFollowed}).Draw(t, "rule")
		r, bad := p.Resolve(&practice.Library{})
		before, bad2 := sweep.Compile(r.Spec, sweep.Bench{})
		if len(bad)+len(bad2) > 0 {
			t.Skip("not a plan")
		}
		spec, _ := r.Fit([]practice.Box{box}, sweep.Bench{})
		after, bad := sweep.Compile(spec, sweep.Bench{})
		if len(bad) > 0 {
			t.Fatal(bad)
		}
		if p.Modes == practice.ModesAvoided && len(after.Points) != len(before.Points) || len(after.Points) < len(before.Points) {
			t.Fatalf("%d points, were %d", len(after.Points), len(before.Points))
		}
		for _, q := range after.Points {
			if float64(q.Freq) < lo*(1-1e-6) || float64(q.Freq) > hi*(1+1e-6) {
				t.Fatalf("%v is outside %g to %g", q.Freq, lo, hi)
			}
		}
	})
}

func TestCautions(t *testing.T) {
	l := builtin(t)
	r := resolved(t, "{preset: ieee-299-2006, level: 0 dBm, rbw: 1 kHz, no_closing_reference: true, only: [9 kHz to 16 kHz, 100 MHz to 300 MHz, 300 MHz to 600 MHz]}")
	p, bad := sweep.Compile(r.Spec, sweep.Bench{})
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	all := strings.Join(practice.Cautions(p, r.Practice, []practice.Box{locker, room}, []string{"otter"}, l), "\n")
	for _, want := range []string{
		"check against your copy",
		"is for specimens with all dimensions 2 m or more; heron measures 400 mm to 600 mm inside: consider ieee-299.1-2013-part-2",
		"the size of otter is not known",
		"asks for the reference at the end of testing",
		"the plan has no frequency in 8 of its 11 bands: 140 kHz to 160 kHz (magnetic), 14 MHz to 16 MHz (magnetic)",
		"2 kinds of antenna (small loop, dipole)",
		"9 kHz to 16 kHz: small loop, magnetic field; loops coplanar",
		// (c/2)·√(1/a²+1/b²) by hand, c 299 792 458 m/s
		"weir-room resonates when empty: TE101 = TM110 at 75.06 MHz",
		"heron resonates when empty: TM110 at 390.2 MHz",
	} {
		if !strings.Contains(all, want) {
			t.Errorf("missing %q in\n%s", want, all)
		}
	}
	if strings.Contains(all, "weir-room measures") {
		t.Errorf("a room of 2.4 m is accused of its size:\n%s", all)
	}
	low := resolved(t, "{name: low, bands: [{freqs: [1 MHz], level: 0 dBm, rbw: 1 kHz}]}")
	p, _ = sweep.Compile(low.Spec, sweep.Bench{})
	if got := practice.Cautions(p, nil, []practice.Box{locker}, nil, l); len(got) > 0 {
		t.Errorf("cautions far below the first mode: %v", got)
	}
}

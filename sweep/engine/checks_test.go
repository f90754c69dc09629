package engine_test

import (
	"math"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/driver/virtual"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// checked runs a plan with checks of the reference on a virtual bench whose hands
// fit what is asked for.
func checked(t *testing.T, world func(*virtual.World), edit func(*sweep.PlanSpec, *sweep.Bench)) (sweep.Run, sweep.Evaluation, *memory, *lab) {
	t.Helper()
	l, j := newLabIn(t, world), newWorld().journal
	s := l.setup(j)
	s.Facts.HandsFit = true
	ten, low := unit.DB(10), unit.DBm(-10)
	spec := sweep.PlanSpec{
		Name: "checked", HoldPoints: "rule",
		Bands: []sweep.BandSpec{{Freqs: []unit.Hz{100e6, 300e6, 500e6}, Level: &low, RBW: 1e3, Attenuation: &ten}},
	}
	edit(&spec, &s.Facts)
	p, bad := sweep.Compile(spec, s.Facts)
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	d := serve(t, s)
	r := d.end(t, d.begin(t, engine.Request{Plan: p, Specimens: lockers[:1], Trigger: "test"}))
	if r.State != sweep.Completed {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	for _, c := range j.caps(r.ID) {
		if c.Void != "" {
			t.Errorf("step %d point %d is void: %s", c.Step, c.Point, c.Void)
		}
	}
	if l.SourceOn() {
		t.Error("the source is on")
	}
	return r, sweep.Evaluate(r, j.caps(r.ID)), j, l
}

// TestLeakageOnTheVirtualBench puts a path round the locker into the world: the
// check sees it, with the receiver terminated as with the source in a load, and
// what stands too near to it is claimed as a bound that the truth keeps.
func TestLeakageOnTheVirtualBench(t *testing.T) {
	for _, c := range []struct {
		name    string
		fitting sweep.Fitting
		under   unit.DB // path loss of the leakage over that through the locker
		want    sweep.Outcome
	}{
		{"terminated, near", sweep.ReceiverTerminated, 5, sweep.AtLeast},
		{"loaded, near", sweep.SourceLoaded, 5, sweep.AtLeast},
		{"terminated, far", sweep.ReceiverTerminated, 30, sweep.Measured},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			_, e, _, _ := checked(t, func(w *virtual.World) { w.Leakage = trueLoss + trueSE + c.under },
				func(s *sweep.PlanSpec, b *sweep.Bench) { s.LeakageCheck = c.fitting })
			leak := unit.DBm(-10).Add(-trueLoss - trueSE - c.under)
			if len(e.Results) != 3 {
				t.Fatalf("%d results, want 3", len(e.Results))
			}
			for _, q := range e.Results {
				if q.Outcome != c.want || float64(q.SE.Low) > float64(trueSE)+0.1 {
					t.Errorf("%v: %v %v, want %v and no more than %v (%s)", q.Freq, q.Outcome, q.SE, c.want, trueSE, q.Reason)
				}
				if q.Leakage == nil || !q.Leakage.Seen || math.Abs(float64(q.Leakage.Level.Sub(leak))) > 1 {
					t.Errorf("%v: leakage %+v, %v is true", q.Freq, q.Leakage, leak)
				}
				if c.want == sweep.AtLeast && !strings.Contains(q.Reason, "leakage") {
					t.Errorf("%v: the reason says nothing of leakage: %q", q.Freq, q.Reason)
				}
			}
			if !strings.Contains(strings.Join(e.Notes, "\n"), "leakage check") {
				t.Errorf("no note on the check: %q", e.Notes)
			}
		})
	}
}

// TestNoLoadFittedIsSaid: hands that fit nothing leave the reference where the
// leakage should be; the run says so and claims nothing from it.
func TestNoLoadFittedIsSaid(t *testing.T) {
	run, caps := idleHands(t)
	e := sweep.Evaluate(run, caps)
	if !strings.Contains(strings.Join(e.Notes, "\n"), "was the load fitted?") {
		t.Errorf("notes: %q", e.Notes)
	}
	for _, r := range e.Results {
		if r.Outcome != sweep.AtLeast || r.SE.Value > trueSE {
			t.Errorf("%v: %v %v, want a bound under %v", r.Freq, r.Outcome, r.SE, trueSE)
		}
	}
}

func idleHands(t *testing.T) (sweep.Run, []sweep.Capture) {
	t.Helper()
	r, _, j, _ := checked(t, func(*virtual.World) {}, func(s *sweep.PlanSpec, b *sweep.Bench) { s.LeakageCheck = sweep.ReceiverTerminated })
	caps := j.caps(r.ID)
	refs := map[int]sweep.Capture{}
	for _, c := range caps {
		if c.Kind == sweep.Reference {
			refs[c.Point] = c
		}
	}
	for i, c := range caps {
		if c.Kind == sweep.Leakage { // the reference once more
			caps[i].ID, caps[i].Looks = c.ID+" again", refs[c.Point].Looks
		}
	}
	return r, caps
}

// TestLinearityOnTheVirtualBench: with the attenuator inserted, and with the source
// set lower, a straight receiver follows the step; one at its 1 dB compression
// point at the reference falls 1 dB too little (10·log10(1 + 0.2589) = 1 dB there,
// by definition), and its points are void.
func TestLinearityOnTheVirtualBench(t *testing.T) {
	for _, c := range []struct {
		name    string
		fitting sweep.Fitting
		bent    bool
	}{
		{"attenuator", sweep.StepAttenuator, false},
		{"source level", sweep.SourceLowered, false},
		{"attenuator, compressed", sweep.StepAttenuator, true},
		{"source level, compressed", sweep.SourceLowered, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			_, e, j, _ := checked(t, func(w *virtual.World) {
				if c.bent {
					w.Analyzer.Compression, w.Analyzer.Overload = -50, -20 // −40 dBm arrive, 10 dB of attenuation
				}
			}, func(s *sweep.PlanSpec, b *sweep.Bench) {
				s.LinearityCheck = c.fitting
				b.StepAttenuator = []sweep.KnownStep{{Value: 20, Uncertainty: 0.1}}
				b.SourceSteps = b.StepAttenuator
			})
			if len(e.Linearity) != 3 {
				t.Fatalf("%d deviations, want 3: %+v", len(e.Linearity), e.Linearity)
			}
			want := 0.0
			if c.bent {
				want = -1
			}
			for _, d := range e.Linearity {
				if math.Abs(float64(d.Deviation)-want) > 0.2 || d.Over() != c.bent {
					t.Errorf("point %d: %+.2f dB, limit %.2f, want %+.0f (%s)", d.Point, float64(d.Deviation), float64(d.Limit), want, d.Reason)
				}
			}
			for _, r := range e.Results {
				if c.bent != (r.Outcome == sweep.Void) || c.bent && !strings.Contains(r.Reason, "compressed") {
					t.Errorf("%v: %v (%s)", r.Freq, r.Outcome, r.Reason)
				}
			}
			for _, k := range j.keyings() {
				if c.fitting == sweep.SourceLowered && k.Level != -10 && k.Level != -30 {
					t.Errorf("keyed at %v, want -10 or -30 dBm", k.Level)
				}
			}
		})
	}
}

// TestLeakageWhileClimbingDown: an adaptive run on a modest bench with a path
// round its boxes looks for it as deep as for the enclosures, and never claims
// more than is true.
func TestLeakageWhileClimbingDown(t *testing.T) {
	if testing.Short() {
		t.Skip("a minute of simulated sweeps")
	}
	d := dive(t, depth{
		world: "shared", traits: "modern-opc", seed: 5, count: 6, boxes: []string{"plate", "leaky"},
		change: func(w *virtual.World) { w.Leakage = 125; w.Ambient = nil },
		edit: func(s *sweep.PlanSpec) {
			s.LeakageCheck, s.Reach = sweep.ReceiverTerminated, new(unit.DB(70))
		},
	})
	if len(d.eval.Results) != 12 {
		t.Fatalf("%d results, want 12", len(d.eval.Results))
	}
	limited := 0
	for _, r := range d.eval.Results {
		se, err := d.truth.SE(r.At.Specimen, r.At.Position, string(r.At.Polarization), r.Freq)
		if err != nil {
			t.Fatal(err)
		}
		if r.SE.Relation == sweep.RelationUnknown || float64(r.SE.Low) > float64(se)+0.3 {
			t.Errorf("%s at %v: %v %v, %.1f dB are true (%s)", r.At.Specimen, r.Freq, r.Outcome, r.SE, float64(se), r.Reason)
		}
		if r.Leakage == nil || !r.Leakage.Seen || r.Leakage.Level < -125.3 || r.Leakage.Level > -122 {
			t.Errorf("%s at %v: leakage %+v, want its upper end over the true -125 dBm", r.At.Specimen, r.Freq, r.Leakage)
		}
		if strings.Contains(r.Reason, "leakage") {
			limited++
		}
	}
	if limited == 0 {
		t.Error("the plate is 20 dB tighter than the leakage lets show, and no result says so")
	}
}

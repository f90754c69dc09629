package sweep_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// dish is a radio world with its carrier and its axis where a test wants them: many
// looks in each trace point, so that little is left to chance.
type dish struct {
	rng     *rand.Rand
	noise   unit.DBm // mean, in an RBW of 1 kHz
	carrier unit.Hz
	looks   int // averaged in a trace point
}

// trace is a sweep of n points about a centre, or a stand at one frequency.
func (d dish) trace(center, span, rbw unit.Hz, n int, level unit.DBm) driver.Trace {
	t := driver.Trace{Start: center - span/2, Stop: center + span/2, Levels: make([]unit.DBm, n)}
	noise := float64(d.noise.Watts()) * float64(rbw/1e3)
	for i := range t.Levels {
		off := float64(2 * (t.Start + span*unit.Hz(i)/unit.Hz(max(n-1, 1)) - d.carrier) / rbw)
		s := float64(level.Add(unit.DB(-3.0103 * off * off)).Watts())
		sum := 0.0
		for range d.looks {
			x, y := math.Sqrt(s)+math.Sqrt(noise/2)*d.rng.NormFloat64(), math.Sqrt(noise/2)*d.rng.NormFloat64()
			sum += x*x + y*y
		}
		t.Levels[i] = unit.Watt(sum / float64(d.looks)).DBm()
	}
	return t
}

// swept is a capture of one rung.
type swept struct {
	kind              sweep.StepKind
	at                sweep.Setting
	rung              int
	center, span, rbw unit.Hz
	level             unit.DBm
	after             time.Duration
	attenuation       *unit.DB
	n, looks          int
}

func (d dish) capture(q sweep.Point, s swept) sweep.Capture {
	if s.n == 0 {
		s.n = 101
	}
	if s.looks == 0 {
		s.looks = 4
	}
	c := sweep.Capture{
		ID: fmt.Sprint(s.kind, s.at, s.rung, q.Index), Kind: s.kind, At: s.at, Point: q.Index, Rung: s.rung, Freq: q.Freq, Took: 2 * time.Second, Nominal: time.Second,
		Begun:    time.Date(2026, 5, 4, 22, 0, 0, 0, time.UTC).Add(s.after),
		Settings: driver.Settings{Center: s.center, Span: s.span, RBW: s.rbw, Detector: driver.PowerAverage, Points: s.n, SweepTime: time.Second, Attenuator: s.attenuation},
	}
	for range s.looks {
		c.Looks = append(c.Looks, sweep.Look{Trace: d.trace(s.center, s.span, s.rbw, s.n, unit.DBm(-400))})
		if s.kind != sweep.Ambient {
			c.Looks = append(c.Looks, sweep.Look{SourceOn: true, Trace: d.trace(s.center, s.span, s.rbw, s.n, s.level)})
		}
	}
	return c
}

// climbing is a run whose points climb down, on two oscillators of 5 ppm.
func climbing(t *testing.T, edit func(*sweep.PlanSpec, *sweep.Bench)) sweep.Run {
	return sheetRun(t, 1.7, func(s *sweep.PlanSpec, b *sweep.Bench) {
		s.Strategy, s.Stop, s.Reach = sweep.Adaptive, sweep.StopReach, db(90)
		s.Bands[0].Detector = driver.PowerAverage
		s.CheckReference = new(bool)
		b.AnalyzerRange.Detectors = []driver.Detector{driver.PowerAverage, driver.Sample}
		if edit != nil {
			edit(s, b)
		}
	})
}

func evaluated(run sweep.Run, caps ...sweep.Capture) sweep.Evaluation {
	return sweep.Evaluate(run, seal(caps))
}

// TestANarrowLookFollowsTheCarrier: the reference tells where the carrier is, 400 Hz
// from where it was set; a narrow look through the shield is taken there and gives
// the SE. One whose span does not hold that place says so, and one that stands beside
// it finds nothing to claim.
func TestANarrowLookFollowsTheCarrier(t *testing.T) {
	run := climbing(t, nil)
	q := run.Plan.Points[0]
	d := dish{rng: rand.New(rand.NewPCG(1, 7)), noise: -110, carrier: q.Freq + 400, looks: 40}
	ref := d.capture(q, swept{kind: sweep.Reference, at: open, center: q.Freq, span: 10e3, rbw: 1e3, level: -30})
	narrow := swept{kind: sweep.Enclosed, at: boxed(), center: q.Freq + 400, span: 600, rbw: 30, level: -100, after: time.Minute}
	r := evaluated(run, ref, d.capture(q, narrow)).Results[0]
	if r.Outcome != sweep.Measured || math.Abs(float64(r.SE.Value)-70) > 0.5 || !strings.Contains(r.Method, "rung 1 of 1: RBW 30 Hz, span 600 Hz, 4 sweeps on and 4 off") {
		t.Errorf("%v %v (%s), %q, want 70 dB", r.Outcome, r.SE, r.Reason, r.Method)
	}
	if floor := -110 + 10*math.Log10(30./1e3); math.Abs(float64(r.NoiseFloor)-floor) > 0.4 || math.Abs(float64(r.Margin)-(-100-floor)) > 0.7 {
		t.Errorf("floor %v, margin %v, want %.1f and %.1f", r.NoiseFloor, r.Margin, floor, -100-floor)
	}
	for name, center := range map[string]unit.Hz{"below": q.Freq - 200, "above": q.Freq + 1000} {
		beside := narrow
		beside.center = center
		if r := evaluated(run, ref, d.capture(q, beside)).Results[0]; r.Outcome != sweep.Void || !strings.Contains(r.Reason, "does not hold everywhere the carrier may be") {
			t.Errorf("%s: %v %v (%s)", name, r.Outcome, r.SE, r.Reason)
		}
	}
	// Nothing received: a bound, at the confidence that the rung is given of it.
	none := narrow
	none.level = -300
	r = evaluated(run, ref, d.capture(q, none)).Results[0]
	if r.Outcome != sweep.AtLeast || r.SE.Value < 80 || r.SE.Value > 96 {
		t.Errorf("%v %v (%s), want a bound near 90 dB", r.Outcome, r.SE, r.Reason)
	}
}

// TestRungsAddUp: of several looks the deepest that measured counts; of bounds alone
// the highest; a void one at the end leaves the bound before it, and says so.
func TestRungsAddUp(t *testing.T) {
	run := climbing(t, nil)
	q := run.Plan.Points[0]
	d := dish{rng: rand.New(rand.NewPCG(2, 7)), noise: -110, carrier: q.Freq + 400, looks: 40}
	ref := d.capture(q, swept{kind: sweep.Reference, at: open, center: q.Freq, span: 10e3, rbw: 1e3, level: -30})
	at := func(rung int, rbw unit.Hz, level unit.DBm) sweep.Capture {
		return d.capture(q, swept{kind: sweep.Enclosed, at: boxed(), rung: rung, center: q.Freq + 400, span: max(20*rbw, 600), rbw: rbw, level: level, after: time.Duration(rung+1) * time.Minute})
	}
	gone := at(2, 30, -300)
	gone.Void = "the link was down"
	one := evaluated(run, ref, at(0, 1e3, -300)).Results[0]
	for name, c := range map[string]struct {
		caps []sweep.Capture
		want sweep.Outcome
		says string
	}{
		"the second measures":  {[]sweep.Capture{at(0, 1e3, -300), at(1, 100, -107)}, sweep.Measured, "rung 2 of 2"},
		"both are bounds":      {[]sweep.Capture{at(0, 1e3, -300), at(1, 100, -300)}, sweep.AtLeast, "rung 2 of 2"},
		"the last is void":     {[]sweep.Capture{at(0, 1e3, -300), at(1, 100, -300), gone}, sweep.AtLeast, "rung 2 of 3"},
		"the first measured":   {[]sweep.Capture{at(0, 1e3, -90), at(1, 100, -300)}, sweep.Measured, "rung 1 of 2"},
		"the last is no bound": {[]sweep.Capture{gone}, sweep.Void, ""},
	} {
		r := evaluated(run, append([]sweep.Capture{ref}, c.caps...)...).Results[0]
		if r.Outcome != c.want || !strings.Contains(r.Method, c.says) {
			t.Errorf("%s: %v %v (%s), %q", name, r.Outcome, r.SE, r.Reason, r.Method)
		}
		if c.want == sweep.AtLeast && r.SE.Value < one.SE.Value+7 {
			t.Errorf("%s: %v, want a tenth of the RBW to buy 10 dB over %v", name, r.SE, one.SE)
		}
		if said := strings.Contains(r.Reason, "a narrower rung is void: the link was down"); said != (name == "the last is void") {
			t.Errorf("%s: %q", name, r.Reason)
		}
	}
}

// TestAReferenceIsCheckedForOverload: 10 dB more attenuation must leave it within
// 1 dB; with more change, either way, the analyzer is overloaded and nothing is
// claimed, whatever the point.
func TestAReferenceIsCheckedForOverload(t *testing.T) {
	run := climbing(t, nil)
	q := run.Plan.Points[0]
	d := dish{rng: rand.New(rand.NewPCG(3, 7)), noise: -120, carrier: q.Freq + 400, looks: 40}
	for _, c := range []struct {
		moved, more unit.DB
		want        sweep.Outcome
	}{{0, 10, sweep.Measured}, {0.8, 10, sweep.Measured}, {-0.8, 10, sweep.Measured}, {1.2, 10, sweep.Void}, {-1.2, 10, sweep.Void}, {1.2, 20, sweep.Void}} {
		ref := swept{kind: sweep.Reference, at: open, center: q.Freq, span: 10e3, rbw: 1e3, level: -30, attenuation: db(10)}
		more := ref
		more.rung, more.level, more.attenuation, more.after = 1, ref.level.Add(c.moved), db(10+float64(c.more)), time.Second
		enc := swept{kind: sweep.Enclosed, at: boxed(), center: q.Freq + 400, span: 2e3, rbw: 100, level: -80, after: time.Minute, attenuation: db(10)}
		r := evaluated(run, d.capture(q, ref), d.capture(q, more), d.capture(q, enc)).Results[0]
		if r.Outcome != c.want {
			t.Errorf("moved %+.1f dB: %v (%s), want %v", float64(c.moved), r.Outcome, r.Reason, c.want)
		}
		if says := fmt.Sprintf("overloaded: with %.0f dB more attenuation the reference reads %+.1f dB, limit 1 dB", float64(c.more), float64(c.moved)); c.want == sweep.Void && !strings.Contains(r.Reason, says) {
			t.Errorf("%q, want %q", r.Reason, says)
		}
		if c.want == sweep.Measured { // the reference is the first, not its check
			nearly(t, "SE", r.SE.Value, 50, 0.3)
		}
	}
}

// TestAMovedCarrierIsFound: an oscillator that jumped within its stated error since
// the reference is found where it now stands, beside the window that was predicted;
// one beyond the stated error is somebody else's signal.
func TestAMovedCarrierIsFound(t *testing.T) {
	run := climbing(t, nil)
	q := run.Plan.Points[0]
	rng := rand.New(rand.NewPCG(4, 7))
	before := dish{rng: rng, noise: -120, carrier: q.Freq, looks: 40}
	ref := before.capture(q, swept{kind: sweep.Reference, at: open, center: q.Freq, span: 10e3, rbw: 1e3, level: -30})
	for jump, want := range map[unit.Hz]sweep.Outcome{0: sweep.Measured, 480: sweep.Measured, -480: sweep.Measured, 2500: sweep.Void, -2500: sweep.Void} {
		now := dish{rng: rng, noise: -120, carrier: q.Freq + jump, looks: 40}
		r := evaluated(run, ref, now.capture(q, swept{kind: sweep.Enclosed, at: boxed(), center: q.Freq, span: 10e3, rbw: 100, level: -80, after: time.Minute, n: 401})).Results[0]
		if r.Outcome != want || want == sweep.Void && !strings.Contains(r.Reason, "lost the carrier") {
			t.Errorf("%v from the reference: %v %v (%s), want %v", jump, r.Outcome, r.SE, r.Reason, want)
		}
		if want == sweep.Measured {
			nearly(t, fmt.Sprintf("SE after %v", jump), r.SE.Value, 50, 0.5)
		}
	}
}

// TestAStandNamesItsLooks: in zero span all of a trace is the power at one frequency;
// without a look of each state there is nothing to compare, and a detector that does
// not tell the mean power is refused.
func TestAStandNamesItsLooks(t *testing.T) {
	run := climbing(t, nil)
	q := run.Plan.Points[0]
	d := dish{rng: rand.New(rand.NewPCG(5, 7)), noise: -110, carrier: q.Freq + 400, looks: 40}
	ref := d.capture(q, swept{kind: sweep.Reference, at: open, center: q.Freq + 400, span: 4e3, rbw: 1e3, level: -30, n: 401})
	stand := swept{kind: sweep.Enclosed, at: boxed(), center: q.Freq + 400, rbw: 100, level: -105, after: time.Minute}
	c := d.capture(q, stand)
	r := evaluated(run, ref, c).Results[0]
	if r.Outcome != sweep.Measured || math.Abs(float64(r.SE.Value)-75) > 1 || !strings.Contains(r.Method, "RBW 100 Hz, zero span, 4 sweeps on and 4 off") {
		t.Errorf("%v %v (%s), %q, want 75 dB", r.Outcome, r.SE, r.Reason, r.Method)
	}
	two := evaluated(run, ref, c, func() sweep.Capture { s := stand; s.rung, s.after = 1, 2*time.Minute; return d.capture(q, s) }()).Results[0]
	if !strings.Contains(two.Method, "8 sweeps on and 8 off") {
		t.Errorf("two rungs on one carrier: %q", two.Method)
	}
	for says, edit := range map[string]func(*sweep.Capture){
		"no trace with the source off was captured":                            func(c *sweep.Capture) { c.Looks = keep(c.Looks, true) },
		"no trace with the source on was captured":                             func(c *sweep.Capture) { c.Looks = keep(c.Looks, false) },
		"only power average and sample tell the mean power, not positive_peak": func(c *sweep.Capture) { c.Settings.Detector = driver.PositivePeak },
	} {
		c := d.capture(q, stand)
		edit(&c)
		if r := evaluated(run, ref, c).Results[0]; r.Outcome != sweep.Void || !strings.Contains(r.Reason, says) {
			t.Errorf("%v (%s), want %q", r.Outcome, r.Reason, says)
		}
	}
}

func keep(looks []sweep.Look, on bool) (out []sweep.Look) {
	for _, l := range looks {
		if l.SourceOn == on {
			out = append(out, l)
		}
	}
	return out
}

// TestAWeakReferenceIsNone: 8 dB over the noise is too little, however many looks
// leave little doubt of the level.
func TestAWeakReferenceIsNone(t *testing.T) {
	run := climbing(t, nil)
	q := run.Plan.Points[0]
	for level, want := range map[unit.DBm]sweep.Outcome{-102: sweep.Void, -97: sweep.Measured} {
		d := dish{rng: rand.New(rand.NewPCG(6, 7)), noise: -110, carrier: q.Freq, looks: 200}
		r := evaluated(run, d.capture(q, swept{kind: sweep.Reference, at: open, center: q.Freq, span: 10e3, rbw: 1e3, level: level, looks: 8}),
			d.capture(q, swept{kind: sweep.Enclosed, at: boxed(), center: q.Freq, span: 4e3, rbw: 100, level: -103, after: time.Minute, looks: 8})).Results[0]
		if r.Outcome != want || want == sweep.Void && !strings.Contains(r.Reason, "weak reference: 8.") {
			t.Errorf("reference of %v: %v (%s), want %v", level, r.Outcome, r.Reason, want)
		}
	}
}

// TestAFloorFarOverItsNeighboursIsSomebodys: a wide signal raises the floor on and off
// alike; more than 10 dB over the middle of the points of a step it is called ambient,
// and fewer than five points have no middle.
func TestAFloorFarOverItsNeighboursIsSomebodys(t *testing.T) {
	for _, c := range []struct {
		points int
		raised unit.DB
		want   sweep.Outcome
	}{{6, 12, sweep.AmbientHeard}, {6, 8, sweep.Measured}, {4, 12, sweep.Measured}, {5, 12, sweep.AmbientHeard}} {
		spec, b := depotSpec(), depotBench()
		spec.Bands[0].Detector, spec.Bands[0].Count = driver.PowerAverage, c.points
		p, bad := sweep.Compile(spec, b)
		if len(bad) > 0 {
			t.Fatal(bad)
		}
		run := sweep.Run{ID: "r", Plan: p, Bench: b, Specimens: []sweep.Specimen{{Name: "locker"}}}
		a := &air{rng: rand.New(rand.NewPCG(8, 7)), noise: -120, perBin: 20}
		var caps []sweep.Capture
		for i, q := range p.Points {
			if a.noise = -120; i == c.points/2 {
				a.noise = a.noise.Add(c.raised)
			}
			caps = append(caps, a.capture(run, sweep.Reference, open, q, -40))
			a.noise = -120
			if i == c.points/2 {
				a.noise = a.noise.Add(c.raised)
			}
			enc := a.capture(run, sweep.Enclosed, boxed(), q, -95)
			caps = append(caps, enc)
		}
		rs := sweep.Evaluate(run, seal(caps)).Results
		if r := rs[c.points/2]; r.Outcome != c.want {
			t.Errorf("%d points, a floor %v higher: %v (%s), want %v", c.points, c.raised, r.Outcome, r.Reason, c.want)
		}
		if r := rs[0]; r.Outcome != sweep.Measured {
			t.Errorf("%d points, beside it: %v (%s)", c.points, r.Outcome, r.Reason)
		}
	}
}

// TestACarrierThatWasElsewhereIsLost: nothing was received, but what was seen before
// and after says that the carrier stood outside the window that was looked in: that is
// no shield.
func TestACarrierThatWasElsewhereIsLost(t *testing.T) {
	run := climbing(t, nil)
	q, w := run.Plan.Points[0], run.Plan.Points[1]
	rng := rand.New(rand.NewPCG(9, 7))
	fine := swept{kind: sweep.Reference, at: open, span: 4e3, rbw: 1e3, level: -30, n: 401}
	at := func(q sweep.Point, ppm float64, s swept) sweep.Capture {
		d := dish{rng: rng, noise: -110, carrier: q.Freq * unit.Hz(1+ppm*1e-6), looks: 40}
		if s.center == 0 {
			s.center = q.Freq
		}
		return d.capture(q, s)
	}
	later := fine
	later.after = 2 * time.Minute
	for name, c := range map[string]struct {
		after float64 // ppm, where it is seen later
		span  unit.Hz
		want  sweep.Outcome
	}{
		"it stayed":             {0, 600, sweep.AtLeast},
		"it moved away":         {4, 600, sweep.Void},
		"it moved away, stands": {4, 0, sweep.Void},
		"it stayed, stands":     {0, 0, sweep.AtLeast},
	} {
		none := swept{kind: sweep.Enclosed, at: boxed(), span: c.span, rbw: 30, level: -300, after: time.Minute, n: 201}
		r := evaluated(run, at(q, 0, fine), at(q, 0, none), at(w, c.after, later)).Results[0]
		if r.Outcome != c.want || c.want == sweep.Void && !strings.Contains(r.Reason, "lost the carrier: by what was seen before and after") {
			t.Errorf("%s: %v %v (%s), want %v", name, r.Outcome, r.SE, r.Reason, c.want)
		}
	}
}

// TestRungsInAnyOrder: captures are told apart by their rung, in whatever order they
// come, and the later of two of one rung counts.
func TestRungsInAnyOrder(t *testing.T) {
	run := climbing(t, nil)
	q := run.Plan.Points[0]
	d := dish{rng: rand.New(rand.NewPCG(10, 7)), noise: -110, carrier: q.Freq + 400, looks: 40}
	caps := []sweep.Capture{d.capture(q, swept{kind: sweep.Reference, at: open, center: q.Freq, span: 10e3, rbw: 1e3, level: -30})}
	for rung, level := range []unit.DBm{-300, -300, -300, -110} {
		caps = append(caps, d.capture(q, swept{kind: sweep.Enclosed, at: boxed(), rung: rung, center: q.Freq + 400, span: 2e3, rbw: []unit.Hz{1000, 250, 62, 15}[rung], level: level, after: time.Duration(rung) * time.Minute}))
	}
	old := d.capture(q, swept{kind: sweep.Enclosed, at: boxed(), rung: 3, center: q.Freq + 400, span: 2e3, rbw: 15, level: -90})
	old.ID, old.Seq = "old", 0
	seal(caps)
	want := sweep.Evaluate(run, caps).Results[0]
	if want.Outcome != sweep.Measured || math.Abs(float64(want.SE.Value)-80) > 1 || !strings.Contains(want.Method, "rung 4 of 4") {
		t.Fatalf("%v %v %q", want.Outcome, want.SE, want.Method)
	}
	for _, order := range [][]int{{0, 4, 3, 2, 1}, {0, 2, 4, 1, 3}, {4, 3, 0, 1, 2}} {
		var mixed []sweep.Capture
		for _, i := range order {
			mixed = append(mixed, caps[i])
		}
		if r := sweep.Evaluate(run, append(mixed, old)).Results[0]; r.SE != want.SE && r.Outcome != want.Outcome || !strings.Contains(r.Method, "rung 4 of 4") || math.Abs(float64(r.SE.Value-want.SE.Value)) > 0.2 {
			t.Errorf("%v: %v %v %q", order, r.Outcome, r.SE, r.Method)
		}
	}
}

// TestTimeIsHeldAgainstThePrediction: what the captures took, over what was predicted,
// said once the run has ended.
func TestTimeIsHeldAgainstThePrediction(t *testing.T) {
	run := climbing(t, nil)
	q := run.Plan.Points[0]
	d := dish{rng: rand.New(rand.NewPCG(11, 7)), noise: -110, carrier: q.Freq, looks: 4}
	c := d.capture(q, swept{kind: sweep.Reference, at: open, center: q.Freq, span: 10e3, rbw: 1e3, level: -30})
	for state, says := range map[sweep.State]string{sweep.Running: "", sweep.Completed: "time: 4s predicted, 2s taken, ratio 0.50"} {
		run.State, run.Predicted = state, 4*time.Second
		e := evaluated(run, c)
		if e.Time != (sweep.Timing{Predicted: 4 * time.Second, Took: 2 * time.Second, Nominal: time.Second, Ratio: 0.5}) {
			t.Errorf("%+v", e.Time)
		}
		if notes := strings.Join(e.Notes, "\n"); (says != "") != strings.Contains(notes, "time: ") || !strings.Contains(notes, says) {
			t.Errorf("%v: %q", state, notes)
		}
	}
	run.Predicted = 0
	if e := evaluated(run, c); e.Time.Ratio != 0 || strings.Contains(strings.Join(e.Notes, ""), "predicted") {
		t.Errorf("without a prediction: %+v %q", e.Time, e.Notes)
	}
}

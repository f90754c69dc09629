package sweep_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// TestAFixedPlanLooksWhereTheReferenceWas: within a twentieth of the frequency error
// around it, not anywhere within that error: a signal that stands elsewhere through
// the shield is not the carrier.
func TestAFixedPlanLooksWhereTheReferenceWas(t *testing.T) {
	run := sheetRun(t, 0.3, func(s *sweep.PlanSpec, _ *sweep.Bench) {
		s.Bands[0].Detector, s.Bands[0].RBW = driver.PowerAverage, 100
	})
	q := run.Plan.Points[0]
	for off, want := range map[unit.Hz]sweep.Outcome{400: sweep.Measured, 420: sweep.Measured, -400: sweep.Void} {
		d := dish{rng: rand.New(rand.NewPCG(1, 11)), noise: -110, carrier: q.Freq + 400, looks: 40}
		ref := d.capture(q, swept{kind: sweep.Reference, at: open, center: q.Freq, span: 2e3, rbw: 100, level: -30})
		d.carrier = q.Freq + off
		r := evaluated(run, ref, d.capture(q, swept{kind: sweep.Enclosed, at: boxed(), center: q.Freq, span: 2e3, rbw: 100, level: -60, after: time.Minute})).Results[0]
		if r.Outcome != want || want == sweep.Void && !strings.Contains(r.Reason, "lost the carrier") {
			t.Errorf("%+v Hz from where it was set: %v %v (%s), want %v", off, r.Outcome, r.SE, r.Reason, want)
		}
		if strings.Contains(r.Method, "rung") {
			t.Errorf("a fixed plan has no rungs: %q", r.Method)
		}
	}
}

// TestWhatIsLackingIsSaid: how much, the largest part of the uncertainty, and that no
// measurement decides a value at the line.
func TestWhatIsLackingIsSaid(t *testing.T) {
	run := sheetRun(t, 1.7, nil)
	for asked, says := range map[unit.DB]string{
		41: "an uncertainty below 1.0 dB instead of 3.3 dB would decide; the largest part is level difference",
		39: "an uncertainty below 1.0 dB instead of 3.3 dB would decide; the largest part is level difference",
		40: "the value is at the line: no measurement decides; the largest part is level difference",
	} {
		run.Line = flatLine(asked)
		r := sweep.Evaluate(run, seal([]sweep.Capture{read(sweep.Reference, open, 0, -20, -90), read(sweep.Enclosed, boxed(), 0, -60, -120)})).Results[0]
		if r.Decide != says {
			t.Errorf("asked %v: %q, want %q", asked, r.Decide, says)
		}
	}
	// A bound of a sealed capture lacks what it lacks, in range or in source level.
	sealed := sealedRun(t, []unit.Hz{100e6}, nil)
	sealed.Line = flatLine(80)
	r := sweep.Evaluate(sealed, seal([]sweep.Capture{read(sweep.Reference, open, 0, -20, -90), read(sweep.Enclosed, boxed(), 0, -80, -80)})).Results[0]
	lack := 80 - float64(r.SE.Value)
	if r.Outcome != sweep.AtLeast || lack < 10 || !strings.Contains(r.Decide, unit.DB(lack).String()+" more range would decide: linked capture") || !strings.Contains(r.Decide, unit.DB(lack).String()+" more source level") {
		t.Errorf("%v, %q, lacking %.2f dB", r.SE, r.Decide, lack)
	}
}

// TestForecastsTakeTheBenchsDoubtOff: 1.645·u less is provable with u, and what a rung
// takes is in the time of each point through the shield, half of it with the source on.
func TestForecastsTakeTheBenchsDoubtOff(t *testing.T) {
	sure, unsure := sheetRun(t, 0, nil), sheetRun(t, 2.9, nil)
	a, b := sweep.Predict(sure.Plan, sure.Bench, nil, sure.Specimens), sweep.Predict(unsure.Plan, unsure.Bench, nil, unsure.Specimens)
	nearly(t, "taken off", a.Points[0].Provable-b.Points[0].Provable, oneSided95*2.9, 1e-4)
	deep := climbing(t, nil)
	e := sweep.Predict(deep.Plan, deep.Bench, nil, deep.Specimens)
	var total, keyed time.Duration
	for _, s := range deep.Steps {
		for _, i := range s.Captures(deep.Plan) {
			on, whole := sweep.PointTime(deep.Plan, deep.Plan.Points[i], deep.Bench, s.Kind, 0)
			total, keyed = total+whole, keyed+on
			if got := e.PointTimes[s.Kind][i]; (s.Kind == sweep.Enclosed) != (got > whole) || got < whole {
				t.Errorf("%v of point %d: %v, quick alone %v", s.Kind, i, got, whole)
			}
		}
	}
	if more, on := e.Total-total, e.KeyedTime-keyed; more <= 0 || (more-2*on).Abs() > time.Microsecond {
		t.Errorf("rungs take %v, of that %v with the source on", more, on)
	}
	for _, f := range e.Points {
		if f.RBW <= 0 || f.RBW > 10e3 || f.Provable < 90 || math.Abs(float64(f.DynamicRange-f.Reference.Sub(f.NoiseFloor))) > 1e-9 {
			t.Errorf("%+v", f)
		}
		nearly(t, "floor of the rung", unit.DB(f.NoiseFloor), -174+10*math.Log10(float64(f.RBW))+24, 0.05)
	}
}

// TestShownFromItsOwnLooks: the axis is that of the first look in the state asked for
// that has levels, and lengths that differ are left out.
func TestShownFromItsOwnLooks(t *testing.T) {
	look := func(on bool, start unit.Hz, levels ...unit.DBm) sweep.Look {
		return sweep.Look{SourceOn: on, Trace: driver.Trace{Start: start, Stop: start + 1, Levels: levels}}
	}
	c := sweep.Capture{Looks: []sweep.Look{look(true, 5), look(false, 1, -90, -80, -70), look(true, 2, -30, -40), look(true, 3, -10), look(true, 4, -30, -40)}}
	on, n := sweep.Shown(c, true)
	if on.Start != 2 || len(on.Levels) != 2 || n != 2 || math.Abs(float64(on.Levels[1])+40) > 1e-9 {
		t.Errorf("%+v of %d looks", on, n)
	}
	off, n := sweep.Shown(c, false)
	if off.Start != 1 || len(off.Levels) != 3 || n != 1 || math.Abs(float64(off.Levels[2])+70) > 1e-9 {
		t.Errorf("%+v of %d looks", off, n)
	}
	c.Looks[2].Trace.Levels[0] = unit.Missing()
	if on, _ := sweep.Shown(c, true); math.Abs(float64(on.Levels[0])+30) > 1e-9 {
		t.Errorf("beside a missing level: %v", on.Levels)
	}
}

// TestFloorsOfSoundCapturesOnly: in zero span, without an RBW, of a void, a held or an
// overloaded capture there is no floor to compare with; of two the lower median, per
// hertz.
func TestFloorsOfSoundCapturesOnly(t *testing.T) {
	at := func(level unit.DBm, edit func(*sweep.Capture)) sweep.Capture {
		c := sweep.Capture{Settings: driver.Settings{Span: 1e6, RBW: 1e3}, Looks: []sweep.Look{{Trace: driver.Trace{Levels: []unit.DBm{level, level, level.Add(30)}}}, {SourceOn: true, Trace: driver.Trace{Levels: []unit.DBm{0, 0, 0}}}}}
		if edit != nil {
			edit(&c)
		}
		return c
	}
	d, ok := sweep.FloorDensity(at(-100, nil))
	if !ok {
		t.Fatal("no floor")
	}
	nearly(t, "floor in 1 Hz", unit.DB(d), -130, 1e-9)
	for name, edit := range map[string]func(*sweep.Capture){
		"zero span": func(c *sweep.Capture) { c.Settings.Span = 0 }, "no RBW": func(c *sweep.Capture) { c.Settings.RBW = 0 }, "no looks": func(c *sweep.Capture) { c.Looks = c.Looks[1:] },
		"lengths that differ": func(c *sweep.Capture) {
			c.Looks = append(c.Looks, sweep.Look{Trace: driver.Trace{Levels: []unit.DBm{-100}}})
		},
	} {
		if d, ok := sweep.FloorDensity(at(-100, edit)); ok {
			t.Errorf("%s: %v", name, d)
		}
	}
	var f sweep.Floors
	for _, edit := range []func(*sweep.Capture){func(c *sweep.Capture) { c.Void = "x" }, func(c *sweep.Capture) { c.HeldSweeps = 1 }, func(c *sweep.Capture) { c.Overload = true }, func(c *sweep.Capture) { c.Point = 1 }} {
		f.Learn(at(-50, edit))
	}
	if d, ok := f.Before(at(0, nil)); ok {
		t.Errorf("learnt of unsound captures: %v", d)
	}
	for _, level := range []unit.DBm{-90, -110, -100, -80} {
		f.Learn(at(level, nil))
	}
	d, _ = f.Before(at(0, nil))
	nearly(t, "median", unit.DB(d), -130, 1e-9)
	if p, m := sweep.Carrier(sweep.Capture{}); !p.IsMissing() || m != 0 {
		t.Errorf("carrier of nothing: %v %v", p, m)
	}
}

// TestLossesAtTheirEdges: once each, rising, and no more than 300 dB either way.
func TestLossesAtTheirEdges(t *testing.T) {
	for _, c := range []struct {
		l  []sweep.LossAt
		at int
		ok bool
	}{
		{[]sweep.LossAt{{1, 300}, {2, -300}}, 0, true}, {[]sweep.LossAt{{1, 3}, {1, 3}}, 1, false}, {[]sweep.LossAt{{2, 3}, {1, 3}}, 1, false},
		{[]sweep.LossAt{{0, 3}}, 0, false}, {[]sweep.LossAt{{1, 3}, {2, 300.1}}, 1, false}, {[]sweep.LossAt{{1, -300.1}}, 0, false}, {[]sweep.LossAt{{1, unit.DB(math.NaN())}}, 0, false}, {nil, 0, true},
	} {
		at, err := sweep.CheckLosses(c.l)
		if at != c.at || (err == nil) != c.ok {
			t.Errorf("%v: %d, %v", c.l, at, err)
		}
	}
	b := sweep.Bench{PathLoss: 7, PathLosses: []sweep.LossAt{{1e6, 10}, {100e6, 30}}}
	for f, want := range map[unit.Hz]float64{1: 10, 1e6: 10, 10e6: 20, 100e6: 30, 1e9: 30} {
		nearly(t, "loss", b.LossOver(f), want, 1e-9)
	}
	b.PathLosses = nil
	nearly(t, "one loss", b.LossOver(5e6), 7, 0)
}

// TestThinnedByHand: of each stretch the lowest and the highest, as they stood.
func TestThinnedByHand(t *testing.T) {
	levels := []unit.DBm{0, 1, 2, 3, 4, 5, 11, 10, 9, 8, 7, 6}
	got := sweep.Thinned(levels, 4)
	for i, want := range []unit.DBm{0, 5, 11, 6} {
		if len(got) != 4 || got[i] != want {
			t.Fatalf("%v", got)
		}
	}
	if got := sweep.Thinned(levels, 12); len(got) != 12 {
		t.Errorf("%v", got)
	}
}

// TestBeganByHand: when it was started, or made where it was not.
func TestBeganByHand(t *testing.T) {
	made, started := time.Unix(1, 0), time.Unix(2, 0)
	if got := (sweep.Run{Created: made, Started: &started}).Began(); !got.Equal(started) {
		t.Error(got)
	}
	if got := (sweep.RunInfo{Created: made}).Began(); !got.Equal(made) {
		t.Error(got)
	}
}

// TestChecksAreMadeOnce: at the first position and polarization, whatever follows.
func TestChecksAreMadeOnce(t *testing.T) {
	run := sheetRun(t, 0.3, func(s *sweep.PlanSpec, b *sweep.Bench) {
		s.LeakageCheck, s.Positions, s.Polarizations = sweep.SourceLoaded, []string{"front", "back"}, []string{"vertical", "horizontal"}
	})
	count := 0
	for _, s := range run.Steps {
		if s.Kind == sweep.Leakage {
			if count++; s.At.Position != "front" || s.At.Polarization != "vertical" {
				t.Errorf("at %+v", s.At)
			}
		}
	}
	if count != 1 {
		t.Errorf("%d leakage checks", count)
	}
	if said := strings.Join(sweep.Predict(run.Plan, run.Bench, nil, run.Specimens).Notes, "\n"); strings.Contains(said, "conducted") {
		t.Errorf("nothing lies inside a table that is empty: %q", said)
	}
}

// TestAVertexByHand: without noise the carrier is where the response is symmetrical
// about, on a trace point and, within half of what is said, between two; its uncertainty is that of the levels at the
// two places 6 dB down, by the slope there, and of the straight lines. A response that
// is cut off, or too near to the noise, tells no place.
func TestAVertexByHand(t *testing.T) {
	const rbw, h, looks = 10e3, 2.5e3, 4
	axis := driver.Trace{Start: 100e6 - 50e3, Stop: 100e6 + 50e3, Levels: make([]unit.DBm, 41)}
	response := func(center float64) (mean []float64, best int) {
		mean = make([]float64, len(axis.Levels))
		for i := range mean {
			d := 2 * (float64(axis.Freq(i)) - center) / rbw
			if mean[i] = 1e4 * math.Pow(10, -0.30103*d*d); mean[i] > mean[best] {
				best = i
			}
		}
		return mean, best
	}
	for _, off := range []float64{0, 600, -1100} {
		mean, best := response(100e6 + off)
		at, u := sweep.VertexOf(mean, best, axis, rbw, 1, looks)
		number(t, "place", float64(at)-100e6, off, 60)
		if off == 0 {
			slope := 3.0103 * (9 - 4) / 4. // dB between 5 and 7.5 kHz
			sd := 1.25 * 8.686 / math.Sqrt2 / math.Sqrt((1e4/math.Pow(10, 0.6)-1)*looks)
			number(t, "uncertainty", float64(u), math.Hypot(math.Sqrt2*sd*h/slope/2, h*(0.02+0.12*h/rbw)), 0.05)
		}
	}
	for name, edit := range map[string]func([]float64){
		"cut off below": func(m []float64) {
			for i := range 18 {
				m[i] = 1e4
			}
		},
		"cut off above": func(m []float64) {
			for i := 22; i < 41; i++ {
				m[i] = 1e4
			}
		},
		"a reading missing": func(m []float64) { m[23] = math.NaN() },
	} {
		mean, best := response(100e6)
		edit(mean)
		if at, _ := sweep.VertexOf(mean, best, axis, rbw, 1, looks); at != 0 {
			t.Errorf("%s: %v", name, at)
		}
	}
	mean, best := response(100e6)
	for floor, told := range map[float64]bool{990: true, 1010: false} { // 10 dB under the top
		if at, _ := sweep.VertexOf(mean, best, axis, rbw, floor, looks); (at != 0) != told {
			t.Errorf("over a floor of %v: %v", floor, at)
		}
	}
}

// TestNothingOfWhatIsNotThere: a capture of no point of the plan is passed over, and
// without a closing reference nothing is said of one.
func TestNothingOfWhatIsNotThere(t *testing.T) {
	run := sheetRun(t, 0.3, nil)
	run.Plan.Points = run.Plan.Points[:2]
	caps := []sweep.Capture{read(sweep.Reference, open, 0, -20, -70), read(sweep.Enclosed, boxed(), 0, -50, -100), read(sweep.Enclosed, boxed(), 2, -50, -100)}
	below := caps[1]
	below.Point = -1
	e := sweep.Evaluate(run, seal(append(caps, below)))
	if len(e.Results) != 1 || strings.Contains(strings.Join(e.Notes, "\n"), "closing reference") {
		t.Errorf("%d results, %q", len(e.Results), e.Notes)
	}
	g := sweep.NewGuide(run)
	g.Learn(caps[2])
	g.Learn(below)
	e = sweep.Evaluate(run, seal(append(caps, read(sweep.Closing, open, 0, -21.5, -70))))
	if said := strings.Join(e.Notes, "\n"); !strings.Contains(said, "closing reference: largest change 1.50 dB, limit 3.0 dB") {
		t.Errorf("%q", said)
	}
}

// TestRepeatsKeptFromBeforeTheyWereJoined: of each setting and point the lowest claim,
// one without a claim only where there is no other.
func TestRepeatsKeptFromBeforeTheyWereJoined(t *testing.T) {
	at := func(pos string, rep, point int, se sweep.SE) sweep.Result {
		return sweep.Result{At: sweep.Setting{Specimen: "locker", Position: pos, Repeat: rep}, Point: point, SE: se}
	}
	value := func(v unit.DB) sweep.SE { return sweep.SE{Relation: sweep.Equal, Value: v} }
	bound := func(v unit.DB) sweep.SE { return sweep.SE{Relation: sweep.AtLeastRelation, Value: v} }
	got := sweep.Evaluation{Results: []sweep.Result{
		at("front", 1, 0, sweep.SE{}), at("front", 2, 0, value(50)), at("front", 3, 0, value(40)), at("front", 4, 0, value(60)), at("front", 5, 0, sweep.SE{}),
		at("front", 1, 1, value(30)), at("back", 1, 0, value(70)), at("back", 2, 0, bound(70)), at("back", 1, 1, sweep.SE{}),
	}}.BySetting()
	want := []struct {
		pos        string
		rep, point int
	}{{"front", 3, 0}, {"front", 1, 1}, {"back", 2, 0}, {"back", 1, 1}}
	if len(got) != len(want) {
		t.Fatalf("%d results: %+v", len(got), got)
	}
	for i, w := range want {
		if got[i].At.Position != w.pos || got[i].At.Repeat != w.rep || got[i].Point != w.point {
			t.Errorf("%d: %+v, point %d, want %+v", i, got[i].At, got[i].Point, w)
		}
	}
	joined := sweep.Evaluation{Results: []sweep.Result{at("front", 1, 0, value(1))}, Combined: []sweep.Result{at("front", 1, 0, value(2))}}
	if r := joined.BySetting(); len(r) != 1 || r[0].SE.Value != 2 {
		t.Errorf("%+v", r)
	}
}

// TestFollowedByHand: three times the drift of a quarter of an hour: of what the bench
// states, or a fiftieth of its frequency error an hour; nothing on a shared reference.
func TestFollowedByHand(t *testing.T) {
	for _, c := range []struct {
		b    sweep.Bench
		want float64
	}{
		{sweep.Bench{FreqErrorPPM: 5, FreqDriftPPM: 0.4}, 100 * 3 * 0.4 / 4}, {sweep.Bench{FreqErrorPPM: 5}, 100 * 3 * 0.1 / 4}, {sweep.Bench{FreqErrorPPM: 5, SharedReference: true}, 0},
	} {
		number(t, "error", float64(sweep.FollowedError(100e6, c.b)), c.want, 1e-9)
	}
}

// TestLooksWantedByWhatIsSeen: within the window of the frequency error the margin
// counts, beyond it a signal is none of ours; without a look the plan's least are.
func TestLooksWantedByWhatIsSeen(t *testing.T) {
	run := sheetRun(t, 0.3, nil)
	p, q := run.Plan, run.Plan.Points[0]
	p.Looks, p.MaxLooks, q.RBW = 3, 500, 2e3
	looks := func(at int, level unit.DBm) []sweep.Look {
		return []sweep.Look{{Trace: flatTrace(-100, nil)}, {SourceOn: true, Trace: flatTrace(-100, map[int]unit.DBm{at: level})}}
	}
	if got := sweep.LooksWanted(p, q, run.Bench, 0, nil); got != 3 {
		t.Errorf("before a look: %d", got)
	}
	floor := 10 * math.Log10((51*math.Pow(10, 0.3)+50*math.Pow(10, -0.3))/101)
	strong := sweep.LooksFor(p, unit.DB(20-floor))
	if got := sweep.LooksWanted(p, q, run.Bench, 0, looks(50, -80)); got != strong || strong > 30 {
		t.Errorf("20 dB over the noise: %d, want %d", got, strong)
	}
	weak := sweep.LooksFor(p, unit.DB(3-floor))
	if got := sweep.LooksWanted(p, q, run.Bench, 0, looks(70, -80)); got != weak || weak == strong {
		t.Errorf("20 kHz beside: %d, want %d as without a signal", got, weak)
	}
	if got := sweep.LooksWanted(p, q, run.Bench, 0, looks(53, -80)); got != weak {
		t.Errorf("3 kHz beside, the window 2.5 kHz: %d, want %d", got, weak)
	}
	if got := sweep.LooksWanted(p, q, run.Bench, 4e3, looks(53, -80)); got != strong {
		t.Errorf("3 kHz beside, the window 3.5 kHz with a wider RBW: %d, want %d", got, strong)
	}
}

// TestEveryPlaceCountsInTheErrorRate: a false alarm is shared among all points at all
// places of all specimens and repeats, and what is said of a signal near the threshold
// allows for it.
func TestEveryPlaceCountsInTheErrorRate(t *testing.T) {
	run := sheetRun(t, 0.3, func(s *sweep.PlanSpec, _ *sweep.Bench) {
		s.Positions, s.Polarizations, s.Repeats = []string{"front", "back"}, []string{"vertical", "horizontal", "slant"}, 5
	})
	run.Specimens = append(run.Specimens, sweep.Specimen{Name: "crate"}, sweep.Specimen{Name: "bin"}, sweep.Specimen{Name: "tin"})
	at := sweep.Setting{Position: "front", Polarization: "vertical", Repeat: 1}
	boxed := at
	boxed.Specimen = "locker"
	one := run
	one.Plan.Positions, one.Plan.Polarizations, one.Plan.Repeats, one.Specimens = []string{"front"}, run.Plan.Polarizations[:1], 1, run.Specimens[:1]
	told := 0
	for over := unit.DB(4); over < 30; over += 0.25 {
		many, few := judged(run, unit.DBm(-90).Add(over), -90), judged(one, unit.DBm(-90).Add(over), -90)
		r := sweep.Evaluate(run, seal([]sweep.Capture{read(sweep.Reference, at, 0, -20, -90), read(sweep.Enclosed, boxed, 0, unit.DBm(-90).Add(over), -90)})).Results[0]
		if (r.Outcome == sweep.Measured) != (many.Present && noiseOf(many)*twoSided95 <= 3) {
			t.Errorf("%v over the noise: %v, present %v with %.2f dB", over, r.Outcome, many.Present, noiseOf(many))
		}
		if r.Outcome == sweep.AtLeast && strings.Contains(r.Reason, "a signal is present") != many.Present {
			t.Errorf("%v over the noise: %q, present %v", over, r.Reason, many.Present)
		}
		if many.Present != few.Present {
			told++
		}
	}
	if told == 0 {
		t.Error("a test that tells nothing apart")
	}
}

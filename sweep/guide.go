package sweep

import (
	"fmt"
	"math"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep/detect"
	"lidded/sweep/ladder"
)

// How an adaptive point is captured. From common practice, no source.
const (
	quickLooks     = 2                // sweeps of each state in a first, quick rung
	strongEnough   = unit.DB(40)      // margin of a reference that adds nothing to the uncertainty
	weakest        = unit.DB(15)      // margin from which a reference rung may follow the carrier
	referenceSmear = 0.25             // of an RBW that the carrier may cross in a reference rung: 0.19 dB off at its ends
	referenceTime  = 20 * time.Second // most time for a sweep of a reference rung
	calm           = unit.DB(0.7)     // noise in a measured level that is not worth another rung
	wellClear      = unit.DB(20)      // a level this far over the floor is read finely
	fineNoise      = unit.DB(0.12)    // noise in it then, standard uncertainty
	mostFine       = 3                // rungs that saw the signal, after which its level is fine enough
	shyOf          = unit.DB(3)       // a neighbour's SE may be off by this
	mostShifts     = 6                // tries beside somebody's signal
)

// Rung is one capture to be made of a point: what the analyzer and the source
// are set to, and how often it sweeps with the source off and on.
type Rung struct {
	Settings driver.Settings
	Freq     unit.Hz
	On, Off  int
	Settle   time.Duration // each time the source changes
	Why      string
	Moved    bool // beside the plan's frequency, since somebody's signal stands there
	Check    bool // with more attenuation, to see whether the reference overloads; can be done without
}

// Guide decides how each point of an adaptive run is captured, from what the
// captures before it show. It learns from committed captures alone, so that a
// resumed run goes on as it would have.
type Guide struct {
	// Allowed, if not nil, is asked before a point moves beside its frequency.
	Allowed func(unit.Hz, unit.DBm) bool

	run   Run
	eval  *Evaluator
	law   ladder.Law
	stood bool     // zero span was refused by the analyzer
	input *unit.DB // attenuation to go back to after a check, where the plan leaves it to the analyzer
	plain bool     // the attenuation cannot be set

	hand   []seen // rungs of the point in hand
	handOf captureKey
	spent  time.Duration               // nominal time of enclosed points
	expect map[Setting]map[int]unit.DB // SE measured before, by setting; NaN: not seen
	needs  map[int]time.Duration       // what each enclosed point needs, once known
}

// NewGuide makes a guide for a run with an adaptive plan.
func NewGuide(run Run) *Guide {
	k := run.Bench.SweepFactor
	if k <= 0 {
		k = 2.5
	}
	return &Guide{
		run: run, eval: NewEvaluator(run), expect: map[Setting]map[int]unit.DB{},
		law: ladder.Law{Kind: detect.SweptFilter, K: k, Least: time.Millisecond, Settle: run.Plan.Settle},
	}
}

// Expect tells what an earlier run found of a specimen's point, to start from.
func (g *Guide) Expect(at Setting, point int, se SE) {
	v := unit.DB(math.NaN())
	if se.Relation == Equal {
		v = se.Value
	}
	g.note(at, point, v)
}

func (g *Guide) note(at Setting, point int, se unit.DB) {
	if g.expect[at] == nil {
		g.expect[at] = map[int]unit.DB{}
	}
	g.expect[at][point] = se
}

// Learn takes in a committed capture, in order.
func (g *Guide) Learn(c Capture) {
	if c.Point < 0 || c.Point >= len(g.run.Plan.Points) {
		return
	}
	g.eval.Add(c)
	g.learnLaw(c)
	if rungs := g.eval.index[keyOf(c)]; c.Kind == Reference && g.eval.isCheck(rungs, len(rungs)-1) {
		g.input = rungs[0].Settings.Attenuator
	}
	if c.Kind == Enclosed {
		g.spent += c.Nominal
		k := keyOf(c)
		v := unit.DB(math.NaN())
		if r := g.eval.at(k, g.run.Plan.Points[c.Point]); r.Outcome == Measured {
			v = r.SE.Value
		}
		g.note(c.At, c.Point, v)
	}
}

// at is the result of one enclosed point from what has been added.
func (e *Evaluator) at(k captureKey, q Point) Result {
	e.prepare(k.at, q)
	return e.overRungs(e.index[k], q)
}

// prepare looks up the reference that results at a setting and point rest on.
func (e *Evaluator) prepare(at Setting, q Point) openField {
	s := spot{at.Position, at.Polarization, q.Index}
	o := e.reference(s.pos, s.pol, q)
	e.open[s] = o
	return o
}

// learnLaw sees from sweep times as read back whether time goes with the span.
func (g *Guide) learnLaw(c Capture) {
	s := c.Settings
	if s.Span < 8*s.RBW || s.RBW <= 0 || s.SweepTime <= 0 {
		return
	}
	t := s.SweepTime.Seconds()
	swept, block := t*float64(s.RBW*s.RBW/s.Span), t*float64(s.RBW)
	if swept < g.law.K/3 && block < 8 {
		g.law.Kind, g.law.K = detect.BlockFFT, block
	} else if g.law.Kind == detect.SweptFilter && t > 0.002 {
		g.law.K = swept
	}
}

// NoCheck tells that the analyzer's attenuation cannot be set.
func (g *Guide) NoCheck() { g.plain = true }

// NoZeroSpan tells that the analyzer refuses zero span or the sweep time in it.
func (g *Guide) NoZeroSpan() { g.stood = true }

// Next decides the next rung of a point, given the captures of it so far in this
// step; none means that the point is done, and why says so.
func (g *Guide) Next(s Step, q Point, had []Capture, now time.Time) (next Rung, more bool, why string) {
	k := keyOf(Capture{Kind: s.Kind, At: s.At, Point: q.Index})
	if len(had) == 0 || k != g.handOf {
		g.hand, g.handOf = nil, k
	}
	for i := len(g.hand); i < len(had); i++ {
		g.hand = append(g.hand, g.eval.see(had[i]))
		g.learnLaw(had[i])
	}
	switch s.Kind {
	case Ambient:
		if len(g.hand) > 0 {
			return Rung{}, false, ""
		}
		r := g.quick(q, q.Freq)
		r.On, r.Off = 0, max(quickLooks, g.run.Plan.Looks)
		return r, true, ""
	case Enclosed, Leakage:
		return g.enclosed(s.At, q, now)
	}
	return g.reference(s, q, now)
}

// settings are the plan's of a point.
func (g *Guide) settings(q Point) driver.Settings {
	set := PointSettings(q)
	if set.Attenuator == nil {
		set.Attenuator = g.input
	}
	return set
}

// quick is the first rung: the plan's RBW, and a span that holds the carrier
// wherever both instruments' stated error puts it.
func (g *Guide) quick(q Point, f unit.Hz) Rung {
	set := g.settings(q)
	set.Center, set.Span = f, max(q.Span, DefaultSpan(f, q.RBW, g.run.Bench))
	set.Points = tracePoints(set.Span, set.RBW)
	n := max(quickLooks, g.run.Plan.Looks)
	return Rung{Settings: set, Freq: f, On: n, Off: n, Settle: max(g.run.Plan.Settle, q.Dwell)}
}

// reference narrows until the level stands clear of the noise, moves beside
// somebody's signal where the plan lets it, and checks for overload.
func (g *Guide) reference(s Step, q Point, now time.Time) (Rung, bool, string) {
	if len(g.hand) == 0 {
		return g.quick(q, g.placeOf(s.At, q)), true, ""
	}
	last := g.hand[len(g.hand)-1]
	if last.Void != "" || last.why != "" {
		return Rung{}, false, ""
	}
	if g.eval.isCheck(g.hand, len(g.hand)-1) || len(g.hand) > mostShifts+2 {
		return Rung{}, false, ""
	}
	if s.Kind == Reference {
		if r, ok := g.shift(q, last); ok {
			return r, true, r.Why
		}
	}
	l := g.eval.levelOf(last)
	if l.void != "" || last.Overload {
		return Rung{}, false, ""
	}
	margin := unit.PowerRatio(last.reading.on.Mean / last.reading.floor)
	if margin < strongEnough && last.Settings.RBW > g.run.Plan.MinRBW*1.001 {
		if r, ok := g.narrower(q, last, margin, now); ok {
			return r, true, r.Why
		}
	}
	if s.Kind == Reference && g.run.Plan.CheckReference && !g.plain && last.Settings.Attenuator != nil && margin >= checkMargin {
		r := g.quick(q, last.Freq)
		more := *last.Settings.Attenuator + checkStep
		r.Settings.Center, r.Settings.Span, r.Settings.RBW = last.Settings.Center, last.Settings.Span, last.Settings.RBW
		r.Settings.Points, r.Settings.Attenuator = tracePoints(last.Settings.Span, last.Settings.RBW), &more
		r.On, r.Off, r.Check, r.Why = 1, 1, true, "overload check"
		return r, true, r.Why
	}
	return Rung{}, false, ""
}

// placeOf is where a point is captured: its frequency, or beside it where the
// reference had to move.
func (g *Guide) placeOf(at Setting, q Point) unit.Hz {
	open := Setting{Position: at.Position, Polarization: at.Polarization, Repeat: 1}
	if c, ok := g.eval.soundest(g.eval.index[captureKey{Reference, open, q.Index}]); ok {
		return c.Freq
	}
	return q.Freq
}

// narrower is a reference rung with so much less noise that the level stands
// clear; a carrier not seen yet is looked for in the whole span.
func (g *Guide) narrower(q Point, last seen, margin unit.DB, now time.Time) (Rung, bool) {
	r := g.quick(q, last.Freq)
	steps := ladder.Steps(last.Settings.RBW, g.run.Plan.MinRBW)[1:]
	var pick unit.Hz
	for _, b := range steps {
		half := last.Freq * unit.Hz(g.run.Bench.FreqErrorPPM) * 1e-6
		if g.run.Bench.SharedReference {
			half = 0
		}
		center := last.Freq
		if margin >= weakest && last.reading.vertex > 0 {
			center, half = last.reading.vertex, last.reading.vertexU*followSigmas+b
		}
		span := 2*half + 10*b
		each := g.law.Sweep(span, b)
		moved := g.eval.tracker.moves(now, last.Freq, g.run.Bench) * unit.Hz(float64(r.On+r.Off)*(each+r.Settle).Seconds())
		if each > referenceTime || float64(span/b)*2 > 10000 || moved > referenceSmear*b {
			break
		}
		pick = b
		r.Settings.Center, r.Settings.Span, r.Settings.RBW, r.Settings.Points = center, span, b, tracePoints(span, b)
		if margin+unit.PowerRatio(float64(last.Settings.RBW/b)) >= strongEnough {
			break
		}
	}
	r.Why = fmt.Sprintf("the reference is %.0f dB over the noise", float64(margin))
	return r, pick > 0
}

// shift moves a point beside somebody's signal, inside the plan's tolerance.
func (g *Guide) shift(q Point, last seen) (Rung, bool) {
	most := g.run.Plan.RetryOffset
	if most <= 0 || !g.eval.ambient(last).heard {
		return Rung{}, false
	}
	tried := 0
	for _, h := range g.hand {
		if h.Freq != q.Freq {
			tried++
		}
	}
	for ; tried < mostShifts; tried++ {
		by := most * unit.Hz(1+tried/2) / unit.Hz(mostShifts/2)
		if tried%2 == 1 {
			by = -by
		}
		f := q.Freq + by
		if ok, _ := Permitted(g.run.Bench, f, q.Level); !ok || g.Allowed != nil && !g.Allowed(f, q.Level) {
			continue
		}
		r := g.quick(q, f)
		r.Moved = true
		r.Why = fmt.Sprintf("moved by %+.0f Hz beside another signal", float64(by))
		return r, true
	}
	return Rung{}, false
}

// enclosed climbs down the ladder.
func (g *Guide) enclosed(at Setting, q Point, now time.Time) (Rung, bool, string) {
	open := g.eval.prepare(at, q)
	if len(g.hand) == 0 {
		return g.asReference(at, q, open, now), true, ""
	}
	last := g.hand[len(g.hand)-1]
	if open.outcome != Measured {
		return Rung{}, false, "without a reference nothing is gained"
	}
	if len(g.hand) >= mostRungs {
		return Rung{}, false, fmt.Sprintf("%d rungs are enough", mostRungs)
	}
	if last.Void != "" || last.Overload {
		return Rung{}, false, ""
	}
	if r, ok := g.shift(q, last); ok {
		return r, true, r.Why
	}
	req, done := g.request(at, q, open, now)
	if done != "" {
		return Rung{}, false, done
	}
	c := ladder.Choose(req)
	if c.More && c.Cost > time.Second { // the carrier goes on meanwhile
		_, req.Carrier = g.eval.tracker.where(now.Add(c.Cost), last.Freq)
		c = ladder.Choose(req)
	}
	if !c.More {
		return Rung{}, false, c.Reason
	}
	r := g.rung(q, c.Rung, last.Freq, now, req)
	r.Why = c.Reason
	return r, true, c.Reason
}

func near(a, b unit.Hz) bool { return math.Abs(float64(a-b)) <= 1e-3*math.Abs(float64(a)) }

// asReference is the first rung through a shield: with the reference's settings,
// so that nothing but the shield differs.
func (g *Guide) asReference(at Setting, q Point, open openField, now time.Time) Rung {
	r := g.quick(q, q.Freq)
	c := open.capture
	if open.outcome != Measured || c.Settings.RBW <= 0 {
		return r
	}
	r = g.quick(q, c.Freq)
	r.Settings.RBW, r.Settings.Span = c.Settings.RBW, c.Settings.Span
	r.Settings.Points = tracePoints(r.Settings.Span, r.Settings.RBW)
	if c.Rung > 0 { // a narrow one: where the carrier is by now
		r.Settings.Center, _ = g.eval.tracker.where(now, c.Freq)
	}
	return r
}

// request gathers what the ladder asks for; done says that nothing more can
// change the answer.
func (g *Guide) request(at Setting, q Point, open openField, now time.Time) (req ladder.Request, done string) {
	e, p, b := g.eval, g.run.Plan, g.run.Bench
	last := pooled(g.hand, len(g.hand)-1)
	sofar := e.overRungs(g.hand, q)
	req = ladder.Request{
		Reference: open.level, Loss: b.allowance(false, p.Confidence) + open.u,
		Best: unit.DB(math.Inf(-1)), Signal: unit.Missing(),
		Start: q.RBW, Min: p.MinRBW, Points: 10001, Law: g.law, Left: -1, MostLooks: p.MaxLooks,
	}
	_, req.Rule = spentRule(e.rule, len(g.hand))
	req.Failed = len(g.hand) - 1
	if stands(last) {
		req.Have, req.HaveRBW = last.reading.on.N, last.Settings.RBW
	}
	if last.reading.floor > 0 {
		req.Density = level(last.reading.floor / float64(last.Settings.RBW))
	} else {
		req.Density = unit.ThermalNoise(1).Add(b.NoiseFigure)
	}
	if sofar.Outcome == AtLeast {
		req.Best = sofar.SE.Value
	}
	_, req.Carrier = e.tracker.where(now, last.Freq)
	req.Drift = e.tracker.moves(now, last.Freq, b)
	req.ZeroSpan = !g.stood && (q.Detector == driver.PowerAverage || q.Detector == driver.Sample)

	switch required, ok := e.required(q); {
	case p.Stop == StopBudget:
		req.Goal = unit.DB(math.Inf(1))
	case p.Stop == StopReach:
		req.Goal = p.Reach
	case ok:
		req.Goal = required
	case p.Reach > 0:
		req.Goal = p.Reach
	default:
		return req, "no requirement at this frequency"
	}
	if sofar.Outcome == AmbientHeard {
		return req, sofar.Reason
	}
	l := e.levelOf(last)
	if g.handOf.kind == Leakage {
		req.Goal += p.LeakageMargin
	} else if why := e.leakEnds(q, l); why != "" {
		return req, why
	}
	if sofar.Outcome == Measured {
		u, again := e.noiseU(l.finding), g.sightings()-1
		fine := l.finding.Present && again < mostFine && u > 1.5*fineNoise && l.finding.Level.Sub(level(last.reading.floor)) >= wellClear
		if !l.finding.Present || u <= calm && !fine {
			return req, "measured"
		}
		req.Signal, req.Seen, req.Again = l.finding.Level, true, again
		if fine {
			req.Fine, req.Again = fineNoise, 0
		}
	} else if l.void == "" && l.finding.Present {
		if s := last.reading.on.Mean - last.reading.off.Mean; s > 0 {
			req.Signal, req.Seen, req.Again = level(s).Add(-1), true, g.sightings()-1
		}
	} else if se, ok := g.expected(at, q); ok {
		// A neighbour's level is looked for first, unless it should have been seen.
		if s := open.level.Add(-se - shyOf); l.void != "" || s < l.finding.Limit {
			req.Signal = s
		}
	}
	req.Left = g.left(at, q)
	return req, ""
}

// sightings counts the rungs in hand that saw a signal.
func (g *Guide) sightings() int {
	n := 0
	for i := range g.hand {
		if l := g.eval.levelOf(pooled(g.hand, i)); l.void == "" && l.finding.Present {
			n++
		}
	}
	return n
}

// expected is what the specimen's neighbouring points, or an earlier run, make
// one expect here.
func (g *Guide) expected(at Setting, q Point) (unit.DB, bool) {
	known := g.expect[at]
	for _, i := range []int{q.Index, q.Index - 1} {
		if v, ok := known[i]; ok {
			return v, v == v
		}
	}
	return 0, false
}

// left is the time for the rest of a point: of its own budget, and its share of
// what is left of the run's by what each needs.
func (g *Guide) left(at Setting, q Point) time.Duration {
	p := g.run.Plan
	var used time.Duration
	for _, h := range g.hand {
		used += h.Nominal
	}
	left := time.Duration(-1)
	if p.Budget > 0 {
		left = max(0, p.Budget-used)
	}
	if p.RunBudget > 0 {
		share := time.Duration(float64(p.RunBudget-g.spent) * g.share(at, q))
		if share = max(0, share-used); left < 0 || share < left {
			left = share
		}
	}
	return left
}

// share is the part of the remaining time of the run that a point may take: what
// the plan's goal needs here against what it needs at all points to come.
func (g *Guide) share(at Setting, q Point) float64 {
	if g.needs == nil {
		g.needs = map[int]time.Duration{}
		for i, f := range Predict(g.run.Plan, g.run.Bench, g.run.Line, nil).Points {
			g.needs[i] = max(f.deep, time.Millisecond)
		}
	}
	var whole, rest time.Duration
	for i := range g.run.Plan.Points {
		whole += g.needs[i]
		if i >= q.Index {
			rest += g.needs[i]
		}
	}
	for _, s := range g.run.Steps {
		if s.Kind == Enclosed && !g.passed(s.At, at) && s.At != at {
			rest += whole
		}
	}
	if rest <= 0 {
		return 1
	}
	return float64(g.needs[q.Index]) / float64(rest)
}

// passed reports whether an enclosed setting comes before another in the run.
func (g *Guide) passed(a, b Setting) bool {
	for _, s := range g.run.Steps {
		if s.Kind == Enclosed && s.At == a {
			return true
		}
		if s.Kind == Enclosed && s.At == b {
			return false
		}
	}
	return false
}

// rung turns the ladder's choice into settings.
func (g *Guide) rung(q Point, c ladder.Rung, f unit.Hz, now time.Time, req ladder.Request) Rung {
	set := g.settings(q)
	set.RBW, set.Span, set.SweepTime = c.RBW, c.Span, c.SweepTime
	// By the middle of the rung the carrier has gone on.
	set.Center, _ = g.eval.tracker.where(now.Add(c.Cost/2), f)
	settle := max(g.run.Plan.Settle, q.Dwell)
	if c.Span == 0 {
		set.Points = 101
		settle = max(settle, req.Standing(c.RBW))
	} else {
		set.Points = tracePoints(set.Span, set.RBW)
	}
	return Rung{Settings: set, Freq: f, On: c.On, Off: c.Off, Settle: settle}
}

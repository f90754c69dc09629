package sweep

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"lidded/driver/unit"
	"lidded/sweep/detect"
	"lidded/sweep/requirement"
)

// Limits of what may be claimed. From common practice, no source, except the
// drift limit, which is the plan's.
const (
	ambientTrials     = 20          // captures of a point that the ambient is listened for in share its false-alarm rate
	clearOfAmbient    = unit.DB(15) // an enclosed reading this far above somebody's signal is ours
	referenceClear    = unit.DB(20) // and a reference this far: 0.04 dB of error left
	leastAmbient      = unit.DB(3)  // an ambient signal is this far over the floor
	raisedFloor       = unit.DB(10) // a floor this far above its neighbours' is somebody's wide signal
	unsteadySpread    = unit.DB(10) // off looks this far apart are no steady ambient
	steadyMargin      = unit.DB(15) // a signal this far over the noise hardly varies from look to look
	weakReference     = unit.DB(10) // least margin of a reference
	mostNoiseU        = unit.DB(2)  // a level whose noise leaves more than this either way is no value but a bound
	mostHandReadU     = unit.DB(3)  // the same for a level read off a screen
	sameSettings      = 0.005       // relative difference of RBW or span that counts as the same
	handReadFloorLook = 10          // off looks a hand-read noise floor is taken for (judged by eye)
)

// Evaluate judges the captures of a run: results at every point and setting,
// worst cases, verdicts. It is pure: the same captures give the same figures,
// whenever it is asked. Captures may be those of a run still going on.
func Evaluate(run Run, captures []Capture) Evaluation {
	e := NewEvaluator(run)
	for _, c := range captures {
		e.Add(c)
	}
	return e.Evaluation()
}

// Evaluator is Evaluate for captures that come one by one, in order of Seq. It
// keeps what the traces say, not the traces.
type Evaluator struct {
	run      Run
	index    map[captureKey][]seen // by rung
	rule     detect.Rule
	twoSided float64
	tracker  *tracker // nil: the plan's settings are wide enough without
	budgets  map[budgetKey]combinedBudget
	timing   Timing
	findings map[findingKey]detect.Finding

	open   map[spot]openField
	floors map[int][]float64 // per step: noise floors per hertz, sorted
	notes  []string

	leaks     map[int]*Leak // by point, nil: not looked up since the last capture of the check
	leakNotes []string
	steps     []Deviation // of the linearity check, nil: the same
}

// findingKey names a capture that was judged, and with how many others.
type findingKey struct {
	id    string
	pools int
}

// seen is a capture without its traces, and what they say.
type seen struct {
	Capture
	reading reading
	why     string // not empty: the traces say nothing, and why
	win     window // where the carrier was looked for
	pools   int    // rungs before it whose looks count with it
}

// NewEvaluator makes an evaluator without captures.
func NewEvaluator(run Run) *Evaluator {
	e := &Evaluator{run: run, index: map[captureKey][]seen{}, open: map[spot]openField{}, floors: map[int][]float64{}, findings: map[findingKey]detect.Finding{}}
	e.rule = detect.DefaultRule(max(1, len(run.Plan.Points)*len(run.Plan.Positions)*len(run.Plan.Polarizations)*max(1, len(run.Specimens))*max(1, run.Plan.Repeats)))
	e.rule.FamilyAlpha, e.rule.Confidence = orFloat(run.Plan.FalseAlarm, DefaultFalseAlarm), orFloat(run.Plan.Confidence, DefaultConfidence)
	e.twoSided = math.Sqrt2 * math.Erfinv(e.rule.Confidence)
	if e.adaptive() && !run.Bench.SharedReference {
		e.tracker = newTracker(run.Bench)
	}
	return e
}

// Add takes one more capture. Of several of one point, setting and rung the
// last committed counts.
func (e *Evaluator) Add(c Capture) {
	if c.Point < 0 || c.Point >= len(e.run.Plan.Points) {
		return
	}
	e.timing.Took += c.Took
	e.timing.Nominal += c.Nominal
	k := keyOf(c)
	rungs := e.index[k]
	at, found := slices.BinarySearchFunc(rungs, c.Rung, func(s seen, rung int) int { return s.Rung - rung })
	if found && rungs[at].Seq > c.Seq {
		return
	}
	s := e.see(c)
	if found {
		rungs[at] = s
	} else {
		rungs = slices.Insert(rungs, at, s)
	}
	e.index[k] = rungs
	clear(e.floors)
	switch c.Kind {
	case Leakage:
		e.leaks = nil
	case Linearity, Reference:
		e.steps = nil
	}
	e.tracker.learn(s)
}

// see reads the traces of a capture and lets go of them.
func (e *Evaluator) see(c Capture) seen {
	s := seen{Capture: c}
	s.Looks = nil
	if len(c.Looks) == 0 {
		return s
	}
	if s.Settings.RBW <= 0 {
		s.Settings.RBW = e.run.Plan.Points[c.Point].RBW
	}
	axis := c.Looks[0].Trace
	bin := (axis.Stop - axis.Start) / unit.Hz(max(len(axis.Levels)-1, 1))
	s.win = e.window(s, bin)
	on, off := sum(c.Looks, true), sum(c.Looks, false)
	if axis.Stop == axis.Start {
		s.reading, s.why = stand(c, on, off, s.Settings.RBW, s.win, e.moved(s))
	} else if edge := s.win; e.adaptive() && deep(c.Kind) && (edge.center-edge.half < axis.Start-bin || edge.center+edge.half > axis.Stop+bin) {
		s.why = fmt.Sprintf("the span (%v) does not hold everywhere the carrier may be (%.0f Hz either way)", rounded(c.Settings.Span), float64(edge.half))
	} else {
		s.reading, s.why = reduce(c, on, off, s.Settings.RBW, s.win)
		if e.astray(s) {
			s.win = window{center: s.reading.stray, half: s.Settings.RBW/8 + bin/2}
			s.reading, s.why = reduce(c, on, off, s.Settings.RBW, s.win)
		}
	}
	if s.why == "" && s.HeldSweeps == 0 && s.reading.looks > 1 && axis.Stop > axis.Start {
		e.smear(&s)
	}
	return s
}

// mostSmeared is how far, in RBW, a carrier may move while it is averaged: at 1 the
// trace point in its middle has lost 3 dB of it at either end, and beyond nobody
// knows what is left.
const mostSmeared = 1

// moved is how far the carrier may have moved from the beginning of a capture to
// its end.
func (e *Evaluator) moved(s seen) unit.Hz {
	return e.tracker.moves(middleOf(s.Capture), carrierOf(s.Capture), e.run.Bench) * unit.Hz(s.Took.Seconds())
}

// smear works out what a carrier that moves may have lost in sweeps: each trace
// point gets a part of it only, and averaging does not bring the rest back.
func (e *Evaluator) smear(s *seen) {
	rbw, moved := s.Settings.RBW, e.moved(*s)
	if moved > mostSmeared*rbw && deep(s.Kind) {
		s.why = fmt.Sprintf("the carrier may have moved by %.1f Hz while it was averaged with RBW %v: take fewer looks or a wider RBW, or state a smaller frequency_drift_ppm_per_hour if it is", float64(moved), rounded(rbw))
		return
	}
	s.reading.smear = detect.DetuningLoss(min(moved, mostSmeared*rbw)/2, rbw)
}

// astray reports whether a strong signal that comes and goes with the source
// stands where it was not expected, but where both instruments' stated error
// lets it: it is ours, and has moved.
func (e *Evaluator) astray(s seen) bool {
	r := s.reading
	if !e.adaptive() || s.why != "" || r.stray == 0 {
		return false
	}
	f := carrierOf(s.Capture)
	off := unit.Hz(math.Abs(float64(r.stray - f)))
	return e.tracker != nil && off <= f*unit.Hz(e.run.Bench.FreqErrorPPM)*1e-6+s.Settings.RBW
}

// window is where the carrier of a capture is looked for.
func (e *Evaluator) window(c seen, bin unit.Hz) window {
	q, rbw := e.run.Plan.Points[c.Point], c.Settings.RBW
	if !e.adaptive() {
		found := unit.Hz(0)
		if deep(c.Kind) {
			found = e.carrier(c.Capture)
		}
		return searchWindow(q, e.run.Bench, rbw, bin, found)
	}
	q.Freq = c.Freq
	if c.Kind == Ambient || !deep(c.Kind) && c.Rung == 0 {
		return searchWindow(q, e.run.Bench, rbw, bin, 0)
	}
	center, half := e.tracker.where(middleOf(c.Capture), carrierOf(c.Capture))
	if e.tracker == nil || e.tracker.known() {
		return window{center: center, half: half + rbw/8 + bin/2, followed: e.tracker != nil}
	}
	return searchWindow(q, e.run.Bench, rbw, bin, 0)
}

// deep reports whether captures of a kind look for what may lie far under the
// reference.
func deep(k StepKind) bool { return k == Enclosed || k == Leakage }

func (e *Evaluator) adaptive() bool { return e.run.Plan.Strategy == Adaptive }

// middleOf is when a capture was in its middle.
func middleOf(c Capture) time.Time { return c.Begun.Add(c.Took / 2) }

// carrierOf is the frequency that the source was set to.
func carrierOf(c Capture) unit.Hz {
	if c.SourceFreq > 0 {
		return c.SourceFreq
	}
	return c.Freq
}

// carrier is where the reference of a capture's place had the carrier, or zero.
func (e *Evaluator) carrier(c Capture) unit.Hz {
	ref, ok := lastOf(e.index[captureKey{Reference, Setting{Position: c.At.Position, Polarization: c.At.Polarization, Repeat: 1}, c.Point}])
	if !ok || ref.Void != "" || ref.why != "" {
		return 0
	}
	return ref.reading.carrier
}

func lastOf(rungs []seen) (seen, bool) {
	if len(rungs) == 0 {
		return seen{}, false
	}
	return rungs[len(rungs)-1], true
}

// Evaluation judges what has been added so far.
func (e *Evaluator) Evaluation() Evaluation {
	e.floors, e.notes, e.leaks, e.steps = map[int][]float64{}, nil, nil, nil
	e.references()
	e.leakNote()
	e.linearNote()
	var out Evaluation
	for _, spec := range e.run.Specimens {
		out.Results = append(out.Results, e.specimen(spec.Name)...)
	}
	out.Linearity = e.deviations()
	out.Summaries, out.Combined = e.summarize(out.Results)
	out.Budgets = e.budgetsOf(out.Results)
	out.Time = e.timing
	if p := e.run.Predicted; p > 0 && e.timing.Took > 0 {
		out.Time.Predicted, out.Time.Ratio = p, e.timing.Took.Seconds()/p.Seconds()
		if e.run.State.Final() {
			e.notes = append(e.notes, fmt.Sprintf("time: %v predicted, %v taken, ratio %.2f", shortly(p), shortly(e.timing.Took), out.Time.Ratio))
		}
	}
	out.Notes = e.notes
	return out
}

func orFloat(v, def float64) float64 {
	if v == 0 {
		return def
	}
	return v
}

type captureKey struct {
	kind  StepKind
	at    Setting
	point int
}

func keyOf(c Capture) captureKey {
	at := c.At
	if c.Kind != Enclosed && c.Kind != Linearity { // of a linearity check, Repeat numbers its steps
		at.Repeat = 1
	}
	return captureKey{c.Kind, at, c.Point}
}

// spot is a point of the plan at a position and polarization, without a shield.
type spot struct {
	pos   string
	pol   Polarization
	point int
}

// openField is what is known of a spot without a shield.
type openField struct {
	outcome Outcome // Measured when the reference may be used, else why not
	reason  string
	level   unit.DBm
	u       unit.DB // standard uncertainty of the level from noise
	carrier unit.Hz
	capture seen
	drift   *unit.DB
	ambient ambience
}

// ambience is what is on the air at a point with our source off.
type ambience struct {
	heard, unsteady bool
	level           unit.DBm
	// Held traces: nothing stands at the point, the filter lets in what stands
	// beside it, at from with that power.
	skirt    bool
	from     unit.Hz
	besideMW float64
}

func (e *Evaluator) references() {
	e.open = map[spot]openField{}
	worst := unit.DB(0)
	for _, pos := range e.run.Plan.Positions {
		for _, pol := range e.run.Plan.Polarizations {
			for _, q := range e.run.Plan.Points {
				o := e.reference(pos, pol, q)
				e.open[spot{pos, pol, q.Index}] = o
				if o.drift != nil {
					worst = max(worst, unit.DB(math.Abs(float64(*o.drift))))
				}
			}
		}
	}
	if worst > 0 {
		e.notes = append(e.notes, fmt.Sprintf("closing reference: largest change %.2f dB, limit %.1f dB", float64(worst), float64(e.run.Plan.DriftLimit)))
	}
}

// reference is the reference of a point at a place, with what the linearity
// check found of it.
func (e *Evaluator) reference(pos string, pol Polarization, q Point) openField {
	o := e.openReference(pos, pol, q)
	if why := e.nonLinear(q.Index); why != "" && o.outcome == Measured {
		o.outcome, o.reason = Void, why
	}
	return o
}

func (e *Evaluator) openReference(pos string, pol Polarization, q Point) openField {
	at := Setting{Position: pos, Polarization: pol, Repeat: 1}
	none := func(o Outcome, format string, args ...any) openField {
		return openField{outcome: o, reason: fmt.Sprintf(format, args...), level: unit.Missing()}
	}
	rungs := e.index[captureKey{Reference, at, q.Index}]
	c, ok := e.soundest(rungs)
	if !ok {
		return none(requirement.OutcomeUnknown, "no reference was captured")
	}
	l := e.levelOf(c)
	if l.void != "" {
		return none(Void, "reference: %s", l.void)
	}
	o := openField{outcome: Measured, level: l.finding.Level, u: l.u, carrier: l.carrier, capture: c, ambient: l.ambient}
	if amb, ok := lastOf(e.index[captureKey{Ambient, at, q.Index}]); ok && amb.Void == "" && amb.Freq == c.Freq {
		if amb.HandNoise == nil {
			amb.HandNoise = c.HandNoise // read with the same settings, by the reader's word
		}
		o.ambient = louder(o.ambient, e.ambient(amb))
	}
	switch {
	case !o.level.IsFinite() || l.margin < weakReference || e.tooNoisy(l):
		o.outcome, o.reason = Void, fmt.Sprintf("weak reference: %.1f dB over the noise floor, need %.0f dB", float64(l.margin), float64(weakReference))
	case o.ambient.heard && o.level.Sub(o.ambient.level) < referenceClear:
		o.outcome, o.reason = AmbientHeard, fmt.Sprintf("another signal of %v stands in the open at this frequency, the reference is %v", o.ambient.level, o.level)
	}
	if why := e.overloaded(rungs, c, l); why != "" && o.outcome == Measured {
		o.outcome, o.reason = Void, why
	}
	if cl, ok := alike(e.index[captureKey{Closing, at, q.Index}], c); ok && o.outcome == Measured {
		e.closing(&o, cl)
	}
	return o
}

func (e *Evaluator) closing(o *openField, c seen) {
	l := e.levelOf(c)
	if l.void != "" {
		o.outcome, o.reason = Void, "closing reference: "+l.void
		return
	}
	if !l.finding.Level.IsFinite() {
		o.outcome, o.reason = Void, "the closing reference is gone in the noise: the set-up changed"
		return
	}
	d := l.finding.Level.Sub(o.level)
	o.drift = &d
	if limit := e.run.Plan.DriftLimit; unit.DB(math.Abs(float64(d))) > limit {
		o.outcome, o.reason = Void, fmt.Sprintf("the closing reference differs by %+.1f dB, limit %.1f dB", float64(d), float64(limit))
	}
}

// taken is the level of one capture with what can be said of it.
type taken struct {
	finding detect.Finding
	reading unit.DBm
	floor   unit.DBm
	margin  unit.DB
	u       unit.DB
	carrier unit.Hz
	ambient ambience
	void    string

	handRead bool
}

// levelOf judges one capture.
func (e *Evaluator) levelOf(c seen) taken {
	switch {
	case c.Void != "":
		return taken{void: c.Void}
	case c.Overload:
		return taken{void: "the analyzer's input was overloaded: raise the attenuation or lower the source level"}
	case c.HandLevel != nil:
		return e.handRead(c.Capture)
	case c.why != "":
		return taken{void: c.why}
	}
	r := c.reading
	if r.looks == 0 {
		return taken{void: "no trace with the source on was captured"}
	}
	if r.stray != 0 {
		return taken{void: fmt.Sprintf("lost the carrier: a signal of %v stands at %v, outside where the source's can be; measure the frequency error and state it (frequency_error_ppm)", level(r.strayMW), r.stray)}
	}
	t := taken{floor: level(r.floor), reading: level(r.on.Mean), carrier: r.carrier, finding: e.judge(c)}
	if !t.finding.Judged() {
		return taken{void: t.finding.Reason}
	}
	if c.HeldSweeps == 0 {
		t.reading = r.level
		t.ambient = e.ambient(c)
	}
	t.margin = t.reading.Sub(t.floor)
	t.u = e.noiseU(t.finding)
	return t
}

// tooNoisy reports whether noise leaves a level too uncertain for a value.
func (e *Evaluator) tooNoisy(l taken) bool {
	most := mostNoiseU
	if l.handRead {
		most = mostHandReadU
	}
	return l.u*unit.DB(e.twoSided) > most
}

func (e *Evaluator) noiseU(f detect.Finding) unit.DB {
	if !f.Level.IsFinite() || !f.Low.IsFinite() {
		return unit.DB(math.Inf(1))
	}
	return max(f.High.Sub(f.Level), f.Level.Sub(f.Low)) / unit.DB(e.twoSided)
}

// handRead judges a level read off a screen: one look, its noise floor judged
// by eye over a few.
func (e *Evaluator) handRead(c Capture) taken {
	if c.HandNoise == nil {
		return taken{void: "no noise floor was read: without it nothing can be claimed"}
	}
	t := taken{handRead: true, reading: *c.HandLevel, floor: *c.HandNoise, margin: c.HandLevel.Sub(*c.HandNoise)}
	t.finding = detect.Judge(
		detect.Looks{Mean: milliwatts(*c.HandLevel), N: 1, Detector: detect.Sample},
		detect.Looks{Mean: milliwatts(*c.HandNoise), N: handReadFloorLook, Detector: detect.Sample}, e.rule)
	t.finding.Method = "hand-read, one look assumed: " + t.finding.Method
	t.u = e.noiseU(t.finding)
	t.ambient.level = unit.Missing() // with the source off the marker is not read again
	return t
}

// handAmbient is what a marker read with the source off says.
func (e *Evaluator) handAmbient(c seen) ambience {
	a := ambience{level: unit.Missing()}
	if l := e.handRead(c.Capture); l.void == "" && l.finding.Judged() {
		a.level, a.heard = l.reading, l.finding.Present
	}
	return a
}

// ambient listens to the looks with the source off: a signal in the window
// that noise does not explain.
func (e *Evaluator) ambient(c seen) ambience {
	if c.HandLevel != nil {
		return e.handAmbient(c)
	}
	r := c.reading
	if c.why != "" || r.offPeak == 0 {
		return ambience{level: unit.Missing()}
	}
	a := ambience{level: level(r.offPeak)}
	if c.HeldSweeps > 0 {
		st := r.shown.standing(e.heldWindow(c))
		r.heard.Mean, r.heard.Bins = st.peak, min(r.heard.Bins, max(1, st.points))
		a = ambience{level: level(st.peak), skirt: st.skirt, from: st.from, besideMW: st.mw}
	}
	if a.level.Sub(level(r.floor)) >= leastAmbient {
		rule := e.rule
		rule.Points *= ambientTrials // each point is listened to in several captures
		f := detect.Judge(r.heard, r.off, rule)
		a.heard = f.Judged() && f.Present
	}
	if n := e.neighbours(c.Step); n > 0 && r.floor > n*float64(c.Settings.RBW)*raisedFloor.Power() {
		a.heard = true
	}
	a.heard = a.heard || r.unsteady
	a.unsteady = r.unsteady || a.heard && unit.PowerRatio(r.spread) > unsteadySpread
	return a
}

// neighbours is the median noise floor of the points captured in a step, in
// milliwatts per hertz; zero with fewer than five.
func (e *Evaluator) neighbours(step int) float64 {
	per, ok := e.floors[step]
	if !ok {
		for _, rungs := range e.index {
			for _, o := range rungs[:1] { // the first rungs of a step are alike
				if o.Step == step && o.Void == "" && o.why == "" && o.reading.floor > 0 && o.Settings.RBW > 0 {
					per = append(per, o.reading.floor/float64(o.Settings.RBW))
				}
			}
		}
		slices.Sort(per)
		e.floors[step] = per
	}
	if len(per) < 5 {
		return 0
	}
	return per[len(per)/2]
}

func louder(a, b ambience) ambience {
	if b.heard && (!a.heard || b.level > a.level) {
		b.unsteady = b.unsteady || a.unsteady
		return b
	}
	return a
}

func (e *Evaluator) specimen(name string) []Result {
	var out []Result
	for _, pos := range e.run.Plan.Positions {
		for _, pol := range e.run.Plan.Polarizations {
			for rep := 1; rep <= max(1, e.run.Plan.Repeats); rep++ {
				at := Setting{Specimen: name, Position: pos, Polarization: pol, Repeat: rep}
				for _, q := range e.run.Plan.Points {
					if rungs := e.index[captureKey{Enclosed, at, q.Index}]; len(rungs) > 0 {
						out = append(out, e.overRungs(rungs, q))
					}
				}
			}
		}
	}
	return out
}

func (e *Evaluator) result(c seen, q Point) Result {
	nan := unit.DB(math.NaN())
	open := e.open[spot{c.At.Position, c.At.Polarization, q.Index}]
	r := Result{
		Run: e.run.ID, At: c.At, Point: q.Index, Freq: q.Freq, Confidence: e.rule.Confidence, Drift: open.drift,
		Reference: open.level, Enclosed: unit.Missing(), Reading: unit.Missing(), NoiseFloor: unit.Missing(),
		Margin: nan, DynamicRange: nan,
	}
	l := e.levelOf(c)
	if l.void == "" {
		r.Reading, r.NoiseFloor, r.Margin, r.Method = l.reading, l.floor, l.margin, l.finding.Method
		if open.level.IsFinite() {
			r.DynamicRange = open.level.Sub(l.floor)
		}
	}
	switch {
	case l.void != "":
		r.Outcome, r.Reason = Void, l.void
	case open.outcome == requirement.OutcomeUnknown:
		r.Outcome, r.Reason = Void, orString(open.reason, "no reference was captured")
	case open.outcome != Measured:
		r.Outcome, r.Reason = open.outcome, open.reason
	case !e.adaptive() && !sameSweep(open.capture, c):
		r.Outcome, r.Reason = Void, fmt.Sprintf("RBW and span differ between reference (%v, %v) and enclosed (%v, %v)", open.capture.Settings.RBW, open.capture.Settings.Span, c.Settings.RBW, c.Settings.Span)
	default:
		e.claim(&r, c, l, open)
		if why := e.aged(c, open); why != "" {
			r.Outcome, r.Reason, r.SE, r.Enclosed, r.budget = Void, why, SE{}, unit.Missing(), nil
		}
	}
	return r
}

// claim fills in the SE of a point whose capture and reference are sound.
func (e *Evaluator) claim(r *Result, c seen, l taken, open openField) {
	heard := l.ambient
	if l.finding.Present && open.ambient.heard && (open.ambient.unsteady || l.ambient.level.IsMissing() || !l.ambient.heard && e.sealed()) {
		heard = louder(heard, open.ambient)
	}
	if heard.heard && heard.skirt {
		heard.level = c.reading.shown.throughShield(heard)
		if l.reading.Sub(heard.level) < clearOfAmbient {
			// Ours is under what the filter lets in: that is its limit.
			heard.heard = false
			l.finding.Level, l.finding.Reason = unit.Missing(), fmt.Sprintf("another carrier at %v reaches to here through the filter (%v), the source's is not told apart from it", heard.from, heard.level)
		}
	}
	if heard.heard && l.reading.Sub(heard.level) < clearOfAmbient {
		r.Outcome = AmbientHeard
		r.Reason = fmt.Sprintf("another signal of %v is on the air here", heard.level)
		if heard.unsteady {
			r.Reason += ", and not steadily"
		}
		return
	}
	if by := unit.PowerRatio(c.reading.onSpread); l.finding.Present && c.HeldSweeps == 0 && l.margin > steadyMargin && by > unsteadySpread {
		r.Outcome = AmbientHeard
		r.Reason = fmt.Sprintf("the signal comes and goes by %.0f dB while the source stays on: it is not the source's", float64(by))
		return
	}
	if !l.finding.Present || c.Settings.Span == 0 {
		if reason := e.tracker.lost(c); reason != "" {
			r.Outcome, r.Reason = Void, reason
			return
		}
	}
	k := budgetKey{same: sameSweep(open.capture, c) && sameInput(open.capture, c), reference: open.u, linear: e.linearAsChecked()}
	if open.drift != nil {
		k.moved = unit.DB(math.Abs(float64(*open.drift)))
	}
	var leak *Leak
	if c.Kind != Leakage {
		leak = e.leakage(e.run.Plan.Points[r.Point])
	}
	r.Leakage = leak
	hides, _, moves := leak.under(l.finding.Level, e.run.Plan.LeakageMargin)
	if l.finding.Present && l.finding.Level.IsFinite() && !e.tooNoisy(l) && !hides {
		k.noise, k.leak = l.u, moves
		r.budget = &k
		_, u := e.combined(k)
		se := open.level.Sub(l.finding.Level)
		r.Outcome, r.Enclosed = Measured, l.finding.Level
		r.SE = SE{Relation: Equal, Value: se, Low: se - u.OneSided, High: se + u.OneSided, U: u.Expanded}
		return
	}
	r.budget = &k
	_, u := e.combined(k)
	limit := l.finding.Limit
	r.Outcome, r.Reason = AtLeast, l.finding.Reason
	switch {
	case leak != nil && l.finding.Present && hides:
		_, allow, _ := leak.under(l.finding.High, e.run.Plan.LeakageMargin)
		limit, r.Reason = l.finding.High.Add(allow), leak.reason(l.finding.Level, e.run.Plan.LeakageCheck)
	case leak != nil && leak.Seen:
		// What came through may have cancelled part of what goes round.
		_, allow, _ := leak.under(limit, e.run.Plan.LeakageMargin)
		limit = limit.Add(allow)
		r.Reason = strings.TrimPrefix(r.Reason+fmt.Sprintf("; a leakage of %v (%v) is allowed for", leak.Level, e.run.Plan.LeakageCheck), "; ")
	}
	r.Enclosed = limit
	bound := open.level.Sub(limit) - u.OneSided
	if r.Reason == "" && l.finding.Present {
		r.Reason = "a signal is present, but the noise leaves its level too uncertain for a value"
	}
	r.SE = SE{Relation: AtLeastRelation, Value: bound, Low: bound, High: unit.DB(math.Inf(1))}
}

func (e *Evaluator) sealed() bool { return e.run.Plan.Capture == Sealed }

func fieldOf(q Point) requirement.Field {
	if q.Field == requirement.FieldUnknown {
		return requirement.PlaneWave
	}
	return q.Field
}

func claimOf(o Outcome, se SE) requirement.Result {
	switch o {
	case Measured:
		return requirement.MeasuredSE(se.Value, se.U)
	case AtLeast:
		return requirement.AtLeastSE(se.Value)
	}
	return requirement.Result{Outcome: o, SE: unit.DB(math.NaN())}
}

// aged says why the reference of a capture is too old for it, or nothing. One
// with a closing reference beside it, within the drift limit, is of any age; while
// that is still to come, the claim stands.
func (e *Evaluator) aged(c seen, o openField) string {
	most, ref := e.run.Plan.ReferenceMaxAge, o.capture
	if most <= 0 || o.drift != nil || ref.Begun.IsZero() || c.Begun.IsZero() || e.run.Plan.Closing && !e.run.State.Final() {
		return ""
	}
	age := c.Begun.Sub(ref.Begun)
	if age <= most {
		return ""
	}
	return fmt.Sprintf("the reference was %v old, at most %v (reference_max_age), and no closing reference stands for it", age.Round(time.Minute), most)
}

// sameSweep reports whether two captures have the same RBW and span.
func sameSweep(a, b seen) bool {
	same := func(x, y unit.Hz) bool { return math.Abs(float64(x-y)) <= sameSettings*math.Abs(float64(x)) }
	return same(a.Settings.RBW, b.Settings.RBW) && same(a.Settings.Span, b.Settings.Span)
}

// sameInput reports whether two captures had the same attenuation and
// preamplifier, as far as that is known.
func sameInput(a, b seen) bool {
	x, y := a.Settings, b.Settings
	if x.Attenuator != nil && y.Attenuator != nil && *x.Attenuator != *y.Attenuator {
		return false
	}
	return x.Preamp == nil || y.Preamp == nil || *x.Preamp == *y.Preamp
}

func finite(v unit.DB) *unit.DB {
	if math.IsNaN(float64(v)) || math.IsInf(float64(v), 0) {
		return nil
	}
	return &v
}

func orString(s, def string) string {
	if s == "" {
		return def
	}
	return s
}

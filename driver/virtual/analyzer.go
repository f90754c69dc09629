package virtual

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"lidded/driver/virtual/internal/noise"
	"lidded/driver/virtual/internal/program"
)

// traceMode is how sweeps update a trace.
type traceMode int

const (
	traceBlank traceMode = iota
	traceWrite
	traceMax
	traceMin
	traceMean
	traceView
)

const traceCount = 6

// trace is one trace's memory.
type trace struct {
	mode  traceMode
	det   string // canonical detector, "" for the common one
	data  []float64
	sum   []float64 // traceMean: sums in the averaging scale
	count int       // sweeps in data since it was cleared
}

func (t *trace) updating() bool {
	return t.mode == traceWrite || t.mode == traceMax || t.mode == traceMin || t.mode == traceMean
}

// acquisition is a row of sweeps with one spec.
type acquisition struct {
	id    uint64
	spec  sweepSpec
	dets  [traceCount]noise.Detector
	start float64
	most  int // sweeps asked for, 0 for ever
	done  int // sweeps already in the traces
	ended bool
}

// completed returns how many whole sweeps have ended by now.
func (q *acquisition) completed(now float64) int {
	// The last sweep ends before its retrace.
	n := int(math.Floor((now-q.start-q.spec.time)/q.spec.period+1e-9)) + 1
	if q.most > 0 {
		n = min(n, q.most)
	}
	return max(n, 0)
}

func (q *acquisition) end() float64 {
	return q.start + float64(q.most-1)*q.spec.period + q.spec.time
}

// analyzer is the spectrum analyzer.
type analyzer struct {
	device
	receiver receiver

	start, stop      float64
	points           int
	rbw, vbw, time   float64
	rbwAuto, vbwAuto bool
	timeAuto         bool
	detector         string // canonical
	detectorAuto     bool
	averageType      scale
	averageCount     int
	sweepCount       int
	attenuation      float64
	attenuationAuto  bool
	refLevel         float64 // dBm
	preamp           bool
	unit             string
	format           string
	swapped          bool
	continuous       bool
	traces           [traceCount]trace
	markers          [traceCount]int // point, -1 if off

	run      acquisition
	runs     uint64
	overload bool // in the last sweep
	buffer   map[noise.Detector][]float64
}

func newAnalyzer(b *Bench, t Traits) *analyzer {
	a := &analyzer{device: device{bench: b, role: RoleAnalyzer, traits: t}, receiver: receiver{air: b.air}, buffer: map[noise.Detector][]float64{}}
	a.remaining = func(now float64) float64 {
		if a.run.ended || a.run.most == 0 {
			return 0
		}
		return a.run.end() - now
	}
	a.operation = func(now float64) uint16 {
		if t.SweepBit < 0 {
			return 0
		}
		sweeping := !a.run.ended && (a.run.most == 0 || a.remaining(now) > 0)
		if sweeping != t.SweepBitDone {
			return 1 << t.SweepBit
		}
		return 0
	}
	a.question = func(now float64) uint16 {
		if t.OverloadBit < 0 {
			return 0
		}
		a.fold(now)
		sc := b.air.at(now)
		spec := a.spec()
		if a.overload || a.receiver.overloaded(&spec, &sc, now) {
			return 1 << t.OverloadBit
		}
		return 0
	}
	a.preset = a.reset
	a.lose = func() {
		for i := range a.traces {
			a.traces[i] = trace{}
		}
	}
	a.common()
	a.commands()
	return a
}

func (a *analyzer) reset() {
	w := a.bench.world.Analyzer
	a.start, a.stop = float64(w.MinFreq), float64(w.MaxFreq)
	a.points = a.traits.DefaultPoints
	a.rbwAuto, a.vbwAuto, a.timeAuto, a.detectorAuto, a.attenuationAuto = true, true, true, true, true
	a.rbw, a.vbw, a.time = a.traits.RBWMax, a.traits.RBWMax, 1
	a.detector = a.autoDetector()
	a.averageType, a.averageCount, a.sweepCount = scalePower, 10, 1
	a.attenuation, a.refLevel, a.preamp = 10, 0, false
	a.unit, a.format, a.swapped = "DBM", a.traits.Formats[0], a.traits.ByteOrder == "SWAP"
	a.continuous = true
	a.bench.air.anaInternal = false
	for i := range a.traces {
		a.traces[i] = trace{}
		a.markers[i] = -1
	}
	a.traces[0].mode = traceWrite
	a.overload = false
	a.begin(0)
}

func (a *analyzer) autoDetector() string {
	for _, d := range []string{"normal", "positive", "sample"} {
		if _, ok := a.traits.Detectors[d]; ok {
			return d
		}
	}
	for d := range a.traits.Detectors {
		return d
	}
	return "sample"
}

// statistic maps a canonical detector to its statistics.
func (a *analyzer) statistic(det string) noise.Detector {
	switch det {
	case "positive":
		return noise.Positive
	case "negative":
		return noise.Negative
	case "normal":
		return noise.Normal
	case "rms":
		return noise.RMS
	case "voltage":
		return noise.Voltage
	case "log":
		return noise.Log
	case "average":
		return [...]noise.Detector{scalePower: noise.RMS, scaleLog: noise.Log, scaleVoltage: noise.Voltage}[a.averageType]
	}
	return noise.Sample
}

// effective returns the detector of trace i.
func (a *analyzer) effective(i int) noise.Detector {
	det := a.detector
	if a.detectorAuto {
		det = a.autoDetector()
		if a.traits.HoldForcesPositive && a.traces[i].mode == traceMax {
			det = "positive"
		} else if a.traces[i].mode == traceMean {
			det = "sample"
		}
	}
	if a.traces[i].det != "" {
		det = a.traces[i].det
	}
	return a.statistic(det)
}

// span is zero in zero span.
func (a *analyzer) span() float64 { return a.stop - a.start }

var rbwSteps = map[string][]float64{"1-3-10": {1, 3}, "1-2-3-5": {1, 2, 3, 5}, "1-2-5": {1, 2, 5}}

// nearestRBW moves a request to the nearest step, without a word.
func (a *analyzer) nearestRBW(v float64) float64 {
	v = min(max(v, a.traits.RBWMin), a.traits.RBWMax)
	steps := rbwSteps[a.traits.RBW]
	best := v
	off := math.Inf(1)
	for _, s := range steps {
		for e := math.Floor(math.Log10(v)) - 1; e <= math.Log10(v)+1; e++ {
			r := s * math.Pow(10, e)
			if r < a.traits.RBWMin*0.999 || r > a.traits.RBWMax*1.001 {
				continue
			}
			if d := math.Abs(math.Log(r / v)); d < off {
				best, off = r, d
			}
		}
	}
	if best >= 1 {
		best = math.Round(best)
	}
	return best
}

func (a *analyzer) actualRBW() float64 {
	if !a.rbwAuto {
		return a.rbw
	}
	if a.span() == 0 {
		return a.rbw
	}
	return a.nearestRBW(a.span() / 100)
}

func (a *analyzer) actualVBW() float64 {
	if a.vbwAuto {
		return a.actualRBW()
	}
	return a.vbw
}

// autoTime is the sweep-time law: k·span/RBW² (k·span/(RBW·VBW) with a narrower
// video filter), or k/RBW for an FFT; never below a millisecond.
func (a *analyzer) autoTime() float64 {
	rbw, k := a.actualRBW(), a.traits.SweepK
	vbw := min(a.actualVBW(), rbw)
	if a.traits.SweepLaw == "fft" || a.span() == 0 {
		return max(1e-3, k/rbw*(rbw/vbw))
	}
	return max(1e-3, k*a.span()/(rbw*vbw))
}

func (a *analyzer) actualTime() float64 {
	if a.timeAuto {
		return a.autoTime()
	}
	return a.time
}

func (a *analyzer) actualAttenuation() float64 {
	if !a.attenuationAuto {
		return a.attenuation
	}
	step := a.traits.AttenuationStep
	return min(70, max(0, math.Ceil((a.refLevel+10)/step)*step))
}

func (a *analyzer) spec() sweepSpec {
	s := sweepSpec{
		start: a.start, stop: a.stop, points: a.points, rbw: a.actualRBW(),
		time: a.actualTime(), fft: a.traits.SweepLaw == "fft",
		attenuation: a.actualAttenuation(), preamp: a.preamp, videoLog: a.averageType == scaleLog,
		clip: milliwatt(a.refLevel + float64(a.bench.world.Analyzer.Headroom)),
	}
	if vbw := a.actualVBW(); vbw < s.rbw {
		s.video = s.rbw / vbw
	}
	s.period = s.time + seconds(a.traits.Retrace)
	return s
}

// begin starts a row of sweeps; traces that were made with other settings are
// cleared.
func (a *analyzer) begin(most int) {
	now := a.bench.clock.now()
	spec := a.spec()
	var dets [traceCount]noise.Detector
	for i := range dets {
		dets[i] = a.effective(i)
	}
	if spec != a.run.spec || dets != a.run.dets {
		for i := range a.traces {
			if a.traces[i].updating() {
				a.traces[i].count = 0
			}
		}
	}
	a.runs++
	a.run = acquisition{id: a.runs, spec: spec, dets: dets, start: now, most: most}
	a.bench.stir()
	if most > 0 && a.bench.clock.jumps() {
		a.bench.clock.advance(a.run.end() - now)
	}
	a.bench.tidy(now)
}

// touch restarts the sweep if a setting has changed what it shows.
func (a *analyzer) touch() {
	spec := a.spec()
	same := spec == a.run.spec
	for i := range a.run.dets {
		same = same && a.run.dets[i] == a.effective(i)
	}
	if same {
		return
	}
	now := a.bench.clock.now()
	a.fold(now)
	switch {
	case a.continuous:
		a.begin(0)
	case !a.run.ended && a.run.most > 0 && a.run.end() > now:
		a.begin(a.run.most) // the pending sweep starts again
	default:
		a.run.ended = true
		a.run.spec.points = -1 // the next begin sees other settings
	}
}

// initiate triggers the sweeps of one measurement.
func (a *analyzer) initiate() *program.Error {
	if a.continuous {
		return program.Fail(-213, "continuous sweep is on")
	}
	a.fold(a.bench.clock.now())
	n := a.sweepCount
	for i := range a.traces {
		t := &a.traces[i]
		switch t.mode {
		case traceMean:
			n = max(n, a.averageCount)
			t.count = 0
		case traceMax, traceMin:
			if !a.traits.HoldKeptByInit {
				t.count = 0
			}
		}
	}
	a.begin(n)
	return nil
}

func (a *analyzer) abort() {
	a.fold(a.bench.clock.now())
	if a.continuous {
		a.begin(0)
		return
	}
	a.run.ended = true
	a.bench.stir()
}

func (a *analyzer) setContinuous(on bool) {
	if on == a.continuous {
		return
	}
	a.fold(a.bench.clock.now())
	a.continuous = on
	if on {
		a.begin(0)
		return
	}
	a.run.ended = true
	a.bench.stir()
}

// renderAtMost is how many sweeps are rendered one by one; a longer row is
// folded by its statistics and only the last sweep is rendered.
const renderAtMost = 12

// fold brings the traces up to now.
func (a *analyzer) fold(now float64) {
	q := &a.run
	if q.ended {
		return
	}
	n := q.completed(now)
	if n <= q.done {
		return
	}
	from := q.done
	q.done = n
	q.ended = n == q.most
	a.bench.nominal.Sweeps += n - from
	took := time.Duration(float64(n-from) * q.spec.period * 1e9)
	if q.most > 0 {
		a.bench.nominal.Sweeping += took
	} else {
		a.bench.nominal.FreeRunning += took
	}
	last := from
	if n-from > renderAtMost {
		a.foldBulk(from, n-1)
		last = n - 1
	}
	writeOnly := true
	for i := range a.traces {
		writeOnly = writeOnly && (!a.traces[i].updating() || a.traces[i].mode == traceWrite)
	}
	if writeOnly {
		last = n - 1
	}
	for i := last; i < n; i++ {
		a.foldOne(i)
	}
	end := q.start + float64(n-1)*q.spec.period + q.spec.time
	sc := a.bench.air.at(end)
	a.overload = a.receiver.overloaded(&q.spec, &sc, end)
	if !q.ended {
		a.bench.air.forget(q.start + float64(n)*q.spec.period)
	}
}

func (a *analyzer) random(sweep int, stream uint64) *rand.Rand {
	return rand.New(rand.NewPCG(mix(a.bench.seed^mix(a.run.id)), mix(uint64(sweep)<<8|stream)))
}

// foldOne renders sweep i and updates the traces with it.
func (a *analyzer) foldOne(i int) {
	q := &a.run
	fresh := [8]bool{}
	for k := range a.traces {
		t := &a.traces[k]
		if !t.updating() {
			continue
		}
		det := q.dets[k]
		if !fresh[det] {
			fresh[det] = true
			if len(a.buffer[det]) != q.spec.points {
				a.buffer[det] = make([]float64, q.spec.points)
			}
			a.receiver.sweep(&q.spec, det, q.start+float64(i)*q.spec.period, a.random(i, uint64(det)), a.buffer[det])
		}
		t.update(a.buffer[det], a.averageType)
	}
}

func (t *trace) update(sweep []float64, sc scale) {
	if len(t.data) != len(sweep) {
		t.data, t.count = make([]float64, len(sweep)), 0
	}
	if t.mode == traceMean {
		if len(t.sum) != len(sweep) || t.count == 0 {
			t.sum = make([]float64, len(sweep))
		}
		for k, p := range sweep {
			t.sum[k] += sc.to(p)
			t.data[k] = sc.from(t.sum[k] / float64(t.count+1))
		}
		t.count++
		return
	}
	if t.mode == traceWrite || t.count == 0 {
		copy(t.data, sweep)
		t.count++
		return
	}
	for k, p := range sweep {
		if (p > t.data[k]) == (t.mode == traceMax) {
			t.data[k] = p
		}
	}
	t.count++
}

// foldBulk folds sweeps from..to-1 into held and averaged traces.
func (a *analyzer) foldBulk(from, to int) {
	q := &a.run
	for k := range a.traces {
		t := &a.traces[k]
		if !t.updating() || t.mode == traceWrite {
			continue
		}
		if len(t.data) != q.spec.points {
			t.data, t.count = make([]float64, q.spec.points), 0
		}
		rnd := a.random(from, 0x80|uint64(k))
		how, dst := gatherMax, t.data
		switch t.mode {
		case traceMax:
			if t.count == 0 {
				clear(dst)
			}
		case traceMin:
			how = gatherMin
			if t.count == 0 {
				for i := range dst {
					dst[i] = math.Inf(1)
				}
			}
		case traceMean:
			how = gatherMean
			if len(t.sum) != q.spec.points || t.count == 0 {
				t.sum = make([]float64, q.spec.points)
			}
			dst = t.sum
		}
		a.receiver.bulk(&q.spec, q.dets[k], how, q.start, from, to, rnd, dst, a.averageType)
		t.count += to - from
		if t.mode == traceMean {
			for i, s := range t.sum {
				t.data[i] = a.averageType.from(s / float64(t.count))
			}
		}
	}
}

// setMode changes how trace i is updated.
func (a *analyzer) setMode(i int, m traceMode) {
	a.fold(a.bench.clock.now())
	t := &a.traces[i]
	if t.mode != m || a.traits.HoldResendClears {
		if m != traceView && m != traceBlank {
			t.count = 0
			if t.mode != m {
				t.sum = nil
			}
			a.restart()
		}
	}
	t.mode = m
	a.touch()
}

// restart begins the continuous sweep again, so that a cleared trace counts
// only sweeps begun after it.
func (a *analyzer) restart() {
	if a.continuous {
		a.begin(0)
	}
}

// clearTrace empties a held or averaged trace.
func (a *analyzer) clearTrace(i int) {
	a.fold(a.bench.clock.now())
	a.traces[i].count = 0
	a.restart()
}

// values returns trace i in mW; nil if it has seen no whole sweep.
func (a *analyzer) values(i int) []float64 {
	a.fold(a.bench.clock.now())
	t := &a.traces[i]
	if t.mode == traceBlank || len(t.data) != a.points {
		return nil
	}
	if t.count == 0 && (t.mode == traceMax || t.mode == traceMin || t.mode == traceMean) {
		return nil
	}
	return t.data
}

func (a *analyzer) permitted(points int) bool {
	return len(a.traits.Points) == 0 && points <= a.traits.MaxPoints || slices.Contains(a.traits.Points, points)
}

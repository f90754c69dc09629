package sweep

import (
	"math"
	"slices"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep/detect"
)

// reading is what the traces of one capture say about one point, before
// anything is claimed from it.
type reading struct {
	on, off  detect.Looks // for detect.Judge; on.Mean is zero without a look with the source on
	heard    detect.Looks // the window with the source off, for the ambient
	carrier  unit.Hz      // where the highest level in the window stands
	floor    float64      // mean noise power beside the carrier with the source off, mW
	offPeak  float64      // highest mean power in the window with the source off, mW
	looks    int          // looks with the source on
	offLooks int
	stray    unit.Hz  // not zero: a signal with the source on, outside the window, and where
	strayMW  float64  // its power
	spread   float64  // ratio of the strongest to the weakest off look in the window
	offBins  int      // independent readings the floor rests on
	window   int      // trace points searched
	level    unit.DBm // highest level in the window, mean power of the on looks
	vertex   unit.Hz  // where the carrier stands between trace points; zero: cannot be told
	vertexU  unit.Hz  // standard uncertainty of that
	loss     unit.DB  // most that the carrier may have lost beside the filter's middle (zero span)
	smear    unit.DB  // most that the carrier may have lost by moving while it was averaged (swept)
	onSpread float64  // ratio of the strongest to the weakest on look at the carrier
	shown    shown    // held: the trace itself
	unsteady bool     // zero span: the off looks differ by more than noise does
}

// window is where the carrier may stand: around a frequency, either side.
type window struct {
	center, half unit.Hz
	followed     bool // the carrier was predicted, not found: one that is stronger beside is it
}

// followedStray is how much stronger (1 dB) a signal beside a followed carrier's
// window must be than what is in it, to be the carrier itself: the window then
// holds its skirt.
const followedStray = 1.2589

// searchWindow returns where the carrier of a point is looked for. Without a
// reference to go by (found zero) it is anywhere within both instruments'
// frequency error; with one, within a twentieth of that error for drift since,
// and an eighth of an RBW, which costs 0.2 dB (Gaussian filter, 3.01·(2δ/RBW)²).
func searchWindow(q Point, b Bench, rbw, bin, found unit.Hz) window {
	ppm := unit.Hz(b.FreqErrorPPM)
	if b.SharedReference {
		ppm = 0
	}
	err := q.Freq * ppm * 1e-6
	if found == 0 {
		return window{center: q.Freq, half: err + rbw/2 + bin}
	}
	return window{center: found, half: err/20 + rbw/8 + bin/2}
}

// sums adds up the looks of one source state, point by point, in milliwatts.
type sums struct {
	mean   []float64 // mean power
	top    []float64 // largest
	looks  int
	levels [][]unit.DBm
	powers [][]float64 // the same in milliwatts, NaN where missing
}

func sum(looks []Look, on bool) sums {
	var s sums
	var count []int
	for _, l := range looks {
		if l.SourceOn != on || len(l.Trace.Levels) == 0 {
			continue
		}
		if s.mean == nil {
			n := len(l.Trace.Levels)
			s.mean, s.top, count = make([]float64, n), make([]float64, n), make([]int, n)
		}
		if len(l.Trace.Levels) != len(s.mean) {
			continue
		}
		s.looks++
		s.levels = append(s.levels, l.Trace.Levels)
		powers := make([]float64, len(l.Trace.Levels))
		s.powers = append(s.powers, powers)
		for i, p := range l.Trace.Levels {
			if powers[i] = math.NaN(); !p.IsFinite() {
				continue
			}
			mw := milliwatts(p)
			powers[i] = mw
			s.mean[i] += mw
			s.top[i] = max(s.top[i], mw)
			count[i]++
		}
	}
	for i, n := range count {
		if n > 0 {
			s.mean[i] /= float64(n)
		} else {
			s.mean[i] = math.NaN()
		}
	}
	return s
}

// reduce boils the looks of a capture down to a reading. win says where the
// carrier is looked for; rbw is as read back; on and off are sum(c.Looks, …).
func reduce(c Capture, on, off sums, rbw unit.Hz, win window) (reading, string) {
	base := on
	if off.looks > 0 {
		base = off
	}
	if base.looks == 0 {
		return reading{}, "no trace was captured"
	}
	axis := c.Looks[0].Trace
	bins := len(base.mean)
	if on.looks > 0 && off.looks > 0 && len(on.mean) != len(off.mean) {
		return reading{}, "the traces with the source on and off have different numbers of points"
	}
	first, last := binsIn(axis, win)
	if first > last {
		return reading{}, "the trace does not cover the frequency looked at"
	}
	binWidth := (axis.Stop - axis.Start) / unit.Hz(max(bins-1, 1))
	held := c.HeldSweeps > 0
	r := reading{looks: on.looks, offLooks: off.looks, window: last - first + 1}

	// The floor: with the source off the whole span tells of it, in a held
	// trace what stands beside the carrier.
	clear := 3*rbw + win.half
	var noise noiseStats
	if held {
		noise.values = besideHeld(axis, base, win.center, clear)
		noise.n = len(noise.values)
	}
	for _, look := range base.powers {
		for i, mw := range look {
			d := axis.Freq(i) - win.center
			if mw == mw && !held && (off.looks > 0 || d > clear || d < -clear) {
				noise.add(mw)
			}
		}
	}
	if noise.n == 0 {
		return reading{}, "no trace point beside the carrier tells of the noise floor: widen the span"
	}
	independent := max(1, math.Min(float64(noise.n), float64(noise.n)*float64(binWidth/max(rbw, 1))))
	r.offBins = int(independent)
	mean, cv := noise.moments()
	det, perBin := model(c, cv, binWidth, rbw, independent)
	r.floor = mean
	switch {
	case held:
		mean /= heldNoise(c, binWidth, rbw)
	case det.IsMax():
		mean /= harmonic(perBin)
	}
	m := independent * max(1, 1/(cv*cv+1e-9))
	if held {
		// A handful of points tells little of its own spread: the law does.
		m = independent / math.Pow(spreadOfMax(perBin), 2)
	}
	averaged := det
	if det.IsMax() {
		averaged = detect.PowerAverage
	}
	r.off = detect.Looks{Mean: mean, N: m, Detector: averaged}
	if held {
		r.shown = shown{axis.Start, binWidth, base.top}
	}
	places := searchBins(r.window, win, rbw)
	heard := off.mean
	if det.IsMax() {
		heard = off.top
	}
	r.heard = detect.Looks{Mean: peakIn(heard, first, last), N: max(1, float64(off.looks)) * perBin, Detector: det, Bins: places}

	r.offPeak, r.spread = peakIn(off.mean, first, last), spreadIn(off.levels, first, last)
	if on.looks == 0 {
		return r, ""
	}
	search := on.mean
	if det.IsMax() {
		search = on.top
	}
	best := argmax(search, first, last)
	if best < 0 {
		return reading{}, "every trace point at the carrier is missing"
	}
	r.carrier = axis.Freq(best)
	r.onSpread = spreadIn(on.levels, best, best)
	r.vertex, r.vertexU = vertexOf(on.mean, best, axis, rbw, r.floor, on.looks)
	r.level = level(peakIn(on.mean, first, last))
	n := float64(on.looks) * perBin
	extra := 0.0
	if held {
		// Of the looks that fall into a trace point in a sweep, only those
		// within the filter's top are looks at the carrier: about one.
		n = float64(max(1, min(c.HoldSweeps, c.HeldSweeps)))
		extra = max(0, perBin-n)
	}
	r.on = detect.Looks{Mean: search[best], N: n, Extra: extra, Detector: det, Bins: places}
	if held {
		// Beside a carrier it is the amplitude of the noise that is averaged, whose
		// correlation ρ lasts √2 times as long as that of its power, ρ².
		r.on.Most, r.on.Each, r.on.Flank = mostSweeps(c, n), max(1, eachOf(c, binWidth, rbw)/math.Sqrt2), flankOf(c, binWidth, rbw)
	}
	if at := argmaxOutside(on.mean, first, last); at >= 0 && !held {
		gone := off.looks == 0 || on.mean[at] > 10*off.mean[at]
		times := 10.0
		if win.followed {
			times = followedStray
		}
		if gone && on.mean[at] > 20*r.floor && on.mean[at] > times*search[best] {
			r.stray, r.strayMW = axis.Freq(at), on.mean[at]
		}
	}
	return r, ""
}

// How far below the top a filter's response is halved to find its middle.
const (
	halvedAt   = unit.DB(6)
	halvedFrom = unit.DB(4) // of the signal over the noise, there
)

// vertexOf is where the carrier stands between trace points: midway between the
// two places, by straight lines through the levels, where the filter's response
// is 6 dB below its top. That needs no more of the filter than that it is
// symmetrical: a parabola through the top, exact for a Gaussian filter, says
// nothing about one with a flat top. The uncertainty is that of the levels there
// (Rician, first order) against the slope, and that of the straight lines, which
// was found by trying Gaussian, four-pole synchronous and flat-topped filters at
// every phase and 0.1 to 3 trace points per RBW.
func vertexOf(mean []float64, best int, axis driver.Trace, rbw unit.Hz, floor float64, looks int) (at, u unit.Hz) {
	top := mean[best]
	threshold := top / halvedAt.Power()
	if !(threshold > floor*halvedFrom.Power()) {
		return 0, 0
	}
	sd := 1.25 * singleLookAtSN / math.Sqrt(math.Max(threshold/floor-1, 1)*float64(looks)) // more than first order where the noise is near
	var stat float64
	for _, step := range []int{-1, 1} {
		i := best
		above := func(k int) bool { return k >= 0 && k < len(mean) && mean[k] > threshold }
		for above(i) || above(i+step) { // one point below may be a dip of the noise
			i += step
		}
		if i < 0 || i >= len(mean) || !(mean[i] > 0) {
			return 0, 0 // the response is cut off, or a reading is missing
		}
		high, low := float64(level(mean[i-step])), float64(level(mean[i]))
		width := axis.Freq(i) - axis.Freq(i-step)
		share := (high - float64(level(threshold))) / (high - low)
		at += (axis.Freq(i-step) + width*unit.Hz(share)) / 2
		stat = math.Hypot(stat, sd*math.Abs(float64(width))/(high-low)/2)
	}
	h := axis.Freq(1) - axis.Freq(0)
	lines := h * unit.Hz(math.Min(0.02+0.12*float64(h/rbw), 1/math.Sqrt(12)))
	return at, unit.Hz(math.Hypot(stat, float64(lines)))
}

// searchBins is how many independent readings the window holds: neighbouring
// points share most of their noise; about four looks pass per RBW of a swept
// filter (N_eff = 1.505·RBW·T with T = 2.5/RBW).
func searchBins(points int, win window, rbw unit.Hz) int {
	return max(1, min(points, 1+int(math.Ceil(4*float64(2*win.half/rbw)))))
}

// noiseStats gathers noise readings in milliwatts.
type noiseStats struct {
	values []float64
	n      int
}

func (s *noiseStats) add(mw float64) { s.values = append(s.values, mw); s.n++ }

// moments returns the mean of the readings that are no outliers and their
// relative spread: readings above thirty times the median are somebody's signal
// beside ours, not noise.
func (s *noiseStats) moments() (mean, cv float64) {
	cut := 30 * middle(s.values)
	kept := s.values[:0:0]
	if slices.Max(s.values) <= cut {
		kept = s.values
	} else {
		for _, v := range s.values {
			if v <= cut {
				kept = append(kept, v)
			}
		}
	}
	var sum, square float64
	for _, v := range kept {
		sum += v
	}
	mean = sum / float64(len(kept))
	for _, v := range kept {
		square += (v - mean) * (v - mean)
	}
	if len(kept) < 2 || mean <= 0 {
		return mean, 1
	}
	return mean, math.Sqrt(square/float64(len(kept)-1)) / mean
}

// middle is the upper median; it changes the order of the values (C. A. R.
// Hoare, Commun. ACM 4 (1961) 321, algorithm 65: find).
func middle(v []float64) float64 {
	k := len(v) / 2
	for lo, hi := 0, len(v)-1; lo < hi; {
		pivot := v[(lo+hi)/2]
		i, j := lo, hi
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for v[j] > pivot {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i, j = i+1, j-1
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return v[k]
		}
	}
	return v[k]
}

// model says which law a trace point of noise follows and with how many looks.
// Theory gives the law of the detector; the relative spread
// of the readings themselves corrects the number of looks, since an analyzer's
// own filtering may have averaged more, or its sweep been slower, than assumed.
func model(c Capture, cv float64, binWidth, rbw unit.Hz, independent float64) (detect.Detector, float64) {
	cv *= 1 + 1.5/math.Sqrt(independent) // on the side of fewer looks
	switch {
	case c.HeldSweeps > 0:
		perSweep := 1.0
		if peaked(c.Settings.Detector) {
			perSweep = looksInBin(c, binWidth, rbw)
		}
		return detect.MaxHold, float64(c.HeldSweeps) * perSweep
	case peaked(c.Settings.Detector):
		n := looksOfMax(cv)
		if n < 1.5 { // a bucket no longer than one look: the peak is a sample
			return detect.Sample, 1
		}
		return detect.PositivePeak, n
	case c.Settings.Detector == driver.LogAverage:
		return detect.LogAverage, max(1, math.Pi*math.Pi/6/(cv*cv))
	case c.Settings.Detector == driver.VoltageAverage:
		return detect.VoltageAverage, max(1, (4/math.Pi-1)*4/(cv*cv))
	}
	if cv <= 0 {
		return detect.PowerAverage, 1
	}
	return detect.PowerAverage, max(1, min(1/(cv*cv), 1e6))
}

// spreadOfMax is the relative spread of the largest of n exponential looks:
// mean H_n, variance Σ1/k² (Rényi's representation), here to π²/6 − 1/n.
func spreadOfMax(n float64) float64 {
	return math.Sqrt(max(1, math.Pi*math.Pi/6-1/max(n, 1))) / harmonic(n)
}

// looksOfMax inverts the relative spread of the largest of n exponential looks:
// mean H_n, variance Σ1/k² (Rényi's representation).
func looksOfMax(cv float64) float64 {
	var h, v float64
	for n := 1; n <= 100000; n++ {
		h += 1 / float64(n)
		v += 1 / float64(n) / float64(n)
		if math.Sqrt(v)/h <= cv {
			return float64(n)
		}
	}
	return 100000
}

// harmonic is H_n, the mean of the largest of n exponential looks of mean one.
func harmonic(n float64) float64 {
	if n <= 1 {
		return 1
	}
	if n > 50 {
		return math.Log(n) + 0.57721566490153286 + 1/(2*n)
	}
	lo := math.Floor(n)
	var h float64
	for k := 1.0; k <= lo; k++ {
		h += 1 / k
	}
	return h + (n-lo)/(lo+1)
}

func binsIn(axis driver.Trace, win window) (first, last int) {
	n := len(axis.Levels)
	first, last = 0, n-1
	for first <= last && axis.Freq(first) < win.center-win.half {
		first++
	}
	for last >= first && axis.Freq(last) > win.center+win.half {
		last--
	}
	return first, last
}

func argmax(v []float64, first, last int) int {
	best := -1
	for i := first; i <= last; i++ {
		if !math.IsNaN(v[i]) && v[i] > 0 && (best < 0 || v[i] > v[best]) {
			best = i
		}
	}
	return best
}

func argmaxOutside(v []float64, first, last int) int {
	a, b := argmax(v, 0, first-1), argmax(v, last+1, len(v)-1)
	if a < 0 || (b >= 0 && v[b] > v[a]) {
		return b
	}
	return a
}

func peakIn(v []float64, first, last int) float64 {
	if len(v) == 0 {
		return 0
	}
	if i := argmax(v, first, last); i >= 0 {
		return v[i]
	}
	return 0
}

// spreadIn is the ratio of the strongest to the weakest look's mean power in
// the window.
func spreadIn(looks [][]unit.DBm, first, last int) float64 {
	lo, hi := math.Inf(1), 0.0
	for _, look := range looks {
		m, n := unit.MeanPower(look[first : last+1])
		if n == 0 {
			continue
		}
		mw := milliwatts(m)
		lo, hi = min(lo, mw), max(hi, mw)
	}
	if hi == 0 || lo == 0 || math.IsInf(lo, 1) {
		return 1
	}
	return hi / lo
}

func milliwatts(p unit.DBm) float64 { return math.Exp(float64(p) * (math.Ln10 / 10)) }

func level(mw float64) unit.DBm {
	if mw <= 0 {
		return unit.Missing()
	}
	return unit.DBm(10 * math.Log10(mw))
}

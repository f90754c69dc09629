package virtual

import (
	"math"
	"math/rand/v2"

	"lidded/driver/unit"
	"lidded/driver/virtual/internal/noise"
)

// sweepSpec is everything that decides what a sweep shows. Two sweeps with the
// same spec can be held, averaged and folded together.
type sweepSpec struct {
	start, stop float64 // Hz, displayed
	points      int
	rbw         float64
	video       float64 // looks averaged into one by the video filter
	videoLog    bool
	time        float64 // s, one sweep
	period      float64 // s, from sweep start to sweep start
	fft         bool
	attenuation float64 // dB
	preamp      bool
	clip        float64 // mW, the display reads no higher
}

func (s *sweepSpec) bin() float64 { return (s.stop - s.start) / float64(s.points-1) }

// looks returns the independent looks in one display point: 1.505·RBW·dwell;
// an FFT looks at every point for the whole time and at every resolution
// bandwidth within a wide bucket.
func (s *sweepSpec) looks() float64 {
	dwell := s.time / float64(s.points)
	wide := 1.0
	if s.fft && s.stop > s.start {
		dwell = s.time
		wide = s.bin() / s.rbw
		if wide < 1 {
			return min(noise.LooksPerTimeBandwidth*s.rbw*dwell, max(noise.LooksPerTimeBandwidth*wide, 0.02))
		}
	}
	return noise.LooksPerTimeBandwidth * s.rbw * dwell * wide
}

// filter returns width and loss of the resolution filter when swept fast: for a
// Gaussian filter, k = T·RBW²/span, loss 5·log10(1+0.19472/k²) dB and width
// times sqrt(1+0.19472/k²), 0.19472 = (2 ln 2/π)².
func (s *sweepSpec) filter() (width, gain float64) {
	if s.fft || s.stop <= s.start {
		return s.rbw, 1
	}
	k := s.time * s.rbw * s.rbw / (s.stop - s.start)
	c := 2 * math.Ln2 / math.Pi
	q := 1 + c*c/(k*k)
	return s.rbw * math.Sqrt(q), 1 / math.Sqrt(q)
}

// noiseBandwidth is that of an exact Gaussian filter, per 3 dB bandwidth.
var noiseBandwidth = math.Sqrt(math.Pi / (4 * math.Ln2))

// receiver turns scenes into sweeps.
type receiver struct {
	air *ether

	// scratch, reused between sweeps
	index   []int32 // per point: 1 + row in subs, 0 for noise alone
	touched []int
	subs    []float64
	tones   []tone
	times   []int32
}

// front is the analyzer's front end at one time.
type front struct {
	noise float64 // mW in the resolution bandwidth, displayed
	gain  float64 // of the input, with compression
	own   float64 // of internal responses
	err   float64 // relative frequency error
	mixer float64 // mW, total at the mixer
}

func (r *receiver) front(s *sweepSpec, t float64, tones []tone) front {
	a := &r.air.world.Analyzer
	drift := float64(a.GainDriftPerHour) * hours(t)
	nf, pre := float64(a.NoiseFigure), 0.0
	if s.preamp {
		nf, pre = float64(a.PreampNoiseFigure), float64(a.PreampGain)
	}
	density := float64(unit.ThermalNoise(unit.Hz(s.rbw * noiseBandwidth)))
	f := front{err: r.air.analyzerError(t), own: milliwatt(drift)}
	f.noise = milliwatt(density + nf + s.attenuation + drift + float64(a.NoiseDriftPerHour)*hours(t))
	total := 0.0
	for i := range tones {
		if !tones[i].spur {
			total += tones[i].power
		}
	}
	f.mixer = total * milliwatt(pre-s.attenuation)
	// 1 dB down where the mixer sees the stated power: 10^0.1 - 1 = 0.2589.
	f.gain = milliwatt(drift) / (1 + 0.2589254*f.mixer/milliwatt(float64(a.Compression)))
	return f
}

// overloaded tells whether the questionable-power bit is due in scene sc.
func (r *receiver) overloaded(s *sweepSpec, sc *scene, t float64) bool {
	r.tones = r.air.tones(sc, t, r.tones[:0])
	f := r.front(s, t, r.tones)
	if f.mixer >= milliwatt(float64(r.air.world.Analyzer.Overload)) {
		return true
	}
	for _, c := range r.tones {
		shown := c.freq / (1 + f.err)
		if !c.spur && c.power*f.gain > s.clip && shown >= s.start-s.rbw && shown <= s.stop+s.rbw {
			return true
		}
	}
	return false
}

// rows returns how many parts a bucket that meets a carrier is cut into: an odd
// number, so that the middle one is at the point's own frequency.
func (s *sweepSpec) rows() int {
	return int(min(256, math.Ceil(2*s.bin()/s.rbw))) | 1
}

// mark enters the carriers into the scratch tables, in units of the noise, for
// points from k0 up to k1. hold widens modulated carriers to their whole swing;
// otherwise rnd places them within it.
func (r *receiver) mark(s *sweepSpec, f front, tones []tone, k0, k1 int, det noise.Detector, hold bool, rnd *rand.Rand) {
	width, loss := s.filter()
	rows := s.rows()
	bin := s.bin()
	for _, c := range tones {
		gain, at := f.gain, c.freq/(1+f.err)
		if c.spur {
			gain, at = f.own, c.freq
		}
		snr := c.power * gain * loss / f.noise
		if snr < 1e-4 {
			continue
		}
		flat := 0.0
		if c.width > 0 {
			if hold {
				flat = c.width / 2
			} else {
				at += c.width * (rnd.Float64() - 0.5)
			}
		}
		reach := width/2*math.Sqrt(10*math.Log10(snr/1e-4)/3.0103) + flat
		lo, hi := k0, k1
		if bin > 0 {
			lo = max(lo, int(math.Ceil((at-reach-s.start)/bin-0.5)))
			hi = min(hi, int(math.Floor((at+reach-s.start)/bin+0.5))+1)
		} else if math.Abs(at-s.start) > reach {
			continue
		}
		for k := lo; k < hi; k++ {
			if r.index[k] == 0 {
				r.touched = append(r.touched, k)
				r.index[k] = int32(len(r.touched))
				for range rows {
					r.subs = append(r.subs, 0)
				}
			}
			row := r.subs[int(r.index[k]-1)*rows:][:rows]
			left := s.start + (float64(k)-0.5)*bin - at
			step := bin / float64(rows)
			for j := range row {
				a, b := left+float64(j)*step, left+float64(j+1)*step
				d := math.Abs(a+b) / 2
				if rows > 1 && (det == noise.Positive || det == noise.Normal) {
					d = nearest(a, b)
				}
				d = max(0, d-flat)
				row[j] += snr * math.Exp(-4*math.Ln2*(d/width)*(d/width))
			}
		}
	}
}

// nearest returns how close the interval comes to zero.
func nearest(a, b float64) float64 {
	if a <= 0 && b >= 0 {
		return 0
	}
	return min(math.Abs(a), math.Abs(b))
}

func (r *receiver) clear(points int) {
	if len(r.index) != points {
		r.index = make([]int32, points)
	} else {
		for _, k := range r.touched {
			r.index[k] = 0
		}
	}
	r.touched, r.subs = r.touched[:0], r.subs[:0]
}

// bounds returns the points whose time within a sweep begun at t0 lies in
// [a, b).
func (s *sweepSpec) bounds(t0, a, b float64) (int, int) {
	if s.fft && s.stop > s.start {
		if mid := t0 + s.time/2; mid >= a && mid < b {
			return 0, s.points
		}
		return 0, 0
	}
	at := func(t float64) int {
		x := math.Ceil((t-t0)/s.time*float64(s.points) - 0.5)
		return int(min(max(x, 0), float64(s.points)))
	}
	return at(a), at(b)
}

// offset is when point k is looked at within a sweep.
func (s *sweepSpec) offset(k int) float64 {
	if s.fft && s.stop > s.start {
		return s.time / 2
	}
	return (float64(k) + 0.5) / float64(s.points) * s.time
}

// sweep renders the sweep begun at t0 into dst, in mW.
func (r *receiver) sweep(s *sweepSpec, det noise.Detector, t0 float64, rnd *rand.Rand, dst []float64) {
	r.clear(s.points)
	ev := r.air.events
	level := 0.0
	first := len(ev) - 1
	for first > 0 && ev[first].at > t0 {
		first--
	}
	for i := first; i < len(ev) && ev[i].at < t0+s.time; i++ {
		a, b := max(ev[i].at, t0-1), math.Inf(1)
		if i+1 < len(ev) {
			b = ev[i+1].at
		}
		k0, k1 := s.bounds(t0, a, b)
		if k0 == k1 {
			continue
		}
		t := t0 + s.offset((k0+k1)/2)
		r.tones = r.air.tones(&ev[i].scene, t, r.tones[:0])
		f := r.front(s, t, r.tones)
		level = f.noise
		r.mark(s, f, r.tones, k0, k1, det, false, rnd)
	}
	rows := s.rows()
	cell := r.cell(s, det)
	correlated := cell.Looks < 1 && cell.Video <= 1
	var walk noise.Walk
	if correlated {
		walk = noise.NewWalk(rnd, cell.Looks)
	}
	for k := range dst {
		c := &cell
		i := int(r.index[k])
		if det == noise.Normal {
			c.Detector = noise.Positive
			if k%2 == 0 && (i == 0 || r.subs[(i-1)*rows+rows/2] < 10) {
				c.Detector = noise.Negative
			}
		}
		var p float64
		switch {
		case correlated && i == 0:
			p = walk.Next(rnd, 0)
		case correlated:
			p = walk.Next(rnd, r.subs[(i-1)*rows+rows/2])
		case i == 0:
			p = c.One(rnd)
		default:
			p = c.Carrier(rnd, r.subs[(i-1)*rows:][:rows])
		}
		dst[k] = min(p*level, s.clip)
	}
}

func (r *receiver) cell(s *sweepSpec, det noise.Detector) noise.Cell {
	return noise.Cell{Detector: det, Looks: s.looks(), Video: s.video, VideoLog: s.videoLog}
}

// gather is what many sweeps become.
type gather int

const (
	gatherMax gather = iota
	gatherMin
	gatherMean
)

// bulk folds sweeps from..to-1, the first begun at t0, into dst without
// rendering each. Drift is followed in slices.
func (r *receiver) bulk(s *sweepSpec, det noise.Detector, how gather, t0 float64, from, to int, rnd *rand.Rand, dst []float64, scale scale) {
	a := &r.air.world.Analyzer
	span := float64(to-from) * s.period
	level := math.Abs(float64(a.GainDriftPerHour)) + math.Abs(float64(a.NoiseDriftPerHour)) + math.Abs(float64(r.air.world.Source.LevelDriftPerHour))
	slip := math.Abs(r.air.sourceError(3600)-r.air.sourceError(0)) + math.Abs(r.air.analyzerError(3600)-r.air.analyzerError(0))
	slices := max(level*hours(span)/0.1, slip*hours(span)*s.stop/(s.rbw/4))
	n := int(min(max(1, math.Ceil(slices)), 64, float64(to-from)))
	for i := range n {
		a, b := from+(to-from)*i/n, from+(to-from)*(i+1)/n
		r.slice(s, det, how, t0, a, b, rnd, dst, scale)
	}
}

// slice folds sweeps a..b-1 with drift taken at its middle.
func (r *receiver) slice(s *sweepSpec, det noise.Detector, how gather, t0 float64, a, b int, rnd *rand.Rand, dst []float64, sc scale) {
	if a >= b {
		return
	}
	begin, end := t0+float64(a)*s.period, t0+float64(b)*s.period
	middle := (begin + end) / 2
	if len(r.times) != s.points {
		r.times = make([]int32, s.points)
	}
	clear(r.times)
	cell := r.cell(s, det)
	var level float64
	draw := func(k, n int, row []float64) {
		c := &cell
		if det == noise.Normal {
			c.Detector = noise.Positive
			if k%2 == 0 && (row == nil || row[len(row)/2] < 10) {
				c.Detector = noise.Negative
			}
		}
		one := func() float64 {
			if row == nil {
				return c.One(rnd)
			}
			return c.Carrier(rnd, row)
		}
		switch how {
		case gatherMax:
			p := 0.0
			if row == nil {
				p = c.MaxOne(rnd, n)
			} else {
				p = c.MaxCarrier(rnd, row, n)
			}
			dst[k] = max(dst[k], min(p*level, s.clip))
		case gatherMin:
			for range min(n, 256) {
				dst[k] = min(dst[k], one()*level)
			}
		case gatherMean:
			m := min(n, 256)
			sum := 0.0
			for range m {
				sum += sc.to(min(one()*level, s.clip))
			}
			dst[k] += sum / float64(m) * float64(n)
		}
	}
	ev := r.air.events
	for i := range ev {
		from, until := max(ev[i].at, begin), end
		if i+1 < len(ev) {
			until = min(until, ev[i+1].at)
		}
		if from >= until {
			continue
		}
		pieces := 1
		if r.air.intermittent {
			pieces = int(min(max(1, (until-from)/s.period), 64))
		}
		for p := range pieces {
			u := from + (until-from)*float64(p)/float64(pieces)
			v := from + (until-from)*float64(p+1)/float64(pieces)
			r.clear(s.points)
			// Intermittent carriers are looked up in the piece, drift in the slice.
			r.tones = r.air.tones(&ev[i].scene, (u+v)/2, r.tones[:0])
			f := r.front(s, middle, r.tones)
			level = f.noise
			r.mark(s, f, r.tones, 0, s.points, det, true, rnd)
			rows := s.rows()
			for q, k := range r.touched {
				lo := math.Ceil((u - t0 - s.offset(k)) / s.period)
				hi := math.Ceil((v - t0 - s.offset(k)) / s.period)
				n := int(min(hi, float64(b)) - max(lo, float64(a)))
				if n <= 0 {
					continue
				}
				r.times[k] += int32(n)
				draw(k, n, r.subs[q*rows:][:rows])
			}
		}
	}
	for k := range dst {
		if n := b - a - int(r.times[k]); n > 0 {
			draw(k, n, nil)
		}
	}
}

// scale is the scale in which traces are averaged.
type scale int

const (
	scalePower scale = iota
	scaleLog
	scaleVoltage
)

func (s scale) to(p float64) float64 {
	switch s {
	case scaleLog:
		return math.Log(max(p, 1e-40))
	case scaleVoltage:
		return math.Sqrt(p)
	}
	return p
}

func (s scale) from(x float64) float64 {
	switch s {
	case scaleLog:
		return math.Exp(x)
	case scaleVoltage:
		return x * x
	}
	return x
}

package virtual

import (
	"math"
	"sort"

	"lidded/driver/unit"
	"lidded/driver/virtual/world"
)

// scene is the state of the radio world that stays put between two events.
type scene struct {
	on         bool
	freq       float64 // Hz, as set
	level      float64 // dBm, as set
	position   string
	polar      string
	enclosure  *world.Enclosure
	terminated bool    // receiving antenna replaced by a load
	loaded     bool    // transmitting antenna replaced by a load
	pad        float64 // dB, inserted before the analyzer
}

type event struct {
	at float64 // simulated seconds
	scene
}

// ether is the timeline of scenes and the answer to what reaches the analyzer.
type ether struct {
	world        *world.World
	seed         uint64
	events       []event // by time, never empty
	srcInternal  bool    // instrument told to use its own oscillator
	anaInternal  bool
	intermittent bool
}

func newEther(w *world.World, seed uint64) *ether {
	e := &ether{world: w, seed: seed, events: []event{{at: math.Inf(-1)}}}
	for _, a := range w.Ambient {
		e.intermittent = e.intermittent || a.Kind == "intermittent"
	}
	return e
}

// change puts a new scene at time t. Events planned after t are given up.
func (e *ether) change(t float64, edit func(*scene)) {
	i := sort.Search(len(e.events), func(i int) bool { return e.events[i].at > t })
	for j := i; j < len(e.events); j++ { // a hand's move also applies to what is planned
		edit(&e.events[j].scene)
	}
	next := event{at: t, scene: e.events[i-1].scene}
	edit(&next.scene)
	e.events = append(e.events, event{})
	copy(e.events[i+1:], e.events[i:])
	e.events[i] = next
}

// drop gives up the events after t.
func (e *ether) drop(t float64) {
	i := sort.Search(len(e.events), func(i int) bool { return e.events[i].at > t })
	e.events = e.events[:i]
}

// forget drops events that ended before t.
func (e *ether) forget(t float64) {
	i := sort.Search(len(e.events), func(i int) bool { return e.events[i].at > t })
	if i > 1 {
		e.events = append(e.events[:0], e.events[i-1:]...)
	}
}

// at returns the scene at time t.
func (e *ether) at(t float64) scene {
	i := sort.Search(len(e.events), func(i int) bool { return e.events[i].at > t })
	return e.events[max(i-1, 0)].scene
}

// tone is a carrier at the analyzer's input.
type tone struct {
	freq  float64 // Hz, true
	power float64 // mW
	width float64 // Hz, swing of a modulated carrier
	spur  bool    // made inside the analyzer: not compressed, no oscillator error
}

func hours(t float64) float64 { return t / 3600 }

// sourceError returns the source's relative frequency error at time t.
func (e *ether) sourceError(t float64) float64 {
	if e.world.SharedReference && !e.srcInternal {
		return 0
	}
	s := e.world.Source
	return (s.PPM + s.DriftPPMPerHour*hours(t)) * 1e-6
}

// analyzerError returns the analyzer's relative frequency error at time t.
func (e *ether) analyzerError(t float64) float64 {
	if e.world.SharedReference && !e.anaInternal {
		return 0
	}
	a := e.world.Analyzer
	return (a.PPM + a.DriftPPMPerHour*hours(t)) * 1e-6
}

// tones appends what reaches the analyzer's input in scene s at time t.
func (e *ether) tones(s *scene, t float64, dst []tone) []tone {
	w := e.world
	if s.on {
		level := s.level + float64(w.Source.LevelDriftPerHour)*hours(t)
		dst = e.fromSource(s, s.freq*(1+e.sourceError(t)), level, dst)
		for i, h := range w.Source.Harmonics {
			f := s.freq * (1 + e.sourceError(t)) * float64(i+2)
			if f <= float64(w.Analyzer.MaxFreq)*1.1 {
				dst = e.fromSource(s, f, level+float64(h), dst)
			}
		}
	}
	if !s.terminated {
		for i := range w.Ambient {
			a := &w.Ambient[i]
			if a.Kind == "intermittent" && !e.slotOn(i, t) {
				continue
			}
			level := float64(a.Level) - s.pad
			if s.enclosure != nil {
				level -= float64(s.enclosure.SE(a.Freq, s.position, s.polar))
			}
			dst = append(dst, tone{freq: float64(a.Freq), power: milliwatt(level), width: float64(a.Width)})
		}
	}
	for _, p := range w.Analyzer.Spurs {
		dst = append(dst, tone{freq: float64(p.Freq), power: milliwatt(float64(p.Level)), spur: true})
	}
	return dst
}

func (e *ether) fromSource(s *scene, f, level float64, dst []tone) []tone {
	w := e.world
	p := 0.0
	if !s.terminated && !s.loaded {
		at := level + float64(w.Flatness(unit.Hz(f))) - float64(w.PathLoss(unit.Hz(f), s.position, s.polar)) - s.pad
		if s.enclosure != nil {
			at -= float64(s.enclosure.SE(unit.Hz(f), s.position, s.polar))
		}
		p = milliwatt(at)
	}
	if w.Leakage > 0 {
		p += milliwatt(level - float64(w.Leakage))
	}
	return append(dst, tone{freq: f, power: p})
}

// slotOn tells whether intermittent carrier i transmits at time t.
func (e *ether) slotOn(i int, t float64) bool {
	a := &e.world.Ambient[i]
	slot := uint64(int64(math.Floor(t / a.Period.Seconds())))
	return float64(mix(e.seed^mix(uint64(i)+0x51)^mix(slot))>>11)/(1<<53) < a.Duty
}

// mix is the finalizer of SplitMix64 (Steele, Lea, Flood, OOPSLA 2014,
// doi:10.1145/2660193.2660195).
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

func milliwatt(dBm float64) float64 { return math.Exp(dBm * (math.Ln10 / 10)) }

func decibel(mW float64) float64 {
	if mW <= 1e-40 {
		return -400
	}
	return math.Log(mW) * (10 / math.Ln10)
}

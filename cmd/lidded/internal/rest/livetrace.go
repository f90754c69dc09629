package rest

import (
	"encoding/json"
	"slices"
	"sync"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// liveEvery is how long a listener waits for the next live trace of a bench at
// the least.
const liveEvery = 200 * time.Millisecond

// LiveTrace is what the analyzer showed last, small enough to be drawn as it
// comes. It is for looking at; claims come from the captures themselves.
type LiveTrace struct {
	Run      string    `json:"run"`
	Bench    string    `json:"bench"`
	Time     time.Time `json:"time"`
	StepKind string    `json:"step_kind"`
	At       Setting   `json:"at"`
	Point    int       `json:"point" doc:"Index of the point; -1 for the whole trace of a sealed step"`
	Freq     float64   `json:"freq_hz"`
	RBW      float64   `json:"rbw_hz"`
	SourceOn bool      `json:"source_on" doc:"While the trace was taken"`
	Start    float64   `json:"start_hz"`
	Stop     float64   `json:"stop_hz"`
	Points   int       `json:"points" doc:"Of the trace as captured; where levels are fewer, they are the lowest and the highest of each stretch"`
	Levels   Levels    `json:"levels_dbm" doc:"Evenly spaced from start to stop"`
	PeakFreq *float64  `json:"peak_hz"`
	Peak     *float64  `json:"peak_dbm"`
	Floor    *float64  `json:"noise_floor_dbm" doc:"Median level of the newest trace of the same capture with the source off; null without one"`
}

// liveTraceOf shows the newest look of a capture, with the source on if there
// is one.
func liveTraceOf(p sweep.Progress, on, off *sweep.Look) LiveTrace {
	shown := on
	if shown == nil {
		shown = off
	}
	c := p.Capture
	out := LiveTrace{
		Run: string(p.Run), Bench: p.Bench, Time: p.Time.UTC(), StepKind: c.Kind.String(), At: settingOf(c.At), Point: c.Point,
		Freq: float64(c.Freq), RBW: float64(c.Settings.RBW), SourceOn: shown.SourceOn, Start: float64(shown.Trace.Start), Stop: float64(shown.Trace.Stop),
		Points: len(shown.Trace.Levels), Levels: each(sweep.Thinned(shown.Trace.Levels, mostShown), hundredth),
	}
	if i := shown.Trace.Peak(); i >= 0 {
		out.PeakFreq, out.Peak = number(shown.Trace.Freq(i)), number(shown.Trace.Levels[i])
	}
	if off != nil {
		out.Floor = number(median(off.Trace))
	}
	return out
}

// median is the middle level of a trace, or missing.
func median(t driver.Trace) unit.DBm {
	sorted := slices.DeleteFunc(slices.Clone(t.Levels), func(p unit.DBm) bool { return !p.IsFinite() })
	if len(sorted) == 0 {
		return unit.Missing()
	}
	slices.Sort(sorted)
	return sorted[len(sorted)/2]
}

// newest returns the last look with the source on and the last with it off;
// nil: there is none that shows anything.
func newest(looks []sweep.Look) (on, off *sweep.Look) {
	for _, l := range slices.Backward(looks) {
		switch {
		case len(l.Trace.Levels) == 0:
		case l.SourceOn && on == nil:
			on = &l
		case !l.SourceOn && off == nil:
			off = &l
		}
	}
	return on, off
}

// traceMessage is a live trace; it is made small and encoded when the first
// listener needs it, and then lets go of the capture's traces.
type traceMessage struct {
	progress sweep.Progress
	once     sync.Once
	on, off  *sweep.Look
	data     []byte
}

func (m *traceMessage) json() []byte {
	m.once.Do(func() {
		m.data, _ = json.Marshal(liveTraceOf(m.progress, m.on, m.off))
		m.on, m.off = nil, nil
	})
	return m.data
}

// traceMessageOf returns nil where a picture has no trace to show. It neither
// copies nor reads levels: Observe is on the sweep's time.
func traceMessageOf(p sweep.Progress) *traceMessage {
	if p.Capture == nil {
		return nil
	}
	on, off := newest(p.Capture.Looks)
	if on == nil && off == nil {
		return nil
	}
	return &traceMessage{progress: withoutTraces(p), on: on, off: off}
}

// traceSlot keeps, for one listener, the newest trace of each bench that was
// not sent yet: a newer one takes the place of an older one.
type traceSlot struct {
	fresh chan struct{} // holds one while there is something to send

	mu    sync.Mutex
	next  map[string]*traceMessage
	order []string // benches in order of appearance
}

func newTraceSlot() *traceSlot {
	return &traceSlot{fresh: make(chan struct{}, 1), next: map[string]*traceMessage{}}
}

// put never waits.
func (s *traceSlot) put(m *traceMessage) {
	s.mu.Lock()
	if s.next[m.progress.Bench] == nil {
		s.order = append(s.order, m.progress.Bench)
	}
	s.next[m.progress.Bench] = m
	s.mu.Unlock()
	select {
	case s.fresh <- struct{}{}:
	default:
	}
}

// take empties the slot.
func (s *traceSlot) take() []*traceMessage {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []*traceMessage
	for _, b := range s.order {
		out = append(out, s.next[b])
	}
	clear(s.next)
	s.order = nil
	return out
}

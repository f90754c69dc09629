package export

import (
	"iter"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// captureRow is a capture with what its traces show.
type captureRow struct {
	sweep.Capture
	on, off peak
}

// peak is the highest level over the looks with the source on, or off.
type peak struct {
	looks int
	freq  unit.Hz
	level unit.DBm
}

func (p *peak) see(t driver.Trace) {
	p.looks++
	if i := t.Peak(); i >= 0 && !(p.level >= t.Levels[i]) {
		p.level, p.freq = t.Levels[i], t.Freq(i)
	}
}

func rowOf(c sweep.Capture) captureRow {
	none := peak{level: unit.Missing(), freq: unit.Hz(unit.Missing())}
	row := captureRow{Capture: c, on: none, off: none}
	for _, l := range c.Looks {
		if l.SourceOn {
			row.on.see(l.Trace)
		} else {
			row.off.see(l.Trace)
		}
	}
	return row
}

var captures = define(Table{
	Name: "captures", Title: "Captures",
	Description: "One row per capture: where and when it was made, the settings as read back, and the highest level of its traces.",
	Key:         []string{"capture_id"},
}, func(b Bundle) iter.Seq2[captureRow, error] {
	return func(yield func(captureRow, error) bool) {
		for c, err := range b.Captures {
			if !yield(rowOf(c), err) {
				return
			}
		}
	}
}, concat(
	[]column[captureRow]{
		col("run_id", "string", "", "Identifier of the run, a UUID.", func(r captureRow) string { return string(r.Run) }).always(),
		col("capture_id", "string", "", "Identifier of the capture, a UUID.", func(r captureRow) string { return r.ID }).always(),
		col("seq", "integer", "", "Number of the capture within the run, from 1, in order of storing.", func(r captureRow) string { return whole(r.Seq) }).always(),
		col("step", "integer", "", "Index of the step of the run, from 0.", func(r captureRow) string { return whole(r.Step) }).always(),
		col("kind", "string", "", "What was captured.", func(r captureRow) string { return token(r.Kind) }).
			always().of(token(sweep.Ambient), token(sweep.Reference), token(sweep.Enclosed), token(sweep.Closing), token(sweep.Leakage), token(sweep.Linearity)),
	},
	settingColumns(func(r captureRow) sweep.Setting { return r.At }),
	[]column[captureRow]{
		col("point", "integer", "", "Index of the frequency in the plan, from 0; -1: the whole held trace of a sealed step.", func(r captureRow) string { return whole(r.Point) }).always(),
		col("freq_hz", "number", "Hz", "Frequency of the plan.", func(r captureRow) string { return exact(r.Freq) }).always(),
		col("rung", "integer", "", "Which look at the point, from 0; later ones are narrower or longer.", func(r captureRow) string { return whole(r.Rung) }).always(),
		col("source_freq_hz", "number", "Hz", "Frequency of the source as read back.", func(r captureRow) string { return known(r.SourceFreq) }),
		col("source_level_dbm", "number", "dBm", "Level of the source as read back.", func(r captureRow) string { return exactOr(r.SourceLevel) }),
		col("center_hz", "number", "Hz", "Center frequency as read back.", func(r captureRow) string { return known(r.Settings.Center) }),
		col("span_hz", "number", "Hz", "Span as read back; 0: zero span.", func(r captureRow) string {
			if r.Settings.Center == 0 {
				return ""
			}
			return exact(r.Settings.Span)
		}),
		col("rbw_hz", "number", "Hz", "Resolution bandwidth as read back.", func(r captureRow) string { return known(r.Settings.RBW) }),
		col("vbw_hz", "number", "Hz", "Video bandwidth as read back; empty: not reported.", func(r captureRow) string { return known(r.Settings.VBW) }),
		col("detector", "string", "", "Detector as read back.", func(r captureRow) string { return nameIfKnown(r.Settings.Detector) }),
		col("trace_mode", "string", "", "What a new sweep does to the trace, as read back.", func(r captureRow) string { return nameIfKnown(r.Settings.Hold) }),
		col("trace_points", "integer", "", "Points of a trace as read back; empty: not reported.", func(r captureRow) string {
			if r.Settings.Points == 0 {
				return ""
			}
			return whole(r.Settings.Points)
		}),
		col("sweep_time_s", "number", "s", "Sweep time as read back; empty: not reported.", func(r captureRow) string { return knownSeconds(r.Settings.SweepTime) }),
		col("reference_level_dbm", "number", "dBm", "Reference level of the display as read back; empty: not reported.", func(r captureRow) string { return exactOr(r.Settings.RefLevel) }),
		col("attenuation_db", "number", "dB", "Input attenuation as read back; empty: not reported.", func(r captureRow) string { return exactOr(r.Settings.Attenuator) }),
		col("preamp", "boolean", "", "Preamplifier as read back; empty: not reported.", func(r captureRow) string {
			if r.Settings.Preamp == nil {
				return ""
			}
			return yes(*r.Settings.Preamp)
		}),
		col("on_looks", "integer", "", "Traces with the source on.", func(r captureRow) string { return whole(r.on.looks) }).always(),
		col("on_peak_dbm", "number", "dBm", "Highest level of the traces with the source on.", func(r captureRow) string { return exact(r.on.level) }),
		col("on_peak_freq_hz", "number", "Hz", "Where it stood.", func(r captureRow) string { return axis(r.on.freq) }),
		col("off_looks", "integer", "", "Traces with the source off.", func(r captureRow) string { return whole(r.off.looks) }).always(),
		col("off_peak_dbm", "number", "dBm", "Highest level of the traces with the source off.", func(r captureRow) string { return exact(r.off.level) }),
		col("off_peak_freq_hz", "number", "Hz", "Where it stood.", func(r captureRow) string { return axis(r.off.freq) }),
		col("hold_sweeps", "integer", "", "Sealed: whole sweeps that saw the step.", func(r captureRow) string { return whole(r.HoldSweeps) }).always(),
		col("held_sweeps", "integer", "", "Sealed: whole sweeps that the trace was held over.", func(r captureRow) string { return whole(r.HeldSweeps) }).always(),
		col("hand_level_dbm", "number", "dBm", "Level read off a screen by a person.", func(r captureRow) string { return exactOr(r.HandLevel) }),
		col("hand_noise_dbm", "number", "dBm", "Noise floor read off a screen by a person.", func(r captureRow) string { return exactOr(r.HandNoise) }),
		col("overload", "boolean", "", "Whether the analyzer's input was overloaded.", func(r captureRow) string { return yes(r.Overload) }).always(),
		col("void", "string", "", "Why the capture is not valid; empty: it is.", func(r captureRow) string { return r.Void }),
		col("begun", "datetime", "", "When it was begun, UTC.", func(r captureRow) string { return moment(r.Begun) }),
		col("took_s", "number", "s", "How long it took.", func(r captureRow) string { return seconds(r.Took) }).always(),
		col("nominal_s", "number", "s", "Analyzer time by its own sweep time; empty: not known.", func(r captureRow) string { return knownSeconds(r.Nominal) }),
	},
)...)

// nameIfKnown is empty for an enumeration's zero.
func nameIfKnown[T interface {
	comparable
	String() string
}](v T) string {
	var zero T
	if v == zero {
		return ""
	}
	return token(v)
}

// traceRow is one point of one trace.
type traceRow struct {
	*sweep.Capture
	look, index int
}

func (r traceRow) trace() driver.Trace { return r.Looks[r.look].Trace }

var traces = define(Table{
	Name: "traces", Title: "Traces",
	Description: "One row per point of every trace, as read.",
	Key:         []string{"capture_id", "look", "index"},
}, func(b Bundle) iter.Seq2[traceRow, error] {
	return func(yield func(traceRow, error) bool) {
		for c, err := range b.Captures {
			if err != nil {
				yield(traceRow{}, err)
				return
			}
			for l := range c.Looks {
				for i := range c.Looks[l].Trace.Levels {
					if !yield(traceRow{&c, l, i}, nil) {
						return
					}
				}
			}
		}
	}
},
	col("capture_id", "string", "", "Identifier of the capture, a UUID.", func(r traceRow) string { return r.ID }).always(),
	col("seq", "integer", "", "Number of the capture within the run, from 1.", func(r traceRow) string { return whole(r.Seq) }).always(),
	col("look", "integer", "", "Which trace of the capture, from 0.", func(r traceRow) string { return whole(r.look) }).always(),
	col("source_on", "boolean", "", "Whether the source was on.", func(r traceRow) string { return yes(r.Looks[r.look].SourceOn) }).always(),
	col("index", "integer", "", "Which point of the trace, from 0.", func(r traceRow) string { return whole(r.index) }).always(),
	col("freq_hz", "number", "Hz", "Frequency of the point.", func(r traceRow) string { return axis(r.trace().Freq(r.index)) }).always(),
	col("level_dbm", "number", "dBm", "Level; empty: the instrument reported none.", func(r traceRow) string { return exact(r.trace().Levels[r.index]) }),
)

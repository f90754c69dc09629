// Package driver is the contract between the measurement and the instruments:
// the roles (Analyzer, Source), the settings they take, the traces they give,
// and the one error they fail with.
//
// It does no I/O. Package instrument makes the roles out of a dialect and a
// link; package drivertest has fakes and the suite every role must pass.
package driver

import (
	"context"
	"time"

	"lidded/driver/unit"
)

// Detector says how an analyzer makes one trace point out of the samples that
// fall into it.
type Detector uint8

// The detectors, by the trade's names.
const (
	DetectorUnknown Detector = iota
	Sample                   // one sample of the envelope
	PositivePeak             // the largest
	PowerAverage             // mean power (RMS)
	LogAverage               // mean of the decibels
	VoltageAverage           // mean of the envelope voltage
	AutoPeak                 // largest and smallest in turn ("normal")
	NegativePeak             // the smallest
)

// HoldMode says what a new sweep does to the trace.
type HoldMode uint8

// Trace modes.
const (
	HoldUnknown HoldMode = iota
	ClearWrite           // each sweep replaces the trace
	MaxHold              // each point keeps its largest level
)

// Settings are what an analyzer is set to, and, as returned by Configure, what
// it says it is set to. Center, Span, RBW, Detector and Hold always count (Span
// zero is zero span); of the others a zero value means automatic on the way in
// and "not reported" on the way out.
type Settings struct {
	Center     unit.Hz       `json:"center_hz"`
	Span       unit.Hz       `json:"span_hz"`
	RBW        unit.Hz       `json:"rbw_hz"`
	VBW        unit.Hz       `json:"vbw_hz,omitempty"`
	Detector   Detector      `json:"detector"`
	Hold       HoldMode      `json:"hold"`
	Points     int           `json:"points,omitempty"`        // on the way in: at least so many, as far as the instrument goes
	SweepTime  time.Duration `json:"sweep_time_ns,omitempty"` // zero on the way in: automatic
	RefLevel   *unit.DBm     `json:"reference_level_dbm,omitempty"`
	Attenuator *unit.DB      `json:"attenuation_db,omitempty"` // nil on the way in: automatic
	Preamp     *bool         `json:"preamp,omitempty"`
}

// Trace is one trace as read: Points levels, evenly spaced from Start to Stop
// (both included). In zero span Start equals Stop and the axis is time.
type Trace struct {
	Start  unit.Hz
	Stop   unit.Hz
	Levels []unit.DBm // missing points are unit.Missing()
	Begun  time.Time  // when the sweep was started
	Took   time.Duration
}

// Freq returns the frequency of point i.
func (t Trace) Freq(i int) unit.Hz {
	if len(t.Levels) < 2 {
		return t.Start
	}
	return t.Start + (t.Stop-t.Start)*unit.Hz(i)/unit.Hz(len(t.Levels)-1)
}

// Peak returns the index of the highest finite level, or -1.
func (t Trace) Peak() int {
	best := -1
	for i, p := range t.Levels {
		if p.IsFinite() && (best < 0 || p > t.Levels[best]) {
			best = i
		}
	}
	return best
}

// Range is what an instrument can be set to. Zero fields are unknown.
type Range struct {
	FreqMin, FreqMax   unit.Hz
	LevelMin, LevelMax unit.DBm // source only
	RBWMin, RBWMax     unit.Hz  // analyzer only
}

// Health is what an instrument reports about itself besides its readings.
type Health struct {
	Overload    bool // input overloaded (questionable status), if the dialect can ask
	PowerCycled bool // the power-on bit was found set: all settings are lost
}

// Instrument is what both roles share. One goroutine at a time may use it.
type Instrument interface {
	// Identity returns who answered when the link was last established.
	Identity() Identity
	// Ranges returns what the dialect and the instrument state.
	Ranges() Range
	// Recover re-establishes the link after an error: close, dial, clear, drain
	// errors, re-identify (the same instrument must answer) and re-apply the
	// settings last asked for. For a source, output comes back off.
	Recover(ctx context.Context) error
	// Health asks for overload and power-on; without such commands it is zero.
	Health(ctx context.Context) (Health, error)
	// Halt brings the instrument to its inert state: a source's output off and
	// read back as off, an analyzer's sweep ended.
	Halt(ctx context.Context) error
	// Close halts nothing; it lets go of the link.
	Close() error
}

// Analyzer is the receiving role.
type Analyzer interface {
	Instrument
	// Configure sets what differs from what is set, checks the error queue after
	// every setting, and returns the settings as read back. A read-back outside
	// the dialect's tolerance is not an error here: the caller compares, since
	// analyzers round RBW and span silently.
	Configure(ctx context.Context, s Settings) (Settings, error)
	// Sweep starts one whole sweep, waits for its end and returns the trace.
	Sweep(ctx context.Context) (Trace, error)
	// SweepTime returns the time one sweep takes at the present settings.
	SweepTime(ctx context.Context) (time.Duration, error)
	// Arm clears the trace and starts sweeping in max hold without an end. The
	// link may then go away.
	Arm(ctx context.Context) error
	// Reattach re-establishes a link that went away while the analyzer was armed:
	// dial, re-identify (the same instrument must answer) and make the reply
	// format what it was, but touch no setting, so that the held trace survives.
	// An instrument that was powered on meanwhile is an error of kind PowerCycled.
	Reattach(ctx context.Context) error
	// ReadHold stops sweeping and returns the trace held, without clearing it.
	ReadHold(ctx context.Context) (Trace, error)
}

// Thermometer is what an instrument may be besides: one that tells its own
// temperature.
type Thermometer interface {
	// Temperature returns degrees Celsius; false where the dialect cannot ask.
	Temperature(ctx context.Context) (float64, bool, error)
}

// Source is the transmitting role.
type Source interface {
	Instrument
	// SetFrequency returns the frequency as read back.
	SetFrequency(ctx context.Context, f unit.Hz) (unit.Hz, error)
	// SetLevel returns the level as read back.
	SetLevel(ctx context.Context, p unit.DBm) (unit.DBm, error)
	// SetOutput keys the source on or off and returns the state as read back. A
	// state that disagrees is an error of kind Readback.
	SetOutput(ctx context.Context, on bool) (bool, error)
	// Output asks for the state.
	Output(ctx context.Context) (bool, error)
}

// TimedSource is what a source may be besides: one with a timer of its own that
// switches the output off, whoever else has gone.
type TimedSource interface {
	// SetTimer sets the timer, which counts from when the output goes on, to d or a
	// little more, and makes sure of it; false where the instrument has none.
	SetTimer(ctx context.Context, d time.Duration) (bool, error)
}

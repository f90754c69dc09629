// Package world describes the radio world around the virtual bench: what the
// signal source puts out, what the path and the enclosures take away, what
// else is on the air, and how noisy and how true the analyzer is.
//
// It owns the description, its checks, its strict YAML form and the exact
// answers that follow from it (path loss, shielding effectiveness, reference
// level, noise density). It draws no noise, keeps no time and speaks no SCPI.
package world

import (
	"fmt"
	"math"
	"sort"
	"strings"
	"time"

	"lidded/driver/unit"
)

// World is everything the two instruments share.
type World struct {
	Name  string `yaml:"name"`
	About string `yaml:"about"`
	// SharedReference locks both instruments to one 10 MHz reference: their
	// frequency errors vanish unless an instrument is told ROSC:SOUR INT.
	SharedReference bool     `yaml:"shared_reference"`
	Source          Source   `yaml:"source"`
	Analyzer        Analyzer `yaml:"analyzer"`
	// Path is the loss from source to analyzer in the open, straight lines in
	// the logarithm of frequency, held constant beyond its ends.
	Path          []Loss  `yaml:"path"`
	Positions     []Place `yaml:"positions"`
	Polarizations []Place `yaml:"polarizations"`
	// Leakage is the loss of the way around the antennas, 0 for none. It is
	// there with the receiving antenna taken off, and inside any enclosure.
	Leakage    unit.DB     `yaml:"leakage"`
	Ambient    []Carrier   `yaml:"ambient"`
	Enclosures []Enclosure `yaml:"enclosures"`

	lines map[string]int // field path to line, when read from a file
}

// Source is the signal source's honesty. Left out or zero: 100 kHz to 6 GHz,
// -110 to 20 dBm, settling 5 ms.
type Source struct {
	MinFreq  unit.Hz  `yaml:"min_freq"`
	MaxFreq  unit.Hz  `yaml:"max_freq"`
	MinLevel unit.DBm `yaml:"min_level"`
	MaxLevel unit.DBm `yaml:"max_level"`
	// Flatness is added to the set level, straight lines in log frequency.
	Flatness []Gain `yaml:"flatness"`
	// Settle is how long the output is muted after a change.
	Settle            time.Duration `yaml:"settle"`
	PPM               float64       `yaml:"ppm"`
	DriftPPMPerHour   float64       `yaml:"drift_ppm_per_hour"`
	LevelDriftPerHour unit.DB       `yaml:"level_drift_per_hour"`
	// Harmonics are the levels of the second, third, ... harmonic.
	Harmonics []unit.DB `yaml:"harmonics"`
}

// Analyzer is the spectrum analyzer's front end. A field left out or zero takes
// its default: 9 kHz to 6 GHz, noise figure 24 dB, preamplifier 20 dB with 8 dB,
// compression at 3 dBm, overload at -3 dBm, headroom 10 dB.
type Analyzer struct {
	MinFreq           unit.Hz `yaml:"min_freq"`
	MaxFreq           unit.Hz `yaml:"max_freq"`
	NoiseFigure       unit.DB `yaml:"noise_figure"`
	PreampGain        unit.DB `yaml:"preamp_gain"`
	PreampNoiseFigure unit.DB `yaml:"preamp_noise_figure"`
	PPM               float64 `yaml:"ppm"`
	DriftPPMPerHour   float64 `yaml:"drift_ppm_per_hour"`
	// GainDriftPerHour moves signals and noise, NoiseDriftPerHour noise alone.
	GainDriftPerHour  unit.DB `yaml:"gain_drift_per_hour"`
	NoiseDriftPerHour unit.DB `yaml:"noise_drift_per_hour"`
	// Compression is the total power at the mixer that is compressed by 1 dB;
	// Overload the power at which the questionable-power bit is set.
	Compression unit.DBm `yaml:"compression"`
	Overload    unit.DBm `yaml:"overload"`
	// Headroom is how far above the reference level the display still reads.
	Headroom unit.DB `yaml:"headroom"`
	// Spurs are residual responses, at fixed levels referred to the input.
	Spurs []Spur `yaml:"spurs"`
}

// Loss is one point of the path.
type Loss struct {
	Freq unit.Hz `yaml:"freq"`
	Loss unit.DB `yaml:"loss"`
}

// Gain is one point of a level correction.
type Gain struct {
	Freq unit.Hz `yaml:"freq"`
	Gain unit.DB `yaml:"gain"`
}

// Place is a position or a polarization with its extra loss.
type Place struct {
	Name string  `yaml:"name"`
	Loss unit.DB `yaml:"loss"`
}

// Spur is a residual response.
type Spur struct {
	Freq  unit.Hz  `yaml:"freq"`
	Level unit.DBm `yaml:"level"`
}

// Carrier is somebody else's transmission.
type Carrier struct {
	Name string  `yaml:"name"`
	Freq unit.Hz `yaml:"freq"`
	// Level is at the analyzer's input, in the open.
	Level unit.DBm `yaml:"level"`
	// Kind is "steady", "modulated" (frequency swings by Width) or
	// "intermittent" (on for a random Duty of its slots of length Period).
	Kind   string        `yaml:"kind"`
	Width  unit.Hz       `yaml:"width"`
	Period time.Duration `yaml:"period"`
	Duty   float64       `yaml:"duty"`
}

// Enclosure is a specimen: a shielding effectiveness against frequency.
type Enclosure struct {
	Name  string `yaml:"name"`
	About string `yaml:"about"`
	// Sealed cuts the analyzer's link while the lid is closed.
	Sealed bool `yaml:"sealed"`
	// Curve is straight lines in log frequency. With Slope it may be one point.
	Curve []Shield `yaml:"curve"`
	// Slope continues the curve beyond its ends, in dB per decade.
	Slope unit.DB `yaml:"slope_per_decade"`
	// Least bounds the curve from below, before notches and offsets.
	Least      *unit.DB    `yaml:"least"`
	Resonances []Resonance `yaml:"resonances"`
	Offsets    []Offset    `yaml:"offsets"`
}

// Shield is one point of a shielding effectiveness curve.
type Shield struct {
	Freq unit.Hz `yaml:"freq"`
	SE   unit.DB `yaml:"se"`
}

// Resonance takes Depth off the curve at Freq, half of it at Freq ± Width/2.
type Resonance struct {
	Freq  unit.Hz `yaml:"freq"`
	Depth unit.DB `yaml:"depth"`
	Width unit.Hz `yaml:"width"`
}

// Offset is added to the curve at a position and a polarization; an empty name
// stands for all of them.
type Offset struct {
	Position     string  `yaml:"position"`
	Polarization string  `yaml:"polarization"`
	SE           unit.DB `yaml:"se"`
}

// Enclosure returns the specimen of that name.
func (w *World) Enclosure(name string) (*Enclosure, error) {
	var names []string
	for i := range w.Enclosures {
		if w.Enclosures[i].Name == name {
			return &w.Enclosures[i], nil
		}
		names = append(names, w.Enclosures[i].Name)
	}
	return nil, fmt.Errorf("world %s has no enclosure %q: it has %s", w.Name, name, list(names))
}

func list(names []string) string {
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}

func place(kind string, all []Place, name string) (unit.DB, error) {
	var names []string
	for _, p := range all {
		if p.Name == name {
			return p.Loss, nil
		}
		names = append(names, p.Name)
	}
	if name == "" || len(all) == 0 {
		return 0, nil
	}
	return 0, fmt.Errorf("no %s %q: there are %s", kind, name, list(names))
}

// CheckPlace returns an error if the world does not know the position or the
// polarization. A world that lists none accepts any name, and "" stands for
// no extra loss.
func (w *World) CheckPlace(position, polarization string) error {
	if _, err := place("position", w.Positions, position); err != nil {
		return err
	}
	_, err := place("polarization", w.Polarizations, polarization)
	return err
}

// PathLoss returns the loss from the source's output to the analyzer's input in
// the open. Unknown names count as no extra loss.
func (w *World) PathLoss(f unit.Hz, position, polarization string) unit.DB {
	loss := interpolate(len(w.Path), f, 0, func(i int) (unit.Hz, unit.DB) { return w.Path[i].Freq, w.Path[i].Loss })
	a, _ := place("position", w.Positions, position)
	b, _ := place("polarization", w.Polarizations, polarization)
	return loss + a + b
}

// Flatness returns what the source puts out above the level it is set to.
func (w *World) Flatness(f unit.Hz) unit.DB {
	g := w.Source.Flatness
	return interpolate(len(g), f, 0, func(i int) (unit.Hz, unit.DB) { return g[i].Freq, g[i].Gain })
}

// Reference returns the level at the analyzer's input in the open for a source
// set to level, without drift and leakage.
func (w *World) Reference(f unit.Hz, level unit.DBm, position, polarization string) unit.DBm {
	return level.Add(w.Flatness(f) - w.PathLoss(f, position, polarization))
}

// NoiseDensity returns the analyzer's own noise in 1 Hz of noise bandwidth at
// 0 dB attenuation, kT0 at 290 K times the noise figure.
func (w *World) NoiseDensity() unit.DBm {
	return unit.ThermalNoise(1).Add(w.Analyzer.NoiseFigure)
}

// SE returns the shielding effectiveness at a frequency, position and
// polarization.
func (e *Enclosure) SE(f unit.Hz, position, polarization string) unit.DB {
	se := interpolate(len(e.Curve), f, e.Slope, func(i int) (unit.Hz, unit.DB) { return e.Curve[i].Freq, e.Curve[i].SE })
	if e.Least != nil {
		se = max(se, *e.Least)
	}
	for _, r := range e.Resonances {
		x := float64(f-r.Freq) / (float64(r.Width) / 2)
		se -= r.Depth / unit.DB(1+x*x)
	}
	for _, o := range e.Offsets {
		if (o.Position == "" || o.Position == position) && (o.Polarization == "" || o.Polarization == polarization) {
			se += o.SE
		}
	}
	return se
}

// interpolate runs straight lines in log f through the points, which are in
// rising order, and continues with slope per decade beyond them.
func interpolate(n int, f unit.Hz, slope unit.DB, at func(int) (unit.Hz, unit.DB)) unit.DB {
	if n == 0 {
		return 0
	}
	i := sort.Search(n, func(i int) bool { x, _ := at(i); return x >= f })
	beyond := func(i int) unit.DB {
		x, y := at(i)
		if slope == 0 || f <= 0 {
			return y
		}
		return y + slope*unit.DB(math.Log10(float64(f/x)))
	}
	if i == 0 {
		return beyond(0)
	}
	if i == n {
		return beyond(n - 1)
	}
	x0, y0 := at(i - 1)
	x1, y1 := at(i)
	return y0 + (y1-y0)*unit.DB(math.Log(float64(f/x0))/math.Log(float64(x1/x0)))
}

package virtual

import (
	"math/rand/v2"
	"time"

	"lidded/driver/unit"
)

// Keying is one time during which the source was told to transmit at one
// frequency and level. Simulated times count from the start of the bench.
type Keying struct {
	Freq  unit.Hz       `json:"freq_hz"`
	Level unit.DBm      `json:"level_dbm"`
	Start time.Duration `json:"start_ns"` // simulated
	End   time.Duration `json:"end_ns"`   // simulated, zero while on
	On    time.Time     `json:"on"`       // real
	Off   time.Time     `json:"off"`      // real, zero while on
}

// keyed writes the ledger, under the lock.
func (b *Bench) keyed(on bool, freq, level, now float64) {
	at, real := time.Duration(now*1e9), time.Now()
	if n := len(b.ledger); n > 0 && b.ledger[n-1].Off.IsZero() {
		b.ledger[n-1].End, b.ledger[n-1].Off = at, real
	}
	if on {
		b.ledger = append(b.ledger, Keying{Freq: unit.Hz(freq), Level: unit.DBm(level), Start: at, On: real})
	}
}

// Ledger returns every keying of the source, oldest first.
func (b *Bench) Ledger() []Keying {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]Keying(nil), b.ledger...)
}

// SourceOn tells whether the source's output is on.
func (b *Bench) SourceOn() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.source.on
}

// Truth answers what nobody on a real bench knows. Only tests and
// demonstrations may look.
type Truth struct{ b *Bench }

// Truth returns the bench's truth.
func (b *Bench) Truth() Truth { return Truth{b} }

// SE returns the shielding effectiveness of a specimen.
func (t Truth) SE(specimen, position, polarization string, f unit.Hz) (unit.DB, error) {
	e, err := t.b.world.Enclosure(specimen)
	if err != nil {
		return 0, err
	}
	if err := t.b.world.CheckPlace(position, polarization); err != nil {
		return 0, err
	}
	return e.SE(f, position, polarization), nil
}

// Reference returns the level at the analyzer's input in the open for a source
// set to level, without drift and leakage.
func (t Truth) Reference(f unit.Hz, level unit.DBm, position, polarization string) unit.DBm {
	return t.b.world.Reference(f, level, position, polarization)
}

// NoiseDensity returns the mean noise in 1 Hz of noise bandwidth that the
// analyzer shows now, with its present attenuation and preamplifier, and drift.
func (t Truth) NoiseDensity() unit.DBm {
	b := t.b
	b.mu.Lock()
	defer b.mu.Unlock()
	s := b.analyzer.spec()
	f := b.analyzer.receiver.front(&s, b.clock.now(), nil)
	return unit.DBm(decibel(f.noise / (s.rbw * noiseBandwidth)))
}

// Noise returns the mean noise power that the analyzer shows in a resolution
// bandwidth; the noise bandwidth of its Gaussian filter is 1.0645 times that.
func (t Truth) Noise(rbw unit.Hz) unit.DBm {
	return t.NoiseDensity().Add(unit.PowerRatio(float64(rbw) * noiseBandwidth))
}

// FrequencyOffset returns how far above its set frequency f the source's
// carrier appears on the analyzer now.
func (t Truth) FrequencyOffset(f unit.Hz) unit.Hz {
	b := t.b
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.clock.now()
	return f*unit.Hz((1+b.air.sourceError(now))/(1+b.air.analyzerError(now))) - f
}

// Ambient returns the frequencies of other people's carriers.
func (t Truth) Ambient() []unit.Hz {
	var out []unit.Hz
	for _, a := range t.b.world.Ambient {
		out = append(out, a.Freq)
	}
	return out
}

// World returns the bench's world; it must not be changed.
func (t Truth) World() *World { return t.b.world }

func newRandom(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, mix(seed))) }

package config

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"lidded/sweep"
	"lidded/sweep/emission"
)

// Exposure says what distances are computed with.
type Exposure struct {
	Limits string   `yaml:"limits"`            // name of a table of limits, default 47cfr-1.1310-public
	Ground *float64 `yaml:"ground_reflection"` // power factor: 1 free space, 2.56, 4 full reflection (default)
}

// KeyDown limits how long the source is on.
type KeyDown struct {
	MaxOn      time.Duration `yaml:"max_on"`       // without a break; absent or 0: engine.DefaultMaxOn, longer for slow sweeps, see engine.Rules
	MaxPerRun  time.Duration `yaml:"max_per_run"`  // altogether in a run
	MaxPerHour time.Duration `yaml:"max_per_hour"` // altogether within any hour; a run waits for it
}

// checkEmission checks what may, and what must not, leave the antenna.
func checkEmission(b *Bench, at string, fail func(path, format string, args ...any)) {
	for i, m := range b.MayTransmit {
		p := fmt.Sprintf("%s.may_transmit[%d]", at, i)
		switch {
		case m.From <= 0 || m.To < m.From:
			fail(p, "need from above zero and to at or above from, have %v to %v", m.From, m.To)
		case strings.TrimSpace(m.Basis) == "":
			fail(p, "no basis: say in your own words what gives you the right (licence, authorization, inside a screened room, cabled)")
		}
	}
	never, err := emission.BuiltinNever()
	if err == nil {
		_, err = never.With(b.OverrideNever)
	}
	var wrong *emission.OverrideError
	switch {
	case errors.As(err, &wrong):
		fail(fmt.Sprintf("%s.override_never[%d]", at, wrong.Index), "%v", wrong)
	case err != nil:
		fail(at+".override_never", "%v", err)
	}
	if _, err := emission.BuiltinLimits(b.Exposure.Limits); err != nil {
		fail(at+".exposure.limits", "%v", err)
	}
	if g := b.Exposure.Ground; g != nil && !(*g >= emission.FreeSpace && *g <= emission.FullReflection) {
		fail(at+".exposure.ground_reflection", "%g: need 1 (free space) to 4 (full reflection)", *g)
	}
	if r := b.Radiated; r != nil {
		switch {
		case b.Conducted:
			fail(at+".radiated", "conducted: true says that nothing is radiated: remove radiated, or conducted")
		case r.Cable < 0:
			fail(at+".radiated.cable", "%v: a cable's loss is 0 dB or more; gain goes into amplifier", r.Cable)
		case !(r.AntennaSize >= 0):
			fail(at+".radiated.antenna_size_m", "%g: need 0 or more", r.AntennaSize)
		}
	}
	for _, d := range []struct {
		key string
		v   time.Duration
	}{{"max_on", b.KeyDown.MaxOn}, {"max_per_run", b.KeyDown.MaxPerRun}, {"max_per_hour", b.KeyDown.MaxPerHour}} {
		if d.v < 0 {
			zero := "no limit"
			if d.key == "max_on" {
				zero = "the default"
			}
			fail(at+".key_down."+d.key, "%v: need 0 (%s) or more", d.v, zero)
		}
	}
	if h := b.KeyDown.MaxPerHour; h > time.Hour {
		fail(at+".key_down.max_per_hour", "%v: an hour has no more than 1h0m0s", h)
	}
}

// emit adds to the facts what is known of the bench's emission. What is wrong
// with it has been refused by checkEmission.
func (b Bench) emit(f *sweep.Bench) {
	f.MayTransmit = b.MayTransmit
	if never, err := emission.BuiltinNever(); err == nil {
		f.Never, _ = never.With(b.OverrideNever)
	}
	f.Radiated = b.Radiated
	if limits, err := emission.BuiltinLimits(b.Exposure.Limits); err == nil && !b.Conducted {
		f.Exposure = &emission.Rule{Limits: limits, Ground: emission.FullReflection}
		set(&f.Exposure.Ground, b.Exposure.Ground)
	}
}

package config

import (
	"time"

	"lidded/driver/unit"
)

// Suspend states when a run waits a condition of the bench out, source off. What
// is left out takes the default.
type Suspend struct {
	Floor       *LevelWait       `yaml:"floor"`       // over the point's own earlier floors; default 6 dB, 3 dB
	Drift       *LevelWait       `yaml:"drift"`       // a level taken again after an interruption; default the plan's drift_limit, half of it
	Overload    *Wait            `yaml:"overload"`    // of the input, with the source off
	Temperature *TemperatureWait `yaml:"temperature"` // of the analyzer, where its dialect can ask; default not watched
}

// Wait is how a condition is waited out.
type Wait struct {
	Off     bool          `yaml:"off"`     // not watched
	Settle  time.Duration `yaml:"settle"`  // it has to hold for so long before the run goes on, default 5s
	Every   time.Duration `yaml:"every"`   // looked at so often, default 10s
	Longest time.Duration `yaml:"longest"` // then the run ends, default 30m
}

// LevelWait waits for a difference of levels.
type LevelWait struct {
	Trip   unit.DB `yaml:"trip"`
	Resume unit.DB `yaml:"resume"`
	Wait   `yaml:",inline"`
}

// TemperatureWait waits for an instrument to cool down.
type TemperatureWait struct {
	Trip   float64 `yaml:"trip_celsius"`
	Resume float64 `yaml:"resume_celsius"`
	Wait   `yaml:",inline"`
}

func checkSuspend(s Suspend, at string, fail func(path, format string, args ...any)) {
	times := func(key string, w Wait) {
		for _, d := range []struct {
			key string
			v   time.Duration
		}{{"settle", w.Settle}, {"every", w.Every}, {"longest", w.Longest}} {
			if d.v < 0 {
				fail(at+"."+key+"."+d.key, "%v: a time cannot be negative", d.v)
			}
		}
	}
	level := func(key string, w *LevelWait) {
		if w == nil {
			return
		}
		times(key, w.Wait)
		if w.Trip < 0 || w.Resume < 0 || w.Resume > 0 && w.Resume >= w.Trip {
			fail(at+"."+key, "trip %v and resume %v: resume has to be above 0 dB and below trip, for example {trip: 6 dB, resume: 3 dB}", w.Trip, w.Resume)
		}
	}
	level("floor", s.Floor)
	level("drift", s.Drift)
	if s.Overload != nil {
		times("overload", *s.Overload)
	}
	if w := s.Temperature; w != nil {
		times("temperature", w.Wait)
		if !w.Off && !(w.Trip > 0 && w.Resume > 0 && w.Resume < w.Trip) {
			fail(at+".temperature", "trip_celsius %g and resume_celsius %g: state both, above zero and resume below trip, for example {trip_celsius: 50, resume_celsius: 45}", w.Trip, w.Resume)
		}
	}
}

package virtual

import (
	"time"

	"lidded/driver/virtual/internal/program"
)

// source is the signal source.
type source struct {
	device
	freq, level float64
	on          bool
	settled     float64 // simulated time at which the output is as set
	mod         bool
	timer       float64 // the output's own, in seconds; 0: none
	keyings     int     // so often it went on
}

// lapse switches the output off when its timer has run out.
func (s *source) lapse() {
	s.keyings++
	if s.timer <= 0 {
		return
	}
	b, n := s.bench, s.keyings
	time.AfterFunc(b.clock.real(s.timer), func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		if s.on && s.keyings == n {
			s.on = false
			s.apply()
		}
	})
}

func newSource(b *Bench, t Traits) *source {
	s := &source{device: device{bench: b, role: RoleSource, traits: t}}
	s.remaining = func(now float64) float64 { return s.settled - now }
	s.operation = func(now float64) uint16 {
		if t.SweepBit >= 0 && now < s.settled {
			return 1 << t.SweepBit
		}
		return 0
	}
	s.question = func(float64) uint16 { return 0 }
	s.preset = s.reset
	s.lose = func() {}
	s.common()
	s.commands()
	return s
}

func (s *source) reset() {
	s.freq, s.level, s.on, s.mod = min(100e6, float64(s.bench.world.Source.MaxFreq)), float64(s.bench.world.Source.MinLevel), false, false
	s.freq = max(s.freq, float64(s.bench.world.Source.MinFreq))
	s.bench.air.srcInternal = false
	s.timer = 0
	s.apply()
}

// apply makes the output what the settings say: off at once, on after settling.
func (s *source) apply() {
	b := s.bench
	now := b.clock.now()
	b.air.drop(now)
	was := b.air.at(now)
	if !s.on {
		s.settled = now
		if was.on {
			b.air.change(now, func(sc *scene) { sc.on = false })
		}
		b.keyed(false, s.freq, s.level, now)
		return
	}
	if was.on && was.freq == s.freq && was.level == s.level {
		return
	}
	b.air.change(now, func(sc *scene) { sc.on = false })
	settle := seconds(b.world.Source.Settle)
	s.settled = now + settle
	b.nominal.Settling += b.world.Source.Settle
	freq, level := s.freq, s.level
	b.air.change(s.settled, func(sc *scene) { sc.on, sc.freq, sc.level = true, freq, level })
	b.keyed(true, freq, level, now)
	if b.clock.jumps() {
		b.clock.advance(settle)
	}
	b.tidy(now)
}

func (s *source) commands() {
	b := s.bench
	w := &b.world.Source
	freq := func() program.Range {
		return program.Range{Min: float64(w.MinFreq), Max: float64(w.MaxFreq), Default: 100e6}
	}
	s.number("[SOURce#]:FREQuency[:CW|FIXed]", program.Frequency, freq,
		func() float64 { return s.freq },
		func(v float64) *program.Error { s.freq = v; s.apply(); return nil })
	level := func() program.Range {
		return program.Range{Min: float64(w.MinLevel), Max: float64(w.MaxLevel), Default: float64(w.MinLevel)}
	}
	s.number("[SOURce#]:POWer[:LEVel][:IMMediate][:AMPLitude]", program.Level, level,
		func() float64 { return s.level },
		func(v float64) *program.Error { s.level = v; s.apply(); return nil })
	s.boolean("OUTPut#[:STATe]",
		func() bool { return s.on },
		func(v bool) {
			was := s.on
			if s.on = v; v && !was && !b.clock.jumps() {
				s.lapse()
			}
			s.apply()
		})
	if s.traits.OutputTimer {
		s.number("OUTPut#:TIMer", program.Time, func() program.Range { return program.Range{Min: 0, Max: 3600} },
			func() float64 { return s.timer },
			func(v float64) *program.Error { s.timer = v; return nil })
	}
	s.boolean("OUTPut#:MODulation[:STATe]", func() bool { return s.mod }, func(v bool) { s.mod = v })
	s.choice("[SOURce#]:ROSCillator:SOURce", []string{"INTernal", "EXTernal"},
		func() string { return reference(s.bench.world.SharedReference, s.bench.air.srcInternal) },
		func(v string) *program.Error {
			internal := v == "INTernal"
			if !internal && !s.bench.world.SharedReference {
				return program.Fail(-221, "no external reference")
			}
			s.bench.air.srcInternal = internal
			return nil
		})
	s.choice("UNIT:POWer", []string{"DBM"}, func() string { return "DBM" }, func(string) *program.Error { return nil })
	s.choice("[SOURce#]:FREQuency:MODE", []string{"CW", "FIXed"}, func() string { return "CW" }, func(string) *program.Error { return nil })
	s.choice("[SOURce#]:POWer:MODE", []string{"FIXed"}, func() string { return "FIXed" }, func(string) *program.Error { return nil })
}

// reference names the oscillator in use.
func reference(shared, internal bool) string {
	if shared && !internal {
		return "EXTernal"
	}
	return "INTernal"
}

package instrument

import (
	"context"
	"errors"
	"fmt"
	"time"

	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/scpi"
	"lidded/driver/unit"
)

// Source is the transmitting role.
type Source struct {
	talker
	frequency, level *float64 // last asked for; nil: never
	on               bool     // as last acknowledged, for a source that cannot be asked
}

var (
	_ driver.Source      = (*Source)(nil)
	_ driver.TimedSource = (*Source)(nil)
)

// OpenSource connects to a source, makes it safe (output off and read back as
// off) and puts it into its known state. It tries once; Recover may be called
// on nothing, so a caller that wants to wait tries again.
func OpenSource(ctx context.Context, spec Spec) (*Source, error) {
	if spec.Dialect == nil || spec.Dialect.Role != dialect.Source {
		return nil, wrongRole(spec, dialect.Source)
	}
	s := &Source{}
	s.init(spec)
	err := s.connect(ctx)
	if err == nil {
		s.restarted, s.reported = false, false // nothing was set that could be lost
		err = s.prepare(ctx)
	}
	if err == nil {
		err = s.ask(ctx, s.prepare)
	}
	if err != nil {
		s.drop()
		return nil, err
	}
	return s, nil
}

func wrongRole(spec Spec, want dialect.Role) error {
	e := &driver.Error{Op: "open", Instrument: spec.Name, Kind: driver.KindRefused, Err: errors.New("no dialect is given")}
	if d := spec.Dialect; d != nil {
		e.Err = fmt.Errorf("dialect %s is for role %s, not %s", d.Name, d.Role, want)
	}
	return e
}

// prepare makes a newly connected source safe before anything else, and then
// sets it up; its output stays off.
func (s *Source) prepare(ctx context.Context) error {
	if err := s.safe(ctx); err != nil {
		return err
	}
	if err := s.apply(ctx, s.dialect.Preset); err != nil {
		return err
	}
	if len(s.dialect.Preset) > 0 {
		return s.safe(ctx)
	}
	return nil
}

// Recover implements driver.Instrument.
func (s *Source) Recover(ctx context.Context) error {
	err := s.establish(ctx, func(ctx context.Context) error {
		s.restarted = false // what was lost is set again now
		if err := s.prepare(ctx); err != nil {
			return err
		}
		if s.frequency != nil {
			if _, err := s.set(ctx, dialect.CarrierFrequency, *s.frequency); err != nil {
				return err
			}
		}
		if s.level != nil {
			if _, err := s.set(ctx, dialect.CarrierLevel, *s.level); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil && s.spec.Observer != nil {
		s.spec.Observer.Reconnect(s.spec.Name)
	}
	return err
}

// safe sends the safe state and makes sure of it.
func (s *Source) safe(ctx context.Context) error {
	if err := s.run(ctx, s.dialect.Safe.Send); err != nil {
		return err
	}
	on, err := s.output(ctx, "off")
	switch {
	case err != nil:
		return err
	case on:
		return s.readback(s.dialect.Safe.Send, "the output reads back as on after it was switched off")
	}
	return nil
}

// output asks for the output; a source that cannot be asked has the state last
// acknowledged.
func (s *Source) output(ctx context.Context, expected string) (bool, error) {
	out := s.dialect.Setting(dialect.Output)
	if out.Get.Send == "" {
		s.on = expected == "on"
		return s.on, nil
	}
	state, err := s.choice(ctx, out, expected)
	return state == "on", err
}

func (s *Source) readback(sent []dialect.Command, what string) error {
	command := ""
	if n := len(sent); n > 0 {
		command = sent[n-1].Send
	}
	return s.fail("read back", command, driver.KindReadback, errors.New(what), "", "")
}

// Halt makes the source safe: output off and read back as off. A link that
// fails is dialled anew, as often as Recover does.
func (s *Source) Halt(ctx context.Context) error {
	if s.conn != nil {
		err := s.safe(ctx)
		if err == nil || ctx.Err() != nil {
			return err
		}
	}
	return s.establish(ctx, s.safe)
}

// Ranges implements driver.Instrument.
func (s *Source) Ranges() driver.Range {
	f, l := s.limits[dialect.CarrierFrequency], s.limits[dialect.CarrierLevel]
	return driver.Range{FreqMin: unit.Hz(stated(f.min)), FreqMax: unit.Hz(stated(f.max)),
		LevelMin: unit.DBm(stated(l.min)), LevelMax: unit.DBm(stated(l.max))}
}

// SetFrequency implements driver.Source.
func (s *Source) SetFrequency(ctx context.Context, f unit.Hz) (unit.Hz, error) {
	got, err := s.keep(ctx, dialect.CarrierFrequency, float64(f), &s.frequency)
	return unit.Hz(got), err
}

// SetLevel implements driver.Source.
func (s *Source) SetLevel(ctx context.Context, p unit.DBm) (unit.DBm, error) {
	got, err := s.keep(ctx, dialect.CarrierLevel, float64(p), &s.level)
	return unit.DBm(got), err
}

// keep sets a number and remembers it for Recover, unless it cannot be set.
func (s *Source) keep(ctx context.Context, item dialect.Item, v float64, last **float64) (float64, error) {
	got, err := s.set(ctx, item, v)
	if err == nil || driver.Retryable(err) {
		*last = &v
	}
	return got, err
}

// set sets a number and returns it as read back, or as sent when it cannot be
// asked for.
func (s *Source) set(ctx context.Context, item dialect.Item, v float64) (float64, error) {
	set := s.dialect.Setting(item)
	cmds, sent, err := s.commands(set, v)
	if err != nil {
		return 0, err
	}
	if err := s.apply(ctx, cmds); err != nil {
		return 0, err
	}
	if set.Get.Send == "" {
		return sent, nil
	}
	return s.number(ctx, set)
}

// SetOutput implements driver.Source.
func (s *Source) SetOutput(ctx context.Context, on bool) (bool, error) {
	if !on {
		if err := s.safe(ctx); err != nil {
			return false, err
		}
		return false, s.verify(ctx, s.dialect.Safe.Send[len(s.dialect.Safe.Send)-1].Send)
	}
	// A source that restarted would be keyed at a level nobody asked for.
	if err := s.verify(ctx, "before output on"); err != nil {
		return false, err
	}
	out := s.dialect.Setting(dialect.Output)
	cmds, err := out.Choose("on")
	if err != nil {
		return false, s.fail("set", "", driver.KindDeviceSettings, err, "", "")
	}
	if err := s.apply(ctx, cmds); err != nil {
		return false, err
	}
	got, err := s.output(ctx, "on")
	if err != nil {
		return got, err
	}
	if !got {
		return false, s.readback(cmds, "the output reads back as off after it was switched on")
	}
	return true, nil
}

// Output implements driver.Source.
func (s *Source) Output(ctx context.Context) (bool, error) {
	expected := "off"
	if s.on {
		expected = "on"
	}
	return s.output(ctx, expected)
}

// SetTimer implements driver.TimedSource.
func (s *Source) SetTimer(ctx context.Context, d time.Duration) (bool, error) {
	t := s.dialect.Safe.Timer
	if t == nil {
		return false, nil
	}
	cmds, want := t.Set(d)
	if err := s.apply(ctx, cmds); err != nil {
		return false, err
	}
	reply, err := s.do(ctx, t.Get)
	if err != nil {
		return false, err
	}
	got, err := scpi.ParseNumber(reply)
	if err != nil {
		return false, s.distrust("read back", t.Get, driver.KindFormat, err, string(reply))
	}
	if !(got > 0 && got <= 1.05*want.Seconds()) {
		return false, s.readback(cmds, fmt.Sprintf("the output timer reads back as %g s after it was set to %v", got, want))
	}
	return true, nil
}

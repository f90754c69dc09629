package instrument

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"strings"

	"lidded/driver"
	"lidded/driver/scpi"
)

// verify asks the instrument whether anything went wrong, and whether it has
// restarted, and returns what it finds as an error that names the command.
func (t *talker) verify(ctx context.Context, command string) error {
	entries, err := t.drain(ctx, true)
	if err != nil {
		return err
	}
	if len(entries) > 0 {
		return t.deviceError(command, entries)
	}
	return t.stillUp(command)
}

// stillUp returns an error when the power-on bit has been seen.
func (t *talker) stillUp(command string) error {
	if !t.restarted {
		return nil
	}
	t.reported = false // told now
	return t.fail("verify", command, driver.KindPowerCycled, errors.New("the power-on bit is set"), "", "its settings are lost: recover it, and repeat what was measured since")
}

func (t *talker) deviceError(command string, entries []scpi.DeviceError) error {
	kind, all, cure := driver.KindUnknown, make([]string, len(entries)), ""
	for i, e := range entries {
		all[i] = e.Error()
		if says, help, ok := scpi.Meaning(e.Code); ok {
			all[i] += " (" + says + ")"
			if cure == "" {
				cure = help
			}
		}
		if k := driver.KindOfCode(e.Code); worse(k, kind) {
			kind = k
		}
	}
	hint := cure
	switch kind {
	case driver.KindDeviceDialect:
		hint = fmt.Sprintf("dialect %s does not suit this instrument: %s", t.dialect.Name, cure)
	case driver.KindDeviceDesync:
		t.drop()
	case driver.KindPowerCycled:
		t.restarted, t.reported = true, true
		hint = "its settings are lost: recover it"
	}
	return t.fail("verify", command, kind, errors.New(strings.Join(all, "; ")), "", hint)
}

// worse orders the kinds an error queue may hold by how much they void.
func worse(a, b driver.Kind) bool {
	order := []driver.Kind{driver.KindUnknown, driver.KindDeviceOther, driver.KindDeviceSettings, driver.KindDeviceDialect,
		driver.KindDeviceDesync, driver.KindDeviceHardware, driver.KindPowerCycled}
	rank := func(k driver.Kind) int {
		for i, o := range order {
			if o == k {
				return i
			}
		}
		return 0
	}
	return rank(a) > rank(b)
}

// drain empties the error queue and, if status is true, reads the event
// register for the power-on bit on the way.
func (t *talker) drain(ctx context.Context, status bool) ([]scpi.DeviceError, error) {
	e, event := t.dialect.Errors, t.dialect.Status.Event
	if e.Event.Send != "" {
		if _, err := t.register(ctx, e.Event); err != nil {
			return nil, err
		}
		if e.Event.Send == event.Send {
			status = false
		}
		bits := t.events
		t.events = 0
		if bits != 0 {
			return []scpi.DeviceError{eventError(bits)}, nil
		}
	}
	if e.Query.Send == "" {
		if status && event.Send != "" {
			_, err := t.register(ctx, event)
			return nil, err
		}
		return nil, nil
	}
	first, err := t.firstEntry(ctx, status)
	if err != nil {
		return nil, err
	}
	if e.All {
		entries, err := scpi.ParseErrors(first)
		if err != nil {
			return nil, t.distrust("read errors", e.Query, driver.KindFormat, err, string(first))
		}
		return entries, nil
	}
	var last []byte
	entries, err := scpi.Drain(func() ([]byte, error) {
		if first != nil {
			last, first = first, nil
			return last, nil
		}
		b, err := t.do(ctx, e.Query)
		last = b
		return b, err
	})
	var de *driver.Error
	switch {
	case err == nil:
		return entries, nil
	case errors.As(err, &de):
		return nil, err
	case len(entries) > scpi.MaxDrain-1:
		return nil, t.fail("read errors", e.Query.Send, driver.KindDeviceHardware, err, string(last), "")
	}
	return nil, t.distrust("read errors", e.Query, driver.KindFormat, err, string(last))
}

// firstEntry asks for the first entry of the error queue, together with the
// event register when the instrument takes compound queries: one round trip.
func (t *talker) firstEntry(ctx context.Context, status bool) ([]byte, error) {
	e, event := t.dialect.Errors, t.dialect.Status.Event
	switch {
	case !status || event.Send == "":
		return t.do(ctx, e.Query)
	case t.both.Send == "":
		if _, err := t.register(ctx, event); err != nil {
			return nil, err
		}
		return t.do(ctx, e.Query)
	}
	c := t.both
	if t.pending != "" {
		c.Send, t.pending = t.pending+";"+c.Send, ""
	}
	reply, err := t.do(ctx, c)
	if err != nil {
		return nil, err
	}
	bits, rest, ok := bytes.Cut(reply, []byte{';'})
	if !ok {
		return nil, t.distrust("read errors", t.both, driver.KindFormat, errors.New("one reply to a compound of two queries"), string(reply))
	}
	if _, err := t.registerValue(event, bits); err != nil {
		return nil, err
	}
	return rest, nil
}

// rooted makes a command fit to follow a ';'.
func rooted(command string) string {
	if strings.HasPrefix(command, ":") || strings.HasPrefix(command, "*") {
		return command
	}
	return ":" + command
}

// eventError says in the words of an error queue what an event register says
// (IEEE 488.2 11.5.1.1).
func eventError(bits int) scpi.DeviceError {
	switch {
	case bits&0x20 != 0:
		return scpi.DeviceError{Code: -100, Text: "command error (event register)"}
	case bits&0x10 != 0:
		return scpi.DeviceError{Code: -200, Text: "execution error (event register)"}
	case bits&0x04 != 0:
		return scpi.DeviceError{Code: -420, Text: "query error (event register)"}
	case bits&0x08 != 0:
		return scpi.DeviceError{Code: -300, Text: "device-specific error (event register)"}
	}
	return scpi.DeviceError{Code: bits, Text: "error bits of the event register"}
}

// overloaded asks for the overload bits.
func (t *talker) overloaded(ctx context.Context) (bool, error) {
	s := t.dialect.Status
	if s.Overload.Send == "" {
		return false, nil
	}
	v, err := t.register(ctx, s.Overload)
	return v&s.OverloadMask != 0, err
}

// Temperature asks the instrument for its own temperature, in degrees Celsius;
// false where the dialect cannot ask.
func (t *talker) Temperature(ctx context.Context) (float64, bool, error) {
	s := t.dialect.Status
	if s.Temperature.Send == "" {
		return 0, false, nil
	}
	reply, err := t.do(ctx, s.Temperature)
	if err != nil {
		return 0, false, err
	}
	v, err := scpi.ParseNumber(reply)
	if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
		err = errors.New("no temperature")
	}
	if err != nil {
		return 0, false, t.distrust("read temperature", s.Temperature, driver.KindFormat, err, string(reply))
	}
	return s.Scale.Celsius(v), true, nil
}

// Health asks for overload and power-on. A power-on bit is reported once.
func (t *talker) Health(ctx context.Context) (driver.Health, error) {
	var h driver.Health
	var err error
	if h.Overload, err = t.overloaded(ctx); err != nil {
		return h, err
	}
	if e := t.dialect.Status.Event; e.Send != "" {
		if _, err = t.register(ctx, e); err != nil {
			return h, err
		}
	}
	h.PowerCycled, t.reported = t.reported, false
	return h, nil
}

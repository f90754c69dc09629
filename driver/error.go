package driver

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// Kind says what went wrong with an instrument, in the terms in which the
// layers above decide: try again, fail the point, pause the run, give up.
type Kind int

// The kinds. The Device kinds come from the instrument's own error queue, see
// KindOfCode.
const (
	KindUnknown        Kind = iota
	KindTimeout             // no reply, or not all of it, in time
	KindFraming             // bytes that do not form a reply: truncated, surplus, wrong block
	KindClosed              // the link is gone or was given up
	KindRefused             // the instrument or the device file could not be opened
	KindBusy                // connected but silent: busy with another client?
	KindCancelled           // the caller gave up; says nothing about the instrument
	KindIdentity            // another instrument than expected answers
	KindDeviceDialect       // -1xx: the instrument does not know the command
	KindDeviceSettings      // -221, -222, -224: the value cannot be set
	KindDeviceDesync        // -410, -420, -430, -440: query and reply out of step
	KindDeviceHardware      // -240, -3xx: a fault of the instrument itself
	KindDeviceOther         // any other entry of the error queue
	KindReadback            // a setting reads back as something else
	KindFormat              // a whole reply that cannot be understood
	KindPowerCycled         // the instrument restarted: its settings are void
)

var kindNames = [...]string{
	KindUnknown:        "unknown",
	KindTimeout:        "timeout",
	KindFraming:        "framing",
	KindClosed:         "closed",
	KindRefused:        "refused",
	KindBusy:           "busy",
	KindCancelled:      "cancelled",
	KindIdentity:       "identity",
	KindDeviceDialect:  "device: command not known",
	KindDeviceSettings: "device: setting refused",
	KindDeviceDesync:   "device: out of step",
	KindDeviceHardware: "device: hardware",
	KindDeviceOther:    "device",
	KindReadback:       "read-back",
	KindFormat:         "format",
	KindPowerCycled:    "power cycled",
}

// String returns the kind in words, as it appears in messages.
func (k Kind) String() string {
	if k < 0 || int(k) >= len(kindNames) {
		return kindNames[KindUnknown]
	}
	return kindNames[k]
}

// Error is the one error of this layer. Every field but Kind may be empty.
type Error struct {
	Op         string // what was being done: "dial", "write", "read line"
	Instrument string // the bench's name for the instrument, or its address
	Command    string // the command line the error belongs to
	Reply      string // what the instrument answered, as far as it got
	Kind       Kind
	Hint       string // what the operator can do about it
	Err        error  // the cause
}

// maxShown is how many bytes of a command or a reply a message shows.
const maxShown = 64

// Error returns one line: instrument, operation, command, kind, cause, reply
// and hint. Commands and replies are quoted and shortened.
func (e *Error) Error() string {
	var b strings.Builder
	part := func(s string) {
		if s == "" {
			return
		}
		if b.Len() > 0 {
			b.WriteString(": ")
		}
		b.WriteString(s)
	}
	part(e.Instrument)
	op := e.Op
	if e.Command != "" {
		if op != "" {
			op += " "
		}
		op += Shorten(e.Command)
	}
	part(op)
	part(e.Kind.String())
	if e.Err != nil {
		part(e.Err.Error())
	}
	if e.Reply != "" {
		b.WriteString(" (reply ")
		b.WriteString(Shorten(e.Reply))
		b.WriteByte(')')
	}
	if e.Hint != "" {
		b.WriteString("; ")
		b.WriteString(e.Hint)
	}
	return b.String()
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// Shorten quotes a command or a reply for a message: control characters and
// bytes outside ASCII are escaped, and what is beyond 64 bytes is replaced by
// the full length.
func Shorten(s string) string {
	if len(s) <= maxShown {
		return strconv.QuoteToASCII(s)
	}
	return fmt.Sprintf("%s… (%d bytes)", strconv.QuoteToASCII(s[:maxShown]), len(s))
}

// KindOf returns the kind of the outermost Error in err's chain. A bare
// context error counts as KindCancelled or KindTimeout; anything else, nil
// included, is KindUnknown.
func KindOf(err error) Kind {
	var e *Error
	switch {
	case errors.As(err, &e):
		return e.Kind
	case errors.Is(err, context.Canceled):
		return KindCancelled
	case errors.Is(err, context.DeadlineExceeded):
		return KindTimeout
	}
	return KindUnknown
}

// Retryable reports whether the operation may succeed when it is done again
// on a link that was closed, redialled and set up afresh. It is false when the
// caller cancelled and for everything that would only fail again: a wrong
// command, a refused setting, a hardware fault, another instrument.
func Retryable(err error) bool {
	switch KindOf(err) {
	case KindTimeout, KindFraming, KindClosed, KindRefused, KindBusy,
		KindDeviceDesync, KindFormat, KindPowerCycled:
		return true
	}
	return false
}

// KindOfCode classifies a number from the instrument's error queue (SCPI-99
// vol. 2 ch. 21.8, from memory, check against your copy). -500, power on, is
// KindPowerCycled; positive numbers are device-specific and KindDeviceOther;
// 0, no error, is KindUnknown.
func KindOfCode(code int) Kind {
	switch {
	case code == 0:
		return KindUnknown
	case code <= -100 && code > -200:
		return KindDeviceDialect
	case code == -221, code == -222, code == -224:
		return KindDeviceSettings
	case code == -410, code == -420, code == -430, code == -440:
		return KindDeviceDesync
	case code == -240, code <= -300 && code > -400:
		return KindDeviceHardware
	case code == -500:
		return KindPowerCycled
	}
	return KindDeviceOther
}

package scpi

import (
	"fmt"
	"math"
	"strconv"
)

// Limits of a drain of the error queue.
const (
	MaxDrain      = 64   // reads before the queue counts as endless
	QueueOverflow = -350 // replaces the last entry of a full queue
)

// DeviceError is one entry of an instrument's error queue (SCPI-99 vol. 2,
// ch. 21.8). Code 0 is "no error"; negative codes are standard, positive ones
// the maker's own. driver.KindOfCode classifies the code.
type DeviceError struct {
	Code int
	Text string // with what follows a semicolon, without quotes; may be empty
}

// Error returns code and text, as in `-113, "Undefined header"`.
func (e DeviceError) Error() string {
	if e.Text == "" {
		return "error " + strconv.Itoa(e.Code)
	}
	return fmt.Sprintf("error %d, %q", e.Code, e.Text)
}

// ParseError reads a reply to SYST:ERR?. Only the leading whole number counts:
// `-113,"Undefined header;FOO"`, `+0,"No error"`, `-0`, `0` and
// `-222 Data out of range` are all accepted.
func ParseError(b []byte) (DeviceError, error) {
	s := trim(b)
	i := 0
	if i < len(s) && (s[i] == '-' || s[i] == '+') {
		i++
	}
	digits := i
	for i < len(s) && s[i]-'0' <= 9 {
		i++
	}
	code, err := strconv.ParseInt(string(s[:i]), 10, 64)
	if i == digits || err != nil || code > math.MaxInt32 || code < math.MinInt32 {
		return DeviceError{}, fmt.Errorf("%s is not an error-queue entry: no leading number", show(s))
	}
	rest := trim(s[i:])
	if i < len(s) && s[i] != ',' && !blank(s[i]) && s[i] != '"' && s[i] != ';' && s[i] != ':' {
		return DeviceError{}, fmt.Errorf("%s is not an error-queue entry: %s after the number", show(s), show(s[i:]))
	}
	if len(rest) > 0 && (rest[0] == ',' || rest[0] == ';' || rest[0] == ':') {
		rest = trim(rest[1:])
	}
	text, err := ParseString(rest)
	if err != nil { // a missing or stray quote does not make the entry useless
		text = latin1(rest)
	}
	return DeviceError{Code: int(code), Text: text}, nil
}

// ParseErrors reads a reply to SYST:ERR:ALL?: entries one after the other,
// code and text separated by commas. Entries with code 0 are left out.
func ParseErrors(b []byte) ([]DeviceError, error) {
	var out []DeviceError
	parts := Split(b, ',')
	for i := 0; i < len(parts); {
		e, err := ParseError(parts[i])
		if err != nil {
			return out, err
		}
		i++
		if i < len(parts) && len(parts[i]) > 0 && (parts[i][0] == '"' || parts[i][0] == '\'') {
			if e.Text, err = ParseString(parts[i]); err != nil {
				e.Text = latin1(parts[i])
			}
			i++
		}
		if e.Code != 0 {
			out = append(out, e)
		}
		if len(out) > MaxDrain {
			return out, fmt.Errorf("more than %d entries in the error queue", MaxDrain)
		}
	}
	return out, nil
}

// Drain reads an error queue until it is empty. next asks the instrument for
// one entry (the raw reply). Drain stops at code 0, at a repeated
// QueueOverflow, and after MaxDrain entries, which is an error: an instrument
// that reports the same thing for ever is not in order. The entries read are
// returned in any case.
func Drain(next func() ([]byte, error)) ([]DeviceError, error) {
	var out []DeviceError
	for range MaxDrain {
		b, err := next()
		if err != nil {
			return out, err
		}
		e, err := ParseError(b)
		if err != nil {
			return out, err
		}
		if e.Code == 0 {
			return out, nil
		}
		if e.Code == QueueOverflow && len(out) > 0 && out[len(out)-1].Code == QueueOverflow {
			return out, nil
		}
		out = append(out, e)
	}
	return out, fmt.Errorf("the error queue is not empty after %d entries, the last %w", MaxDrain, out[len(out)-1])
}

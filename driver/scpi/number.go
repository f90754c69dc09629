package scpi

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Special numbers (SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5): 9.91E37 is "not a
// number", ±9.9E37 is infinity. They are recognised by size, since the same
// value sent as REAL,32 arrives as 9.90999953E37.
const (
	special    = 9.8e37
	specialNaN = 9.905e37
)

// standardise replaces the special numbers by NaN and infinities.
func standardise(v float64) float64 {
	a := math.Abs(v)
	switch {
	case !(a >= special) || math.IsInf(v, 0):
		return v
	case a >= specialNaN:
		return math.NaN()
	}
	return math.Inf(int(math.Copysign(1, v)))
}

// ParseNumber reads one numeric reply: NR1, NR2 or NR3 (IEEE 488.2 8.7.2 to
// 8.7.4) with blanks around it, a sign, any number of exponent digits. 9.91E37,
// "NAN" and dashes ("---") give NaN; ±9.9E37, "INF" and "NINF" infinities. A
// decimal comma, a unit or anything else after the number is an error.
func ParseNumber(b []byte) (float64, error) {
	s := trim(b)
	v, n := scanDecimal(s)
	if n == len(s) && n > 0 {
		return standardise(v), nil
	}
	if v, ok := parseWord(s); ok {
		return v, nil
	}
	return 0, numberError(s, n)
}

// ParseInt reads one reply that is a whole number: NR1, or NR2 and NR3 whose
// value is whole, as in "1.001000E+03".
func ParseInt(b []byte) (int64, error) {
	s := trim(b)
	if i, err := strconv.ParseInt(string(s), 10, 64); err == nil {
		return i, nil
	}
	v, err := ParseNumber(s)
	if err != nil {
		return 0, err
	}
	if v != math.Trunc(v) || math.Abs(v) > 1<<53 {
		return 0, fmt.Errorf("%s is not a whole number", show(s))
	}
	return int64(v), nil
}

// ParseBool reads one boolean reply: a number (0 is false, as in SCPI-99
// vol. 1, 7.3) or ON and OFF in any case.
func ParseBool(b []byte) (bool, error) {
	s := trim(b)
	switch {
	case bytes.EqualFold(s, []byte("ON")):
		return true, nil
	case bytes.EqualFold(s, []byte("OFF")):
		return false, nil
	}
	v, err := ParseInt(s)
	if err != nil || v < 0 || v > 1 {
		return false, fmt.Errorf("%s is not a boolean: want 0, 1, ON or OFF", show(s))
	}
	return v == 1, nil
}

// FormatNumber writes v in the shortest form that reads back as the same
// value, without a unit: "1E+09", "-12.5". NaN and infinities are written as
// the special numbers.
func FormatNumber(v float64) string {
	switch {
	case math.IsNaN(v):
		return "9.91E+37"
	case math.IsInf(v, 1):
		return "9.9E+37"
	case math.IsInf(v, -1):
		return "-9.9E+37"
	}
	return strconv.FormatFloat(v, 'G', -1, 64)
}

// FormatBool writes a boolean as "ON" or "OFF".
func FormatBool(v bool) string {
	if v {
		return "ON"
	}
	return "OFF"
}

// parseWord reads the values that are not written as numbers.
func parseWord(s []byte) (float64, bool) {
	switch {
	case bytes.EqualFold(s, []byte("NAN")):
		return math.NaN(), true
	case bytes.EqualFold(s, []byte("INF")), bytes.EqualFold(s, []byte("+INF")), bytes.EqualFold(s, []byte("INFINITY")):
		return math.Inf(1), true
	case bytes.EqualFold(s, []byte("NINF")), bytes.EqualFold(s, []byte("-INF")), bytes.EqualFold(s, []byte("NINFINITY")):
		return math.Inf(-1), true
	}
	if bytes.Count(s, []byte("-")) >= 2 && strings.Trim(string(s), "-.") == "" {
		return math.NaN(), true
	}
	return 0, false
}

// numberError says why s is no number; n bytes of it were one.
func numberError(s []byte, n int) error {
	switch {
	case len(s) == 0:
		return fmt.Errorf("empty reply where a number was expected")
	case n > 0 && s[n] == ',':
		return fmt.Errorf("%s is not a number: a decimal comma, or several values", show(s))
	case n > 0:
		return fmt.Errorf("%s is not a number: %s follows it", show(s), show(s[n:]))
	}
	return fmt.Errorf("%s is not a number", show(s))
}

// trim drops blanks, line ends and NULs on both sides.
func trim(b []byte) []byte {
	for len(b) > 0 && blank(b[0]) {
		b = b[1:]
	}
	for len(b) > 0 && blank(b[len(b)-1]) {
		b = b[:len(b)-1]
	}
	return b
}

func blank(c byte) bool { return c == ' ' || c-'\t' < 5 || c == 0 }

// show quotes a piece of a reply for a message.
func show(b []byte) string {
	const limit = 32
	if len(b) > limit {
		return strconv.QuoteToASCII(string(b[:limit])) + "…"
	}
	return strconv.QuoteToASCII(string(b))
}

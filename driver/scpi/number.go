package scpi

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unsafe"
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

// pow10 holds the powers of ten that a float64 represents exactly.
var pow10 = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// scanDecimal reads the decimal number s begins with and returns it, correctly
// rounded, and its length; length 0 means there is none.
//
// A mantissa below 2^53 scaled by a power of ten up to 22 is one exactly
// rounded operation (W. D. Clinger, "How to read floating point numbers
// accurately", PLDI 1990, doi:10.1145/93542.93557); everything else goes to
// strconv.
func scanDecimal(s []byte) (float64, int) {
	i, n := 0, len(s)
	neg := false
	if i < n && (s[i] == '-' || s[i] == '+') {
		neg = s[i] == '-'
		i++
	}
	var mant uint64
	start := i
	for i < n {
		d := s[i] - '0'
		if d > 9 {
			break
		}
		mant = mant*10 + uint64(d)
		i++
	}
	digits := i - start
	exp := 0
	if i < n && s[i] == '.' {
		i++
		point := i
		for i < n {
			d := s[i] - '0'
			if d > 9 {
				break
			}
			mant = mant*10 + uint64(d)
			i++
		}
		exp = point - i
		digits -= exp
	}
	if digits == 0 {
		return 0, 0
	}
	if i < n && s[i]|0x20 == 'e' {
		j, eneg, e := i+1, false, 0
		if j < n && (s[j] == '-' || s[j] == '+') {
			eneg = s[j] == '-'
			j++
		}
		first := j
		for j < n {
			d := s[j] - '0'
			if d > 9 {
				break
			}
			if e < 1e6 {
				e = e*10 + int(d)
			}
			j++
		}
		if j > first {
			if eneg {
				e = -e
			}
			exp += e
			i = j
		}
	}
	if digits > 19 || mant > 1<<53 || exp < -22 || exp > 22 {
		return slowDecimal(s[:i]), i
	}
	v := float64(mant)
	if exp < 0 {
		v /= pow10[-exp]
	} else {
		v *= pow10[exp]
	}
	if neg {
		v = -v
	}
	return v, i
}

// slowDecimal rounds any well-formed decimal; overflow gives an infinity.
func slowDecimal(s []byte) float64 {
	v, _ := strconv.ParseFloat(unsafe.String(&s[0], len(s)), 64)
	return v
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

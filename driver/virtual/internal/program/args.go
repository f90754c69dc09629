package program

import (
	"math"
	"strconv"
	"strings"
)

// Quantity is the dimension of a numeric parameter; it decides which suffixes
// are accepted (IEEE 488.2 section 7.7.3: "M" is milli except in MHZ).
type Quantity int

// The quantities that the bench's commands take.
const (
	Plain Quantity = iota
	Frequency
	Time
	Level
	Ratio
)

var suffixes = map[Quantity]map[string]float64{
	Plain:     {},
	Frequency: {"HZ": 1, "KHZ": 1e3, "MHZ": 1e6, "MAHZ": 1e6, "GHZ": 1e9},
	Time:      {"S": 1, "MS": 1e-3, "US": 1e-6, "NS": 1e-9, "KS": 1e3},
	Level:     {"DBM": 1},
	Ratio:     {"DB": 1},
}

// Range gives the values of MINimum, MAXimum and DEFault.
type Range struct{ Min, Max, Default float64 }

// Number reads a numeric parameter in base units. Text that is no number gives
// -104, an unknown suffix -131, a suffix where none may stand -138.
func Number(arg string, q Quantity, r Range) (float64, *Error) {
	switch {
	case Is(arg, "MINimum"):
		return r.Min, nil
	case Is(arg, "MAXimum"):
		return r.Max, nil
	case Is(arg, "DEFault"):
		return r.Default, nil
	case arg == "":
		return 0, Fail(-109, "")
	}
	if strings.HasPrefix(arg, "#") {
		return radix(arg)
	}
	end := mantissa(arg)
	v, err := strconv.ParseFloat(arg[:end], 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		if end == 0 {
			return 0, Fail(-104, arg)
		}
		return 0, Fail(-120, arg)
	}
	unit := strings.ToUpper(strings.TrimSpace(arg[end:]))
	if unit == "" {
		return v, nil
	}
	known := suffixes[q]
	if len(known) == 0 {
		return 0, Fail(-138, arg)
	}
	k, ok := known[unit]
	if !ok {
		return 0, Fail(-131, arg)
	}
	return v * k, nil
}

func mantissa(s string) int {
	i := 0
	digits := func() {
		for i < len(s) && (s[i] >= '0' && s[i] <= '9' || s[i] == '.') {
			i++
		}
	}
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	digits()
	if i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		j := i + 1
		if j < len(s) && (s[j] == '+' || s[j] == '-') {
			j++
		}
		if j < len(s) && s[j] >= '0' && s[j] <= '9' {
			i = j
			digits()
		}
	}
	return i
}

func radix(arg string) (float64, *Error) {
	if len(arg) < 3 {
		return 0, Fail(-120, arg)
	}
	base, ok := map[byte]int{'H': 16, 'h': 16, 'Q': 8, 'q': 8, 'B': 2, 'b': 2}[arg[1]]
	if !ok {
		return 0, Fail(-120, arg)
	}
	v, err := strconv.ParseUint(arg[2:], base, 52)
	if err != nil {
		return 0, Fail(-120, arg)
	}
	return float64(v), nil
}

// Bool reads ON, OFF or a number, which is true when it rounds to non-zero.
func Bool(arg string) (bool, *Error) {
	switch {
	case strings.EqualFold(arg, "ON"):
		return true, nil
	case strings.EqualFold(arg, "OFF"):
		return false, nil
	}
	v, err := Number(arg, Plain, Range{})
	if err != nil {
		return false, err
	}
	return math.Round(v) != 0, nil
}

// Is reports whether the character data is exactly the short or the long form
// of the name, whose capitals are the short form.
func Is(arg, name string) bool {
	if strings.EqualFold(arg, name) {
		return true
	}
	short := strings.TrimRightFunc(name, func(r rune) bool { return r >= 'a' && r <= 'z' })
	return short != "" && strings.EqualFold(arg, short)
}

// Short returns the short form of a name, in capitals.
func Short(name string) string {
	return strings.ToUpper(strings.TrimRightFunc(name, func(r rune) bool { return r >= 'a' && r <= 'z' }))
}

// Unquote removes one pair of matching quotes, if there is one.
func Unquote(arg string) string {
	if len(arg) >= 2 && (arg[0] == '"' || arg[0] == '\'') && arg[len(arg)-1] == arg[0] {
		return arg[1 : len(arg)-1]
	}
	return arg
}

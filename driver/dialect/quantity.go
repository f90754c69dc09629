package dialect

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"lidded/driver/scpi"
	"lidded/driver/unit"
)

// Quantity is the kind of value a setting or a placeholder holds.
type Quantity uint8

// The quantities, each with its base unit.
const (
	QuantityUnknown Quantity = iota
	Frequency                // hertz
	Level                    // dBm
	Ratio                    // dB
	Integer
	Seconds
	Boolean // the words "on" and "off"
	Choice  // one of the setting's words
)

var quantityNames = [...]string{"unknown", "frequency", "level", "ratio", "integer", "seconds", "boolean", "choice"}

// String gives the name used in placeholders.
func (q Quantity) String() string {
	if int(q) < len(quantityNames) {
		return quantityNames[q]
	}
	return quantityNames[0]
}

func quantityNamed(name string) Quantity {
	for i, n := range quantityNames {
		if n == name {
			return Quantity(i)
		}
	}
	return QuantityUnknown
}

func (q Quantity) numeric() bool { return q >= Frequency && q <= Seconds }

// dBuV0 is 0 dBm in 50 ohm expressed in decibels above a microvolt:
// 20·log10(sqrt(0.05)/1e-6).
var dBuV0 = 20 * math.Log10(math.Sqrt(50e-3)/1e-6)

// wire is how a value of the base unit is written in another one: v/scale − shift.
type wire struct {
	unit  string // as written in a placeholder
	scale float64
	shift float64
}

var wires = map[Quantity][]wire{
	Frequency: {{"Hz", 1, 0}, {"kHz", 1e3, 0}, {"MHz", 1e6, 0}, {"GHz", 1e9, 0}},
	Level:     {{"dBm", 1, 0}, {"dBuV", 1, -dBuV0}, {"dBmV", 1, 60 - dBuV0}},
	Ratio:     {{"dB", 1, 0}},
	Integer:   {{"", 1, 0}},
	Seconds:   {{"s", 1, 0}, {"ms", 1e-3, 0}, {"us", 1e-6, 0}},
}

func (w wire) toWire(v float64) float64   { return v/w.scale - w.shift }
func (w wire) fromWire(v float64) float64 { return (v + w.shift) * w.scale }

func wireNamed(q Quantity, name string) (wire, bool) {
	for _, w := range wires[q] {
		if strings.EqualFold(w.unit, name) {
			return w, true
		}
	}
	return wire{}, false
}

func wireNames(q Quantity) string {
	var names []string
	for _, w := range wires[q] {
		if w.unit != "" {
			names = append(names, w.unit)
		}
	}
	return strings.Join(names, ", ")
}

// parse reads a value as it is written in a dialect file ("30 MHz", "-10 dBm",
// "10 dB", "1001", "20ms") into the base unit.
func (q Quantity) parse(text string) (float64, error) {
	switch q {
	case Frequency:
		v, err := unit.ParseHz(text)
		return float64(v), err
	case Level:
		v, err := unit.ParseDBm(text)
		return float64(v), err
	case Ratio:
		v, err := unit.ParseDB(text)
		return float64(v), err
	case Integer:
		v, err := strconv.Atoi(strings.TrimSpace(text))
		if err != nil {
			return 0, fmt.Errorf("%q is not a whole number", text)
		}
		return float64(v), nil
	case Seconds:
		d, err := time.ParseDuration(strings.ReplaceAll(text, " ", ""))
		if err != nil {
			return 0, fmt.Errorf("%q is not a time with its unit, for example \"20ms\"", text)
		}
		return d.Seconds(), nil
	}
	return 0, fmt.Errorf("%q: a %s has no numeric value", text, q)
}

// Text writes a value of the base unit for people.
func (q Quantity) Text(v float64) string {
	switch q {
	case Frequency:
		return unit.Hz(v).String()
	case Level:
		return unit.DBm(v).String()
	case Ratio:
		return unit.DB(v).String()
	case Seconds:
		return time.Duration(v * float64(time.Second)).String()
	}
	return plain(v)
}

// parseReply reads a numeric reply: a number in the wire's unit, or with its
// own unit behind it ("1.0E9 HZ"), which then counts.
func (w wire) parseReply(q Quantity, text string) (float64, error) {
	text = strings.TrimSpace(text)
	cut := len(text)
	for cut > 0 && (isLetter(text[cut-1]) || text[cut-1] == '/') {
		cut--
	}
	if cut > 0 && cut < len(text) {
		if own, ok := wireNamed(q, text[cut:]); ok {
			w, text = own, text[:cut]
		}
	}
	v, err := scpi.ParseNumber([]byte(text))
	if err != nil {
		return 0, err
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q is not an ordinary number", text)
	}
	return w.fromWire(v), nil
}

func isLetter(c byte) bool { return c|0x20 >= 'a' && c|0x20 <= 'z' }

// plain writes a number without an exponent and without the noise of the last
// binary digits.
func plain(v float64) string {
	r, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 13, 64), 64)
	if err != nil {
		r = v
	}
	if r == 0 {
		r = 0 // no "-0"
	}
	return strconv.FormatFloat(r, 'f', -1, 64)
}

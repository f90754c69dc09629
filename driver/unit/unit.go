// Package unit holds the physical quantities the whole project speaks in:
// frequency, ratio in decibels, power level in dBm, power in watts.
//
// It owns their arithmetic, so that a level is never added to a level, and the
// parsing of text with a unit ("30 MHz", "-10 dBm"). It depends on the standard
// library alone and does no I/O.
package unit

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Hz is a frequency or a bandwidth in hertz.
type Hz float64

// DB is a ratio of powers in decibels, 10·log10(P1/P2) (IEC 60027-3).
type DB float64

// DBm is a power level in decibels relative to one milliwatt.
// Two levels are never added: Sub gives their ratio, Add applies a ratio.
type DBm float64

// Watt is a power in watts.
type Watt float64

// Missing returns the level that stands for "no value" (a NaN).
func Missing() DBm { return DBm(math.NaN()) }

// IsMissing reports whether the level is a NaN, that is "no value".
func (p DBm) IsMissing() bool { return math.IsNaN(float64(p)) }

// IsFinite reports whether the level is an ordinary number.
func (p DBm) IsFinite() bool { return !math.IsNaN(float64(p)) && !math.IsInf(float64(p), 0) }

// Sub returns the ratio p/q in decibels.
func (p DBm) Sub(q DBm) DB { return DB(float64(p) - float64(q)) }

// Add returns the level changed by the ratio r.
func (p DBm) Add(r DB) DBm { return DBm(float64(p) + float64(r)) }

// Watts converts the level to watts.
func (p DBm) Watts() Watt { return Watt(math.Pow(10, (float64(p)-30)/10)) }

// DBm converts the power to a level; zero watts is minus infinity.
func (w Watt) DBm() DBm { return DBm(10*math.Log10(float64(w)) + 30) }

// Power returns the ratio as a linear power ratio.
func (r DB) Power() float64 { return math.Pow(10, float64(r)/10) }

// Field returns the ratio as a linear field-strength ratio.
func (r DB) Field() float64 { return math.Pow(10, float64(r)/20) }

// PowerRatio returns a linear power ratio in decibels.
func PowerRatio(x float64) DB { return DB(10 * math.Log10(x)) }

// FieldRatio returns a linear field-strength ratio in decibels.
func FieldRatio(x float64) DB { return DB(20 * math.Log10(x)) }

// MeanPower returns the level of the mean power of the finite levels given,
// and how many they were. Decibels are never averaged. With no finite level
// the result is Missing.
func MeanPower(levels []DBm) (DBm, int) {
	var sum float64
	n := 0
	for _, p := range levels {
		if !p.IsFinite() {
			continue
		}
		sum += math.Pow(10, float64(p)/10)
		n++
	}
	if n == 0 {
		return Missing(), 0
	}
	return DBm(10 * math.Log10(sum/float64(n))), n
}

// ThermalNoise returns kTB at 290 K for the noise bandwidth b (ITU-R P.372:
// k = 1.380649e-23 J/K, T0 = 290 K; −173.975 dBm in 1 Hz).
func ThermalNoise(b Hz) DBm {
	return Watt(1.380649e-23 * 290 * float64(b)).DBm()
}

var hzScale = map[string]float64{"hz": 1, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}

// ParseHz reads a frequency with its unit, such as "30 MHz". The unit is
// required; "0" alone is allowed.
func ParseHz(s string) (Hz, error) {
	v, u, err := split(s)
	if err != nil {
		return 0, err
	}
	if u == "" && v == 0 {
		return 0, nil
	}
	k, ok := hzScale[strings.ToLower(u)]
	if !ok {
		return 0, wrongUnit(s, u, "Hz, kHz, MHz or GHz", "30 MHz")
	}
	return Hz(v * k), nil
}

// ParseDBm reads a power level with its unit, such as "-10 dBm".
func ParseDBm(s string) (DBm, error) {
	v, u, err := split(s)
	if err != nil {
		return 0, err
	}
	if !strings.EqualFold(u, "dBm") {
		return 0, wrongUnit(s, u, "dBm", "-10 dBm")
	}
	return DBm(v), nil
}

// ParseDB reads a ratio with its unit, such as "80 dB".
func ParseDB(s string) (DB, error) {
	v, u, err := split(s)
	if err != nil {
		return 0, err
	}
	if !strings.EqualFold(u, "dB") {
		return 0, wrongUnit(s, u, "dB", "80 dB")
	}
	return DB(v), nil
}

func wrongUnit(s, u, want, example string) error {
	if u == "" {
		return fmt.Errorf("%q has no unit: write it in %s, for example %q", s, want, example)
	}
	return fmt.Errorf("%q has the wrong unit %q: write it in %s, for example %q", s, u, want, example)
}

func split(s string) (float64, string, error) {
	t := strings.TrimSpace(s)
	end := len(t)
	for i, r := range t {
		if (r >= '0' && r <= '9') || r == '.' || r == '-' || r == '+' {
			continue
		}
		if (r == 'e' || r == 'E') && i > 0 && i+1 < len(t) && strings.ContainsRune("0123456789+-", rune(t[i+1])) {
			continue
		}
		end = i
		break
	}
	v, err := strconv.ParseFloat(t[:end], 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, "", fmt.Errorf("%q is not a number with a unit", s)
	}
	return v, strings.TrimSpace(t[end:]), nil
}

// String prints the frequency with the largest prefix that keeps it at or above one.
func (f Hz) String() string {
	v := float64(f)
	a := math.Abs(v)
	switch {
	case a >= 1e9:
		return trim(v/1e9) + " GHz"
	case a >= 1e6:
		return trim(v/1e6) + " MHz"
	case a >= 1e3:
		return trim(v/1e3) + " kHz"
	}
	return trim(v) + " Hz"
}

func trim(v float64) string {
	return strconv.FormatFloat(math.Round(v*1e6)/1e6, 'f', -1, 64)
}

// String prints the ratio with one decimal and its unit.
func (r DB) String() string { return strconv.FormatFloat(float64(r), 'f', 1, 64) + " dB" }

// Tenths is the ratio rounded to tenths of a decibel; what rounds to nothing has no
// sign.
func (r DB) Tenths() float64 { return math.Round(10*float64(r))/10 + 0 }

// String prints the level with one decimal and its unit, or "no value".
func (p DBm) String() string {
	if p.IsMissing() {
		return "no value"
	}
	return strconv.FormatFloat(float64(p), 'f', 1, 64) + " dBm"
}

// MarshalJSON writes the number of decibels above a milliwatt; JSON has no NaN
// or infinity, so these become null.
func (p DBm) MarshalJSON() ([]byte, error) { return number(float64(p)), nil }

// UnmarshalJSON reads what MarshalJSON writes; null is Missing.
func (p *DBm) UnmarshalJSON(text []byte) error {
	v, err := fromNumber(text)
	*p = DBm(v)
	return err
}

// MarshalJSON writes the number of decibels; NaN and infinity become null.
func (r DB) MarshalJSON() ([]byte, error) { return number(float64(r)), nil }

// UnmarshalJSON reads what MarshalJSON writes; null is a NaN.
func (r *DB) UnmarshalJSON(text []byte) error {
	v, err := fromNumber(text)
	*r = DB(v)
	return err
}

func number(v float64) []byte {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return []byte("null")
	}
	return strconv.AppendFloat(nil, v, 'g', -1, 64)
}

func fromNumber(text []byte) (float64, error) {
	if string(text) == "null" {
		return math.NaN(), nil
	}
	v, err := strconv.ParseFloat(string(text), 64)
	if err != nil {
		return 0, fmt.Errorf("%s is not a number of decibels", text)
	}
	return v, nil
}

// UnmarshalYAML reads "30 MHz".
func (f *Hz) UnmarshalYAML(get func(any) error) error { return fromText(get, f, ParseHz) }

// UnmarshalYAML reads "-10 dBm".
func (p *DBm) UnmarshalYAML(get func(any) error) error { return fromText(get, p, ParseDBm) }

// UnmarshalYAML reads "80 dB".
func (r *DB) UnmarshalYAML(get func(any) error) error { return fromText(get, r, ParseDB) }

// MarshalYAML writes what UnmarshalYAML reads, without loss.
func (f Hz) MarshalYAML() (any, error) { return exact(float64(f)) + " Hz", nil }

// MarshalYAML writes what UnmarshalYAML reads, without loss.
func (p DBm) MarshalYAML() (any, error) { return exact(float64(p)) + " dBm", nil }

// MarshalYAML writes what UnmarshalYAML reads, without loss.
func (r DB) MarshalYAML() (any, error) { return exact(float64(r)) + " dB", nil }

func exact(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

func fromText[T any](get func(any) error, to *T, parse func(string) (T, error)) error {
	var s string
	if err := get(&s); err != nil {
		return err
	}
	v, err := parse(s)
	if err != nil {
		return err
	}
	*to = v
	return nil
}

package export

import (
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"lidded/driver/unit"
)

// An empty cell is a value that is not there.

// rounded writes a computed level or ratio to 0.001 dB.
func rounded[T ~float64](v T) string {
	if !isNumber(v) {
		return ""
	}
	s := strconv.FormatFloat(float64(v), 'f', 3, 64)
	if s == "-0.000" {
		return "0.000"
	}
	return s
}

// Limits are rounded to the safe side, a lower one down and an upper one up. The
// hair keeps a decimal number from moving because it has no exact binary form.
const hair = 1e-6

func atLeast[T ~float64](v T) string { return rounded(math.Floor(float64(v)*1000+hair) / 1000) }

func atLeastOr[T ~float64](p *T) string {
	if p == nil {
		return ""
	}
	return atLeast(*p)
}

func atMost[T ~float64](v T) string { return rounded(math.Ceil(float64(v)*1000-hair) / 1000) }

func isNumber[T ~float64](v T) bool { return !math.IsNaN(float64(v)) && !math.IsInf(float64(v), 0) }

func roundedOr[T ~float64](p *T) string {
	if p == nil {
		return ""
	}
	return rounded(*p)
}

// exact writes a number as it is, without an exponent.
func exact[T ~float64](v T) string {
	if !isNumber(v) {
		return ""
	}
	return strconv.FormatFloat(float64(v), 'f', -1, 64)
}

func exactOr[T ~float64](p *T) string {
	if p == nil {
		return ""
	}
	return exact(*p)
}

// known writes a quantity whose zero means that it is not known.
func known[T ~float64](v T) string {
	if v == 0 {
		return ""
	}
	return exact(v)
}

// axis writes a computed frequency to 0.001 Hz.
func axis(f unit.Hz) string { return exact(math.Round(float64(f)*1000) / 1000) }

func whole(n int) string { return strconv.Itoa(n) }

func yes(b bool) string { return strconv.FormatBool(b) }

func seconds(d time.Duration) string { return exact(d.Seconds()) }

func knownSeconds(d time.Duration) string { return known(d.Seconds()) }

func moment(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339Nano)
}

// Text makes a text safe for a spreadsheet: one that it would run as a formula
// (it begins with =, +, -, @, their full-width forms, a tab or a line end) gets an
// apostrophe in front (OWASP, "CSV Injection"). All other text is written as it
// is. Numbers are no text: a level begins with its minus sign.
//
// Names in a config cannot begin like this; names of an imported file and what an
// instrument says can, and a rule here covers journals written before any rule.
func Text(s string) string {
	first, _ := utf8.DecodeRuneInString(s)
	if s != "" && strings.ContainsRune("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20", first) {
		return "'" + s
	}
	return s
}

// token makes one word of a name: "falls short" becomes falls_short.
func token(name interface{ String() string }) string {
	return strings.ReplaceAll(name.String(), " ", "_")
}

// Package plain says decibels in plain words: what a box lets in of a field and of
// its power, and what that means for a requirement or a pulse.
//
// It owns the words and their rounding, which never flatters a box: what is left is
// rounded up. The arithmetic is 20·log10 for fields and 10·log10 for powers.
package plain

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"lidded/driver/unit"
	"lidded/sweep"
)

// Field is how many times a field is weakened by so many decibels: 10^(dB/20).
func Field(d unit.DB) float64 { return math.Pow(10, float64(d)/20) }

// Power is how many times a power is weakened: 10^(dB/10).
func Power(d unit.DB) float64 { return math.Pow(10, float64(d)/10) }

// Rule is the round-number rule, with its caution.
const Rule = "20 dB is ten times less of a field and a hundred times less of its power; 6 dB is half the field. Say which is meant: the same decibels are two different fractions."

// Left is what is left of an incoming field, "1/100 of the field, 1/10,000 of the
// power". Where more gets out than in, it says so.
func Left(d unit.DB) string {
	switch v := float64(d); {
	case math.IsNaN(v):
		return "nothing is known of what gets in"
	case math.IsInf(v, 1):
		return "nothing of the field"
	case v < -0.05:
		return fmt.Sprintf("%s times the field that comes in, %s times its power: a resonance, or a fault of the set-up", rounded(1/Field(d)), rounded(1/Power(d)))
	case v < 0.05:
		return "all of the field and of its power"
	case v < 6:
		return fmt.Sprintf("%.0f %% of the field, %.0f %% of the power", math.Ceil(100/Field(d)), math.Ceil(100/Power(d)))
	}
	return fmt.Sprintf("1/%s of the field, 1/%s of the power", rounded(Field(d)), rounded(Power(d)))
}

// Sentence says what an SE lets in: of a value about so much, of a bound at most.
func Sentence(se sweep.SE) string {
	switch se.Relation {
	case sweep.Equal:
		return "about " + Left(se.Value) + " gets in"
	case sweep.AtLeastRelation:
		return "at most " + Left(se.Value) + " gets in"
	}
	return "nothing can be said of what gets in"
}

// Summary says of a specimen, at its weakest frequency, what gets in, and what was
// asked for.
func Summary(s sweep.Summary) string {
	if s.Lowest == nil {
		return "Nothing can be said of what gets in."
	}
	out := fmt.Sprintf("At its weakest frequency, %v, %s", s.Lowest.Freq, Sentence(s.Lowest.SE))
	if s.Lowest.Required != nil {
		out += fmt.Sprintf("; the requirement allows %s", Left(*s.Lowest.Required))
	}
	return out + "."
}

// Pulse says what peak remains of a pulse with a peak in volts per metre, if it were
// weakened by so much at all frequencies.
func Pulse(d unit.DB, peak float64) string {
	return fmt.Sprintf("%s V/m of %s V/m remain if the box weakens all frequencies alike; a pulse has many, and the weakest rules", rounded(peak/Field(d)), rounded(peak))
}

// rounded writes a number with two digits that count, and commas; never a larger
// fraction than it is: 1/99 for 99.9.
func rounded(v float64) string {
	if v <= 0 || math.IsInf(v, 0) || math.IsNaN(v) {
		return strconv.FormatFloat(v, 'g', 2, 64)
	}
	e := math.Floor(math.Log10(v))
	step := math.Pow(10, e-1)
	v = math.Floor(v/step+1e-6) * step
	if v < 10 {
		return strconv.FormatFloat(v, 'f', 1, 64)
	}
	s := strconv.FormatFloat(v, 'f', 0, 64)
	if len(s) > 15 {
		return strconv.FormatFloat(v, 'e', 0, 64)
	}
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// Kind says whether a fraction is one of a field or of a power.
type Kind uint8

// The kinds.
const (
	OfField Kind = iota
	OfPower
)

// Parse reads decibels ("37", "37 dB", "-3 dB") or what is left ("1/100", "0.01",
// "1 %"), which needs its kind. decibels says that the first was meant: a plain number
// of at least 1, or with dB.
func Parse(text string, kind Kind) (d unit.DB, decibels bool, err error) {
	s := strings.ReplaceAll(strings.TrimSpace(strings.ToLower(text)), ",", "")
	if v, ok := strings.CutSuffix(s, "db"); ok {
		n, err := strconv.ParseFloat(strings.TrimSpace(v), 64)
		return checked(n, true, text, err)
	}
	fraction := -1.0
	if v, ok := strings.CutSuffix(s, "%"); ok {
		n, err := strconv.ParseFloat(strings.TrimSpace(v), 64)
		if err != nil {
			return checked(0, false, text, err)
		}
		fraction = n / 100
	} else if a, b, ok := strings.Cut(s, "/"); ok {
		x, err1 := strconv.ParseFloat(strings.TrimSpace(a), 64)
		y, err2 := strconv.ParseFloat(strings.TrimSpace(b), 64)
		if err1 != nil || err2 != nil || y == 0 {
			return checked(0, false, text, strconv.ErrSyntax)
		}
		fraction = x / y
	} else {
		n, err := strconv.ParseFloat(s, 64)
		if err != nil || math.IsNaN(n) || n <= 0 || n >= 1 {
			return checked(n, true, text, err)
		}
		fraction = n
	}
	if !(fraction > 0) || math.IsInf(fraction, 0) {
		return 0, false, fmt.Errorf("%q: what is left is more than nothing: write 1/100, 1 %% or 0.01", text)
	}
	n := -20 * math.Log10(fraction)
	if kind == OfPower {
		n /= 2
	}
	return checked(n, false, text, nil)
}

// most is the most decibels that mean anything here: no box is known by more.
const most = 400

func checked(n float64, decibels bool, text string, err error) (unit.DB, bool, error) {
	switch {
	case err != nil || math.IsNaN(n):
		return 0, decibels, fmt.Errorf("%q: write decibels (37 dB) or what is left (1/100, 1 %%, 0.01)", text)
	case math.Abs(n) > most:
		return 0, decibels, fmt.Errorf("%q: beyond %d dB nothing is measured and nothing is left", text, most)
	}
	return unit.DB(n), decibels, nil
}

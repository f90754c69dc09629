package handread

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"lidded/driver/unit"
	"lidded/sweep"
)

// What a column can hold.
type quantity int

const (
	frequency quantity = iota
	state
	level
	noiseFloor
	specimen
	position
	polarization
	quantities
)

// A header is a name that a column may have; scale is the unit that the name
// gives the numbers, zero where each cell brings its own.
type header struct {
	name  string
	what  quantity
	scale float64
}

var headers = []header{
	{"freq_hz", frequency, 1}, {"freq_khz", frequency, 1e3}, {"freq_mhz", frequency, 1e6}, {"freq_ghz", frequency, 1e9}, {"frequency", frequency, 0},
	{"state", state, 0},
	{"level_dbm", level, 1}, {"level", level, 0},
	{"noise_floor_dbm", noiseFloor, 1}, {"noise_floor", noiseFloor, 0},
	{"specimen", specimen, 0}, {"position", position, 0}, {"polarization", polarization, 0},
}

// required are the columns that no file can do without, by their usual name.
var required = []struct {
	what quantity
	name string
}{{frequency, "freq_mhz"}, {state, "state"}, {level, "level_dbm"}, {noiseFloor, "noise_floor_dbm"}}

func headerNames() string {
	var names []string
	for _, h := range headers {
		names = append(names, h.name)
	}
	return strings.Join(names, ", ")
}

// findHeader finds a column by its name, in any case. Where there is none the
// error says what is wrong with the name.
func findHeader(name string) (header, error) {
	clean := strings.ToLower(strings.TrimSpace(name))
	i := slices.IndexFunc(headers, func(h header) bool { return h.name == clean })
	if i >= 0 {
		return headers[i], nil
	}
	for _, of := range []struct{ start, cure string }{
		{"freq", "use freq_hz, freq_khz, freq_mhz or freq_ghz, or frequency with the unit in each cell"},
		{"level", "levels are in dBm: use level_dbm (0 dBm is 107 dBµV in 50 Ω), or level with the unit in each cell"},
		{"noise", "levels are in dBm: use noise_floor_dbm (0 dBm is 107 dBµV in 50 Ω), or noise_floor with the unit in each cell"},
	} {
		if strings.HasPrefix(clean, of.start) {
			return header{}, fmt.Errorf("unknown column %q: %s", name, of.cure)
		}
	}
	return header{}, fmt.Errorf("unknown column %q: known are %s", name, headerNames())
}

// Levels that a receiver can show. Thermal noise in 1 Hz is -174 dBm.
const (
	lowest  = unit.DBm(-200)
	highest = unit.DBm(50)
)

// parseLevel reads a cell of a level or noise-floor column.
func (h header) parseLevel(cell string) (unit.DBm, error) {
	var p unit.DBm
	if h.scale == 0 {
		if err := commaIn(cell); err != nil {
			return 0, err
		}
		var err error
		if p, err = unit.ParseDBm(cell); err != nil {
			return 0, err
		}
	} else {
		v, err := number(cell, "dBm", "-40.5")
		if err != nil {
			return 0, err
		}
		p = unit.DBm(v)
	}
	switch {
	case p > highest:
		return 0, fmt.Errorf("%v is more than an analyzer stands: if it was read in dBµV, subtract 107 dB (50 Ω)", p)
	case p < lowest:
		return 0, fmt.Errorf("%v is below any noise: write the marker's reading in dBm", p)
	}
	return p, nil
}

// parseFreq reads a cell of a frequency column, to a thousandth of a hertz.
func (h header) parseFreq(cell string) (unit.Hz, error) {
	var f unit.Hz
	if h.scale == 0 {
		if err := commaIn(cell); err != nil {
			return 0, err
		}
		var err error
		if f, err = unit.ParseHz(cell); err != nil {
			return 0, err
		}
	} else {
		v, err := number(cell, strings.TrimPrefix(h.name, "freq_"), "433.92")
		if err != nil {
			return 0, err
		}
		f = unit.Hz(v * h.scale)
	}
	f = unit.Hz(math.Round(float64(f)*1000) / 1000)
	if !(f >= 1) || f > 1e12 {
		return 0, fmt.Errorf("%v is no frequency of a sweep: write one from 1 Hz to 1 THz; is the column's unit right?", f)
	}
	return f, nil
}

// number reads a bare number; the unit stands in the column's name.
func number(cell, unitName, example string) (float64, error) {
	text := strings.TrimSpace(cell)
	if text == "" {
		return 0, fmt.Errorf("empty: write a number in %s, such as %s", unitName, example)
	}
	if err := commaIn(text); err != nil {
		return 0, err
	}
	text = strings.Replace(text, "\u2212", "-", 1) // the minus sign of spreadsheets and documents
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || strings.ContainsAny(text, "xXpP_") || math.IsNaN(v) || math.IsInf(v, 0) {
		if i := strings.IndexFunc(text, isLetter); i > 0 {
			return 0, fmt.Errorf("%q is not a bare number: the column's name gives the unit (%s), write the number alone, such as %s", cell, unitName, example)
		}
		return 0, fmt.Errorf("%q is not a number: write one in %s, such as %s", cell, unitName, example)
	}
	return v, nil
}

func isLetter(r rune) bool {
	return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r == 'µ' || r == 'μ'
}

func commaIn(cell string) error {
	if strings.Contains(cell, ",") {
		return fmt.Errorf("%q has a decimal comma: write a decimal point, such as 40.5", cell)
	}
	return nil
}

var states = []sweep.StepKind{sweep.Ambient, sweep.Reference, sweep.Enclosed, sweep.Closing}

func parseState(cell string) (sweep.StepKind, error) {
	text := strings.ToLower(strings.TrimSpace(cell))
	var names []string
	for _, k := range states {
		if k.String() == text {
			return k, nil
		}
		names = append(names, k.String())
	}
	return 0, fmt.Errorf("unknown state %q: write one of %s", cell, strings.Join(names, ", "))
}

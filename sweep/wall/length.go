package wall

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Metre is a length in metres. In files it is written with its unit: "16 µm",
// "0.8 mm", "30 cm", "0.6 m", "15 mil" or "1 in".
type Metre float64

var lengthUnits = []struct {
	name  string
	metre float64
}{
	{"µm", 1e-6}, {"μm", 1e-6}, {"um", 1e-6}, {"mm", 1e-3}, {"cm", 1e-2},
	{"mil", metrePerMil}, {"in", metrePerIn}, {"m", 1},
}

// ParseMetre reads a length with its unit. The unit is required.
func ParseMetre(s string) (Metre, error) {
	t := strings.TrimSpace(s)
	for _, u := range lengthUnits {
		num, ok := strings.CutSuffix(t, u.name)
		if !ok {
			continue
		}
		v, err := strconv.ParseFloat(strings.TrimSpace(num), 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return 0, fmt.Errorf("%q is not a length: write a number and a unit, for example \"0.8 mm\"", s)
		}
		return Metre(v * u.metre), nil
	}
	return 0, fmt.Errorf("%q has no unit of length: write it in µm, mm, cm, m, mil or in, for example \"0.8 mm\"", s)
}

// UnmarshalText reads what ParseMetre reads.
func (m *Metre) UnmarshalText(b []byte) error {
	v, err := ParseMetre(string(b))
	if err != nil {
		return err
	}
	*m = v
	return nil
}

// MarshalText writes the length in metres, without loss.
func (m Metre) MarshalText() ([]byte, error) {
	return []byte(strconv.FormatFloat(float64(m), 'g', -1, 64) + " m"), nil
}

// String prints the length with three digits in the unit that suits its size.
func (m Metre) String() string {
	v, a := float64(m), math.Abs(float64(m))
	switch {
	case a == 0:
		return "0 m"
	case a < 1e-3:
		return strconv.FormatFloat(v*1e6, 'g', 3, 64) + " µm"
	case a < 1:
		return strconv.FormatFloat(v*1e3, 'g', 3, 64) + " mm"
	}
	return strconv.FormatFloat(v, 'g', 3, 64) + " m"
}

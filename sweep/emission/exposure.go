package emission

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"

	"lidded/driver/unit"
)

const (
	// impedance of free space in ohm, 119.9169832·π (SI 2019 value 376.730 313 668).
	freeSpaceOhms = 376.730313668
	lightSpeed    = 299792458.0 // m/s
)

// Gain is an antenna's gain over an isotropic radiator, in dBi.
type Gain float64

// dipoleGain is what dBd refers to: the gain of a half-wave dipole, 1.64 or 2.15 dBi.
const dipoleGain = 2.15

// ParseGain reads "2 dBi" or, over a half-wave dipole, "0 dBd". A bare dB does
// not say over what, and is refused.
func ParseGain(text string) (Gain, error) {
	t := strings.TrimSpace(text)
	number := strings.TrimRightFunc(t, unicode.IsLetter)
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q is not an antenna gain: write it in dBi, for example \"2 dBi\"", text)
	}
	switch strings.ToLower(t[len(number):]) {
	case "dbi":
		return Gain(v), nil
	case "dbd":
		return Gain(v + dipoleGain), nil
	}
	return 0, fmt.Errorf("%q does not say over what: write dBi (over isotropic) or dBd (over a dipole), for example \"2 dBi\"", text)
}

// UnmarshalYAML reads what ParseGain reads.
func (g *Gain) UnmarshalYAML(get func(any) error) error {
	var s string
	if err := get(&s); err != nil {
		return err
	}
	v, err := ParseGain(s)
	if err == nil {
		*g = v
	}
	return err
}

// String gives the gain in dBi.
func (g Gain) String() string { return strconv.FormatFloat(float64(g), 'f', 1, 64) + " dBi" }

// Chain is what stands between the source's output and the air, as stated.
type Chain struct {
	Amplifier   unit.DB `json:"amplifier_db" yaml:"amplifier"` // gain; negative for a pad
	Cable       unit.DB `json:"cable_loss_db" yaml:"cable"`    // loss, 0 or more
	AntennaGain Gain    `json:"antenna_gain_dbi" yaml:"antenna_gain"`
	AntennaSize float64 `json:"antenna_size_m,omitempty" yaml:"antenna_size_m"` // largest dimension in m, for the far field; 0: not stated
}

// EIRP is what an isotropic antenna would have to radiate for the same field in
// the main lobe, with the source at level.
func (c Chain) EIRP(level unit.DBm) unit.DBm {
	return level.Add(c.Amplifier - c.Cable + unit.DB(c.AntennaGain))
}

// The ground-reflection factors of OET Bulletin 65 (from memory, check against
// your copy): by how much reflection may raise the power density.
const (
	FreeSpace      = 1.0  // none
	TypicalGround  = 2.56 // field up by 1.6, the EPA's figure
	FullReflection = 4.0  // field doubled: the worst case, and the default
)

// Density is the power density in W/m² at d metres from the antenna,
// S = G·EIRP/(4π·d²) (OET Bulletin 65, from memory). It holds in the far field.
func Density(eirp unit.DBm, d, ground float64) float64 {
	return ground * float64(eirp.Watts()) / (4 * math.Pi * d * d)
}

// Field is the electric field in V/m at d metres, E² = 377·S.
func Field(eirp unit.DBm, d, ground float64) float64 {
	return math.Sqrt(freeSpaceOhms * Density(eirp, d, ground))
}

// Distance is where the power density has fallen to s W/m²,
// d = √(G·EIRP/(4π·S)), in m.
func Distance(eirp unit.DBm, s, ground float64) float64 {
	return math.Sqrt(ground * float64(eirp.Watts()) / (4 * math.Pi * s))
}

// FarField is where the formulas begin to hold: the larger of λ/2π (the reactive
// near field of a small antenna) and 2D²/λ (the far field of one of size D), in m.
func FarField(f unit.Hz, size float64) float64 {
	lambda := lightSpeed / float64(f)
	return max(lambda/(2*math.Pi), 2*size*size/lambda)
}

// Rule is the limit table and ground reflection that distances are computed with.
type Rule struct {
	Limits Limits  `json:"limits"`
	Ground float64 `json:"ground_reflection"`
}

// Exposure is what the arithmetic gives for one frequency and level.
type Exposure struct {
	Freq unit.Hz  `json:"freq_hz"`
	EIRP unit.DBm `json:"eirp_dbm"`
	// FieldAt1m is the electric field 1 m away in V/m, by the far-field formula.
	FieldAt1m float64 `json:"field_at_1m_v_per_m"`
	// Limit is the power density in W/m² that the table's limit comes to in a
	// plane wave, the strictest of its E, H and S; nil where the table has none.
	Limit *float64 `json:"limit_w_per_m2,omitempty"`
	// Distance is where the limit is reached, in m; 0 where there is none.
	Distance float64 `json:"distance_m"`
	// FarField is where the formula begins to hold, in m.
	FarField float64 `json:"far_field_m"`
}

// NearField reports whether the distance lies where the formula does not hold.
func (e Exposure) NearField() bool { return e.Limit != nil && e.Distance < e.FarField }

// KeepAway is the distance from which on the formula both holds and gives less
// than the limit, in m; 0 where the table has no limit.
func (e Exposure) KeepAway() float64 {
	if e.Limit == nil {
		return 0
	}
	return max(e.Distance, e.FarField)
}

// Expose computes distances for a carrier at f with the source at level.
func (r Rule) Expose(c Chain, f unit.Hz, level unit.DBm) Exposure {
	eirp := c.EIRP(level)
	e := Exposure{Freq: f, EIRP: eirp, FieldAt1m: Field(eirp, 1, r.Ground), FarField: FarField(f, c.AntennaSize)}
	if s, ok := r.Limits.Density(f); ok {
		e.Limit = &s
		e.Distance = Distance(eirp, s, r.Ground)
	}
	return e
}

// Widest is the index of the exposure with the largest distance, -1 for none
// with a limit.
func Widest(list []Exposure) int {
	best := -1
	for i, e := range list {
		if e.Limit != nil && (best < 0 || e.Distance > list[best].Distance) {
			best = i
		}
	}
	return best
}

// Caution is the sentence for people about to work near the antenna, from the
// exposures of a whole plan. It is arithmetic, and says so.
func (r Rule) Caution(list []Exposure) string {
	i := Widest(list)
	if i < 0 {
		return fmt.Sprintf("Exposure: %s has no limit at these frequencies, so no distance is computed: ask a competent person.", r.Limits.Title)
	}
	w := list[i]
	text := fmt.Sprintf("Computed distance from the transmitting antenna: at least %s (largest, at %v with EIRP %v; %s; ground reflection factor %g).",
		metres(w.Distance), w.Freq, w.EIRP, r.Limits.Title, r.Ground)
	far, where, near := 0.0, unit.Hz(0), false
	missing := false
	for _, e := range list {
		missing = missing || e.Limit == nil
		if e.NearField() {
			near = true
			if e.FarField > far {
				far, where = e.FarField, e.Freq
			}
		}
	}
	if near {
		text += fmt.Sprintf(" Near field: the formula does not hold nearer than %s (at %v); there a competent person has to judge.", metres(far), where)
	}
	if missing {
		text += " At some frequencies the table has no limit."
	}
	if note := r.Limits.Caution(); note != "" {
		text += " The limits are " + note + "."
	}
	return text + " This is arithmetic from what the config states, no assessment: limits and distances are set by local codes and competent persons."
}

// metres rounds up to centimetres, so that a printed distance is never short.
func metres(d float64) string {
	return strconv.FormatFloat(math.Ceil(d*100-1e-9)/100, 'f', 2, 64) + " m"
}

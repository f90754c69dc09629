package rest

import (
	"math"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
)

// number returns a pointer to a finite number, or nil: JSON has no NaN.
func number[T ~float64](v T) *float64 {
	f := float64(v)
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return nil
	}
	return &f
}

// numberAt is number for a value that may be absent.
func numberAt[T ~float64](v *T) *float64 {
	if v == nil {
		return nil
	}
	return number(*v)
}

// positive is number for a quantity whose zero means "not known".
func positive[T ~float64](v T) *float64 {
	if v <= 0 {
		return nil
	}
	return number(v)
}

// seconds rounds to microseconds.
func seconds(d time.Duration) float64 { return math.Round(d.Seconds()*1e6) / 1e6 }

func secondsIf(d time.Duration) *float64 {
	if d == 0 {
		return nil
	}
	s := seconds(d)
	return &s
}

// timeIf leaves out a time that is not set.
func timeIf(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	u := t.UTC()
	return &u
}

func timeAt(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	return timeIf(*t)
}

// listOf makes an empty JSON array of a nil slice.
func listOf[T any](v []T) []T {
	if v == nil {
		return []T{}
	}
	return v
}

func each[A, B any](in []A, f func(A) B) []B {
	out := make([]B, len(in))
	for i, v := range in {
		out[i] = f(v)
	}
	return out
}

// SE is a shielding effectiveness on the wire.
type SE struct {
	Relation string   `json:"relation" enum:"=,>=" doc:"= for a value, >= for a lower bound; it is part of the number"`
	Value    float64  `json:"se_db"`
	Low      *float64 `json:"se_low_db,omitempty" doc:"Lower end of the interval at the stated confidence; for a bound, the bound itself"`
	High     *float64 `json:"se_high_db,omitempty" doc:"Upper end of the interval; a bound has none"`
	U        *float64 `json:"expanded_uncertainty_db,omitempty" doc:"Half-width of the interval; a bound has none"`
}

func seOf(s sweep.SE) *SE {
	v := number(s.Value)
	if s.Relation == sweep.RelationUnknown || v == nil {
		return nil
	}
	out := &SE{Relation: s.Relation.String(), Value: *v, Low: number(s.Low)}
	if s.Relation == sweep.Equal {
		out.High, out.U = number(s.High), number(s.U)
	}
	return out
}

// Level is a level with its relation on the wire.
type Level struct {
	Relation string  `json:"relation" enum:"=,<=" doc:"= for a value, <= for an upper limit; it is part of the number"`
	Value    float64 `json:"level_dbm"`
}

// enclosedOf: where SE is a lower bound, the enclosed level is an upper limit.
func enclosedOf(p unit.DBm, r sweep.Relation) *Level {
	v := number(p)
	if v == nil || r == sweep.RelationUnknown {
		return nil
	}
	if r == sweep.AtLeastRelation {
		return &Level{"<=", *v}
	}
	return &Level{"=", *v}
}

// Headroom is SE over the requirement, with the relation of the SE.
type Headroom struct {
	Relation string  `json:"relation" enum:"=,>=" doc:"= for a value, >= for a lower bound; it is part of the number"`
	Value    float64 `json:"headroom_db"`
}

func headroomOf(h *unit.DB, r sweep.Relation) *Headroom {
	v := numberAt(h)
	if v == nil || r == sweep.RelationUnknown {
		return nil
	}
	return &Headroom{r.String(), *v}
}

// Setting is where a capture is made.
type Setting struct {
	Specimen     string `json:"specimen,omitempty" doc:"Left out: no shield"`
	Position     string `json:"position"`
	Polarization string `json:"polarization"`
	Repeat       int    `json:"repeat"`
}

func settingOf(s sweep.Setting) Setting {
	return Setting{s.Specimen, s.Position, string(s.Polarization), s.Repeat}
}

// Identity is who an instrument says it is.
type Identity struct {
	Maker    string `json:"maker,omitempty"`
	Model    string `json:"model,omitempty"`
	Serial   string `json:"serial,omitempty"`
	Firmware string `json:"firmware,omitempty"`
}

func identityOf(id driver.Identity) *Identity {
	if id == (driver.Identity{}) {
		return nil
	}
	out := Identity{id.Maker, id.Model, id.Serial, id.Firmware}
	if out == (Identity{}) {
		out.Model = id.Raw
	}
	return &out
}

// Settings are an analyzer's, as read back.
type Settings struct {
	Center      float64  `json:"center_hz"`
	Span        float64  `json:"span_hz"`
	RBW         float64  `json:"rbw_hz"`
	VBW         *float64 `json:"vbw_hz,omitempty"`
	Detector    string   `json:"detector"`
	Hold        string   `json:"trace_mode"`
	Points      int      `json:"points,omitempty"`
	SweepTime   *float64 `json:"sweep_time_s,omitempty"`
	RefLevel    *float64 `json:"reference_level_dbm,omitempty"`
	Attenuation *float64 `json:"attenuation_db,omitempty"`
	Preamp      *bool    `json:"preamp,omitempty"`
}

func settingsOf(s driver.Settings) Settings {
	return Settings{
		Center: float64(s.Center), Span: float64(s.Span), RBW: float64(s.RBW), VBW: positive(s.VBW),
		Detector: s.Detector.String(), Hold: s.Hold.String(), Points: s.Points, SweepTime: secondsIf(s.SweepTime),
		RefLevel: numberAt(s.RefLevel), Attenuation: numberAt(s.Attenuator), Preamp: s.Preamp,
	}
}

// Trace is a trace as read: levels evenly spaced from start to stop.
type Trace struct {
	Start  float64   `json:"start_hz"`
	Stop   float64   `json:"stop_hz"`
	Begun  time.Time `json:"begun"`
	Took   float64   `json:"took_s"`
	Levels Levels    `json:"levels_dbm"`
}

// Levels are the levels of a trace; a missing point is null.
type Levels []unit.DBm

// MarshalJSON writes an array of numbers and nulls.
func (l Levels) MarshalJSON() ([]byte, error) {
	out := make([]byte, 0, 2+len(l)*12)
	out = append(out, '[')
	for i, p := range l {
		if i > 0 {
			out = append(out, ',')
		}
		out = appendNumber(out, float64(p))
	}
	return append(out, ']'), nil
}

func appendNumber(out []byte, v float64) []byte {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return append(out, "null"...)
	}
	return strconv.AppendFloat(out, v, 'g', -1, 64)
}

// Schema describes the levels.
func (Levels) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{
		Type:        huma.TypeArray,
		Description: "Levels in dBm; null where the instrument gave no value",
		Items:       &huma.Schema{Type: huma.TypeNumber, Nullable: true},
	}
}

func traceOf(t driver.Trace) Trace {
	return Trace{float64(t.Start), float64(t.Stop), t.Begun.UTC(), seconds(t.Took), listOf(t.Levels)}
}

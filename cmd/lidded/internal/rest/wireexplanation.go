package rest

import (
	"lidded/sweep/explain"
	"lidded/sweep/requirement"
	"lidded/sweep/wall"
)

// EMCode is the protection code of an enclosure.
type EMCode struct {
	Code   string   `json:"code" doc:"Such as EMxx4432x; x is an untested band"`
	Source string   `json:"source"`
	Bands  []EMBand `json:"bands"`
}

// EMBand is one digit of the code.
type EMBand struct {
	From    float64  `json:"from_hz"`
	To      float64  `json:"to_hz"`
	Digit   *int     `json:"digit,omitempty" doc:"Left out: untested"`
	Lowest  *float64 `json:"lowest_se_db,omitempty" doc:"Lowest lower end in the band"`
	Tested  int      `json:"tested" doc:"Frequencies that made a claim"`
	NoClaim int      `json:"no_claim"`
}

func emCodeOf(c requirement.EMCode) EMCode {
	return EMCode{Code: c.String(), Source: c.Source, Bands: each(c.Bands, func(b requirement.EMBand) EMBand {
		out := EMBand{From: float64(b.Low), To: float64(b.High), Lowest: number(b.Lowest), Tested: b.Tested, NoClaim: b.NoClaim}
		if b.Digit >= 0 {
			out.Digit = &b.Digit
		}
		return out
	})}
}

// Mode is a resonance of the empty cavity.
type Mode struct {
	Name string  `json:"name"`
	Freq float64 `json:"freq_hz"`
}

func modeOf(m wall.Mode) Mode { return Mode{m.Name, float64(m.Freq)} }

// Validity says where the models of a specimen hold.
type Validity struct {
	From      float64 `json:"from_hz"`
	To        float64 `json:"to_hz" doc:"Below the first resonance"`
	ManyModes float64 `json:"many_modes_from_hz" doc:"And again from here on, as a mean over places"`
	Text      string  `json:"text"`
}

func validityOf(v wall.Validity) Validity {
	return Validity{From: float64(v.From), To: float64(v.To), ManyModes: float64(v.ManyModes), Text: v.Text}
}

// ExpectedPoint is the expected band at one frequency.
type ExpectedPoint struct {
	Freq   float64  `json:"freq_hz"`
	Low    *float64 `json:"se_low_db"`
	High   *float64 `json:"se_high_db"`
	Valid  bool     `json:"valid" doc:"False: the models do not hold here and the band is a guess"`
	Regime string   `json:"regime"`
	WayIn  string   `json:"strongest_way_in"`
}

// ExpectedCurve is the expectation in one field.
type ExpectedCurve struct {
	Field  string          `json:"field"`
	Points []ExpectedPoint `json:"points"`
}

// Expectation is what a specimen should do.
type Expectation struct {
	Specimen string          `json:"specimen"`
	Title    string          `json:"title,omitempty"`
	Validity Validity        `json:"validity"`
	Modes    []Mode          `json:"modes" doc:"The first resonances of the empty cavity"`
	Curves   []ExpectedCurve `json:"curves"`
	Pulse    *Pulse          `json:"pulse,omitempty"`
}

// ExpectationOf puts an outlook on the wire.
func ExpectationOf(o explain.Outlook) Expectation {
	return Expectation{
		Specimen: o.Specimen, Title: o.Title,
		Validity: validityOf(o.Validity),
		Modes:    each(o.Modes, modeOf),
		Curves: each(o.Curves, func(c explain.Curve) ExpectedCurve {
			return ExpectedCurve{c.Field.String(), each(c.At, expectedPointOf)}
		}),
		Pulse: pulseOf(o.Pulse),
	}
}

func expectedPointOf(e wall.Expectation) ExpectedPoint {
	p := ExpectedPoint{Freq: float64(e.Freq), Low: number(e.Low), High: number(e.High), Valid: e.Valid, Regime: e.Regime.String()}
	if len(e.Paths) > 0 {
		p.WayIn = e.Paths[0].Name
	}
	return p
}

// Hypothesis is one possible explanation, never more.
type Hypothesis struct {
	Cause    string   `json:"cause"`
	Says     string   `json:"says"`
	Size     *float64 `json:"size_m,omitempty" doc:"Slot length, mesh pitch or wall thickness that fits"`
	Mode     *Mode    `json:"mode,omitempty"`
	Slope    *float64 `json:"slope_db_per_decade,omitempty"`
	Misfit   *float64 `json:"misfit_ratio" doc:"What it leaves unexplained, in units of the combined spread; 1 is as good as can be told"`
	Evidence []string `json:"evidence"`
	Next     string   `json:"next" doc:"What to measure next to tell"`
}

func hypothesisOf(h wall.Hypothesis) Hypothesis {
	out := Hypothesis{Cause: h.Cause.String(), Says: h.Says, Size: positive(h.Size), Misfit: number(h.Misfit), Evidence: listOf(h.Evidence), Next: h.Next}
	if h.Mode.Freq > 0 {
		m := modeOf(h.Mode)
		out.Mode = &m
	}
	if h.Slope != 0 {
		out.Slope = number(h.Slope)
	}
	return out
}

// Finding is how one stretch of measured points stands to the expectation.
type Finding struct {
	Field      string       `json:"field"`
	From       float64      `json:"from_hz"`
	To         float64      `json:"to_hz"`
	Points     int          `json:"points"`
	Agreement  string       `json:"agreement" enum:"agrees,lower,higher,dip"`
	Difference *float64     `json:"difference_db" doc:"Largest distance outside the band, or depth of the dip"`
	Says       string       `json:"says"`
	Hypotheses []Hypothesis `json:"hypotheses" doc:"The likeliest first"`
}

func findingOf(f wall.Finding) Finding {
	return Finding{
		Field: f.Field.String(), From: float64(f.From), To: float64(f.To), Points: f.Points, Agreement: f.Agreement.String(),
		Difference: number(f.Difference), Says: f.Says, Hypotheses: each(f.Hypotheses, hypothesisOf),
	}
}

// Inference is what may be said of the SE at a frequency.
type Inference struct {
	Freq  float64  `json:"freq_hz"`
	Field string   `json:"field"`
	Basis string   `json:"basis" enum:"measured,interpolated,bounded by physics,nothing"`
	Low   *float64 `json:"se_low_db" doc:"null: nothing bounds it from below"`
	High  *float64 `json:"se_high_db" doc:"null: nothing bounds it from above"`
	Risk  *float64 `json:"unseen_dip_risk,omitempty" doc:"Chance from 0 to 1 that a resonance between the points went unseen"`
	Text  string   `json:"text" doc:"What it stands on and what it assumes"`
}

func inferenceOf(i wall.Inference) Inference {
	out := Inference{Freq: float64(i.Freq), Field: i.Field.String(), Basis: i.Basis.String(), Low: number(i.Low), High: number(i.High), Text: i.Text}
	if i.Basis == wall.Between {
		out.Risk = number(i.Risk)
	}
	return out
}

// Pulse is what is left of the early-time pulse behind a curve.
type Pulse struct {
	Standard    string   `json:"standard"`
	From        float64  `json:"from_hz"`
	To          float64  `json:"to_hz"`
	Incident    float64  `json:"incident_peak_v_per_m"`
	Bound       *float64 `json:"peak_bound_v_per_m" doc:"Holds whatever the phase, for the content from from_hz to to_hz"`
	BoundDB     *float64 `json:"peak_bound_db" doc:"Incident peak over the bound"`
	Estimate    *float64 `json:"peak_estimate_v_per_m" doc:"With minimum phase; read it together with the bound"`
	EstimateDB  *float64 `json:"peak_estimate_db"`
	Best        *float64 `json:"peak_bound_at_best_v_per_m,omitempty" doc:"The bound at the upper ends, with a perfect shield wherever only a lower bound of the SE is known"`
	Below       *float64 `json:"omitted_below_v_per_m" doc:"What could come on top from below the span with no shield at all there"`
	Above       *float64 `json:"omitted_above_v_per_m"`
	Energy      *float64 `json:"energy_bound_j_per_m2"`
	EnergyOut   *float64 `json:"incident_energy_j_per_m2"`
	BoundPoints int      `json:"bound_points" doc:"Points of the curve that are only lower bounds of the SE"`
	ValuePoints int      `json:"value_points"`
	Notes       []string `json:"notes"`
}

func pulseOf(p *explain.Pulse) *Pulse {
	if p == nil {
		return nil
	}
	b, e := p.Bound, p.Estimate
	return &Pulse{
		Standard: "IEC 61000-2-9 early time, constants from memory: check against your copy", From: float64(b.From), To: float64(b.To), Incident: p.IncidentPeak,
		Bound: number(b.PeakBound), BoundDB: number(b.BoundDB), Estimate: number(e.MinimumPhase.Peak), EstimateDB: number(e.PeakDB), Best: positive(p.BestBound),
		Below: number(b.OmittedBelow), Above: number(b.OmittedAbove), Energy: number(b.Energy), EnergyOut: number(p.IncidentEnergy),
		BoundPoints: b.BoundPoints, ValuePoints: b.ValuePoints, Notes: listOf(p.Notes),
	}
}

// Explanation is what a run says of one specimen, beside what it should do.
type Explanation struct {
	Run        string       `json:"run"`
	State      string       `json:"state"`
	Specimen   string       `json:"specimen"`
	Made       string       `json:"made_of,omitempty" doc:"Left out: not known"`
	Code       EMCode       `json:"em_code"`
	Expected   *Expectation `json:"expected,omitempty" doc:"At the measured frequencies; left out: not known how it is made"`
	Findings   []Finding    `json:"findings"`
	Inferences []Inference  `json:"inferences"`
	Pulse      *Pulse       `json:"pulse,omitempty"`
	Notes      []string     `json:"notes"`
}

// ExplanationOf puts an explanation on the wire.
func ExplanationOf(x explain.Explanation) Explanation {
	out := Explanation{
		Run: string(x.Run), State: x.State.String(), Specimen: x.Specimen, Made: x.Made, Code: emCodeOf(x.Code),
		Findings: each(x.Findings, findingOf), Inferences: each(x.Inferences, inferenceOf), Pulse: pulseOf(x.Pulse), Notes: listOf(x.Notes),
	}
	if x.Outlook != nil {
		e := ExpectationOf(*x.Outlook)
		out.Expected = &e
	}
	return out
}

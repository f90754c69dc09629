package sweep

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"

	"lidded/driver/unit"
	"lidded/sweep/uncertainty"
)

// Entries is what a bench states of the uncertainty of its level differences,
// noise apart. It may be written as one figure ("0.7 dB"), which is Stated; or as
// a list of entries, of which those left out take the defaults of a bench nobody
// has characterised (uncertainty.DefaultBench), and 0 dB (a VSWR of 1) takes an
// entry out.
type Entries struct {
	Stated *unit.DB `yaml:"stated" json:"stated_db,omitempty"` // standard uncertainty of everything together; others then count only where given

	Linearity   *unit.DB `yaml:"linearity" json:"linearity_db,omitempty"`       // half-width over the step
	Switching   *unit.DB `yaml:"switching" json:"switching_db,omitempty"`       // half-width where RBW, span or attenuation differ between reference and enclosed
	SourceDrift *unit.DB `yaml:"source_drift" json:"source_drift_db,omitempty"` // half-width between the two
	Position    *unit.DB `yaml:"position" json:"position_db,omitempty"`         // half-width of setting up again

	SourceVSWR   *float64 `yaml:"source_vswr" json:"source_vswr,omitempty"`
	AntennaVSWR  *float64 `yaml:"antenna_vswr" json:"antenna_vswr,omitempty"`
	AnalyzerVSWR *float64 `yaml:"analyzer_vswr" json:"analyzer_vswr,omitempty"`

	ReferenceRepeat *unit.DB `yaml:"reference_repeat" json:"reference_repeat_db,omitempty"` // standard deviation of one reading
	EnclosedRepeat  *unit.DB `yaml:"enclosed_repeat" json:"enclosed_repeat_db,omitempty"`

	Extra []Entry `yaml:"extra" json:"extra,omitempty"`
}

// Entry is a further component of a bench's uncertainty.
type Entry struct {
	Name         string  `yaml:"name" json:"name"`
	Value        unit.DB `yaml:"value" json:"value_db"`            // standard uncertainty (normal) or half-width
	Distribution string  `yaml:"distribution" json:"distribution"` // normal, rectangular, triangular or u-shaped
	Divisor      float64 `yaml:"divisor" json:"divisor,omitempty"` // normal: k of the certificate
	DoF          float64 `yaml:"dof" json:"dof,omitempty"`         // zero: infinite
	Source       string  `yaml:"source" json:"source,omitempty"`   // where the value comes from
}

// switchingDefault is the half-width taken for different settings of the
// analyzer between reference and enclosed where a bench states nothing but one
// figure: RBW switching of analyzers, common practice, no source.
const switchingDefault = unit.DB(0.5)

// UnmarshalScalar reads the one-figure form.
func (e *Entries) UnmarshalScalar(text string) error {
	var v unit.DB
	v, err := unit.ParseDB(text)
	if err != nil {
		return err
	}
	e.Stated = &v
	return nil
}

// Check returns what is wrong with the entries, naming the key and the cure.
func (e Entries) Check() error {
	if v := e.Stated; v != nil && (!(*v >= 0) || math.IsInf(float64(*v), 1)) {
		return fmt.Errorf("%g: need 0 or more", float64(*v))
	}
	for _, r := range []struct {
		key string
		v   *unit.DB
	}{
		{"linearity", e.Linearity}, {"switching", e.Switching}, {"source_drift", e.SourceDrift}, {"position", e.Position},
		{"reference_repeat", e.ReferenceRepeat}, {"enclosed_repeat", e.EnclosedRepeat},
	} {
		if r.v != nil && !(*r.v >= 0) {
			return fmt.Errorf("%s: %g: need 0 dB or more, 0 dB leaves it out", r.key, float64(*r.v))
		}
	}
	for _, r := range []struct {
		key string
		v   *float64
	}{{"source_vswr", e.SourceVSWR}, {"antenna_vswr", e.AntennaVSWR}, {"analyzer_vswr", e.AnalyzerVSWR}} {
		if r.v != nil && !(*r.v >= 1) {
			return fmt.Errorf("%s: %g: a standing-wave ratio is 1 or more", r.key, *r.v)
		}
	}
	if _, err := (Bench{Budget: &e}).levelBudget(false, nil); err != nil {
		return err
	}
	return nil
}

// WithUncertainty returns the bench with these entries. One figure is that;
// a list stays a list, and its combined standard uncertainty stands for it where
// one figure is shown.
func (b Bench) WithUncertainty(e Entries) Bench {
	if e.Stated != nil && reflect.DeepEqual(e, Entries{Stated: e.Stated}) {
		b.Uncertainty, b.Budget = *e.Stated, nil
		return b
	}
	b.Budget = &e
	if budget, err := b.levelBudget(true, nil); err == nil && len(budget) > 0 {
		if r, err := budget.Combine(DefaultConfidence); err == nil {
			b.Uncertainty = r.Standard
		}
	}
	return b
}

// levelBudget is the budget of a level difference of the bench; same says that
// reference and enclosed were taken with the same settings, more are components
// of the point.
func (b Bench) levelBudget(same bool, more []uncertainty.Component) (uncertainty.Budget, error) {
	e := Entries{Stated: &b.Uncertainty}
	if b.Budget != nil {
		e = *b.Budget
	}
	extra, err := e.extra()
	if err != nil {
		return nil, err
	}
	var out uncertainty.Budget
	if e.Stated != nil {
		if *e.Stated > 0 {
			out = append(out, uncertainty.Component{Name: "level difference", Value: *e.Stated, Distribution: uncertainty.Normal, Source: "bench, as stated"})
		}
		width := func(name string, v *unit.DB) {
			if v != nil && *v > 0 {
				out = append(out, uncertainty.Component{Name: name, Value: *v, Distribution: uncertainty.Rectangular, Source: "bench"})
			}
		}
		width("linearity", e.Linearity)
		width("source drift", e.SourceDrift)
		width("position", e.Position)
		if !same {
			s := switchingDefault
			if e.Switching != nil {
				s = *e.Switching
			}
			width("switching of settings", &s)
		}
	} else if out, err = e.bench().Budget(uncertainty.Point{SameSettings: same}); err != nil {
		return nil, err
	}
	out = append(append(out, extra...), more...)
	for _, c := range out {
		if err := c.Check(); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func (e Entries) bench() uncertainty.Bench {
	db := func(v *unit.DB) unit.DB {
		switch {
		case v == nil:
			return 0
		case *v == 0:
			return uncertainty.Zero
		}
		return *v
	}
	ratio := func(v *float64) float64 {
		if v == nil {
			return 0
		}
		return *v
	}
	return uncertainty.Bench{
		Linearity: db(e.Linearity), Switching: db(e.Switching), SourceDrift: db(e.SourceDrift), Position: db(e.Position),
		SourceVSWR: ratio(e.SourceVSWR), AntennaVSWR: ratio(e.AntennaVSWR), AnalyzerVSWR: ratio(e.AnalyzerVSWR),
		ReferenceRepeat: db(e.ReferenceRepeat), EnclosedRepeat: db(e.EnclosedRepeat),
	}
}

func (e Entries) extra() ([]uncertainty.Component, error) {
	var out []uncertainty.Component
	for i, x := range e.Extra {
		d, err := uncertainty.ParseDistribution(x.Distribution)
		if err != nil {
			return nil, fmt.Errorf("extra[%d]: %w", i, err)
		}
		out = append(out, uncertainty.Component{Name: x.Name, Value: x.Value, Distribution: d, Divisor: x.Divisor, DoF: x.DoF, Source: strings.TrimSpace("bench, " + x.Source)})
	}
	return out, nil
}

// allowance is what the uncertainty of level differences takes off a bound.
func (b Bench) allowance(same bool, confidence float64) unit.DB {
	budget, err := b.levelBudget(same, nil)
	if err != nil || len(budget) == 0 {
		return 0
	}
	r, err := budget.Combine(confidence)
	if err != nil {
		return 0
	}
	return r.OneSided
}

// budgetKey names the inputs that a combined budget depends on.
type budgetKey struct {
	same                    bool
	reference, noise, moved unit.DB
	leak, linear            unit.DB // half-widths
	repeats                 uncertainty.Repeats
}

// budgetsOf gives the budget of each result.
func (e *Evaluator) budgetsOf(results []Result) []uncertainty.Result {
	out := make([]uncertainty.Result, len(results))
	for i, r := range results {
		out[i] = e.BudgetOf(r)
	}
	return out
}

// BudgetOf returns what the uncertainty of one of this evaluator's results is
// made of, with its rows, largest first; empty without a claim.
func (e *Evaluator) BudgetOf(r Result) uncertainty.Result {
	if r.budget == nil {
		return uncertainty.Result{}
	}
	_, u := e.combined(*r.budget)
	return u
}

// ofLooks is the source of what noise leaves of a level.
const ofLooks = "looks of this point"

// combined is the budget of a point: of the bench, and what noise left of the
// reference and of the enclosed level (zero for a bound, whose statistics hold
// it), what the closing reference moved, and repeats. It is kept, since many
// points share one.
func (e *Evaluator) combined(k budgetKey) (uncertainty.Budget, uncertainty.Result) {
	if c, ok := e.budgets[k]; ok {
		return c.budget, c.result
	}
	var more []uncertainty.Component
	add := func(name string, v unit.DB, d uncertainty.Distribution, side uncertainty.Side, source string) {
		if v > 0 && !math.IsInf(float64(v), 1) {
			more = append(more, uncertainty.Component{Name: name, Value: v, Distribution: d, Side: side, Statistical: source == ofLooks, Source: source})
		}
	}
	add("noise of the reference", k.reference, uncertainty.Normal, uncertainty.Reference, ofLooks)
	add("noise of the enclosed level", k.noise, uncertainty.Normal, uncertainty.Enclosed, ofLooks)
	add("leakage round the specimen", k.leak, uncertainty.UShaped, uncertainty.Enclosed, "leakage check: 20·log10(1 − 10^(−d/20))")
	add("linearity as checked", k.linear, uncertainty.Rectangular, uncertainty.Difference, "largest deviation of the linearity check")
	add("closing reference moved", k.moved, uncertainty.Rectangular, uncertainty.Difference, "closing minus opening reference")
	if k.repeats.N >= 2 && k.repeats.DoF > 0 {
		more = append(more, k.repeats.Component("repeats through the shield", uncertainty.Enclosed))
	}
	budget, err := e.run.Bench.levelBudget(k.same, more)
	if k.repeats.N >= 2 && k.repeats.DoF > 0 { // in place of the bench's figure for one reading
		budget = slices.DeleteFunc(budget, func(c uncertainty.Component) bool { return c.Name == uncertainty.EnclosedRepeatability })
	}
	var r uncertainty.Result
	if err == nil && len(budget) > 0 {
		r, err = budget.Combine(e.rule.Confidence)
	}
	if err != nil { // a bench that was checked has no such budget
		r = uncertainty.Result{Standard: unit.DB(math.Inf(1)), Expanded: unit.DB(math.Inf(1)), OneSided: unit.DB(math.Inf(1))}
	}
	if e.budgets == nil {
		e.budgets = map[budgetKey]combinedBudget{}
	}
	e.budgets[k] = combinedBudget{budget, r}
	return budget, r
}

type combinedBudget struct {
	budget uncertainty.Budget
	result uncertainty.Result
}

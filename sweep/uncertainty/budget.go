package uncertainty

import (
	"fmt"
	"math"
	"sort"
	"strconv"

	"lidded/driver/unit"
)

// Method is how the expanded figures were found.
type Method int

// The methods.
const (
	// GUM is the t law with effective degrees of freedom (JCGM 100:2008 G.6.4).
	GUM Method = iota + 1
	// MonteCarlo is the propagation of distributions (JCGM 101:2008 7).
	MonteCarlo
)

// String returns the name, "unknown" for anything else.
func (m Method) String() string {
	switch m {
	case GUM:
		return "GUM, t law with effective degrees of freedom"
	case MonteCarlo:
		return "Monte Carlo (JCGM 101), one non-normal component dominates"
	}
	return "unknown"
}

// dominance is the share of the variance from which one non-normal component is
// said to dominate. Below one half the others are together at least as large.
const dominance = 0.5

// Budget is the list of components of one point.
type Budget []Component

// Row is one line of the table of a budget.
type Row struct {
	Name         string
	Side         Side
	Value        unit.DB
	Distribution Distribution
	Divisor      float64
	Standard     unit.DB
	DoF          float64
	Common       string
	// Cancels is the correlation with the other half of a pair of common cause, as
	// far as which the two take each other away; 0: it stands alone.
	Cancels     float64
	Statistical bool // type A
	// Share is the part of the combined variance, negative where a common cause
	// takes variance away.
	Share  float64
	Source string
}

// Result is a combined budget.
type Result struct {
	// Standard is the combined standard uncertainty.
	Standard unit.DB
	// DoF are the effective degrees of freedom, rounded down; may be +Inf.
	DoF float64
	// Coverage is the probability asked for; Factor the expanded figure over Standard.
	Coverage, Factor float64
	// Expanded is the half-width of the two-sided interval.
	Expanded unit.DB
	// OneSided is by how much the value may be too high (or too low), at Coverage.
	OneSided unit.DB
	Method   Method
	// Rows are the lines of the table, largest share first.
	Rows []Row
}

// group is a set of components that vary as one; inDoF keeps its parts.
type group struct {
	variance float64
	parts    []Component
	weights  []float64 // standard uncertainties with the sign of their effect
	rho      float64
}

// Combine adds the components up and expands the result for the coverage given, for
// example 0.95. A reference and an enclosed component with one common label combine
// as u² = u_R² + u_E² − 2ρ·u_R·u_E, ρ being the smaller of their correlations; the
// rest adds in squares (GUM 5.1.2, 5.2.2).
func (b Budget) Combine(coverage float64) (Result, error) {
	groups, err := b.groups()
	if err != nil {
		return Result{}, err
	}
	if !(coverage > 0.5 && coverage < 1) {
		return Result{}, fmt.Errorf("uncertainty: coverage %v: give a probability between 0.5 and 1", coverage)
	}
	var variance, largest float64
	var u, dof []float64
	for _, g := range groups {
		variance += g.variance
		if g.curved() {
			largest = math.Max(largest, g.variance)
		}
		// A cancelled pair keeps the degrees of freedom of its weaker half.
		nu := math.Inf(1)
		for _, c := range g.parts {
			nu = math.Min(nu, c.dof())
		}
		u = append(u, math.Sqrt(g.variance))
		dof = append(dof, nu)
	}
	r := Result{Standard: unit.DB(math.Sqrt(variance)), Coverage: coverage, Method: GUM}
	r.DoF = Effective(math.Sqrt(variance), u, dof)
	r.Rows = rows(groups, variance)
	if variance > 0 && largest >= dominance*variance {
		r.Method = MonteCarlo
		two, one := simulate(groups, coverage)
		r.Expanded, r.OneSided = unit.DB(two), unit.DB(one)
	} else {
		r.Expanded = r.Standard * unit.DB(StudentT(coverage, r.DoF))
		r.OneSided = r.Standard * unit.DB(OneSidedT(coverage, r.DoF))
	}
	if variance > 0 {
		r.Factor = float64(r.Expanded / r.Standard)
	}
	return r, nil
}

// ExpandedWith returns k times the combined standard uncertainty.
func (r Result) ExpandedWith(k float64) unit.DB { return r.Standard * unit.DB(k) }

// Interval returns the two-sided interval about an SE.
func (r Result) Interval(se unit.DB) (low, high unit.DB) { return se - r.Expanded, se + r.Expanded }

// LowerBound returns what the SE is at least, at the coverage of the result.
func (r Result) LowerBound(se unit.DB) unit.DB { return se - r.OneSided }

// groups checks the components and puts common pairs together.
func (b Budget) groups() ([]group, error) {
	var out []group
	pair := map[string]int{}
	for _, c := range b {
		if err := c.Check(); err != nil {
			return nil, err
		}
		u := float64(c.Standard())
		if c.Side == Enclosed {
			u = -u
		}
		if c.Common == "" || c.Side == Difference {
			out = append(out, group{variance: u * u, parts: []Component{c}, weights: []float64{u}})
			continue
		}
		i, ok := pair[c.Common]
		if !ok {
			pair[c.Common] = len(out)
			out = append(out, group{variance: u * u, parts: []Component{c}, weights: []float64{u}, rho: c.Correlation})
			continue
		}
		g := &out[i]
		if len(g.parts) == 2 || g.parts[0].Side == c.Side {
			return nil, fmt.Errorf("uncertainty component %q: the common cause %q needs one component on the reference and one on the enclosed side", c.Name, c.Common)
		}
		g.rho = math.Min(g.rho, c.Correlation)
		g.parts = append(g.parts, c)
		g.weights = append(g.weights, u)
		v := g.weights[0]
		g.variance = math.Max(0, v*v+u*u+2*g.rho*u*v)
	}
	return out, nil
}

// curved reports whether the group is far from normal.
func (g group) curved() bool {
	for _, c := range g.parts {
		if c.Distribution != Normal {
			return true
		}
	}
	return false
}

func rows(groups []group, variance float64) []Row {
	var out []Row
	for _, g := range groups {
		cross, cancels := 0.0, 0.0
		if len(g.parts) == 2 {
			cross, cancels = g.rho*g.weights[0]*g.weights[1], g.rho
		}
		for i, c := range g.parts {
			d := c.Divisor
			if d == 0 {
				d = c.Distribution.divisor()
			}
			share := 0.0
			if variance > 0 {
				share = (g.weights[i]*g.weights[i] + cross) / variance
			}
			out = append(out, Row{
				Name: c.Name, Side: c.Side, Value: c.Value, Distribution: c.Distribution, Divisor: d,
				Standard: c.Standard(), DoF: c.dof(), Common: c.Common, Cancels: cancels, Statistical: c.Statistical, Share: share, Source: c.Source,
			})
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Share > out[j].Share })
	return out
}

// Header names the cells that Row.Cells gives.
func Header() []string {
	return []string{"component", "side", "value (dB)", "distribution", "divisor", "u (dB)", "dof", "share (%)", "common", "source"}
}

// Cells gives the row as text.
func (r Row) Cells() []string {
	num := func(v float64, digits int) string { return strconv.FormatFloat(v, 'f', digits, 64) }
	dof := "inf"
	if !math.IsInf(r.DoF, 1) {
		dof = strconv.FormatFloat(r.DoF, 'g', 4, 64)
	}
	return []string{
		r.Name, r.Side.String(), num(float64(r.Value), 3), r.Distribution.String(), num(r.Divisor, 3),
		num(float64(r.Standard), 3), dof, num(100*r.Share, 1), r.Common, r.Source,
	}
}

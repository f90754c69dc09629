package uncertainty

import (
	"fmt"
	"math"
)

// Input is a quantity of a measurement equation.
type Input struct {
	Estimate float64
	Standard float64
	DoF      float64 // zero and +Inf both mean infinite
}

// Output is a result of first order.
type Output struct {
	Value, Standard float64
	Sensitivities   []float64
	// DoF is the effective number, not rounded; only for uncorrelated inputs, else NaN.
	DoF float64
}

// FirstOrder propagates the inputs through model: sensitivities by central
// differences, u² = Σ c_i·c_j·u_i·u_j·r_ij (GUM 5.1.2, 5.2.2). correlation is nil for
// independent inputs, else the full symmetric matrix.
func FirstOrder(inputs []Input, correlation [][]float64, model func(x []float64) float64) (Output, error) {
	if len(inputs) == 0 {
		return Output{}, fmt.Errorf("measurement equation without inputs: give at least one")
	}
	if correlation != nil && len(correlation) != len(inputs) {
		return Output{}, fmt.Errorf("measurement equation: %d inputs and %d rows of correlation: give one row per input", len(inputs), len(correlation))
	}
	x := make([]float64, len(inputs))
	for i, in := range inputs {
		if !(in.Standard >= 0) || math.IsNaN(in.Estimate) || in.DoF < 0 {
			return Output{}, fmt.Errorf("measurement equation: input %d is %+v: give a number, an uncertainty and degrees of freedom of 0 or more", i+1, in)
		}
		x[i] = in.Estimate
	}
	out := Output{Value: model(x), Sensitivities: make([]float64, len(inputs))}
	u, dof := make([]float64, len(inputs)), make([]float64, len(inputs))
	for i, in := range inputs {
		h := in.Standard * 1e-2
		if h == 0 {
			h = math.Max(1e-6, 1e-6*math.Abs(in.Estimate))
		}
		x[i] = in.Estimate + h
		up := model(x)
		hi := x[i]
		x[i] = in.Estimate - h
		out.Sensitivities[i] = (up - model(x)) / (hi - x[i])
		x[i] = in.Estimate
		u[i] = out.Sensitivities[i] * in.Standard
		dof[i] = in.DoF
		if in.DoF == 0 {
			dof[i] = math.Inf(1)
		}
	}
	var variance float64
	for i := range u {
		variance += u[i] * u[i]
		if correlation == nil {
			continue
		}
		if len(correlation[i]) != len(inputs) {
			return Output{}, fmt.Errorf("measurement equation: row %d of the correlation has %d columns: give %d", i+1, len(correlation[i]), len(inputs))
		}
		for j := range i {
			r := correlation[i][j]
			if !(r >= -1 && r <= 1) {
				return Output{}, fmt.Errorf("measurement equation: correlation of inputs %d and %d is %v: give -1 to 1", i+1, j+1, r)
			}
			variance += 2 * r * u[i] * u[j]
		}
	}
	out.Standard = math.Sqrt(math.Max(0, variance))
	out.DoF = math.NaN()
	if correlation == nil {
		out.DoF = welchSatterthwaite(out.Standard, u, dof)
	}
	return out, nil
}

// SecondOrder returns the variance that FirstOrder leaves out for independent,
// normal inputs to next order, as far as it comes from mixed and pure second
// derivatives: Σ_ij ½·f_ij²·u_i²·u_j² (the first term of the GUM 5.1.2 note; the one
// in third derivatives is not taken).
func SecondOrder(inputs []Input, model func(x []float64) float64) float64 {
	x := make([]float64, len(inputs))
	for i, in := range inputs {
		x[i] = in.Estimate
	}
	at := func(i, j int, a, b float64) float64 {
		x[i] += a * inputs[i].Standard
		x[j] += b * inputs[j].Standard
		y := model(x)
		x[i], x[j] = inputs[i].Estimate, inputs[j].Estimate
		return y
	}
	var sum float64
	for i := range inputs {
		for j := range inputs {
			if inputs[i].Standard == 0 || inputs[j].Standard == 0 {
				continue
			}
			// f_ij·u_i·u_j by the four-point difference, also for i = j.
			d := (at(i, j, 1, 1) - at(i, j, 1, -1) - at(i, j, -1, 1) + at(i, j, -1, -1)) / 4
			sum += d * d / 2
		}
	}
	return sum
}

// Means describes simultaneous repeats of several quantities: their means, the
// standard uncertainties of the means, and the correlation of the means (GUM 5.2.3).
type Means struct {
	Inputs      []Input
	Correlation [][]float64
}

// Simultaneous takes one row of repeats per quantity, all of one length of two or more.
func Simultaneous(series [][]float64) (Means, error) {
	if len(series) == 0 || len(series[0]) < 2 {
		return Means{}, fmt.Errorf("simultaneous repeats: give at least one quantity with two values")
	}
	n := float64(len(series[0]))
	var out Means
	for i, s := range series {
		if len(s) != len(series[0]) {
			return Means{}, fmt.Errorf("simultaneous repeats: quantity %d has %d values: give %d, one per repeat", i+1, len(s), len(series[0]))
		}
		m := Sample(s).Mean()
		out.Inputs = append(out.Inputs, Input{Estimate: m, Standard: Sample(s).SD() / math.Sqrt(n), DoF: n - 1})
	}
	for i := range series {
		row := make([]float64, len(series))
		for j := range series {
			var c float64
			for k := range series[i] {
				c += (series[i][k] - out.Inputs[i].Estimate) * (series[j][k] - out.Inputs[j].Estimate)
			}
			if d := out.Inputs[i].Standard * out.Inputs[j].Standard; d > 0 {
				row[j] = math.Max(-1, math.Min(1, c/(n*(n-1))/d))
			} else if i == j {
				row[j] = 1
			}
		}
		out.Correlation = append(out.Correlation, row)
	}
	return out, nil
}

// CorrelationOf returns the correlation of two results of the same inputs (GUM F.1.2.3
// with first-order sensitivities); NaN when one of them has no uncertainty.
func CorrelationOf(a, b Output, inputs []Input, correlation [][]float64) float64 {
	var c float64
	for i := range inputs {
		for j := range inputs {
			r := 0.0
			switch {
			case i == j:
				r = 1
			case correlation != nil:
				r = correlation[i][j]
			}
			c += a.Sensitivities[i] * b.Sensitivities[j] * inputs[i].Standard * inputs[j].Standard * r
		}
	}
	if a.Standard == 0 || b.Standard == 0 {
		return math.NaN()
	}
	return c / (a.Standard * b.Standard)
}

package sweep

import "lidded/driver/unit"

// WorstOf is worst, for tests.
var WorstOf = worst

// VertexOf is vertexOf, for tests.
var VertexOf = vertexOf

// Repeat is one repeat of a setting, for tests.
type Repeat struct {
	Value unit.DB
	Bound bool
	Noise unit.DB
}

// CombineRepeats combines repeats with a scatter pooled over settings.
func CombineRepeats(list []Repeat, pool [][]Repeat) (value unit.DB, bound bool, u unit.DB, dof float64, rule string, ok bool) {
	conv := func(in []Repeat) []repeated {
		out := make([]repeated, len(in))
		for i, r := range in {
			out[i] = repeated{r.Value, r.Bound, r.Noise}
		}
		return out
	}
	var all [][]repeated
	for _, l := range pool {
		all = append(all, conv(l))
	}
	c, ok := combineRepeats(conv(list), scatterOf(all))
	return c.value, c.bound, c.repeats.Standard, c.repeats.DoF, c.rule, ok
}

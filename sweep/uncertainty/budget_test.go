package uncertainty_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lidded/driver/unit"
	"lidded/sweep/uncertainty"
)

// TestCommonCause: u² = u_R² + u_E² − 2ρ·u_R·u_E.
func TestCommonCause(t *testing.T) {
	pair := func(rho float64, label string) uncertainty.Budget {
		return uncertainty.Budget{
			{Name: "antenna factor, reference", Value: 1, Distribution: uncertainty.Normal, Side: uncertainty.Reference, Common: label, Correlation: rho},
			{Name: "antenna factor, enclosed", Value: 0.8, Distribution: uncertainty.Normal, Side: uncertainty.Enclosed, Common: label, Correlation: rho},
		}
	}
	for _, c := range []struct {
		rho  float64
		want float64
	}{{0, math.Sqrt(1.64)}, {0.5, math.Sqrt(0.84)}, {1, 0.2}} {
		r, err := pair(c.rho, "antenna").Combine(0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "combined", float64(r.Standard), c.want, 1e-12)
	}
	b := pair(1, "antenna")
	b[1].Common, b[1].Correlation = "", 0
	r, _ := b.Combine(0.95)
	near(t, "label on one side only", float64(r.Standard), math.Sqrt(1.64), 1e-12)
	b = pair(1, "antenna")
	b[1].Side = uncertainty.Reference
	if _, err := b.Combine(0.95); err == nil || !strings.Contains(err.Error(), `"antenna"`) {
		t.Errorf("two on one side: %v", err)
	}
	// The same in a simulation, dominated by a rectangular pair.
	wide := uncertainty.Budget{
		{Name: "scale, reference", Value: 2, Distribution: uncertainty.Rectangular, Side: uncertainty.Reference, Common: "scale", Correlation: 1},
		{Name: "scale, enclosed", Value: 1, Distribution: uncertainty.Rectangular, Side: uncertainty.Enclosed, Common: "scale", Correlation: 1},
	}
	r, _ = wide.Combine(0.95)
	near(t, "cancelled pair", float64(r.Expanded), 0.95, 0.01)
}

// TestDominated: one rectangular or U-shaped term ±a. k = 2 would give 1.155a and
// 1.414a, beyond its own limit; the exact figures are 0.95a and sin(0.95·π/2)·a, and one-sided 0.90a and
// sin(0.90·π/2)·a.
func TestDominated(t *testing.T) {
	for d, want := range map[uncertainty.Distribution][2]float64{
		uncertainty.Rectangular: {0.95, 0.90},
		uncertainty.UShaped:     {math.Sin(0.95 * math.Pi / 2), math.Sin(0.90 * math.Pi / 2)},
		uncertainty.Triangular:  {1 - math.Sqrt(0.05), 1 - math.Sqrt(0.10)},
	} {
		r, err := uncertainty.Budget{{Name: "only", Value: 3, Distribution: d}}.Combine(0.95)
		if err != nil {
			t.Fatal(err)
		}
		if r.Method != uncertainty.MonteCarlo || !strings.Contains(r.Method.String(), "Monte Carlo") {
			t.Errorf("%v: method %v", d, r.Method)
		}
		near(t, d.String()+" expanded", float64(r.Expanded)/3, want[0], 6e-3)
		near(t, d.String()+" one-sided", float64(r.OneSided)/3, want[1], 6e-3)
	}
}

// TestRepeatable: two runs of the same budget give the same figures.
func TestRepeatable(t *testing.T) {
	b := uncertainty.Budget{{Name: "only", Value: 3, Distribution: uncertainty.UShaped}}
	a, _ := b.Combine(0.95)
	c, _ := b.Combine(0.95)
	if a.Expanded != c.Expanded {
		t.Errorf("%v then %v", a.Expanded, c.Expanded)
	}
}

func TestComponentErrors(t *testing.T) {
	good := uncertainty.Component{Name: "scale", Value: 1, Distribution: uncertainty.Rectangular}
	for says, change := range map[string]func(c *uncertainty.Component){
		"without a name":       func(c *uncertainty.Component) { c.Name = "" },
		"give a finite value":  func(c *uncertainty.Component) { c.Value = -1 },
		"no distribution":      func(c *uncertainty.Component) { c.Distribution = 0 },
		"divisor -2":           func(c *uncertainty.Component) { c.Divisor = -2 },
		"does not belong":      func(c *uncertainty.Component) { c.Divisor = 2 },
		"degrees of freedom":   func(c *uncertainty.Component) { c.DoF = 0.5 },
		"side 9":               func(c *uncertainty.Component) { c.Side = 9 },
		"correlation 2":        func(c *uncertainty.Component) { c.Common, c.Correlation = "x", 2 },
		"without a common":     func(c *uncertainty.Component) { c.Correlation = 1 },
		"on the difference":    func(c *uncertainty.Component) { c.Common = "x" },
		"give a finite value ": func(c *uncertainty.Component) { c.Value = unit.DB(math.NaN()) },
	} {
		c := good
		change(&c)
		if _, err := (uncertainty.Budget{c}).Combine(0.95); err == nil || !strings.Contains(err.Error(), strings.TrimSpace(says)) {
			t.Errorf("want an error saying %q, got %v", says, err)
		}
	}
	if _, err := (uncertainty.Budget{good}).Combine(95); err == nil {
		t.Error("a coverage of 95 was accepted")
	}
	r, err := uncertainty.Budget{}.Combine(0.95)
	if err != nil || r.Standard != 0 || r.Expanded != 0 {
		t.Errorf("empty budget: %+v %v", r, err)
	}
	for _, d := range []uncertainty.Distribution{uncertainty.Normal, uncertainty.Rectangular, uncertainty.Triangular, uncertainty.UShaped} {
		if got, err := uncertainty.ParseDistribution(d.String()); err != nil || got != d {
			t.Errorf("%v: %v %v", d, got, err)
		}
	}
	if _, err := uncertainty.ParseDistribution("gauss"); err == nil {
		t.Error("gauss was accepted")
	}
}

func TestRepeatability(t *testing.T) {
	r, err := uncertainty.Repeatability([]unit.DBm{0, -10, -20})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean in power", float64(r.Mean), -4.318, 6e-4)
	near(t, "SD in dB", float64(r.SD), 10, 1e-12)
	near(t, "of the mean", float64(r.Standard), 10/math.Sqrt(3), 1e-12)
	for _, bad := range [][]unit.DBm{nil, {1}, {1, unit.Missing()}, {1, unit.DBm(math.Inf(-1))}} {
		if _, err := uncertainty.Repeatability(bad); err == nil {
			t.Errorf("%v was accepted", bad)
		}
	}
	sd, dof := uncertainty.PooledSD([]uncertainty.Repeats{{SD: 1, DoF: 4}, {SD: 2, DoF: 1}})
	near(t, "pooled", float64(sd), math.Sqrt(8./5), 1e-12)
	near(t, "pooled dof", dof, 5, 0)
}

func TestBench(t *testing.T) {
	full, err := uncertainty.Bench{}.Budget(uncertainty.Point{Noise: 0.3})
	if err != nil {
		t.Fatal(err)
	}
	if len(full) != 11 {
		t.Errorf("%d entries, want 11: %+v", len(full), full)
	}
	wide, err := full.Combine(0.95)
	if err != nil {
		t.Fatal(err)
	}
	b := uncertainty.Bench{
		Linearity: 0.4, Switching: 0.5, SourceDrift: 0.2, Position: uncertainty.Zero,
		SourceVSWR: 1, AntennaVSWR: 2, AnalyzerVSWR: 1.5,
	}
	rep, _ := uncertainty.Repeatability([]unit.DBm{-20, -20.2, -19.9})
	known, err := b.Budget(uncertainty.Point{Reference: rep, Enclosed: rep, SameSettings: true})
	if err != nil {
		t.Fatal(err)
	}
	names := ""
	for _, c := range known {
		names += c.Name + ";"
	}
	for _, gone := range []string{"position", "switching", "source to antenna", "noise"} {
		if strings.Contains(names, gone) {
			t.Errorf("%s is in the budget: %s", gone, names)
		}
	}
	narrow, err := known.Combine(0.95)
	if err != nil {
		t.Fatal(err)
	}
	if narrow.Standard >= wide.Standard {
		t.Errorf("a characterised bench is no better: %v against %v", narrow.Standard, wide.Standard)
	}
	for says, bad := range map[string]uncertainty.Bench{
		"VSWR 0.5":      {SourceVSWR: 0.5},
		"linearity -3":  {Linearity: -3},
		"distribution":  {Extra: []uncertainty.Component{{Name: "door"}}},
		"position +Inf": {Position: unit.DB(math.Inf(1))},
	} {
		if _, err := bad.Budget(uncertainty.Point{}); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("want an error saying %q, got %v", says, err)
		}
	}
	if _, err := (uncertainty.Bench{}).Budget(uncertainty.Point{Noise: -1}); err == nil {
		t.Error("a negative noise was accepted")
	}
}

func TestEquationErrors(t *testing.T) {
	one := func(x []float64) float64 { return x[0] }
	in := []uncertainty.Input{{Estimate: 1, Standard: 1}, {Estimate: 1, Standard: 1}}
	for _, c := range []struct {
		in []uncertainty.Input
		r  [][]float64
	}{
		{nil, nil},
		{in, [][]float64{{1}}},
		{in, [][]float64{{1, 0}, {2, 1}}},
		{in, [][]float64{{1, 0}, {1}}},
		{[]uncertainty.Input{{Estimate: math.NaN()}}, nil},
	} {
		if _, err := uncertainty.FirstOrder(c.in, c.r, one); err == nil {
			t.Errorf("%+v was accepted", c)
		}
	}
	for _, s := range [][][]float64{nil, {{1}}, {{1, 2}, {1}}} {
		if _, err := uncertainty.Simultaneous(s); err == nil {
			t.Errorf("%v was accepted", s)
		}
	}
}

// TestBudgetProperties: a further component never narrows, common causes never widen,
// the one-sided figure is below the two-sided one.
func TestBudgetProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.Float64Range(0.01, 2)
		b := uncertainty.Budget{
			{Name: "a", Value: unit.DB(u.Draw(t, "a")), Distribution: uncertainty.Normal, DoF: rapid.Float64Range(1, 50).Draw(t, "dof"), Side: uncertainty.Reference},
			{Name: "b", Value: unit.DB(u.Draw(t, "b")), Distribution: uncertainty.Normal, Side: uncertainty.Enclosed},
		}
		apart, err := b.Combine(0.95)
		if err != nil {
			t.Fatal(err)
		}
		for i := range b {
			b[i].Common, b[i].Correlation = "cable", rapid.Float64Range(0, 1).Draw(t, "rho")
		}
		common, err := b.Combine(0.95)
		if err != nil {
			t.Fatal(err)
		}
		if common.Standard > apart.Standard {
			t.Fatalf("a common cause widens: %v over %v", common.Standard, apart.Standard)
		}
		more, err := append(b, uncertainty.Component{Name: "c", Value: unit.DB(u.Draw(t, "c")), Distribution: uncertainty.Normal}).Combine(0.95)
		if err != nil {
			t.Fatal(err)
		}
		if more.Standard < common.Standard || more.OneSided > more.Expanded {
			t.Fatalf("%+v then %+v", common, more)
		}
		low, high := more.Interval(60)
		if !(low <= more.LowerBound(60) && more.LowerBound(60) <= 60 && 60 <= high) {
			t.Fatalf("order: %v %v %v", low, more.LowerBound(60), high)
		}
	})
}

// TestDraws: mean and standard deviation of every law.
func TestDraws(t *testing.T) {
	for name, c := range map[string]struct {
		d  uncertainty.Draw
		sd float64
	}{
		"normal":      {uncertainty.NormalDraw(1, 2), 2},
		"rectangular": {uncertainty.RectangularDraw(-1, 3), 2 / math.Sqrt(3)},
		"triangular":  {uncertainty.TriangularDraw(1, 2), 2 / math.Sqrt(6)},
		"U-shaped":    {uncertainty.UShapedDraw(1, 2), math.Sqrt2},
		"t":           {uncertainty.TDraw(1, 2, 10), 2 * math.Sqrt(10./8)},
	} {
		s := uncertainty.Propagate(100000, []uncertainty.Draw{c.d}, func(x []float64) float64 { return x[0] })
		near(t, name+" mean", s.Mean(), 1, 0.03)
		near(t, name+" SD", s.SD(), c.sd, 0.03)
	}
	// Quantile of the t variate against the t law.
	r := rand.New(rand.NewPCG(1, 1))
	d, below := uncertainty.TDraw(0, 1, 4), 0
	for range 50000 {
		if d(r) < uncertainty.OneSidedT(0.95, 4) {
			below++
		}
	}
	near(t, "t quantile", float64(below)/50000, 0.95, 0.004)
}

func BenchmarkCombine(b *testing.B) {
	full, err := uncertainty.Bench{}.Budget(uncertainty.Point{})
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := full.Combine(0.95); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCombineMonteCarlo(b *testing.B) {
	one := uncertainty.Budget{{Name: "only", Value: 3, Distribution: uncertainty.UShaped}, {Name: "noise", Value: 0.5, Distribution: uncertainty.Normal}}
	for b.Loop() {
		if _, err := one.Combine(0.95); err != nil {
			b.Fatal(err)
		}
	}
}

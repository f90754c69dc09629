package uncertainty_test

import (
	"fmt"
	"math"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep/uncertainty"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.7g, want %.7g ± %g", what, got, want, tol)
	}
}

// TestStudent: NIST TN 1297 table B.1, column 95.45 %; further digits computed.
func TestStudent(t *testing.T) {
	for nu, want := range map[float64]float64{1: 13.97, 2: 4.53, 3: 3.31, 4: 2.87, 5: 2.65, 8: 2.37, 10: 2.28, 16: 2.17, 20: 2.13, 50: 2.05} {
		near(t, fmt.Sprint("t at 95.45 %, dof ", nu), uncertainty.StudentT(0.9545, nu), want, 6e-3)
	}
	near(t, "normal", uncertainty.StudentT(0.95, math.Inf(1)), 1.959964, 1e-6)
	near(t, "one-sided", uncertainty.OneSidedT(0.95, math.Inf(1)), 1.644854, 1e-6)
	near(t, "99 %, 16", uncertainty.StudentT(0.99, 16), 2.92, 5e-3) // GUM H.1.6
	near(t, "large", uncertainty.StudentT(0.95, 1e7), 1.959964, 1e-5)
	for _, v := range []float64{uncertainty.StudentT(1, 3), uncertainty.StudentT(0.9, 0), uncertainty.OneSidedT(0.5, 3)} {
		if !math.IsNaN(v) {
			t.Errorf("outside the domain: %g", v)
		}
	}
}

// TestGUMH1: end-gauge calibration, JCGM 100:2008 H.1 (published: l = 50.000838 mm,
// u_c 32 nm, ν_eff 16, U99 93 nm with the rounded u_c; second order 34 nm).
func TestGUMH1(t *testing.T) {
	inf := math.Inf(1)
	d := []float64{5.8, 3.9, 6.7}
	ud := math.Sqrt(d[0]*d[0] + d[1]*d[1] + d[2]*d[2])
	nud := ud * ud * ud * ud / (math.Pow(d[0], 4)/24 + math.Pow(d[1], 4)/5 + math.Pow(d[2], 4)/8)
	near(t, "dof of d", nud, 25.4, 0.3)
	near(t, "rounded down", uncertainty.Effective(ud, d, []float64{24, 5, 8}), 25, 0)
	theta := math.Sqrt(0.2*0.2 + 0.5*0.5/2)
	near(t, "u(θ)", theta, 0.41, 5e-3)
	// nm; δα and α per kelvin, θ and δθ in kelvin.
	in := []uncertainty.Input{
		{Estimate: 50000623, Standard: 25, DoF: 18},
		{Estimate: 215, Standard: ud, DoF: nud},
		{Estimate: 0, Standard: 1e-6 / math.Sqrt(3), DoF: 50},
		{Estimate: -0.1, Standard: theta, DoF: inf},
		{Estimate: 11.5e-6, Standard: 2e-6 / math.Sqrt(3), DoF: inf},
		{Estimate: 0, Standard: 0.05 / math.Sqrt(3), DoF: 2},
	}
	model := func(x []float64) float64 { return x[0] + x[1] - x[0]*(x[2]*x[3]+x[4]*x[5]) }
	out, err := uncertainty.FirstOrder(in, nil, model)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "l (mm)", out.Value*1e-6, 50.000838, 1e-6)
	for i, want := range map[int]float64{0: 25, 1: 9.7, 2: 2.9, 3: 0, 4: 0, 5: 16.6} {
		near(t, fmt.Sprint("term ", i), math.Abs(out.Sensitivities[i])*in[i].Standard, want, 0.06)
	}
	near(t, "u_c", out.Standard, 31.66, 0.03)
	near(t, "dof", out.DoF, 16.75, 0.1)
	k := uncertainty.StudentT(0.99, math.Floor(out.DoF))
	near(t, "U99", k*out.Standard, 92.5, 0.3)
	near(t, "U99 from the rounded u_c", k*32, 93, 0.6)
	near(t, "second order", math.Sqrt(out.Standard*out.Standard+uncertainty.SecondOrder(in, model)), 34, 0.5)
}

// TestGUMH2: resistance and reactance from simultaneous repeats, JCGM 100:2008 H.2
// (published: R 127.732 u 0.071, X 219.847 u 0.295, Z 254.260 u 0.236; correlations
// −0.588, −0.485, 0.993). The data are from memory, check against your copy.
func TestGUMH2(t *testing.T) {
	m, err := uncertainty.Simultaneous([][]float64{
		{5.007, 4.994, 5.005, 4.990, 4.999},
		{19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3},
		{1.0456, 1.0438, 1.0468, 1.0428, 1.0433},
	})
	if err != nil {
		t.Fatal(err)
	}
	var out []uncertainty.Output
	for _, c := range []struct {
		f        func(x []float64) float64
		value, u float64
	}{
		{func(x []float64) float64 { return x[0] / x[1] * math.Cos(x[2]) }, 127.732, 0.071},
		{func(x []float64) float64 { return x[0] / x[1] * math.Sin(x[2]) }, 219.847, 0.2955},
		{func(x []float64) float64 { return x[0] / x[1] }, 254.260, 0.236},
	} {
		o, err := uncertainty.FirstOrder(m.Inputs, m.Correlation, c.f)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "value", o.Value, c.value, 6e-4)
		near(t, "u", o.Standard, c.u, 6e-4)
		out = append(out, o)
	}
	near(t, "r(R,X)", uncertainty.CorrelationOf(out[0], out[1], m.Inputs, m.Correlation), -0.588, 1.5e-3)
	near(t, "r(R,Z)", uncertainty.CorrelationOf(out[0], out[2], m.Inputs, m.Correlation), -0.485, 1.5e-3)
	near(t, "r(X,Z)", uncertainty.CorrelationOf(out[1], out[2], m.Inputs, m.Correlation), 0.993, 1e-3)
}

// TestEA402S7: step attenuator, a difference of decibels, EA-4/02 M:2013 S7 (result
// 30.043 dB, u 0.0224, ν 108, U 0.045). The list of components is from memory, check
// against your copy; hence the tolerances of 0.0002 dB and ±8.
func TestEA402S7(t *testing.T) {
	readings := []unit.DBm{30.033, 30.058, 30.018, 30.052}
	r, err := uncertainty.Repeatability(readings)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u of the mean", float64(r.Standard), 0.00913, 2e-5)
	b := uncertainty.Budget{r.Component("readings", uncertainty.Difference)}
	for i, u := range []unit.DB{0.0025, 0.0011, 0.0200, 0.0017, 0.0003, 0.0019, 0.0020, 0.0020} {
		b = append(b, uncertainty.Component{Name: fmt.Sprint("component ", i+1), Value: u, Distribution: uncertainty.Normal})
	}
	res, err := b.Combine(0.9545)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", float64(r.Mean)+0.003, 30.04325, 2e-4)
	near(t, "u", float64(res.Standard), 0.02242, 2e-4)
	near(t, "dof", res.DoF, 108, 8)
	near(t, "U(k=2)", float64(res.ExpandedWith(2)), 0.045, 5e-4)
}

// TestJCGM101Additive: JCGM 101:2008 9.2.2 to 9.2.4.
func TestJCGM101Additive(t *testing.T) {
	sum := func(x []float64) float64 { return x[0] + x[1] + x[2] + x[3] }
	s3 := math.Sqrt(3)
	n, r, w := uncertainty.NormalDraw(0, 1), uncertainty.RectangularDraw(-s3, s3), uncertainty.RectangularDraw(-10*s3, 10*s3)
	for _, c := range []struct {
		name      string
		in        []uncertainty.Draw
		u, half   float64
		uTol, tol float64
	}{
		{"four normal", []uncertainty.Draw{n, n, n, n}, 2, 3.92, 0.01, 0.03},
		{"four rectangular", []uncertainty.Draw{r, r, r, r}, 2, 2 * s3 * (2 - math.Pow(0.6, 0.25)), 0.01, 0.03},
		{"one wide rectangular", []uncertainty.Draw{r, r, r, w}, 10.149, 17.0, 0.05, 0.1},
	} {
		s := uncertainty.Propagate(300000, c.in, sum)
		lo, hi := s.Symmetric(0.95)
		near(t, c.name+" u", s.SD(), c.u, c.uTol)
		near(t, c.name+" low", lo, -c.half, c.tol)
		near(t, c.name+" high", hi, c.half, c.tol)
	}
	// The same three cases as budgets: the last is dominated and goes to Monte Carlo.
	rect := func(name string, half float64) uncertainty.Component {
		return uncertainty.Component{Name: name, Value: unit.DB(half), Distribution: uncertainty.Rectangular}
	}
	b := uncertainty.Budget{rect("a", s3), rect("b", s3), rect("c", s3), rect("d", 10*s3)}
	res, err := b.Combine(0.95)
	if err != nil {
		t.Fatal(err)
	}
	if res.Method != uncertainty.MonteCarlo {
		t.Errorf("method %v", res.Method)
	}
	near(t, "expanded", float64(res.Expanded), 17.0, 0.1)
	b[3] = rect("d", s3)
	if res, _ = b.Combine(0.95); res.Method != uncertainty.GUM {
		t.Errorf("method %v", res.Method)
	}
	near(t, "GUM expanded", float64(res.Expanded), 3.92, 1e-3)
}

// TestJCGM101Mass: JCGM 101:2008 9.3 (published: 1.2341 mg, u 0.0754, [1.0834, 1.3825];
// first order u 0.0539, [1.1285, 1.3395]).
func TestJCGM101Mass(t *testing.T) {
	model := func(x []float64) float64 {
		return (x[0]+x[1])*(1+(x[2]-1.2)*(1/x[3]-1/x[4])) - 100000
	}
	in := []uncertainty.Draw{
		uncertainty.NormalDraw(100000, 0.05), uncertainty.NormalDraw(1.234, 0.02),
		uncertainty.RectangularDraw(1.10, 1.30), uncertainty.RectangularDraw(7000, 9000), uncertainty.RectangularDraw(7950, 8050),
	}
	a := uncertainty.PropagateAdaptive(0.95, 0.002, 200, in, model)
	if !a.Stable || a.Trials >= 200*10000 {
		t.Errorf("not stable after %d trials", a.Trials)
	}
	near(t, "mean", a.Mean, 1.2341, 0.002)
	near(t, "u", a.SD, 0.0754, 0.001)
	near(t, "low", a.Low, 1.0834, 0.003)
	near(t, "high", a.High, 1.3825, 0.003)
	first, err := uncertainty.FirstOrder([]uncertainty.Input{
		{Estimate: 100000, Standard: 0.05}, {Estimate: 1.234, Standard: 0.02},
		{Estimate: 1.2, Standard: 0.1 / math.Sqrt(3)}, {Estimate: 8000, Standard: 1000 / math.Sqrt(3)}, {Estimate: 8000, Standard: 50 / math.Sqrt(3)},
	}, nil, model)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "first-order u", first.Standard, 0.0539, 1e-4)
	near(t, "first-order low", first.Value-1.959964*first.Standard, 1.1285, 5e-4)
	near(t, "first-order high", first.Value+1.959964*first.Standard, 1.3395, 5e-4)
	hopeless := uncertainty.PropagateAdaptive(0.95, 1e-9, 3, in, model)
	if hopeless.Stable || hopeless.Trials != 30000 {
		t.Errorf("a tolerance out of reach was reached: %+v", hopeless)
	}
}

// TestJCGM101Loss: comparison loss X1² + X2², JCGM 101:2008 9.4.
func TestJCGM101Loss(t *testing.T) {
	model := func(x []float64) float64 { return x[0]*x[0] + x[1]*x[1] }
	for _, c := range []struct{ x1, mean, u float64 }{{0, 5e-5, 5e-5}, {0.010, 1.5e-4, 1.118e-4}, {0.050, 2.55e-3, 5.025e-4}} {
		s := uncertainty.Propagate(300000, []uncertainty.Draw{uncertainty.NormalDraw(c.x1, 0.005), uncertainty.NormalDraw(0, 0.005)}, model)
		near(t, "mean", s.Mean(), c.mean, c.mean*0.01)
		near(t, "u", s.SD(), c.u, c.u*0.01)
		if c.x1 == 0 {
			lo, hi := s.Shortest(0.95)
			near(t, "shortest low", lo, 0, 2e-6)
			near(t, "shortest high", hi, 1.498e-4, 2e-6)
			first, _ := uncertainty.FirstOrder([]uncertainty.Input{{Estimate: 0, Standard: 0.005}, {Estimate: 0, Standard: 0.005}}, nil, model)
			near(t, "first order fails", first.Standard, 0, 1e-12)
		}
	}
}

// TestMismatch: limits 20·lg(1 ± |Γ1Γ2|), U-shaped, after UKAS LAB 34 and EA practice;
// 1.2 against 1.4 is ±0.13 dB in an application note.
func TestMismatch(t *testing.T) {
	for _, r := range []struct{ a, b, plus, minus, u float64 }{
		{1.2, 1.4, 0.1306, 0.1326, 0.0938}, {1.5, 1.5, 0.3407, 0.3546, 0.2507},
		{2, 1.5, 0.5606, 0.5993, 0.4237}, {2, 2, 0.9151, 1.0231, 0.7234}, {3, 1.5, 0.8279, 0.9151, 0.6471},
	} {
		g1, _ := uncertainty.Reflection(r.a)
		g2, _ := uncertainty.Reflection(r.b)
		plus, minus, err := uncertainty.Mismatch(g1, g2)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "plus", float64(plus), r.plus, 6e-5)
		near(t, "minus", float64(minus), r.minus, 6e-5)
		c, err := uncertainty.MismatchComponent("m", uncertainty.Reference, r.a, r.b)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "u", float64(c.Standard()), r.u, 6e-5)
	}
	pad := uncertainty.Padded(0.5, 6)
	near(t, "through 6 dB", pad, 0.126, 6e-4)
	_, before, _ := uncertainty.Mismatch(0.5, 0.2)
	near(t, "before the pad", float64(before), 0.915, 6e-3)
	_, after, _ := uncertainty.Mismatch(pad, 0.2)
	near(t, "after the pad", float64(after), 0.22, 6e-3)
}

// TestSyntheticSE: an SE budget with every kind of entry, computed.
func TestSyntheticSE(t *testing.T) {
	n5 := math.Sqrt(5)
	b := uncertainty.Budget{
		{Name: "reference repeats", Value: unit.DB(0.3 / n5), Distribution: uncertainty.Normal, DoF: 4, Side: uncertainty.Reference},
		{Name: "enclosed repeats", Value: unit.DB(0.6 / n5), Distribution: uncertainty.Normal, DoF: 4, Side: uncertainty.Enclosed},
		{Name: "scale", Value: 0.4, Distribution: uncertainty.Rectangular},
		{Name: "attenuator switching", Value: 0.5, Distribution: uncertainty.Rectangular},
		{Name: "source drift", Value: 0.2, Distribution: uncertainty.Rectangular},
		{Name: "mismatch, reference", Value: 0.5992, Distribution: uncertainty.UShaped, Side: uncertainty.Reference},
		{Name: "mismatch, enclosed", Value: 0.5992, Distribution: uncertainty.UShaped, Side: uncertainty.Enclosed},
		{Name: "position", Value: 1, Distribution: uncertainty.Rectangular},
		{Name: "noise", Value: 0.30, Distribution: uncertainty.Normal, Side: uncertainty.Enclosed},
	}
	for i, want := range []float64{0.1342, 0.2683, 0.2309, 0.2887, 0.1155, 0.4237, 0.4237, 0.5774, 0.30} {
		near(t, b[i].Name, float64(b[i].Standard()), want, 6e-5)
	}
	r, err := b.Combine(0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u_c", float64(r.Standard), 1.0111, 1e-4)
	near(t, "dof", r.DoF, 759, 1)
	near(t, "U(k=2)", float64(r.ExpandedWith(2)), 2.022, 6e-4)
	near(t, "one-sided", float64(r.OneSided), 1.663, 3e-3) // 1.645·u_c; the t law adds 0.002
	near(t, "lower bound", float64(r.LowerBound(80)), 80-1.665, 3e-3)
	var shares float64
	for _, row := range r.Rows {
		shares += row.Share
		if len(row.Cells()) != len(uncertainty.Header()) {
			t.Fatal("a row does not fit the header")
		}
	}
	near(t, "shares", shares, 1, 1e-12)
	if r.Rows[0].Name != "position" {
		t.Errorf("largest row is %s", r.Rows[0].Name)
	}
}

// TestFieldStrength: a field-strength budget in the manner of CISPR 16-4-2, first edition
// (standard uncertainties from memory, check against your copy): 2.524 dB, U 5.05 dB.
func TestFieldStrength(t *testing.T) {
	var b uncertainty.Budget
	for i, u := range []unit.DB{0.10, 0.05, 1.00, 0.50, 0.87, 0.87, 0.25, 0.67, 0.17, 0.58, 0.17, 1.63, 0.17, 0.05} {
		b = append(b, uncertainty.Component{Name: fmt.Sprint("entry ", i+1), Value: u, Distribution: uncertainty.Normal})
	}
	r, err := b.Combine(0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u_c", float64(r.Standard), 2.524, 6e-4)
	near(t, "U", float64(r.ExpandedWith(2)), 5.05, 6e-3)
}

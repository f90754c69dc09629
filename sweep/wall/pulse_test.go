package wall_test

import (
	"math"
	"math/cmplx"
	"runtime"
	"strings"
	"sync"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep/wall"
)

func TestPulse(t *testing.T) {
	t.Parallel()
	p := wall.EarlyTime()
	peak, at := p.Peak()
	n := p.Norms()
	table(t, "pulse.csv", func(r row) (got, want, tol float64) {
		f := r.hz("freq_hz")
		switch r.text("quantity") {
		case "peak_v_per_m":
			got = peak
		case "peak_at_ns":
			got = at * 1e9
		case "peak_h_a_per_m":
			got = peak / 376.7303
		case "rise_ns":
			got = p.RiseTime() * 1e9
		case "half_width_ns":
			got = p.HalfWidth() * 1e9
		case "action":
			got = n.RootAction * n.RootAction
		case "energy":
			got = p.Energy()
		case "integral":
			got = n.Impulse
		case "max_rate":
			got = n.PeakRate
		case "corner_low_mhz":
			got = p.Alpha / (2 * math.Pi) / 1e6
		case "corner_high_mhz":
			got = p.Beta / (2 * math.Pi) / 1e6
		case "root_action":
			got = n.RootAction
		case "spectrum":
			got = p.Magnitude(f)
			if d := cmplx.Abs(p.Spectrum(f)); math.Abs(d-got) > 1e-9*got {
				t.Errorf("|spectrum| %g and magnitude %g differ", d, got)
			}
		case "energy_below":
			got = p.EnergyBelow(f)
		case "energy_100k_100M":
			got = p.EnergyBelow(100e6) - p.EnergyBelow(100e3)
		case "peak_bound":
			got = p.PeakBound()
		}
		want = r.num("want")
		return got, want, rel(want, r.num("tolerance_rel"))
	})
}

// transfers are shields whose answer to the pulse is known in closed form.
func transfer(t *testing.T, name string, x float64) func(s complex128) complex128 {
	tau := complex(x, 0)
	switch name {
	case "flat":
		return func(complex128) complex128 { return complex(math.Pow(10, -x/20), 0) }
	case "lowpass":
		return func(s complex128) complex128 { return 1 / (1 + s*tau) }
	case "highpass":
		return func(s complex128) complex128 { return s * tau / (1 + s*tau) }
	case "lead":
		return func(s complex128) complex128 { return 0.001 * (1 + s*100e-9) / (1 + s*1e-9) }
	}
	t.Fatalf("unknown transfer %q", name)
	return nil
}

func curveOf(from, to unit.Hz, g func(s complex128) complex128) []wall.CurvePoint {
	const perDecade = 200
	n := int(math.Ceil(perDecade * math.Log10(float64(to/from))))
	var out []wall.CurvePoint
	for i := range n + 1 {
		f := float64(from) * math.Pow(float64(to/from), float64(i)/float64(n))
		out = append(out, wall.CurvePoint{Freq: unit.Hz(f), SE: unit.DB(-20 * math.Log10(cmplx.Abs(g(complex(0, 2*math.Pi*f)))))})
	}
	return out
}

// shielded is one case of residual.csv: a shield and the span of the sweep.
type shielded struct{ name, param, from, to string }

func shieldedOf(r row) shielded {
	return shielded{r.text("transfer"), r.text("parameter"), r.text("from_hz"), r.text("to_hz")}
}

func TestPulseBehindAShield(t *testing.T) {
	t.Parallel()
	p := wall.EarlyTime()
	curves, estimate := map[shielded][]wall.CurvePoint{}, map[shielded]bool{}
	table(t, "residual.csv", func(r row) (got, want, tol float64) {
		k := shieldedOf(r)
		curves[k] = curveOf(r.hz("from_hz"), r.hz("to_hz"), transfer(t, k.name, r.num("parameter")))
		estimate[k] = estimate[k] || strings.HasPrefix(r.text("quantity"), "peak")
		return r.num("want"), r.num("want"), r.num("tolerance_rel")
	})
	// The reconstructions are millions of samples each: one a processor at a time.
	var mu sync.Mutex
	var wg sync.WaitGroup
	free := make(chan struct{}, runtime.GOMAXPROCS(0))
	done := map[shielded]wall.Residual{}
	for k, curve := range curves {
		behind := estimate[k] && (!underRace || k.name == "flat")
		wg.Go(func() {
			free <- struct{}{}
			defer func() { <-free }()
			res, err := p.Bounds(curve)
			if behind {
				res, err = p.Behind(curve, wall.PowerLaw)
			}
			if err != nil {
				t.Error(err)
			}
			if res.MinimumPhase.Peak > res.PeakBound+res.OmittedBelow+res.OmittedAbove {
				t.Errorf("%v: the estimate %g is above the rigorous bound %g", k, res.MinimumPhase.Peak, res.PeakBound)
			}
			mu.Lock()
			defer mu.Unlock()
			done[k] = res
		})
	}
	wg.Wait()
	table(t, "residual.csv", func(r row) (got, want, tol float64) {
		k := shieldedOf(r)
		res := done[k]
		r.num("parameter")
		want = r.num("want")
		tol = rel(want, r.num("tolerance_rel"))
		switch q := r.text("quantity"); {
		case q == "bound":
			got = res.PeakBound
		case q == "energy":
			got = res.Energy
		case underRace && k.name != "flat":
			got = want
		case q == "peak":
			got = res.MinimumPhase.Peak
		case q == "peak_h":
			got = res.MinimumPhase.Peak / 376.7303
		}
		return got, want, tol
	})
}

// The energy of the reconstructed waveform equals the energy from the
// magnitude alone (Parseval), whatever the phase.
func TestMinimumPhaseKeepsTheEnergy(t *testing.T) {
	t.Parallel()
	if underRace {
		t.Skip("pure arithmetic over millions of samples: run without the race detector")
	}
	p := wall.EarlyTime()
	res, err := p.Behind(curveOf(1e3, 1e11, transfer(t, "lowpass", 30e-9)), wall.Flat)
	if err != nil {
		t.Fatal(err)
	}
	got, want := res.MinimumPhase.RootAction*res.MinimumPhase.RootAction/376.7303, res.Energy
	if math.Abs(got-want) > 2e-3*want {
		t.Errorf("energy of the waveform %g, of the spectrum %g", got, want)
	}
}

func TestResidualSaysWhatItOmits(t *testing.T) {
	t.Parallel()
	p := wall.EarlyTime()
	curve := []wall.CurvePoint{{Freq: 100e3, SE: 40}, {Freq: 10e6, SE: 60, Bound: true}, {Freq: 100e6, SE: 60}}
	r, err := p.Behind(curve, wall.Flat)
	if err != nil {
		t.Fatal(err)
	}
	if r.BoundPoints != 1 || r.ValuePoints != 2 {
		t.Errorf("points %d bounds and %d values", r.BoundPoints, r.ValuePoints)
	}
	// the content left out and the content inside add up to the bound without a shield
	flat, err := p.Bounds([]wall.CurvePoint{{Freq: 100e3}, {Freq: 100e6}})
	if err != nil {
		t.Fatal(err)
	}
	if sum := flat.PeakBound + flat.OmittedBelow + flat.OmittedAbove; math.Abs(sum-p.PeakBound()) > 1e-4*sum {
		t.Errorf("inside and omitted give %g, want %g", sum, p.PeakBound())
	}
	if e := 1 - r.EnergyBelow - r.EnergyAbove; math.Abs(e-0.9806) > 2e-4 {
		t.Errorf("energy inside the sweep %.4f, want 0.9806", e)
	}
	all := strings.Join(r.Notes, "\n")
	for _, want := range []string{"100 kHz to 100 MHz", "could come on top", "minimum-phase estimate ignores", "1 of 3 points are lower bounds"} {
		if !strings.Contains(all, want) {
			t.Errorf("notes miss %q:\n%s", want, all)
		}
	}
}

func TestResidualRefusesBadCurves(t *testing.T) {
	t.Parallel()
	p := wall.EarlyTime()
	for want, curve := range map[string][]wall.CurvePoint{
		"at least two points":         {{Freq: 1e6, SE: 40}},
		"need a frequency above zero": {{Freq: 0, SE: 40}, {Freq: 1e6, SE: 40}},
		"does not rise above":         {{Freq: 1e6, SE: 40}, {Freq: 1e6, SE: 40}},
		"is no usable number":         {{Freq: 1e6, SE: unit.DB(math.NaN())}, {Freq: 2e6, SE: 40}},
	} {
		if _, err := p.Behind(curve, wall.PowerLaw); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want %q", err, want)
		}
	}
}

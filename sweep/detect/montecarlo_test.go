package detect_test

import (
	"math"
	"math/rand/v2"
	"sort"
	"sync"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep/detect"
)

// reading simulates one reading of k looks at a carrier of power s in noise of mean
// power nu: circular Gaussian noise added to a fixed phasor.
func reading(r *rand.Rand, d detect.Detector, k int, s, nu float64) float64 {
	var sum, top float64
	a, g := math.Sqrt(s), math.Sqrt(nu/2)
	for range k {
		x, y := a+g*r.NormFloat64(), g*r.NormFloat64()
		p := x*x + y*y
		switch d {
		case detect.LogAverage:
			sum += math.Log(p)
		case detect.VoltageAverage:
			sum += math.Sqrt(p)
		default:
			sum += p
			top = math.Max(top, p)
		}
	}
	m := sum / float64(k)
	switch d {
	case detect.LogAverage:
		return math.Exp(m)
	case detect.VoltageAverage:
		return m * m
	case detect.PositivePeak, detect.MaxHold:
		return top
	}
	return m
}

// binomialSlack is how much a share of n trials at probability p may be on the wrong
// side by chance: 3 standard deviations.
func binomialSlack(p float64, n int) float64 {
	return 3 * math.Sqrt(p*(1-p)/float64(n))
}

// TestHonestBounds simulates points with an SE of 0 to 120 dB, 5 to 200 looks and a
// floor that differs by up to 0.5 dB between on and off, for every detector.
func TestHonestBounds(t *testing.T) {
	const (
		points    = 700 // per detector, 4,200 in all
		reference = -60 // dBm
		noise     = -120
		noSignal  = 300 // further points without a signal, per detector
	)
	rule := detect.DefaultRule(60)
	rule.Drift = 0.5
	for i, d := range detect.Detectors() {
		t.Run(d.String(), func(t *testing.T) {
			t.Parallel()
			r := rand.New(rand.NewPCG(uint64(i)+1, 20240))
			looks := func() int { return int(math.Round(5 * math.Pow(40, r.Float64()))) }
			judge := func(s float64) detect.Finding {
				nu := lin(noise)
				drift := lin(r.Float64() - 0.5)
				k, m := looks(), looks()
				return detect.Judge(
					detect.Looks{Mean: reading(r, d, k, s, nu*drift), N: float64(k), Detector: d},
					detect.Looks{Mean: reading(r, d, m, 0, nu), N: float64(m), Detector: d}, rule)
			}
			var bounds, held, measured, covered, inside int
			for range points {
				se := 120 * r.Float64()
				s := lin(reference - se)
				f := judge(s)
				if !f.Judged() {
					t.Fatalf("no judgement: %s", f.Reason)
				}
				bounds++
				if float64(f.Limit) >= dB(s) {
					held++
				}
				if !f.Level.IsMissing() {
					measured++
					if float64(f.Low) <= dB(s) && dB(s) <= float64(f.High) {
						covered++
					}
					if f.Low <= f.Level && f.Level <= f.High {
						inside++
					}
				}
			}
			if share := float64(held) / float64(bounds); share < 0.945 {
				t.Errorf("limits hold in %.4f of %d points, want 0.945", share, bounds)
			}
			if share := float64(covered) / float64(measured); share < 0.94 || measured < points/4 {
				t.Errorf("intervals cover in %.4f of %d measured points, want 0.94", share, measured)
			}
			if inside != measured {
				t.Errorf("%d levels lie outside their own interval", measured-inside)
			}
			alpha := detect.PerPoint(rule.FamilyAlpha, rule.Points)
			found := 0
			for range noSignal {
				if judge(0).Present {
					found++
				}
			}
			if share := float64(found) / noSignal; share > alpha+binomialSlack(alpha, noSignal) {
				t.Errorf("%d of %d points without a signal are present, stated rate %.2g", found, noSignal, alpha)
			}
			t.Logf("limits %.4f, intervals %.4f of %d, false %d of %d", float64(held)/points, float64(covered)/float64(measured), measured, found, noSignal)
		})
	}
}

// TestFalseAlarms states a rate of 5 % at one point, so that it can be seen from
// both sides, without drift; several bins included.
func TestFalseAlarms(t *testing.T) {
	t.Parallel()
	rule := detect.DefaultRule(1)
	const n = 600
	for i, c := range []struct {
		d    detect.Detector
		k, m int
		bins int
	}{
		{detect.PowerAverage, 20, 20, 1}, {detect.Sample, 1, 10, 1}, {detect.PowerAverage, 10, 40, 8},
		{detect.LogAverage, 10, 10, 1}, {detect.VoltageAverage, 10, 10, 1},
		{detect.MaxHold, 10, 10, 1}, {detect.PositivePeak, 5, 50, 4},
	} {
		r := rand.New(rand.NewPCG(7, uint64(i)))
		found := 0
		for range n {
			var top float64
			for range c.bins {
				top = math.Max(top, reading(r, c.d, c.k, 0, 1))
			}
			f := detect.Judge(detect.Looks{Mean: top, N: float64(c.k), Detector: c.d, Bins: c.bins},
				detect.Looks{Mean: reading(r, c.d, c.m, 0, 1), N: float64(c.m), Detector: c.d}, rule)
			if f.Present {
				found++
			}
		}
		share := float64(found) / n
		if math.Abs(share-0.05) > binomialSlack(0.05, n)*1.2 {
			t.Errorf("%v %d/%d over %d bins: false alarms %.4f, stated 0.05", c.d, c.k, c.m, c.bins, share)
		}
	}
}

// TestMedianBound: without a signal at K = M = 20 the median limit is within 1.5 dB of
// the classical one, and not below it.
func TestMedianBound(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	var got, classical []float64
	for range 401 {
		x, y := reading(r, detect.PowerAverage, 20, 0, 1), reading(r, detect.PowerAverage, 20, 0, 1)
		f := detect.Judge(detect.Looks{Mean: x, N: 20, Detector: detect.PowerAverage},
			detect.Looks{Mean: y, N: 20, Detector: detect.PowerAverage}, detect.DefaultRule(1))
		got = append(got, float64(f.Limit))
		classical = append(classical, dB(y*detect.UpperLimitEstimated(detect.Classical, 0.95, x/y, 20, 20)))
	}
	sort.Float64s(got)
	sort.Float64s(classical)
	if d := got[200] - classical[200]; d < 0 || d > 1.5 {
		t.Errorf("median limit is %.2f dB above the classical one, want 0 to 1.5", d)
	}
	p := detect.Predict(0, detect.Looks{N: 20, Detector: detect.PowerAverage}, detect.Looks{N: 20, Detector: detect.PowerAverage}, detect.DefaultRule(1))
	near(t, "predicted median", float64(p), got[200], 0.4)
}

// TestWorstPlaces looks where bounds are known to be hard: few off looks, and a
// signal about as strong as the noise.
func TestWorstPlaces(t *testing.T) {
	t.Parallel()
	var group sync.WaitGroup
	const n = 150
	for i, d := range []detect.Detector{detect.PowerAverage, detect.LogAverage} {
		group.Go(func() {
			r := rand.New(rand.NewPCG(uint64(i), 99))
			for _, km := range [][2]int{{200, 5}, {20, 5}} {
				for _, s := range []float64{1, 3, 10} {
					held := 0
					for range n {
						f := detect.Judge(detect.Looks{Mean: reading(r, d, km[0], s, 1), N: float64(km[0]), Detector: d},
							detect.Looks{Mean: reading(r, d, km[1], 0, 1), N: float64(km[1]), Detector: d}, detect.DefaultRule(60))
						if float64(f.Limit) >= dB(s) {
							held++
						}
					}
					if share := float64(held) / n; share < 0.95-binomialSlack(0.95, n) {
						t.Errorf("%v K=%d M=%d s=%g: limits hold in %.4f", d, km[0], km[1], s, share)
					}
				}
			}
		})
	}
	group.Wait()
}

// TestMaxHoldWithIdleSweeps: a max hold that ran 100 sweeps, 5 of them on the signal.
func TestMaxHoldWithIdleSweeps(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(5, 5))
	rule := detect.DefaultRule(20)
	const n = 400
	for _, s := range []float64{0.5, 3, 8, 30, 1000} {
		held, found := 0, 0
		for range n {
			x := math.Max(reading(r, detect.MaxHold, 5, s, 1), reading(r, detect.MaxHold, 95, 0, 1))
			f := detect.Judge(detect.Looks{Mean: x, N: 5, Extra: 95, Detector: detect.MaxHold},
				detect.Looks{Mean: reading(r, detect.MaxHold, 100, 0, 1), N: 100, Detector: detect.MaxHold}, rule)
			if float64(f.Limit) >= dB(s) {
				held++
			}
			if f.Present {
				found++
			}
		}
		if share := float64(held) / n; share < 0.945-binomialSlack(0.95, n) {
			t.Errorf("s=%g: limits hold in %.4f", s, share)
		}
		if s >= 1000 && found < n {
			t.Errorf("s=%g: found %d of %d", s, found, n)
		}
	}
}

// TestAmbientRates: steady noise is called unsteady about as often as stated, a
// modulated carrier nearly always, and a station above the floor is an excess.
func TestAmbientRates(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(8, 8))
	rule := detect.DefaultAmbientRule()
	rule.UnsteadyAlpha = 0.05
	const n = 400
	floor := unit.DBm(-110)
	for _, d := range detect.Detectors() {
		steady, loud, modulated := 0, 0, 0
		for range n {
			var quiet, am []detect.Looks
			for i := range 6 {
				k := 10
				quiet = append(quiet, detect.Looks{Mean: reading(r, d, k, 0, lin(-110)), N: float64(k), Detector: d})
				am = append(am, detect.Looks{Mean: reading(r, d, k, lin(-100+6*float64(i%3)), lin(-110)), N: float64(k), Detector: d})
			}
			if a := detect.AmbientCheck(quiet, floor, rule); a.Unsteady {
				steady++
			} else if a.Err != nil {
				t.Fatal(a.Err)
			}
			a := detect.AmbientCheck(am, floor, rule)
			if a.Unsteady {
				modulated++
			}
			if a.Excess {
				loud++
			}
		}
		if share := float64(steady) / n; share > 0.05+2*binomialSlack(0.05, n) {
			t.Errorf("%v: steady noise called unsteady in %.3f, stated 0.05", d, share)
		}
		if modulated < n*99/100 || loud < n*99/100 {
			t.Errorf("%v: of %d modulated stations %d unsteady, %d in excess", d, n, modulated, loud)
		}
	}
}

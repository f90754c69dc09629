package follow_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"lidded/driver/unit"
	"lidded/sweep/follow"
)

var noon = time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)

// With an offset fixed but unknown and one observation, the filter is the
// weighted mean of prior and observation: variance 1/(1/s² + 1/u²).
func TestOneObservationIsTheWeightedMean(t *testing.T) {
	m := follow.New(follow.Prior{ErrorPPM: 3})
	m.Observe(noon, 1e9, 1500, 1000)
	prior, obs := 3.0, 1.0 // variances in ppm²: 3²/3 and 1²
	wantA := 1.5 * (1 / obs) / (1/prior + 1/obs)
	wantU := math.Sqrt(1 / (1/prior + 1/obs))
	got, u := m.Predict(noon, 100e6)
	if math.Abs(float64(got)-wantA*100) > 1e-9 || math.Abs(float64(u)-wantU*100) > 1e-9 {
		t.Errorf("offset %v ± %v at 100 MHz, want %.3f ± %.3f Hz", got, u, wantA*100, wantU*100)
	}
}

// The stated uncertainty must hold: over many oscillators that drift at a rate
// drawn from the stated law, with observations in between, three standard
// uncertainties cover the truth in 99 % of cases and one in about 68 %.
func TestPredictionsCover(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 11))
	one, three, trials := 0, 0, 4000
	for range trials {
		m := follow.New(follow.Prior{ErrorPPM: 3, DriftPPMPerHour: 0.1})
		a, r := 6*rng.Float64()-3, 0.1*rng.NormFloat64()
		at, last := noon, 0.0
		step := func(hours float64) {
			// The walk of the rate, in small steps.
			for range 20 {
				a += r * hours / 20
				r += 0.1 * math.Sqrt(hours/20) * rng.NormFloat64()
			}
			last += hours
			at = noon.Add(time.Duration(last * float64(time.Hour)))
		}
		for range 15 {
			f := unit.Hz(30e6 * math.Exp(3.5*rng.Float64()))
			m.Observe(at, f, unit.Hz(a*float64(f)*1e-6+20*rng.NormFloat64()), 20)
			step(0.02)
		}
		step(0.5)
		got, u := m.Predict(at, 1e9)
		z := math.Abs(float64(got)-a*1000) / float64(u)
		if z < 1 {
			one++
		}
		if z < 3 {
			three++
		}
	}
	if p := float64(one) / float64(trials); p < 0.64 || p > 0.73 {
		t.Errorf("one standard uncertainty covers %.3f, want 0.683", p)
	}
	if p := float64(three) / float64(trials); p < 0.99 {
		t.Errorf("three standard uncertainties cover %.4f, want 0.9973", p)
	}
}

func TestDriftIsLearned(t *testing.T) {
	m := follow.New(follow.Prior{ErrorPPM: 3, DriftPPMPerHour: 0.2})
	for i := range 30 {
		h := float64(i) / 10
		m.Observe(noon.Add(time.Duration(h*float64(time.Hour))), 1e9, unit.Hz(1000*(2+0.08*h)), 2)
	}
	got, u := m.Predict(noon.Add(3*time.Hour), 1e9)
	if math.Abs(float64(got)-2240) > 3*float64(u) || u > 12 {
		t.Errorf("after three hours of drift: %v ± %v, want 2240 Hz and a few Hz", got, u)
	}
}

func TestSurpriseAndRestart(t *testing.T) {
	m := follow.New(follow.Prior{ErrorPPM: 3, DriftPPMPerHour: 0.1})
	for i := range 5 {
		m.Observe(noon.Add(time.Duration(i)*time.Minute), 1e9, 1000, 5)
	}
	at := noon.Add(10 * time.Minute)
	if z := m.Surprise(at, 1e9, 1600, 5); z < 5 {
		t.Errorf("a jump of 0.6 ppm is a surprise of %.1f standard deviations only", z)
	}
	if z := m.Surprise(at, 1e9, 1003, 5); z > 3 {
		t.Errorf("what was expected is a surprise of %.1f standard deviations", z)
	}
	m.Restart(at, 1e9, 1600, 5)
	if got, u := m.Predict(at, 500e6); got != 800 || math.Abs(float64(u)-2.5) > 1e-9 {
		t.Errorf("after the restart %v ± %v at half the frequency, want 800 ± 2.5 Hz", got, u)
	}
}

// Package follow models where a source's carrier appears on an analyzer whose
// oscillator is another: a relative offset that drifts, learned from strong
// signals and predicted for moments at which none is seen.
//
// It owns the model and its covariance. It reads no traces (package sweep finds
// the carrier in them) and does no I/O.
//
// Model. The offset relative to frequency, in parts per million, is a(t) with the
// rate r(t); the rate takes a random walk. Observations of a with known
// uncertainty update both by the Kalman filter (R. E. Kalman, Trans. ASME J.
// Basic Eng. 82 (1960) 35; the covariance in Joseph's form). Oscillators age and
// follow temperature slowly, so that a constant rate over the minutes between
// two observations is close; what it misses is the walk's.
package follow

import (
	"math"
	"time"

	"lidded/driver/unit"
)

// Prior is what is stated of the two oscillators together.
type Prior struct {
	ErrorPPM        float64 // largest offset, one-sided
	DriftPPMPerHour float64 // standard deviation of its rate
}

// Model is the offset as far as it is known. The zero value is of no use; see New.
type Model struct {
	prior        Prior
	a, r         float64 // ppm, ppm per hour
	aa, ar, rr   float64 // covariance
	at           time.Time
	observations int
}

// New makes a model without observations: the offset is anywhere within the
// stated error.
func New(p Prior) *Model {
	m := &Model{prior: p}
	m.forget()
	return m
}

func (m *Model) forget() {
	s := m.prior.ErrorPPM / math.Sqrt(3) // rectangular within the stated error
	m.a, m.r = 0, 0
	m.aa, m.ar, m.rr = s*s, 0, m.prior.DriftPPMPerHour*m.prior.DriftPPMPerHour
	m.at, m.observations = time.Time{}, 0
}

// Observations counts what the model rests on.
func (m *Model) Observations() int { return m.observations }

// Predict returns where the carrier of frequency f stands from it at a moment,
// and the standard uncertainty of that.
func (m *Model) Predict(at time.Time, f unit.Hz) (offset, u unit.Hz) {
	a, v := m.ahead(at)
	scale := float64(f) * 1e-6
	return unit.Hz(a * scale), unit.Hz(math.Sqrt(v) * scale)
}

// ahead carries offset and variance to a moment; before the last observation
// the distance in time counts all the same.
func (m *Model) ahead(at time.Time) (a, v float64) {
	h := m.hours(at)
	return m.a + m.r*h, m.aa + 2*h*m.ar + h*h*m.rr + m.walk()*math.Abs(h*h*h)/3
}

func (m *Model) hours(at time.Time) float64 {
	if m.at.IsZero() {
		return 0
	}
	return at.Sub(m.at).Hours()
}

// walk is the variance that the rate gains in an hour.
func (m *Model) walk() float64 { return m.prior.DriftPPMPerHour * m.prior.DriftPPMPerHour }

// Rate returns how fast the offset changes at a moment, and the standard
// uncertainty of that, in ppm per hour.
func (m *Model) Rate(at time.Time) (r, u float64) {
	return m.r, math.Sqrt(m.rr + m.walk()*math.Abs(m.hours(at)))
}

// Surprise returns by how many standard deviations an observation differs from
// the prediction.
func (m *Model) Surprise(at time.Time, f, offset, u unit.Hz) float64 {
	p, s := m.Predict(at, f)
	return math.Abs(float64(offset-p)) / math.Hypot(float64(s), float64(u))
}

// Observe takes in that the carrier of frequency f stood offset from it, with
// standard uncertainty u.
func (m *Model) Observe(at time.Time, f, offset, u unit.Hz) {
	h := math.Max(0, m.hours(at))
	if m.at.IsZero() || at.After(m.at) {
		m.at = at
	}
	q := m.walk()
	a := m.a + m.r*h
	aa := m.aa + 2*h*m.ar + h*h*m.rr + q*h*h*h/3
	ar := m.ar + h*m.rr + q*h*h/2
	rr := m.rr + q*h
	scale := float64(f) * 1e-6
	noise := float64(u) / scale
	noise *= noise
	gainA, gainR := aa/(aa+noise), ar/(aa+noise)
	miss := float64(offset)/scale - a
	m.a, m.r = a+gainA*miss, m.r+gainR*miss
	// Joseph's form: (I−KH)·P·(I−KH)ᵀ + K·R·Kᵀ with H = (1 0).
	c := 1 - gainA
	m.aa = c*c*aa + gainA*gainA*noise
	m.ar = c*(ar-gainR*aa) + gainA*gainR*noise
	m.rr = rr - 2*gainR*ar + gainR*gainR*aa + gainR*gainR*noise
	m.observations++
}

// Restart forgets everything but one observation: the carrier is where it was
// not expected, and nothing learned before says where it goes.
func (m *Model) Restart(at time.Time, f, offset, u unit.Hz) {
	m.forget()
	m.at = at
	scale := float64(f) * 1e-6
	m.a, m.aa = float64(offset)/scale, math.Pow(float64(u)/scale, 2)
	m.observations = 1
}

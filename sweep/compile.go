package sweep

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep/requirement"
)

// Problem is one thing wrong with a plan: where (a path as package strict
// writes them, such as "bands[0].rbw") and what, with the cure.
type Problem struct {
	Path    string
	Message string
}

// Cure is the part of the message that says what to do about it: what follows the
// first colon; empty where there is none.
func (p Problem) Cure() string {
	_, cure, _ := strings.Cut(p.Message, ": ")
	return cure
}

func (p Problem) Error() string {
	if p.Path == "" {
		return p.Message
	}
	return p.Path + ": " + p.Message
}

// Defaults of a plan. The false-alarm rate, headroom (IEEE Std 299-2006, from
// memory: dynamic range at least 6 dB more than the SE to be shown; check
// against your copy) and drift limit (IEEE Std 299-2006 clause 4.4: 3 dB) are
// presets that a plan may change.
const (
	DefaultConfidence = 0.95
	DefaultFalseAlarm = 0.05
	DefaultHeadroom   = unit.DB(6)
	DefaultDriftLimit = unit.DB(3)
	DefaultLooks      = 4
	DefaultMaxLooks   = 32
	LeastHoldSweeps   = 5 // a max-held level is a 95 % bound only after five independent sweeps: 1 − 2⁻⁵ = 0.969
	DefaultSettle     = 20 * time.Millisecond
	// DefaultLeakageMargin: what leaks round the specimen is to be 10 dB below what
	// is read through it (common practice, no source); it then moves a level by
	// 3.3 dB at most.
	DefaultLeakageMargin   = unit.DB(10)
	DefaultLinearityPoints = 3
	// DefaultReferenceAge: calibrate on each day of testing (UFGS 13095A 3.7.5).
	DefaultReferenceAge = 24 * time.Hour
	MostPoints          = 20000
)

// Compile fills in defaults and lists the points in order. It checks the plan
// by itself; CheckOn checks it against a bench. detectors is what the bench's
// analyzer knows (nil: unknown) and ppm the frequency error of both
// instruments together, for the default span.
func Compile(spec PlanSpec, b Bench) (Plan, []Problem) {
	var bad []Problem
	fail := func(path, format string, args ...any) {
		bad = append(bad, Problem{path, fmt.Sprintf(format, args...)})
	}
	p := Plan{
		Name: spec.Name, About: spec.About, Capture: spec.Capture, Requirement: spec.Requirement,
		Positions: spec.Positions, Repeats: spec.Repeats, Closing: !spec.NoClosing,
		Headroom: DefaultHeadroom, DriftLimit: DefaultDriftLimit,
		Looks: spec.Looks, MaxLooks: spec.MaxLooks, HoldSweeps: spec.HoldSweeps,
		Confidence: spec.Confidence, FalseAlarm: spec.FalseAlarm, Settle: spec.Settle, Facts: spec.Facts,
	}
	if p.Name == "" {
		fail("name", "the plan has no name: give it one")
	}
	if p.Capture == CaptureUnknown {
		p.Capture = Linked
	}
	if len(p.Positions) == 0 {
		p.Positions = []string{"center"}
	}
	for _, q := range spec.Polarizations {
		p.Polarizations = append(p.Polarizations, Polarization(q))
	}
	if len(p.Polarizations) == 0 {
		p.Polarizations = []Polarization{"vertical"}
	}
	twice(p.Positions, func(i int, s string) { fail(fmt.Sprintf("positions[%d]", i), "position %q stands twice: keep one", s) })
	twice(p.Polarizations, func(i int, s Polarization) {
		fail(fmt.Sprintf("polarizations[%d]", i), "polarization %q stands twice: keep one", s)
	})
	orDefault(&p.Repeats, 1, func() { fail("repeats", "%d repeats: need at least 1", spec.Repeats) })
	orDefault(&p.Looks, DefaultLooks, func() { fail("looks", "%d looks: need at least 1", spec.Looks) })
	orDefault(&p.MaxLooks, max(DefaultMaxLooks, p.Looks), func() { fail("max_looks", "%d looks: need at least 1", spec.MaxLooks) })
	if p.MaxLooks < p.Looks {
		fail("max_looks", "%d is less than looks (%d): raise it", p.MaxLooks, p.Looks)
	}
	orDefault(&p.HoldSweeps, LeastHoldSweeps, func() { fail("hold_sweeps", "%d sweeps: need at least %d", spec.HoldSweeps, LeastHoldSweeps) })
	if spec.HoldSweeps > 0 && spec.HoldSweeps < LeastHoldSweeps {
		fail("hold_sweeps", "%d sweeps: need at least %d whole sweeps at each step for an honest bound", spec.HoldSweeps, LeastHoldSweeps)
	}
	orDefault(&p.Settle, DefaultSettle, func() { fail("settle", "%v: a settling time cannot be negative", spec.Settle) })
	fraction(&p.Confidence, DefaultConfidence, 0.5, func() {
		fail("confidence", "%g: need a fraction from 0.5 to below 1, such as 0.95", spec.Confidence)
	})
	fraction(&p.FalseAlarm, DefaultFalseAlarm, 0, func() {
		fail("false_alarm", "%g: need a fraction above 0 and below 1, such as 0.05", spec.FalseAlarm)
	})
	if spec.Headroom != nil {
		p.Headroom = *spec.Headroom
	}
	if spec.DriftLimit != nil {
		p.DriftLimit = *spec.DriftLimit
		if *spec.DriftLimit <= 0 {
			fail("drift_limit", "%v: need more than 0 dB", *spec.DriftLimit)
		}
	}
	switch spec.HoldPoints {
	case "", "operator":
	case "rule":
		p.ByRule = true
	default:
		fail("hold_points", "%q: write operator (a person releases them) or rule (the bench's own hands do)", spec.HoldPoints)
	}
	compileChecks(&p, spec, fail)
	compileStrategy(&p, spec, b, fail)
	if len(spec.Bands) == 0 {
		fail("bands", "the plan has no frequencies: add a band with freqs, or from, to and count")
	}
	for i, band := range spec.Bands {
		p.Points = append(p.Points, compileBand(band, i, p.Capture, b, fail)...)
	}
	if len(p.Points) > MostPoints {
		fail("bands", "%d points: at most %d in one plan; split it", len(p.Points), MostPoints)
	}
	for i := range p.Points {
		p.Points[i].Index = i
	}
	for i := 1; i < len(p.Points); i++ {
		for j := range i {
			if p.Points[i].Freq == p.Points[j].Freq && p.Points[i].Field == p.Points[j].Field {
				fail("bands", "%v stands twice in the plan (points %d and %d): take it out of one band", p.Points[i].Freq, j+1, i+1)
			}
		}
		if len(bad) > 50 {
			break
		}
	}
	return p, bad
}

func compileBand(band BandSpec, i int, mode CaptureMode, b Bench, fail func(path, format string, args ...any)) []Point {
	at := func(key string) string { return fmt.Sprintf("bands[%d].%s", i, key) }
	freqs, ok := bandFreqs(band, at, fail)
	name := band.Name
	if name == "" {
		name = fmt.Sprintf("band %d", i+1)
	}
	if band.Level == nil {
		fail(at("level"), "no source level: write it, for example level: 0 dBm")
		ok = false
	}
	if band.RBW <= 0 {
		fail(at("rbw"), "no resolution bandwidth: write it, for example rbw: 10 kHz")
		ok = false
	}
	if band.Span < 0 || (band.Span > 0 && band.Span < 3*band.RBW) {
		fail(at("span"), "%v is less than three RBW (%v): widen it, or leave it out", band.Span, 3*band.RBW)
		ok = false
	}
	if band.Dwell < 0 {
		fail(at("dwell"), "%v: a dwell cannot be negative", band.Dwell)
		ok = false
	}
	if !ok {
		return nil
	}
	det := band.Detector
	if det == driver.DetectorUnknown {
		det = defaultDetector(mode, b.AnalyzerRange.Detectors)
	}
	field := band.Field
	if field == requirement.FieldUnknown {
		field = requirement.PlaneWave
	}
	var out []Point
	for _, f := range freqs {
		span := band.Span
		if span == 0 {
			span = DefaultSpan(f, band.RBW, b)
		}
		out = append(out, Point{
			Band: name, Freq: f, Level: *band.Level, RBW: band.RBW, Span: span, Dwell: band.Dwell,
			Detector: det, Field: field, Attenuation: band.Attenuation, RefLevel: band.RefLevel,
			TracePoints: tracePoints(span, band.RBW),
		})
	}
	return out
}

// bandFreqs lists the frequencies of a band.
func bandFreqs(band BandSpec, at func(string) string, fail func(path, format string, args ...any)) ([]unit.Hz, bool) {
	ways := 0
	for _, set := range []bool{band.Count != 0, band.Step != 0, band.PerDecade != 0} {
		if set {
			ways++
		}
	}
	if len(band.Freqs) > 0 {
		if ways > 0 || band.From != 0 || band.To != 0 {
			fail(at("freqs"), "freqs stands beside from, to, count, step or per_decade: use the list or the range")
			return nil, false
		}
		for k, f := range band.Freqs {
			if f <= 0 {
				fail(at(fmt.Sprintf("freqs[%d]", k)), "%v: a frequency must be above zero", f)
				return nil, false
			}
		}
		return slices.Clone(band.Freqs), true
	}
	switch {
	case band.From <= 0 || band.To <= 0:
		fail(at("from"), "the band has no frequencies: write freqs: [...], or from, to and one of count, step, per_decade")
	case band.To < band.From:
		fail(at("to"), "%v is below from (%v): swap them", band.To, band.From)
	case ways != 1:
		fail(at("from"), "need exactly one of count, step and per_decade to divide %v to %v, have %d", band.From, band.To, ways)
	case band.Count < 0 || band.Step < 0 || band.PerDecade < 0:
		fail(at("from"), "count, step and per_decade must be above zero")
	case band.Count == 1 && band.To != band.From:
		fail(at("count"), "one point cannot cover %v to %v: use 2 or more", band.From, band.To)
	default:
		n := divisions(band)
		if n > MostPoints {
			fail(at("from"), "%d points: at most %d in one plan", n, MostPoints)
			return nil, false
		}
		return divide(band, n), true
	}
	return nil, false
}

func divisions(band BandSpec) int {
	switch {
	case band.Count > 0:
		return band.Count
	case band.Step > 0:
		return int(math.Floor(float64((band.To-band.From)/band.Step)+1e-9)) + 1
	}
	decades := math.Log10(float64(band.To / band.From))
	return int(math.Ceil(decades*float64(band.PerDecade)-1e-9)) + 1
}

// divide places n frequencies: Step apart, or evenly in the logarithm with
// both ends included, each rounded to 1 kHz above 10 MHz, else to 1 Hz (a
// source sets such frequencies exactly).
func divide(band BandSpec, n int) []unit.Hz {
	out := make([]unit.Hz, n)
	ratio := math.Log(float64(band.To / band.From))
	for i := range out {
		switch {
		case band.Step > 0:
			out[i] = band.From + unit.Hz(i)*band.Step
		case i == 0:
			out[i] = band.From
		case i == n-1:
			out[i] = band.To
		default:
			grain := 1.0
			f := float64(band.From) * math.Exp(ratio*float64(i)/float64(n-1))
			if f > 10e6 {
				grain = 1e3
			}
			out[i] = unit.Hz(math.Round(f/grain) * grain)
		}
	}
	return out
}

// DefaultSpan is the least span that surely holds the carrier: both
// instruments' frequency error on both sides, and ten RBW around it for the
// filter's skirts and the noise beside.
func DefaultSpan(f, rbw unit.Hz, b Bench) unit.Hz {
	span := 10 * rbw
	if !b.SharedReference {
		span += 2 * f * unit.Hz(b.FreqErrorPPM) * 1e-6
	}
	return span
}

// tracePoints asks for four points per RBW, so that a carrier between two
// points loses at most 0.05 dB (Gaussian filter, 3.01·(2δ/RBW)² dB).
func tracePoints(span, rbw unit.Hz) int {
	return min(max(int(math.Ceil(float64(span/rbw)*4))+1, 101), 10001)
}

func defaultDetector(mode CaptureMode, known []driver.Detector) driver.Detector {
	if mode == Sealed {
		return driver.PositivePeak
	}
	for _, d := range []driver.Detector{driver.PowerAverage, driver.Sample, driver.PositivePeak} {
		if slices.Contains(known, d) {
			return d
		}
	}
	return driver.Sample
}

func twice[T comparable](list []T, found func(int, T)) {
	for i, v := range list {
		if slices.Contains(list[:i], v) {
			found(i, v)
		}
	}
}

func orDefault[T int | time.Duration](v *T, def T, negative func()) {
	switch {
	case *v < 0:
		negative()
	case *v == 0:
		*v = def
	}
}

func fraction(v *float64, def, least float64, out func()) {
	switch {
	case *v == 0:
		*v = def
	case !(*v > 0 && *v >= least && *v < 1):
		out()
	}
}

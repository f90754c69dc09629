package sweep

import (
	"fmt"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep/emission"
)

// Cautions shown at every hold point where something is radiated and where a
// box or room is closed. They defer to local codes and competent persons.
const (
	CautionExposure = "RF exposure: keep clear of the transmitting antenna while the source is on. Limits and distances are set by local codes and a competent person."
	CautionLawful   = "Transmit only where you hold the right to. Never on distress, aeronautical or satellite-navigation frequencies. Licensing is set by your national authority."
	CautionUnstated = "The bench does not state what is radiated (amplifier, cable, antenna gain), so no distance is computed."
	CautionRoom     = "Nobody stays inside a closed screened room unless site rules allow it and there is a way out and a way to call."
)

// Steps lists the stages of a run in order: ambient and reference in the open,
// the checks of the reference where the plan has them, for each specimen a hold
// point and the enclosed capture, the closing reference. It is data: printed by the plan command, walked by the engine.
func Steps(p Plan, b Bench, specimens []Specimen) []Step {
	var s stepList
	s.cautions = cautions(p, b)
	for i, pos := range p.Positions {
		for j, pol := range p.Polarizations {
			at := Setting{Position: pos, Polarization: pol, Repeat: 1}
			s.hold(at, LidStays, fmt.Sprintf("Set up the reference in the open: antennas %s, receiver at position %s, same distance, cables and settings as for the enclosures. No shield between them.", pol, pos))
			s.capture(Ambient, at)
			s.capture(Reference, at)
			if i == 0 && j == 0 {
				s.checks(p, b, at)
			}
		}
	}
	for _, spec := range specimens {
		for _, pos := range p.Positions {
			for _, pol := range p.Polarizations {
				for r := range p.Repeats {
					at := Setting{Specimen: spec.Name, Position: pos, Polarization: pol, Repeat: r + 1}
					if p.Capture == Sealed {
						s.hold(at, LidCloses, fmt.Sprintf("The analyzer is armed. Put it into %s at position %s with its antenna %s, close the lid as in use, and confirm.", spec.Name, pos, pol))
						s.capture(Enclosed, at)
						s.hold(at, LidOpens, fmt.Sprintf("The source is off. Open %s, reconnect the analyzer without switching it off, and confirm.", spec.Name))
						continue
					}
					s.hold(at, LidStays, fmt.Sprintf("Put the receiver into %s at position %s, antenna %s, close the lid as in use, and confirm.", spec.Name, pos, pol))
					s.capture(Enclosed, at)
				}
			}
		}
	}
	if p.Closing {
		for _, pos := range p.Positions {
			for _, pol := range p.Polarizations {
				at := Setting{Position: pos, Polarization: pol, Repeat: 1}
				s.hold(at, LidStays, fmt.Sprintf("Set up the reference in the open again, exactly as at the start: antennas %s, position %s.", pol, pos))
				s.capture(Closing, at)
			}
		}
	}
	return s.steps
}

// checks are those of the reference at the first setting, in its open geometry:
// cables and instruments then stand in the strongest field they will meet.
func (s *stepList) checks(p Plan, b Bench, at Setting) {
	if p.LinearityCheck != FittedAsUsed {
		only := spread(p, p.LinearityPoints)
		for i, k := range p.KnownSteps(b) {
			at := at
			at.Repeat = i + 1
			if p.LinearityCheck == StepAttenuator {
				s.fit(at, StepAttenuator, k.Value, fmt.Sprintf("Linearity check: insert the step attenuator at %v between receiving antenna and analyzer; touch nothing else. The source is off.", k.Value))
			}
			s.add(Step{Kind: Linearity, At: at, Fitting: p.LinearityCheck, Lower: k.Value, Only: only})
		}
		if p.LinearityCheck == StepAttenuator {
			s.fit(at, FittedAsUsed, 0, "Take the step attenuator out again: antennas and cables exactly as for the reference.")
		}
	}
	if p.LeakageCheck != FittedAsUsed {
		what := "Leakage check: take the receiving antenna off and put a load on the end of its cable"
		if p.LeakageCheck == SourceLoaded {
			what = "Leakage check: take the transmitting antenna off and put a load on the end of its cable"
		}
		s.fit(at, p.LeakageCheck, 0, what+", cables and instruments where they stay for the enclosures. The source is off now and will be on: what is then received goes round every specimen.")
		s.add(Step{Kind: Leakage, At: at, Fitting: p.LeakageCheck, Only: spread(p, p.LeakagePoints)})
		s.fit(at, FittedAsUsed, 0, "Take the load off and put the antenna back, exactly as for the reference.")
	}
}

// fit is a hold point at which something is fitted or taken out.
func (s *stepList) fit(at Setting, f Fitting, lower unit.DB, what string) {
	s.add(Step{Kind: HoldPoint, At: at, Fitting: f, Lower: lower, Instruction: what, Cautions: s.cautions})
}

type stepList struct {
	steps    []Step
	cautions []string
}

func (s *stepList) hold(at Setting, lid LidMove, what string) {
	s.add(Step{Kind: HoldPoint, At: at, Lid: lid, Instruction: what, Cautions: s.cautions})
}

func (s *stepList) capture(k StepKind, at Setting) { s.add(Step{Kind: k, At: at}) }

func (s *stepList) add(st Step) {
	st.Index = len(s.steps)
	s.steps = append(s.steps, st)
}

func cautions(p Plan, b Bench) []string {
	out := []string{CautionRoom}
	if !b.Conducted {
		out = append(out, CautionExposure)
		switch o := ExposureOf(p, b); {
		case o != nil:
			out = append(out, o.Caution)
		case b.Exposure != nil:
			out = append(out, CautionUnstated)
		}
		out = append(out, CautionLawful)
		for _, o := range b.Never.Overrides {
			out = append(out, fmt.Sprintf("Never-transmit entry %s is overridden here. Basis: %s.", o.Entry, o.Basis))
		}
	}
	return append(out, b.Cautions...)
}

// ExposureOutlook is what a plan radiates on a bench, and how far away people are
// kept. It is arithmetic from what the config states.
type ExposureOutlook struct {
	Rule    emission.Rule       `json:"rule"`
	Chain   emission.Chain      `json:"radiated"`
	Points  []emission.Exposure `json:"points"`  // one a point of the plan
	Caution string              `json:"caution"` // the sentence shown at hold points
}

// ExposureOf is nil for a bench that radiates nothing or does not state its
// chain.
func ExposureOf(p Plan, b Bench) *ExposureOutlook {
	list := Exposures(p, b)
	if len(list) == 0 {
		return nil
	}
	return &ExposureOutlook{*b.Exposure, *b.Radiated, list, b.Exposure.Caution(list)}
}

// Exposures computes the radiated power and the distances of every point, in
// order; none for a bench that radiates nothing or does not state its chain.
func Exposures(p Plan, b Bench) []emission.Exposure {
	if b.Conducted || b.Radiated == nil || b.Exposure == nil {
		return nil
	}
	out := make([]emission.Exposure, len(p.Points))
	for i, q := range p.Points {
		out[i] = b.Exposure.Expose(*b.Radiated, q.Freq, q.Level)
	}
	return out
}

// Captures counts the captures a list of steps commits: one a point and
// capturing step.
func Captures(p Plan, steps []Step) int {
	n := 0
	for _, s := range steps {
		n += len(s.Captures(p))
	}
	return n
}

// HeldSweep returns the settings of the one wide sweep that a sealed capture
// is armed with: over all points with room at both ends, the widest RBW asked
// for, positive peak in max hold, about two trace points per RBW up to 10,001.
func HeldSweep(p Plan, b Bench) driver.Settings {
	if len(p.Points) == 0 {
		return driver.Settings{}
	}
	lo, hi, rbw := p.Points[0].Freq, p.Points[0].Freq, unit.Hz(0)
	for _, q := range p.Points {
		lo, hi, rbw = min(lo, q.Freq), max(hi, q.Freq), max(rbw, q.RBW)
	}
	room := DefaultSpan(hi, rbw, b)
	lo, hi = max(lo-room/2, rbw), hi+room/2
	if b.AnalyzerRange.FreqMin > 0 {
		lo = max(lo, b.AnalyzerRange.FreqMin)
	}
	if b.AnalyzerRange.FreqMax > 0 {
		hi = min(hi, b.AnalyzerRange.FreqMax)
	}
	first := p.Points[0]
	return driver.Settings{
		Center: (lo + hi) / 2, Span: hi - lo, RBW: rbw, Detector: first.Detector, Hold: driver.MaxHold,
		Points: min(max(int(2*(hi-lo)/rbw)+1, 1001), 10001), Attenuator: first.Attenuation, RefLevel: first.RefLevel,
	}
}

// PointSettings returns the settings of a linked look at a point.
func PointSettings(q Point) driver.Settings {
	return driver.Settings{
		Center: q.Freq, Span: q.Span, RBW: q.RBW, Detector: q.Detector, Hold: driver.ClearWrite,
		Points: q.TracePoints, Attenuator: q.Attenuation, RefLevel: q.RefLevel,
	}
}

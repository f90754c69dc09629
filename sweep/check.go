package sweep

import (
	"fmt"
	"slices"
	"strings"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep/emission"
)

// CheckOn lists what a bench cannot or may not do of a plan. A plan with one
// such problem is refused whole, before anything is keyed. Paths name the
// points ("points[3]").
func CheckOn(p Plan, b Bench) []Problem {
	var bad []Problem
	fail := func(path, format string, args ...any) {
		bad = append(bad, Problem{path, fmt.Sprintf(format, args...)})
	}
	if len(p.Points) == 0 {
		fail("bands", "the plan has no frequencies")
	}
	if len(b.MayTransmit) == 0 && len(p.Points) > 0 {
		fail("", "bench %s lists nothing it may transmit (may_transmit is empty): list ranges with max_level and basis before anything is keyed", b.Name)
	}
	for _, q := range p.Points {
		checkPoint(q, b, fail)
	}
	if p.Capture == Sealed && len(p.Points) > 0 {
		checkSealed(p, b, fail)
	}
	if l := b.AnalyzerRange.RBWMin; p.Strategy == Adaptive && p.MinRBW > 0 && l > p.MinRBW {
		fail("min_rbw", "%v is narrower than the analyzer's least, %v: raise it, or leave it out", p.MinRBW, l)
	}
	checkChecks(p, b, fail)
	if p.ByRule && !b.HandsByRule {
		fail("hold_points", "the plan's hold points are released by rule, but bench %s has no hands that could: set hold_points: operator", b.Name)
	}
	return bad
}

func checkPoint(q Point, b Bench, fail func(path, format string, args ...any)) {
	at := fmt.Sprintf("points[%d]", q.Index)
	outside := func(who string, l Limits) {
		if (l.FreqMin > 0 && q.Freq < l.FreqMin) || (l.FreqMax > 0 && q.Freq > l.FreqMax) {
			fail(at, "%v is outside the %s's range %s: take it out of the plan, or use another %s", q.Freq, who, l.freqs(), who)
		}
	}
	outside("source", b.SourceRange)
	outside("analyzer", b.AnalyzerRange)
	if l := b.AnalyzerRange; (l.RBWMin > 0 && q.RBW < l.RBWMin) || (l.RBWMax > 0 && q.RBW > l.RBWMax) {
		fail(at, "RBW %v is outside the analyzer's %v to %v: change rbw", q.RBW, l.RBWMin, l.RBWMax)
	}
	if q.Level > b.MaxLevel {
		fail(at, "source level %v at %v is over bench %s's max_level %v: lower level, or raise max_level if everything behind the source stands it", q.Level, q.Freq, b.Name, b.MaxLevel)
	}
	if known := b.AnalyzerRange.Detectors; len(known) > 0 && !slices.Contains(known, q.Detector) {
		fail(at, "the analyzer's dialect has no %v detector: it has %v", q.Detector, known)
	}
	if len(b.MayTransmit) > 0 {
		if ok, why := Permitted(b, q.Freq, q.Level); !ok {
			fail(at, "%s", why)
		}
	}
	if why := Forbidden(b, q.Freq); why != "" {
		fail(at, "%s", why)
	}
}

// Forbidden says why a bench must not transmit at a frequency whatever it
// permits: the never-transmit table, which binds a bench that radiates. "" where
// the table says nothing.
func Forbidden(b Bench, f unit.Hz) string {
	if b.Conducted {
		return ""
	}
	e, ok := b.Never.Forbids(f, b.FreqErrorPPM)
	if !ok {
		return ""
	}
	below, above := b.Never.Free(f)
	return fmt.Sprintf("%v is never transmitted on: %v; all from %v to %v is forbidden: move the point or take it out. Where nothing is radiated set conducted: true on bench %s; where you hold the right, override_never with entry %s and your basis", f, e, below, above, b.Name, e.Name)
}

// neverNotes tells what a plan's points have to do with the never-transmit table
// on a bench that it does not bind, or not wholly.
func neverNotes(p Plan, b Bench) []string {
	inside, used := 0, map[emission.Override]int{}
	for _, q := range p.Points {
		if _, ok := b.Never.Forbids(q.Freq, b.FreqErrorPPM); ok {
			inside++
		}
		for _, o := range b.Never.Overridden(q.Freq, b.FreqErrorPPM) {
			used[o]++
		}
	}
	var out []string
	if b.Conducted && inside > 0 {
		out = append(out, fmt.Sprintf("conducted: nothing is radiated, so the never-transmit table does not apply; %d of %d points lie inside it: keep every connector closed", inside, len(p.Points)))
	}
	for _, o := range b.Never.Overrides {
		if n := used[o]; n > 0 && !b.Conducted {
			out = append(out, fmt.Sprintf("never-transmit entry %s is overridden, %d points lie inside it; basis: %s", o.Entry, n, o.Basis))
		}
	}
	return out
}

func (l Limits) freqs() string {
	switch {
	case l.FreqMax == 0:
		return "from " + l.FreqMin.String()
	case l.FreqMin == 0:
		return "up to " + l.FreqMax.String()
	}
	return l.FreqMin.String() + " to " + l.FreqMax.String()
}

// Permitted reports whether the bench may transmit at a frequency and level,
// and if not, why in a sentence with the cure.
func Permitted(b Bench, f unit.Hz, level unit.DBm) (bool, string) {
	var over *Permission
	for i, m := range b.MayTransmit {
		if f < m.From || f > m.To {
			continue
		}
		if level <= m.MaxLevel {
			return true, ""
		}
		over = &b.MayTransmit[i]
	}
	if over != nil {
		return false, fmt.Sprintf("%v at %v is over the permitted %v (%s): lower level", level, f, over.MaxLevel, over.Basis)
	}
	return false, fmt.Sprintf("%v is not in may_transmit of bench %s (%s): take it out of the plan, or add the range with its basis if you hold the right", f, b.Name, ranges(b.MayTransmit))
}

func ranges(list []Permission) string {
	if len(list) == 0 {
		return "which is empty"
	}
	var out []string
	for _, m := range list {
		out = append(out, fmt.Sprintf("%v to %v", m.From, m.To))
	}
	return strings.Join(out, ", ")
}

// checkSealed refuses what one held sweep cannot tell apart or hold.
func checkSealed(p Plan, b Bench, fail func(path, format string, args ...any)) {
	s := HeldSweep(p, b)
	bin := s.Span / unit.Hz(max(s.Points-1, 1))
	for _, q := range p.Points {
		if q.RBW != p.Points[0].RBW || q.Detector != p.Points[0].Detector {
			fail(fmt.Sprintf("points[%d]", q.Index), "sealed capture is one sweep: all bands need the same rbw and detector; have %v %v and %v %v", p.Points[0].RBW, p.Points[0].Detector, q.RBW, q.Detector)
			return
		}
	}
	if d := p.Points[0].Detector; d != driver.PositivePeak && bin > s.RBW/2 {
		fail("", "sealed capture over %v with %d trace points has %v between points, wider than half the RBW (%v): only detector positive_peak sees every carrier there", s.Span, s.Points, bin, s.RBW)
	}
	sorted := slices.Clone(p.Points)
	slices.SortFunc(sorted, func(a, b Point) int {
		switch {
		case a.Freq < b.Freq:
			return -1
		case a.Freq > b.Freq:
			return 1
		}
		return 0
	})
	for i := 1; i < len(sorted); i++ {
		a, c := sorted[i-1], sorted[i]
		need := 6*s.RBW + 6*bin + DefaultSpan(c.Freq, 0, b)
		if c.Freq-a.Freq < need {
			fail(fmt.Sprintf("points[%d]", c.Index), "%v and %v are too close for sealed capture: need %v between them (RBW %v, trace points %v apart); narrow rbw, or plan fewer points", a.Freq, c.Freq, need, s.RBW, bin)
		}
	}
}

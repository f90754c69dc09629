package sweep

import (
	"fmt"
	"math"
	"strings"

	"lidded/sweep/requirement"
)

// summarize finds each specimen's worst case per frequency and its verdict, and the
// claims they stand on: one for each setting, where the plan has repeats.
func (e *Evaluator) summarize(results []Result) (out []Summary, combined []Result) {
	run := e.run
	for _, spec := range run.Specimens {
		pooled := pooledScatter(results, spec.Name)
		s := Summary{Specimen: spec.Name, Verdict: requirement.NotRequired}
		for _, q := range run.Plan.Points {
			var here []Result
			for _, r := range results {
				if r.At.Specimen == spec.Name && r.Point == q.Index {
					here = append(here, r)
				}
			}
			if len(here) == 0 {
				s.Counts.Missing++
				continue
			}
			settings := e.settings(here, pooled, q)
			if run.Plan.Repeats > 1 {
				combined = append(combined, settings...)
			}
			w := worst(spec.Name, q, settings)
			if run.Line != nil {
				j := requirement.Judge(run.Line, fieldOf(q), q.Freq, claimOf(w.Outcome, w.SE))
				w.Verdict, w.Required, w.Headroom = j.Verdict, finite(j.Required), finite(j.Guarded)
				for _, r := range settings { // one setting that surely falls short settles it
					if r.Verdict == requirement.FallsShort {
						w.Verdict = requirement.FallsShort
					}
				}
				if w.Verdict != requirement.Undecided {
					w.Decide = ""
				}
			} else {
				w.Verdict = requirement.NotRequired
			}
			s.count(w)
			s.Worst = append(s.Worst, w)
		}
		s.judge(run)
		out = append(out, s)
	}
	return out, combined
}

// worst is the lowest of one specimen and point over its settings; a minimum over
// bounds is a bound, and a bound below the lowest value caps it; a setting without
// any claim leaves the minimum unknown.
func worst(specimen string, q Point, settings []Result) Worst {
	var best, open *Result
	for i, r := range settings {
		if r.SE.Relation == RelationUnknown {
			open = &settings[i]
		} else if best == nil || lower(r, *best) {
			best = &settings[i]
		}
	}
	pick := best
	if open != nil {
		pick = open
	}
	w := Worst{Specimen: specimen, Point: q.Index, Freq: q.Freq, At: pick.At, SE: pick.SE, Outcome: pick.Outcome, Reason: pick.Reason, Rule: pick.Rule, Margin: pick.Margin, Range: pick.DynamicRange, Decide: pick.Decide}
	if open != nil && best != nil {
		w.Reason = fmt.Sprintf("%s, at %s %s; the lowest elsewhere is %s", open.Reason, open.At.Position, open.At.Polarization, best.SE)
	}
	return w
}

// lower reports whether a caps b: its number is lower; at the same number a
// bound is the weaker claim.
func lower(a, b Result) bool {
	if a.SE.Value == b.SE.Value {
		return a.SE.Relation == AtLeastRelation && b.SE.Relation == Equal
	}
	return a.SE.Value < b.SE.Value
}

func (s *Summary) count(w Worst) {
	switch w.Outcome {
	case Measured:
		s.Counts.Measured++
	case AtLeast:
		s.Counts.AtLeast++
	case AmbientHeard:
		s.Counts.Ambient++
	default:
		s.Counts.Void++
	}
}

func (s *Summary) judge(run Run) {
	short, undecided, meets := 0, 0, 0
	for i, w := range s.Worst {
		switch w.Verdict {
		case requirement.FallsShort:
			short++
		case requirement.Undecided:
			undecided++
		case requirement.Meets:
			meets++
		}
		if w.SE.Relation != RelationUnknown && (s.Lowest == nil || lower(Result{SE: w.SE}, Result{SE: s.Lowest.SE})) {
			s.Lowest = &s.Worst[i]
		}
	}
	low := "no SE could be stated"
	if s.Lowest != nil {
		low = fmt.Sprintf("lowest SE %s at %v", s.Lowest.SE, s.Lowest.Freq)
	}
	undecided += s.Counts.Missing
	if run.Line == nil || short+undecided+meets == 0 {
		s.Sentence = fmt.Sprintf("%s: no requirement; %s", s.Specimen, low)
		return
	}
	total := short + undecided + meets
	var parts []string
	switch {
	case short > 0:
		s.Verdict = requirement.FallsShort
		parts = append(parts, fmt.Sprintf("falls short of %s at %s", run.Line.Name, of(short, total)))
	case undecided > 0:
		s.Verdict = requirement.Undecided
		parts = append(parts, fmt.Sprintf("undecided against %s at %s", run.Line.Name, of(undecided, total)))
	default:
		s.Verdict = requirement.Meets
		parts = append(parts, fmt.Sprintf("meets %s at all %d frequencies", run.Line.Name, total))
	}
	if short > 0 && undecided > 0 {
		parts = append(parts, fmt.Sprintf("undecided at %d", undecided))
	}
	if s.Verdict != requirement.Meets {
		parts = append(parts, fmt.Sprintf("meets it at %d", meets))
	}
	parts = append(parts, low)
	if s.Verdict == requirement.Undecided {
		for _, w := range s.Worst {
			if w.Decide != "" {
				parts = append(parts, fmt.Sprintf("at %v %s", w.Freq, w.Decide))
				break
			}
		}
	}
	s.Sentence = s.Specimen + ": " + strings.Join(parts, "; ")
}

func of(n, total int) string {
	if n == total {
		return fmt.Sprintf("all %d frequencies", total)
	}
	return fmt.Sprintf("%d of %d frequencies", n, total)
}

// String prints the number with its relation: "72.4 dB ± 2.1 dB" or "≥ 98.0 dB".
func (s SE) String() string {
	switch s.Relation {
	case Equal:
		return fmt.Sprintf("%.1f dB ± %.1f dB", float64(s.Value), float64(s.U))
	case AtLeastRelation:
		return fmt.Sprintf("≥ %.1f dB", math.Floor(float64(s.Value)*10)/10) // never rounded up
	}
	return "no claim"
}

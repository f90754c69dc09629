package export

import (
	"iter"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

// resultRow is a result with the run it belongs to.
type resultRow struct {
	run *sweep.Run
	sweep.Result
}

var results = define(Table{
	Name: "results", Title: "Results",
	Description: "One row per specimen, position, polarization, repeat and frequency: what the captures of that point mean.",
	Key:         []string{"run_id", "specimen", "position", "polarization", "repeat", "point"},
}, func(b Bundle) iter.Seq2[resultRow, error] {
	return func(yield func(resultRow, error) bool) {
		for _, r := range b.Evaluation.Results {
			if !yield(resultRow{&b.Run, r}, nil) {
				return
			}
		}
	}
}, concat(
	[]column[resultRow]{
		col("run_id", "string", "", "Identifier of the run, a UUID.", func(r resultRow) string { return string(r.run.ID) }).always(),
	},
	settingColumns(func(r resultRow) sweep.Setting { return r.At }),
	[]column[resultRow]{
		col("point", "integer", "", "Index of the frequency in the plan, from 0.", func(r resultRow) string { return whole(r.Point) }).always(),
		col("freq_hz", "number", "Hz", "Frequency of the plan.", func(r resultRow) string { return exact(r.Freq) }).always(),
		col("reference_dbm", "number", "dBm", "Level with no shield, same geometry and settings.", func(r resultRow) string { return rounded(r.Reference) }),
		col("reading_dbm", "number", "dBm", "What the trace showed through the shield with the source on, noise included.", func(r resultRow) string { return rounded(r.Reading) }),
		col("enclosed_dbm", "number", "dBm", "Level of the signal through the shield; empty unless it was measured.", func(r resultRow) string { return when(r.SE, sweep.Equal, r.Enclosed, rounded) }),
		col("enclosed_at_most_dbm", "number", "dBm", "Upper limit of the signal through the shield where none was found; empty where it was measured.", func(r resultRow) string { return when(r.SE, sweep.AtLeastRelation, r.Enclosed, atMost) }),
		col("noise_floor_dbm", "number", "dBm", "Noise floor with the source off, same settings.", func(r resultRow) string { return rounded(r.NoiseFloor) }),
		col("margin_db", "number", "dB", "Reading over noise floor.", func(r resultRow) string { return rounded(r.Margin) }),
		col("dynamic_range_db", "number", "dB", "Reference over noise floor.", func(r resultRow) string { return rounded(r.DynamicRange) }),
	},
	seColumns(func(r resultRow) sweep.SE { return r.SE }),
	outcomeColumns(func(r resultRow) (sweep.Outcome, string) { return r.Outcome, r.Reason }),
	[]column[resultRow]{
		col("confidence", "number", "", "Confidence of limits and bounds.", func(r resultRow) string { return exact(r.Confidence) }),
		col("method", "string", "", "How signal and noise were told apart.", func(r resultRow) string { return r.Method }),
		col("hand_read", "boolean", "", "Whether the levels were read off a screen by a person.", func(r resultRow) string { return yes(r.run.HandRead) }).always(),
		col("closing_drift_db", "number", "dB", "Closing reference minus reference.", func(r resultRow) string { return roundedOr(r.Drift) }),
		col("leakage_dbm", "number", "dBm", "Level that goes round the specimen, as the leakage check saw it (upper end); empty unless it was seen.", func(r resultRow) string { return leak(r.Leakage, true) }),
		col("leakage_at_most_dbm", "number", "dBm", "Upper limit of the level that goes round the specimen where the leakage check saw none; empty where it saw one, or without a check.", func(r resultRow) string { return leak(r.Leakage, false) }),
	},
	verdictColumns(func(r resultRow) judged { return judged{r.Required, r.Headroom, r.Verdict} }),
)...)

// leak is a leakage's level where it was seen or not, as asked.
func leak(l *sweep.Leak, seen bool) string {
	if l == nil || l.Seen != seen {
		return ""
	}
	return atMost(l.Level)
}

// worstRow is a worst case with its run.
type worstRow struct {
	run *sweep.Run
	sweep.Worst
}

var worst = define(Table{
	Name: "worst", Title: "Worst cases",
	Description: "One row per specimen and frequency: the lowest over positions and polarizations, repeats of a setting being combined as the rule says. A minimum over bounds is a bound.",
	Key:         []string{"run_id", "specimen", "point"},
}, func(b Bundle) iter.Seq2[worstRow, error] {
	return func(yield func(worstRow, error) bool) {
		for _, s := range b.Evaluation.Summaries {
			for _, w := range s.Worst {
				if !yield(worstRow{&b.Run, w}, nil) {
					return
				}
			}
		}
	}
}, concat(
	[]column[worstRow]{
		col("run_id", "string", "", "Identifier of the run, a UUID.", func(r worstRow) string { return string(r.run.ID) }).always(),
		col("specimen", "string", "", "Enclosure under test.", func(r worstRow) string { return r.Specimen }).always(),
		col("point", "integer", "", "Index of the frequency in the plan, from 0.", func(r worstRow) string { return whole(r.Point) }).always(),
		col("freq_hz", "number", "Hz", "Frequency of the plan.", func(r worstRow) string { return exact(r.Freq) }).always(),
		col("position", "string", "", "Position of the receiver where the lowest stood.", func(r worstRow) string { return r.At.Position }),
		col("polarization", "string", "", "Polarization of the antennas where the lowest stood.", func(r worstRow) string { return string(r.At.Polarization) }),
		col("repeat", "integer", "", "Which repeat the lowest stood in, from 1.", func(r worstRow) string { return whole(r.At.Repeat) }),
		col("margin_db", "number", "dB", "Reading over noise floor there.", func(r worstRow) string { return rounded(r.Margin) }),
		col("dynamic_range_db", "number", "dB", "Reference over noise floor there.", func(r worstRow) string { return rounded(r.Range) }),
	},
	seColumns(func(r worstRow) sweep.SE { return r.SE }),
	outcomeColumns(func(r worstRow) (sweep.Outcome, string) { return r.Outcome, r.Reason }),
	[]column[worstRow]{
		col("rule", "string", "", "How repeats of the setting were combined; empty: one capture.", func(r worstRow) string { return r.Rule }),
	},
	verdictColumns(func(r worstRow) judged { return judged{r.Required, r.Headroom, r.Verdict} }),
)...)

// specimenRow is a summary with its run.
type specimenRow struct {
	run *sweep.Run
	sweep.Summary
	low sweep.Worst // zero without one
}

var specimens = define(Table{
	Name: "specimens", Title: "Specimens",
	Description: "One row per specimen: its lowest SE over the plan, how many frequencies had which outcome, and its verdict.",
	Key:         []string{"run_id", "specimen"},
}, func(b Bundle) iter.Seq2[specimenRow, error] {
	return func(yield func(specimenRow, error) bool) {
		for _, s := range b.Evaluation.Summaries {
			row := specimenRow{run: &b.Run, Summary: s}
			if s.Lowest != nil {
				row.low = *s.Lowest
			}
			if !yield(row, nil) {
				return
			}
		}
	}
}, concat(
	[]column[specimenRow]{
		col("run_id", "string", "", "Identifier of the run, a UUID.", func(r specimenRow) string { return string(r.run.ID) }).always(),
		col("specimen", "string", "", "Enclosure under test.", func(r specimenRow) string { return r.Specimen }).always(),
		col("lowest_freq_hz", "number", "Hz", "Frequency of the lowest SE; empty where no SE could be stated.", func(r specimenRow) string { return known(r.low.Freq) }),
	},
	seColumns(func(r specimenRow) sweep.SE { return r.low.SE }),
	[]column[specimenRow]{
		col("measured_count", "integer", "", "Frequencies with a measured SE.", func(r specimenRow) string { return whole(r.Counts.Measured) }).always(),
		col("at_least_count", "integer", "", "Frequencies with a lower bound.", func(r specimenRow) string { return whole(r.Counts.AtLeast) }).always(),
		col("ambient_count", "integer", "", "Frequencies with somebody else's signal: no claim.", func(r specimenRow) string { return whole(r.Counts.Ambient) }).always(),
		col("void_count", "integer", "", "Frequencies where the measurement is void: no claim.", func(r specimenRow) string { return whole(r.Counts.Void) }).always(),
		col("missing_count", "integer", "", "Frequencies that were not captured.", func(r specimenRow) string { return whole(r.Counts.Missing) }).always(),
		verdictColumn(func(r specimenRow) sweep.Verdict { return r.Verdict }),
		col("sentence", "string", "", "The verdict in one line.", func(r specimenRow) string { return r.Sentence }),
	},
)...)

func concat[R any](parts ...[]column[R]) (all []column[R]) {
	for _, p := range parts {
		all = append(all, p...)
	}
	return all
}

func settingColumns[R any](at func(R) sweep.Setting) []column[R] {
	return []column[R]{
		col("specimen", "string", "", "Enclosure under test; empty with no shield.", func(r R) string { return at(r).Specimen }),
		col("position", "string", "", "Position of the receiver.", func(r R) string { return at(r).Position }).always(),
		col("polarization", "string", "", "Polarization of the antennas.", func(r R) string { return string(at(r).Polarization) }).always(),
		col("repeat", "integer", "", "Which of the repeats, from 1.", func(r R) string { return whole(at(r).Repeat) }).always(),
	}
}

// when writes a number only if the SE it belongs to has the relation.
func when[T ~float64](se sweep.SE, is sweep.Relation, v T, write func(T) string) string {
	if se.Relation != is {
		return ""
	}
	return write(v)
}

// seColumns keeps values and bounds apart.
func seColumns[R any](se func(R) sweep.SE) []column[R] {
	return []column[R]{
		col("se_relation", "string", "", "How to read the SE: = a measured value, in se_db; >= a lower bound, in se_at_least_db; empty: no claim.", func(r R) string { return se(r).Relation.String() }).of(sweep.Equal.String(), sweep.AtLeastRelation.String()),
		col("se_db", "number", "dB", "Measured SE, reference minus enclosed; empty unless se_relation is =.", func(r R) string { return when(se(r), sweep.Equal, se(r).Value, rounded) }),
		col("se_at_least_db", "number", "dB", "Lower bound of the SE; empty unless se_relation is >=.", func(r R) string { return when(se(r), sweep.AtLeastRelation, se(r).Value, atLeast) }),
		col("se_low_db", "number", "dB", "What the SE is at least, at the stated confidence: the low end of a value's interval, or the bound.", func(r R) string {
			if se(r).Relation == sweep.RelationUnknown {
				return ""
			}
			return atLeast(se(r).Low)
		}),
		col("se_high_db", "number", "dB", "High end of a value's interval; empty for a bound, which has none.", func(r R) string { return when(se(r), sweep.Equal, se(r).High, atMost) }),
		col("expanded_uncertainty_db", "number", "dB", "Expanded uncertainty of the value, two-sided half-width; empty for a bound, which holds it already.", func(r R) string { return when(se(r), sweep.Equal, se(r).U, atMost) }),
	}
}

func outcomeColumns[R any](of func(R) (sweep.Outcome, string)) []column[R] {
	return []column[R]{
		col("outcome", "string", "", "measured: a value; at_least: a lower bound; ambient: somebody else's signal, no claim; void: a fault of the measurement, no claim.", func(r R) string { o, _ := of(r); return token(o) }).
			always().of(token(sweep.Measured), token(sweep.AtLeast), token(sweep.AmbientHeard), token(sweep.Void)),
		col("reason", "string", "", "Why there is no claim, or no more than a bound.", func(r R) string { _, why := of(r); return why }),
	}
}

// judged is what was found against the requirement line.
type judged struct {
	required, headroom *unit.DB
	verdict            sweep.Verdict
}

func verdictColumns[R any](of func(R) judged) []column[R] {
	return []column[R]{
		col("required_db", "number", "dB", "SE that the requirement line asks for; empty where it asks for none.", func(r R) string { return roundedOr(of(r).required) }),
		col("headroom_db", "number", "dB", "se_low_db minus required_db.", func(r R) string { return atLeastOr(of(r).headroom) }),
		verdictColumn(func(r R) sweep.Verdict { return of(r).verdict }),
	}
}

func verdictColumn[R any](of func(R) sweep.Verdict) column[R] {
	return col("verdict", "string", "", "Against the requirement line, with uncertainty ("+requirement.Rule+").", func(r R) string { return token(of(r)) }).
		always().of(token(requirement.Meets), token(requirement.FallsShort), token(requirement.Undecided), token(requirement.NotRequired))
}

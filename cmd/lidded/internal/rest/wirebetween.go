package rest

import (
	"time"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/between"
)

// BenchComparison is one specimen as measured on several benches.
type BenchComparison struct {
	Specimen     string       `json:"specimen"`
	Against      string       `json:"against" doc:"The bench that the others are held against; empty: no bench measured it"`
	Benches      []BenchNight `json:"benches" doc:"The run of each bench, by name"`
	Pairs        []BenchPair  `json:"pairs" doc:"Each other bench held against that one; empty where one bench alone measured it"`
	Method       string       `json:"method" doc:"How claims are compared"`
	Independence string       `json:"independence" doc:"What the comparison takes for granted"`
	Unreadable   []UnreadRun  `json:"unreadable" doc:"Runs passed over because their captures cannot be read"`
}

// BenchNight is the run that stands for a bench.
type BenchNight struct {
	Bench     string    `json:"bench"`
	Run       string    `json:"run"`
	Plan      string    `json:"plan"`
	State     string    `json:"state"`
	Time      time.Time `json:"time" doc:"When the run began"`
	DoorCycle *int64    `json:"door_cycle,omitempty" doc:"Door cycles so far, where the run states them"`
}

// BenchPair is one bench held against another. Differences are this bench less the
// other.
type BenchPair struct {
	Bench     string         `json:"bench"`
	Against   string         `json:"against"`
	Sentences []string       `json:"sentences" doc:"The comparison in words"`
	Reference string         `json:"reference_sentence" doc:"The open reference levels in words"`
	Counts    BenchCounts    `json:"counts"`
	Values    BenchChance    `json:"values" doc:"Comparisons of two values"`
	Bounds    BenchChance    `json:"bounds" doc:"Comparisons of a bound with a value"`
	Median    *float64       `json:"median_difference_db" doc:"Of two values; null: none"`
	Largest   *BenchExtreme  `json:"largest_difference,omitempty" doc:"Left out: no difference may be stated"`
	RefMedian *float64       `json:"reference_median_difference_db" doc:"null: none"`
	RefMost   *BenchExtreme  `json:"reference_largest_difference,omitempty" doc:"Left out: none"`
	RefEqual  bool           `json:"reference_at_equal_source_level" doc:"The two before are at equal source level; false: as received, since a run does not state its source level"`
	Apart     float64        `json:"apart_s" doc:"Time between the two runs in seconds"`
	Shared    []string       `json:"shared_gear" doc:"Gear that both runs state; errors it makes on both alike make the score too small"`
	Rows      []BenchCompare `json:"rows" doc:"By setting, rising in frequency"`
}

// BenchCounts counts what comparisons came to.
type BenchCounts struct {
	Agree     int `json:"agree"`
	Differ    int `json:"differ"`
	CannotSay int `json:"cannot_say"`
}

// BenchChance sets differences found beside those that chance makes.
type BenchChance struct {
	Of        int     `json:"of" doc:"Comparisons"`
	Differ    int     `json:"differ"`
	Expected  float64 `json:"expected_by_chance" doc:"Of equal boxes with true uncertainties, 5 %; of bounds at most that"`
	P         float64 `json:"p_value" doc:"Probability of as many or more by chance, where frequencies err independently (binomial)"`
	Dependent float64 `json:"p_value_at_most" doc:"The same whatever they have in common (Markov's inequality)"`
	Largest   float64 `json:"largest_score_p_value_at_most" doc:"Of a score as large as the largest by chance, whatever they have in common (Bonferroni's inequality); 1 without scores"`
	Beyond    bool    `json:"more_than_chance" doc:"They are more, or the largest is larger, than chance explains"`
}

// BenchExtreme is a difference and where it stands.
type BenchExtreme struct {
	Relation     string  `json:"relation" enum:"=,>=,<=" doc:"= for a difference, >= and <= where a bound leaves a bound of it; it is part of the number"`
	By           float64 `json:"by_db"`
	Freq         float64 `json:"freq_hz"`
	Position     string  `json:"position"`
	Polarization string  `json:"polarization"`
}

// BenchCompare is one setting and frequency on both benches.
type BenchCompare struct {
	Position     string               `json:"position"`
	Polarization string               `json:"polarization"`
	Field        string               `json:"field"`
	Freq         float64              `json:"freq_hz"`
	Verdict      string               `json:"verdict" enum:"unknown,agrees,differs,cannot say"`
	Reason       string               `json:"reason,omitempty" doc:"Why it cannot be said, or differs by a bound"`
	Bench        *BenchReading        `json:"bench_reading,omitempty" doc:"Left out: not measured there"`
	Against      *BenchReading        `json:"against_reading,omitempty" doc:"Left out: not measured there"`
	Difference   *BenchDifference     `json:"difference,omitempty" doc:"Of the SE; left out: none may be stated"`
	Reference    *ReferenceDifference `json:"reference_difference,omitempty" doc:"Left out: not both have a reference level"`
}

// BenchReading is what a bench says at one setting and frequency.
type BenchReading struct {
	Freq       float64  `json:"freq_hz"`
	Outcome    string   `json:"outcome" enum:"unknown,measured,at least,ambient,void"`
	Reason     string   `json:"reason,omitempty"`
	SE         *SE      `json:"se,omitempty" doc:"Left out: no claim"`
	U          *float64 `json:"expanded_uncertainty_95_db" doc:"Of the value, as compared, covering 95 %; null for a bound"`
	Reference  *float64 `json:"reference_level_dbm" doc:"null: none"`
	ReferenceU *float64 `json:"reference_uncertainty_95_db" doc:"What noise and repeats leave of it, covering 95 %, without the absolute error of the analyzer; null: not known"`
	Source     *float64 `json:"source_level_dbm" doc:"As read back; null: not stated"`
	PathLoss   *float64 `json:"path_loss_db" doc:"Source level less reference level; null: not known"`
	Stated     *float64 `json:"stated_path_loss_db" doc:"By the bench's config; null: not known"`
}

// BenchDifference is of two claims.
type BenchDifference struct {
	Relation string   `json:"relation" enum:"=,>=,<=" doc:"= for two values; >= and <= where a bound leaves a bound of it; it is part of the number"`
	By       float64  `json:"by_db"`
	U        *float64 `json:"expanded_uncertainty_95_db" doc:"Covering 95 %; null with a bound"`
	En       *float64 `json:"en_score" doc:"By over its uncertainty: up to 1 either way is explained; null with a bound"`
}

// ReferenceDifference is of two open reference levels.
type ReferenceDifference struct {
	By    float64  `json:"by_db" doc:"As received, corrected for nothing"`
	U     *float64 `json:"uncertainty_95_db" doc:"What noise and repeats leave of it; null: not known on both"`
	Equal *float64 `json:"at_equal_source_level_db" doc:"By so much the path lets more through; null: a run does not state its source level"`
}

func benchComparisonOf(c between.Comparison, nights []between.Night, unread []UnreadRun) BenchComparison {
	return BenchComparison{
		Specimen: c.Specimen, Against: c.Against, Method: between.Method, Independence: between.Independence, Unreadable: unread,
		Benches: each(nights, func(n between.Night) BenchNight {
			r := n.Run
			return BenchNight{Bench: r.Bench.Name, Run: string(r.ID), Plan: r.Plan.Name, State: r.State.String(), Time: r.Began().UTC(), DoorCycle: r.DoorCycle}
		}),
		Pairs: each(c.Pairs, benchPairOf),
	}
}

func benchPairOf(p between.Pair) BenchPair {
	out := BenchPair{
		Bench: p.B, Against: p.A, Sentences: p.Sentences, Reference: p.ReferenceSays, Counts: BenchCounts(p.Counts), Values: benchChanceOf(p.Values), Bounds: benchChanceOf(p.Bounds),
		Median: rounded(p.Median), RefMedian: rounded(p.ReferenceMedian), RefEqual: p.Normalised, Apart: seconds(p.Apart), Shared: listOf(p.Shared), Rows: each(p.Rows, benchCompareOf),
	}
	if r := p.Largest; r != nil {
		out.Largest = extremeOf(*r, r.Difference.Relation, r.Difference.By)
	}
	if r := p.ReferenceLargest; r != nil {
		out.RefMost = extremeOf(*r, between.Equal, p.ReferenceBy(*r))
	}
	return out
}

func benchChanceOf(c between.Chance) BenchChance {
	return BenchChance{Of: c.Of, Differ: c.Differ, Expected: c.Expected, P: c.P, Dependent: c.Dependent, Largest: c.Largest, Beyond: c.BeyondChance()}
}

func extremeOf(r between.Row, sign between.Relation, by unit.DB) *BenchExtreme {
	return &BenchExtreme{sign.String(), short(float64(by)), float64(r.Freq), r.Position, string(r.Polarization)}
}

func benchCompareOf(r between.Row) BenchCompare {
	out := BenchCompare{
		Position: r.Position, Polarization: string(r.Polarization), Field: r.Field.String(), Freq: float64(r.Freq), Verdict: r.Verdict.String(), Reason: r.Reason,
		Bench: benchReadingOf(r.B), Against: benchReadingOf(r.A),
	}
	if d := r.Difference; d != nil {
		out.Difference = &BenchDifference{d.Relation.String(), short(float64(d.By)), rounded(d.U), rounded(unit.DB(d.En))}
	}
	if d := r.Reference; d != nil {
		out.Reference = &ReferenceDifference{short(float64(d.By)), rounded(d.U), rounded(d.Normalised)}
	}
	return out
}

func benchReadingOf(r *between.Reading) *BenchReading {
	if r == nil {
		return nil
	}
	out := &BenchReading{
		Freq: float64(r.Freq), Outcome: r.Outcome.String(), Reason: r.Reason, SE: seOf(r.SE), Reference: rounded(r.Reference), ReferenceU: rounded(r.ReferenceU),
		Source: rounded(r.SourceLevel), PathLoss: rounded(r.PathLoss), Stated: rounded(r.StatedLoss),
	}
	if r.SE.Relation == sweep.Equal {
		out.U = rounded(r.U)
	}
	return out
}

// rounded is number to thousandths.
func rounded[T ~float64](v T) *float64 {
	if number(v) == nil {
		return nil
	}
	return number(short(float64(v)))
}

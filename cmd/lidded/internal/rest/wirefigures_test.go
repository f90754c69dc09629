package rest_test

import (
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"testing"
	"time"

	"lidded/cmd/lidded/internal/rest"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/between"
	"lidded/sweep/requirement"
	"lidded/sweep/trend"
)

// onWire is a value as a client reads it.
func onWire(t *testing.T, v any) map[string]any {
	t.Helper()
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	return got
}

// hasMembers compares an object with all its members.
func hasMembers(t *testing.T, where string, got, want map[string]any) {
	t.Helper()
	for k, v := range want {
		if g, ok := got[k]; !ok || !reflect.DeepEqual(g, v) {
			t.Errorf("%s, %s: %v, want %v", where, k, g, v)
		}
	}
	for k := range got {
		if _, ok := want[k]; !ok {
			t.Errorf("%s has a member %s that nobody expects: %v", where, k, got[k])
		}
	}
}

func dB(v float64) *unit.DB { d := unit.DB(v); return &d }

var place = sweep.Setting{Specimen: "locker", Position: "front", Polarization: "horizontal", Repeat: 3}

type object = map[string]any

var placeOnWire = object{"specimen": "locker", "position": "front", "polarization": "horizontal", "repeat": 3.0}

// TestEachFigureOfAResultUnderItsName: every figure is another one, for a value, a
// bound and a point without a claim.
func TestEachFigureOfAResultUnderItsName(t *testing.T) {
	r := sweep.Result{
		Run: "r", At: place, Point: 7, Freq: 430e6, Reference: -21.5, Enclosed: -63.25, Reading: -62.5, NoiseFloor: -104.75, Margin: 42.25, DynamicRange: 83.5,
		SE: sweep.SE{Relation: sweep.Equal, Value: 41.75, Low: 38.125, High: 45.375, U: 4.25}, Outcome: sweep.Measured, Reason: "why", Confidence: 0.9375, Method: "how",
		Drift: dB(-0.625), Leakage: &sweep.Leak{Level: -97.5, Seen: true}, Required: dB(40.5), Headroom: dB(-2.375), Verdict: requirement.Undecided,
	}
	want := object{
		"at": placeOnWire, "point": 7.0, "freq_hz": 430e6, "outcome": "measured", "reason": "why",
		"se":            object{"relation": "=", "se_db": 41.75, "se_low_db": 38.125, "se_high_db": 45.375, "expanded_uncertainty_db": 4.25},
		"reference_dbm": -21.5, "enclosed": object{"relation": "=", "level_dbm": -63.25}, "reading_dbm": -62.5, "noise_floor_dbm": -104.75,
		"margin_db": 42.25, "dynamic_range_db": 83.5, "closing_drift_db": -0.625, "leakage": object{"relation": "=", "level_dbm": -97.5},
		"confidence": 0.9375, "method": "how", "required_db": 40.5, "headroom": object{"relation": "=", "headroom_db": -2.375}, "verdict": "undecided",
	}
	hasMembers(t, "a value", onWire(t, rest.ResultOf(r)), want)
	r.SE = sweep.SE{Relation: sweep.AtLeastRelation, Value: 41.75, Low: 41.75, High: unit.DB(math.Inf(1)), U: 9}
	r.Outcome, r.Leakage.Seen = sweep.AtLeast, false
	want["outcome"], want["se"] = "at least", object{"relation": ">=", "se_db": 41.75, "se_low_db": 41.75}
	want["enclosed"], want["leakage"] = object{"relation": "<=", "level_dbm": -63.25}, object{"relation": "<=", "level_dbm": -97.5}
	want["headroom"] = object{"relation": ">=", "headroom_db": -2.375}
	hasMembers(t, "a bound", onWire(t, rest.ResultOf(r)), want)
	r.SE, r.Outcome, r.Leakage, r.Drift = sweep.SE{Value: 41.75}, sweep.Void, nil, nil
	for _, gone := range []string{"se", "enclosed", "leakage", "headroom", "closing_drift_db"} {
		delete(want, gone)
	}
	want["outcome"] = "void"
	hasMembers(t, "no claim", onWire(t, rest.ResultOf(r)), want)
}

// TestEachFigureOfAWorstCaseUnderItsName, with the counts of its summary.
func TestEachFigureOfAWorstCaseUnderItsName(t *testing.T) {
	w := sweep.Worst{
		Specimen: "locker", Point: 7, Freq: 430e6, At: place, SE: sweep.SE{Relation: sweep.Equal, Value: 41.75, Low: 38.125, High: 45.375, U: 4.25},
		Outcome: sweep.Measured, Reason: "why", Rule: "rule", Margin: 42.25, Range: 83.5, Required: dB(40.5), Headroom: dB(-2.375), Verdict: requirement.FallsShort,
	}
	want := object{
		"point": 7.0, "freq_hz": 430e6, "at": placeOnWire, "outcome": "measured", "reason": "why", "rule": "rule", "margin_db": 42.25, "dynamic_range_db": 83.5,
		"se":          object{"relation": "=", "se_db": 41.75, "se_low_db": 38.125, "se_high_db": 45.375, "expanded_uncertainty_db": 4.25},
		"required_db": 40.5, "headroom": object{"relation": "=", "headroom_db": -2.375}, "verdict": "falls short",
	}
	hasMembers(t, "worst case", onWire(t, rest.WorstOf(w)), want)
	other := w
	other.Point, other.Freq = 8, 431e6
	s := onWire(t, rest.SummaryOf(sweep.Summary{
		Specimen: "locker", Worst: []sweep.Worst{other, w}, Lowest: &w, Counts: sweep.Counts{Measured: 2, AtLeast: 3, Ambient: 5, Void: 7, Missing: 11},
		Verdict: requirement.FallsShort, Sentence: "in words",
	}))
	hasMembers(t, "counts", s["counts"].(object), object{"measured": 2.0, "at_least": 3.0, "ambient": 5.0, "void": 7.0, "missing": 11.0})
	hasMembers(t, "lowest", s["lowest"].(object), want)
	if list := s["worst"].([]any); len(list) != 2 || list[0].(object)["point"] != 8.0 || s["verdict"] != "falls short" || s["sentence"] != "in words" || s["specimen"] != "locker" {
		t.Errorf("%v", s)
	}
}

// TestEachFigureOfALookUnderItsName: rungs, captures as read, steps of the linearity
// check.
func TestEachFigureOfALookUnderItsName(t *testing.T) {
	hasMembers(t, "rung", onWire(t, rest.RungOf(sweep.RungResult{Number: 2, Capture: "c", Settings: "wide", Result: sweep.Result{
		Outcome: sweep.AtLeast, Reason: "why", Method: "how", NoiseFloor: -104.75, Margin: 42.25, Reading: -1, DynamicRange: 2,
		SE: sweep.SE{Relation: sweep.AtLeastRelation, Value: 41.75, Low: 41.75},
	}})), object{
		"rung": 2.0, "capture": "c", "settings": "wide", "outcome": "at least", "reason": "why", "method": "how", "noise_floor_dbm": -104.75, "margin_db": 42.25,
		"se": object{"relation": ">=", "se_db": 41.75, "se_low_db": 41.75},
	})
	taken := onWire(t, rest.PointTakenOf(sweep.CaptureRead{Level: -62.5, Floor: -104.75, Carrier: 430.0005e6, Why: "nothing"}))
	for k, v := range (object{"level_dbm": -62.5, "floor_dbm": -104.75, "carrier_hz": 430.0005e6, "says_nothing": "nothing"}) {
		if taken[k] != v {
			t.Errorf("capture, %s: %v, want %v", k, taken[k], v)
		}
	}
	hasMembers(t, "deviation", onWire(t, rest.LinearityOf(sweep.Deviation{Point: 7, Step: 20, Deviation: -1.25, Limit: 0.75})), object{
		"point": 7.0, "step_db": 20.0, "deviation_db": -1.25, "limit_db": 0.75, "over": true,
	})
}

// TestEachFigureOfAComparisonUnderItsName: the bench is B, what it is held against
// is A.
func TestEachFigureOfAComparisonUnderItsName(t *testing.T) {
	reading := func(by float64) *between.Reading {
		return &between.Reading{
			Freq: unit.Hz(430e6 + by), Outcome: sweep.Measured, Reason: fmt.Sprint("why ", by), SE: sweep.SE{Relation: sweep.Equal, Value: unit.DB(40 + by)}, U: unit.DB(1 + by),
			Reference: unit.DBm(-20 - by), ReferenceU: unit.DB(2 + by), SourceLevel: unit.DBm(-5 - by), PathLoss: unit.DB(60 + by), StatedLoss: unit.DB(70 + by),
		}
	}
	onReading := func(by float64) object {
		return object{
			"freq_hz": 430e6 + by, "outcome": "measured", "reason": fmt.Sprint("why ", by), "expanded_uncertainty_95_db": 1 + by, "reference_level_dbm": -20 - by,
			"reference_uncertainty_95_db": 2 + by, "source_level_dbm": -5 - by, "path_loss_db": 60 + by, "stated_path_loss_db": 70 + by,
			"se": object{"relation": "=", "se_db": 40 + by, "se_low_db": 0.0, "se_high_db": 0.0, "expanded_uncertainty_db": 0.0},
		}
	}
	row := between.Row{
		Position: "front", Polarization: "horizontal", Field: requirement.Electric, Freq: 430e6, A: reading(0.25), B: reading(0.5), Verdict: between.Differs, Reason: "because",
		Difference: &between.Difference{Relation: between.Equal, By: 3.5, U: 1.75, En: 2.125}, Reference: &between.ReferenceDifference{By: -4.5, U: 0.875, Normalised: -6.25},
	}
	most := row
	most.Difference = &between.Difference{Relation: between.AtMost, By: -8.5}
	most.Reference = &between.ReferenceDifference{By: -9.5, Normalised: -10.5}
	p := onWire(t, rest.BenchPairOf(between.Pair{
		A: "depot", B: "boathouse", Rows: []between.Row{row}, Counts: between.Counts{Agree: 2, Differ: 3, CannotSay: 5},
		Values: between.Chance{Of: 10, Differ: 3, Expected: 0.5, P: 0.0125, Dependent: 0.25, Largest: 0.375, TooMany: true},
		Bounds: between.Chance{Of: 20, Differ: 4, Expected: 1, P: 0.0625, Dependent: 0.125, Largest: 1},
		Median: 1.125, Largest: &most, ReferenceMedian: -2.25, ReferenceLargest: &most, Normalised: true, Apart: 90 * time.Second,
		Shared: []string{"a cable"}, Sentences: []string{"in words"}, ReferenceSays: "and of references",
	}))
	rows := p["rows"].([]any)
	delete(p, "rows")
	extreme := func(relation string, by float64) object {
		return object{"relation": relation, "by_db": by, "freq_hz": 430e6, "position": "front", "polarization": "horizontal"}
	}
	hasMembers(t, "pair", p, object{
		"bench": "boathouse", "against": "depot", "sentences": []any{"in words"}, "reference_sentence": "and of references",
		"counts":               object{"agree": 2.0, "differ": 3.0, "cannot_say": 5.0},
		"values":               object{"of": 10.0, "differ": 3.0, "expected_by_chance": 0.5, "p_value": 0.0125, "p_value_at_most": 0.25, "largest_score_p_value_at_most": 0.375, "more_than_chance": true},
		"bounds":               object{"of": 20.0, "differ": 4.0, "expected_by_chance": 1.0, "p_value": 0.0625, "p_value_at_most": 0.125, "largest_score_p_value_at_most": 1.0, "more_than_chance": false},
		"median_difference_db": 1.125, "largest_difference": extreme("<=", -8.5), "reference_median_difference_db": -2.25,
		"reference_largest_difference": extreme("=", -10.5), "reference_at_equal_source_level": true, "apart_s": 90.0, "shared_gear": []any{"a cable"},
	})
	hasMembers(t, "row", rows[0].(object), object{
		"position": "front", "polarization": "horizontal", "field": "electric", "freq_hz": 430e6, "verdict": "differs", "reason": "because",
		"bench_reading": onReading(0.5), "against_reading": onReading(0.25),
		"difference":           object{"relation": "=", "by_db": 3.5, "expanded_uncertainty_95_db": 1.75, "en_score": 2.125},
		"reference_difference": object{"by_db": -4.5, "uncertainty_95_db": 0.875, "at_equal_source_level_db": -6.25},
	})
}

// TestEachFigureOfATrendUnderItsName: a rise keeps its ends, a fall turns them round,
// and one without a limit is a bound.
func TestEachFigureOfATrendUnderItsName(t *testing.T) {
	since, before := time.Date(2026, 5, 4, 22, 0, 0, 0, time.UTC), time.Date(2026, 5, 3, 22, 0, 0, 0, time.UTC)
	f := trend.Frequency{Freq: 430e6, Required: dB(40.5), Rows: []trend.Row{
		{Run: sweep.RunInfo{ID: "r1", Bench: "depot", Plan: "quick"}, Time: before, Outcome: sweep.Measured, Reference: -21.5, SE: sweep.SE{Relation: sweep.Equal, Value: 41.75, Low: 38.125, High: 45.375, U: 4.25}},
		{Run: sweep.RunInfo{ID: "r2", Bench: "depot", Plan: "quick"}, Time: since, Outcome: sweep.Void, Reference: unit.Missing()},
	}}
	f.SE = trend.Trend{
		Values: 3, Bounds: 4, Median: 51.5, MedianBound: true, Scatter: 0.625, Tested: true, P: 0.03125, FalseAlarm: 0.0625, Confidence: 0.9375, Sentence: "fell",
		Change: &trend.Change{First: 1, Since: since, Before: before, By: trend.Interval{Value: -6.5, Low: -8.25, High: -4.125}},
		Proof:  &trend.Proof{By: 2.25, Since: before, Confidence: 0.875}, PerDay: &trend.Interval{Value: -1.5, Low: -2.5, High: -0.5}, PerCycle: &trend.Interval{Value: 0.25, Low: math.Inf(-1), High: 0.75},
	}
	f.Reference = trend.Trend{
		Values: 5, Median: -22.5, Scatter: math.NaN(), FalseAlarm: 0.0625, Confidence: 0.9375, Sentence: "rose",
		Change: &trend.Change{First: 1, Since: since, Before: before, By: trend.Interval{Value: 6.5, Low: 4.125, High: 8.25}},
	}
	got := onWire(t, rest.TrendsOf("locker", []trend.Frequency{f}, 9, 2, nil))
	one := got["frequencies"].([]any)[0].(object)
	day, night := "2026-05-03T22:00:00Z", "2026-05-04T22:00:00Z"
	hasMembers(t, "trend of the SE", one["se_trend"].(object), object{
		"sentence": "fell", "values": 3.0, "bounds": 4.0, "median": object{"relation": ">=", "se_db": 51.5}, "scatter_db": 0.625, "tested": true, "p_value": 0.03125,
		"false_alarm": 0.0625, "confidence": 0.9375,
		"change":        object{"kind": "fell", "since": night, "run": "r2", "before": day, "relation": "=", "by_db": 6.5, "by_low_db": 4.125, "by_high_db": 8.25},
		"proven_fall":   object{"relation": ">=", "by_db": 2.25, "since": day, "confidence": 0.875},
		"drift_per_day": object{"by_db": -1.5, "by_low_db": -2.5, "by_high_db": -0.5}, "drift_per_door_cycle": object{"by_db": 0.25, "by_low_db": nil, "by_high_db": 0.75},
	})
	hasMembers(t, "trend of the reference", one["reference_trend"].(object), object{
		"sentence": "rose", "values": 5.0, "bounds": 0.0, "median": object{"relation": "=", "level_dbm": -22.5}, "scatter_db": nil, "tested": false, "false_alarm": 0.0625, "confidence": 0.9375,
		"change": object{"kind": "rose", "since": night, "run": "r2", "before": day, "relation": "=", "by_db": 6.5, "by_low_db": 4.125, "by_high_db": 8.25},
	})
	hasMembers(t, "first point", one["series"].([]any)[0].(object), object{
		"run": "r1", "bench": "depot", "plan": "quick", "time": day, "outcome": "measured", "reference_level_dbm": -21.5,
		"se": object{"relation": "=", "se_db": 41.75, "se_low_db": 38.125, "se_high_db": 45.375, "expanded_uncertainty_db": 4.25},
	})
	if one["required_db"] != 40.5 || one["freq_hz"] != 430e6 || got["runs"] != 9.0 || got["pending"] != 2.0 || got["specimen"] != "locker" {
		t.Errorf("%v", got)
	}
	f.SE.Change.By = trend.Interval{Value: math.Inf(-1), Low: math.Inf(-1), High: -4.125}
	one = onWire(t, rest.TrendsOf("locker", []trend.Frequency{f}, 1, 0, nil))["frequencies"].([]any)[0].(object)
	hasMembers(t, "a fall without a limit", one["se_trend"].(object)["change"].(object), object{
		"kind": "fell", "since": night, "run": "r2", "before": day, "relation": ">=", "by_db": 4.125, "by_low_db": 4.125, "by_high_db": nil,
	})
}

// TestEachFigureOfABriefUnderItsName: columns of a value, a bound and no claim.
func TestEachFigureOfABriefUnderItsName(t *testing.T) {
	ended := time.Date(2026, 5, 5, 1, 0, 0, 0, time.UTC)
	b := onWire(t, rest.BriefOf(sweep.RunInfo{ID: "r", Bench: "depot", Plan: "quick", State: sweep.Stopped, Created: ended.Add(-time.Hour), Ended: &ended}, sweep.Brief{
		Specimen: "locker", Verdict: requirement.FallsShort, Sentence: "in words", Counts: sweep.Counts{Measured: 2, AtLeast: 3, Ambient: 5, Void: 7, Missing: 11},
		Rows: []sweep.BriefRow{
			{Point: 1, Freq: 1e6, SE: sweep.SE{Relation: sweep.Equal, Value: 41.75, Low: 38.125, High: 45.375, U: 4.25}, Reference: -21.5, Margin: 9, Required: dB(40.5), Outcome: sweep.Measured, Verdict: requirement.Undecided},
			{Point: 2, Freq: 2e6, SE: sweep.SE{Relation: sweep.AtLeastRelation, Value: 51.75, Low: 51.75, High: unit.DB(math.Inf(1))}, Reference: -22.5, Outcome: sweep.AtLeast, Verdict: requirement.Meets},
			{Point: 3, Freq: 3e6, SE: sweep.SE{Value: 9, Low: 9, High: 9}, Reference: unit.Missing(), Outcome: sweep.Void, Verdict: requirement.NotRequired},
		},
	}))
	hasMembers(t, "brief", b, object{
		"run": "r", "bench": "depot", "plan": "quick", "state": "stopped", "created": "2026-05-05T00:00:00Z", "ended": "2026-05-05T01:00:00Z", "verdict": "falls short", "sentence": "in words",
		"counts": object{"measured": 2.0, "at_least": 3.0, "ambient": 5.0, "void": 7.0, "missing": 11.0},
		"point":  []any{1.0, 2.0, 3.0}, "freq_hz": []any{1e6, 2e6, 3e6}, "outcome": []any{"measured", "at least", "void"}, "relation": []any{"=", ">=", ""},
		"se_db": []any{41.75, 51.75, nil}, "se_low_db": []any{38.125, 51.75, nil}, "se_high_db": []any{45.375, nil, nil}, "reference_dbm": []any{-21.5, -22.5, nil},
		"required_db": []any{40.5, nil, nil}, "verdicts": []any{"undecided", "meets", "not required"},
	})
}

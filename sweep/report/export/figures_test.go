package export_test

import (
	"math"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/report/export"
	"lidded/sweep/report/reporttest"
	"lidded/sweep/requirement"
)

func dB(v float64) *unit.DB { d := unit.DB(v); return &d }

// TestEachFigureInItsColumn: every figure is another one, and none ends on a
// thousandth: what is claimed is never rounded in its favour.
func TestEachFigureInItsColumn(t *testing.T) {
	at := sweep.Setting{Specimen: "locker", Position: "front", Polarization: "horizontal", Repeat: 3}
	value := sweep.Result{
		At: at, Point: 0, Freq: 430e6, Reference: -21.5002, Enclosed: -63.2506, Reading: -62.5002, NoiseFloor: -104.7502, Margin: 42.2502, DynamicRange: 83.5002,
		SE: sweep.SE{Relation: sweep.Equal, Value: 41.7502, Low: 38.1259, High: 45.3751, U: 4.2501}, Outcome: sweep.Measured, Reason: "why", Confidence: 0.9375, Method: "how",
		Drift: dB(-0.6252), Leakage: &sweep.Leak{Level: -97.5009, Seen: true}, Required: dB(40.5002), Headroom: dB(-2.3751), Verdict: requirement.Undecided,
	}
	bound := value
	bound.Point, bound.SE, bound.Outcome = 1, sweep.SE{Relation: sweep.AtLeastRelation, Value: 41.7509, Low: 41.7509, High: unit.DB(math.Inf(1)), U: 9}, sweep.AtLeast
	bound.Leakage, bound.Enclosed = &sweep.Leak{Level: -97.5009}, -63.2509
	none := value
	none.Point, none.SE, none.Outcome, none.Leakage, none.Drift = 2, sweep.SE{Value: 9, Low: 9, High: 9, U: 9}, sweep.Void, nil, nil
	worst := sweep.Worst{Specimen: "locker", Point: 0, Freq: 430e6, At: at, SE: value.SE, Outcome: sweep.Measured, Rule: "rule", Margin: 42.2502, Range: 83.5002, Required: dB(40.5002), Headroom: dB(-2.3751), Verdict: requirement.Undecided}
	m := written(t, export.Bundle{Run: reporttest.Depot(), Evaluation: sweep.Evaluation{
		Results: []sweep.Result{value, bound, none},
		Summaries: []sweep.Summary{{
			Specimen: "locker", Worst: []sweep.Worst{worst}, Lowest: &worst, Counts: sweep.Counts{Measured: 2, AtLeast: 3, Ambient: 5, Void: 7, Missing: 11}, Verdict: requirement.FallsShort, Sentence: "in words",
		}},
	}})
	cells := func(name string, row int, want map[string]string) {
		t.Helper()
		rows := table(t, m, name)
		if row >= len(rows) {
			t.Fatalf("%s has %d rows", name, len(rows))
		}
		for k, v := range want {
			if got, ok := rows[row][k]; !ok || got != v {
				t.Errorf("%s, row %d, %s: %q, want %q", name, row, k, got, v)
			}
		}
	}
	cells("results.csv", 0, map[string]string{
		"specimen": "locker", "position": "front", "polarization": "horizontal", "repeat": "3", "point": "0", "freq_hz": "430000000", "reference_dbm": "-21.500", "reading_dbm": "-62.500",
		"enclosed_dbm": "-63.251", "enclosed_at_most_dbm": "", "noise_floor_dbm": "-104.750", "margin_db": "42.250", "dynamic_range_db": "83.500",
		"se_relation": "=", "se_db": "41.750", "se_at_least_db": "", "se_low_db": "38.125", "se_high_db": "45.376", "expanded_uncertainty_db": "4.251",
		"outcome": "measured", "reason": "why", "confidence": "0.9375", "method": "how", "closing_drift_db": "-0.625", "leakage_dbm": "-97.500", "leakage_at_most_dbm": "",
		"required_db": "40.500", "headroom_db": "-2.376", "verdict": "undecided",
	})
	cells("results.csv", 1, map[string]string{
		"enclosed_dbm": "", "enclosed_at_most_dbm": "-63.250", "se_relation": ">=", "se_db": "", "se_at_least_db": "41.750", "se_low_db": "41.750", "se_high_db": "", "expanded_uncertainty_db": "",
		"outcome": "at_least", "leakage_dbm": "", "leakage_at_most_dbm": "-97.500",
	})
	cells("results.csv", 2, map[string]string{
		"enclosed_dbm": "", "enclosed_at_most_dbm": "", "se_relation": "", "se_db": "", "se_at_least_db": "", "se_low_db": "", "se_high_db": "", "expanded_uncertainty_db": "",
		"outcome": "void", "leakage_dbm": "", "leakage_at_most_dbm": "", "closing_drift_db": "",
	})
	cells("worst.csv", 0, map[string]string{
		"specimen": "locker", "point": "0", "position": "front", "polarization": "horizontal", "repeat": "3", "margin_db": "42.250", "dynamic_range_db": "83.500", "se_db": "41.750", "rule": "rule",
		"required_db": "40.500", "headroom_db": "-2.376", "verdict": "undecided",
	})
	cells("specimens.csv", 0, map[string]string{
		"specimen": "locker", "lowest_freq_hz": "430000000", "se_db": "41.750", "measured_count": "2", "at_least_count": "3", "ambient_count": "5", "void_count": "7", "missing_count": "11",
		"verdict": "falls_short", "sentence": "in words",
	})
}

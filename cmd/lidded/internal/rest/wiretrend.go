package rest

import (
	"math"
	"time"

	"lidded/sweep"
	"lidded/sweep/trend"
)

// Trends are how a specimen behaves over runs.
type Trends struct {
	Specimen    string           `json:"specimen"`
	Runs        int              `json:"runs" doc:"Runs looked at"`
	Pending     int              `json:"pending" doc:"Runs left out because their results are still being worked out: ask again"`
	Unreadable  []UnreadRun      `json:"unreadable" doc:"Runs left out because their captures cannot be read"`
	Method      string           `json:"method" doc:"How changes are found"`
	Frequencies []FrequencyTrend `json:"frequencies"`
}

// FrequencyTrend is the trend at one frequency.
type FrequencyTrend struct {
	Freq      float64      `json:"freq_hz"`
	Required  *float64     `json:"required_db,omitempty" doc:"By the newest run's requirement line"`
	Series    []TrendPoint `json:"series" doc:"Oldest first"`
	SE        TrendSummary `json:"se_trend"`
	Reference TrendSummary `json:"reference_trend" doc:"Of the reference level: where it changes too, the set-up did, and not the specimen alone. Levels in dBm, changes in dB"`
}

// TrendPoint is one run at one frequency.
type TrendPoint struct {
	Run       string    `json:"run"`
	Bench     string    `json:"bench"`
	Plan      string    `json:"plan"`
	Time      time.Time `json:"time" doc:"When the run began"`
	DoorCycle *int64    `json:"door_cycle,omitempty" doc:"Door cycles so far, where the run states them"`
	Outcome   string    `json:"outcome" enum:"unknown,measured,at least,ambient,void"`
	SE        *SE       `json:"se,omitempty" doc:"Left out: no claim"`
	Reference *float64  `json:"reference_level_dbm" doc:"null: none"`
}

// TrendSummary is what a series says as a whole.
type TrendSummary struct {
	Sentence   string         `json:"sentence"`
	Values     int            `json:"values" doc:"Points that are values"`
	Bounds     int            `json:"bounds" doc:"Points that are lower bounds"`
	Median     *TrendMedian   `json:"median,omitempty" doc:"After Kaplan and Meier; left out: no points"`
	Scatter    *float64       `json:"scatter_db" doc:"Standard deviation from run to run, a change apart; null: not known"`
	Tested     bool           `json:"tested" doc:"A change was looked for: there are at least 5 points, 3 of them values"`
	P          *float64       `json:"p_value,omitempty" doc:"Share of unchanged series that look as changed as this one"`
	FalseAlarm float64        `json:"false_alarm" doc:"How often a change is called in a series without one"`
	Confidence float64        `json:"confidence" doc:"Of the intervals"`
	Change     *TrendChange   `json:"change,omitempty" doc:"Left out: none found"`
	Proof      *TrendProof    `json:"proven_fall,omitempty" doc:"The newest value lies below what earlier runs claim, whatever the scatter"`
	PerDay     *TrendInterval `json:"drift_per_day,omitempty" doc:"Over all points; left out: too few values"`
	PerCycle   *TrendInterval `json:"drift_per_door_cycle,omitempty" doc:"Over the runs that state their door cycles"`
}

// TrendMedian is a median with its relation.
type TrendMedian struct {
	Relation string   `json:"relation" enum:"=,>=" doc:"= for a value, >= for a lower bound; it is part of the number"`
	SE       *float64 `json:"se_db,omitempty"`
	Level    *float64 `json:"level_dbm,omitempty" doc:"Of the reference"`
}

// TrendChange is a change of level.
type TrendChange struct {
	Kind     string    `json:"kind" enum:"fell,rose"`
	Since    time.Time `json:"since" doc:"Of the first run after it"`
	Run      string    `json:"run" doc:"The first run after it"`
	Before   time.Time `json:"before" doc:"Of the last run before it"`
	Relation string    `json:"relation" enum:"=,>=" doc:">= where one side holds bounds alone: by_db is then the least"`
	By       float64   `json:"by_db" doc:"By how much it fell or rose, above 0 for what kind says"`
	Low      *float64  `json:"by_low_db" doc:"Lower end of the interval; null: not limited"`
	High     *float64  `json:"by_high_db" doc:"Upper end of the interval; null: not limited"`
}

// TrendProof is a fall that claims prove by themselves.
type TrendProof struct {
	Relation   string    `json:"relation" enum:">=" doc:"It fell by at least that"`
	By         float64   `json:"by_db"`
	Since      time.Time `json:"since" doc:"Of the earlier claim"`
	Confidence float64   `json:"confidence"`
}

// TrendInterval is an estimate with its interval.
type TrendInterval struct {
	By   float64  `json:"by_db" doc:"Above 0 where it rises"`
	Low  *float64 `json:"by_low_db" doc:"null: not limited"`
	High *float64 `json:"by_high_db" doc:"null: not limited"`
}

// TrendsOf puts trends on the wire.
func TrendsOf(specimen string, all []trend.Frequency, runs, pending int, unread []UnreadRun) Trends {
	return Trends{Specimen: specimen, Runs: runs, Pending: pending, Unreadable: listOf(unread), Method: trend.Method, Frequencies: each(all, frequencyTrendOf)}
}

func frequencyTrendOf(f trend.Frequency) FrequencyTrend {
	return FrequencyTrend{
		Freq: float64(f.Freq), Required: numberAt(f.Required), Series: each(f.Rows, trendPointOf),
		SE: seTrendOf(f), Reference: referenceTrendOf(f),
	}
}

func trendPointOf(r trend.Row) TrendPoint {
	return TrendPoint{
		Run: string(r.Run.ID), Bench: r.Run.Bench, Plan: r.Run.Plan, Time: r.Time.UTC(), DoorCycle: r.Run.DoorCycle,
		Outcome: r.Outcome.String(), SE: seOf(r.SE), Reference: number(r.Reference),
	}
}

func seTrendOf(f trend.Frequency) TrendSummary {
	out := trendSummaryOf(f.SE, f.Rows)
	if out.Median != nil {
		out.Median.SE = &f.SE.Median
	}
	return out
}

func referenceTrendOf(f trend.Frequency) TrendSummary {
	out := trendSummaryOf(f.Reference, f.Rows)
	if out.Median != nil {
		out.Median.Level = &f.Reference.Median
	}
	return out
}

func trendSummaryOf(t trend.Trend, rows []trend.Row) TrendSummary {
	out := TrendSummary{
		Sentence: t.Sentence, Values: t.Values, Bounds: t.Bounds, Scatter: number(t.Scatter), Tested: t.Tested,
		FalseAlarm: t.FalseAlarm, Confidence: t.Confidence, PerDay: trendIntervalOf(t.PerDay), PerCycle: trendIntervalOf(t.PerCycle),
	}
	if t.Tested {
		out.P = &t.P
	}
	if number(t.Median) != nil {
		out.Median = &TrendMedian{Relation: sweep.Equal.String()}
		if t.MedianBound {
			out.Median.Relation = sweep.AtLeastRelation.String()
		}
	}
	if t.Change != nil {
		out.Change = trendChangeOf(*t.Change, rows)
	}
	if p := t.Proof; p != nil {
		out.Proof = &TrendProof{sweep.AtLeastRelation.String(), p.By, p.Since.UTC(), p.Confidence}
	}
	return out
}

func trendChangeOf(c trend.Change, rows []trend.Row) *TrendChange {
	out := &TrendChange{Kind: "rose", Since: c.Since.UTC(), Before: c.Before.UTC(), Relation: sweep.Equal.String(), By: c.By.Value, Low: number(c.By.Low), High: number(c.By.High)}
	if c.Fell() {
		out.Kind, out.By, out.Low, out.High = "fell", -c.By.Value, number(-c.By.High), number(-c.By.Low)
	}
	if math.IsInf(out.By, 0) {
		out.Relation, out.By = sweep.AtLeastRelation.String(), *out.Low
	}
	for _, r := range rows {
		if r.Time.Equal(c.Since) {
			out.Run = string(r.Run.ID)
		}
	}
	return out
}

func trendIntervalOf(i *trend.Interval) *TrendInterval {
	if i == nil {
		return nil
	}
	return &TrendInterval{i.Value, number(i.Low), number(i.High)}
}

// Package reporttest holds an invented finished run, for the tests of whatever
// renders one: every outcome, both relations, two positions, names that need
// quoting, and values that are not there.
package reporttest

import (
	"errors"
	"iter"
	"math"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
	"lidded/sweep/uncertainty"
)

// RunID is the identifier of the run.
const RunID sweep.RunID = "0196f0c2-7d10-7b6e-8c31-5a0f3c2e9d11"

var begun = time.Date(2031, 5, 17, 21, 30, 0, 250_000_000, time.UTC)

// Depot returns the run: a river-rescue depot tests two spare-radio lockers
// against a line of 60 dB.
func Depot() sweep.Run {
	started, ended := begun.Add(time.Second), begun.Add(42*time.Minute)
	r := sweep.Run{
		ID: RunID,
		Plan: sweep.Plan{
			Name: "night", About: "spare-radio lockers", Capture: sweep.Linked, Positions: []string{"center", "lid"}, Polarizations: []sweep.Polarization{"vertical"},
			Repeats: 1, Requirement: "depot-spare-radio", Headroom: 6, DriftLimit: 3, Closing: true, Confidence: 0.95, FalseAlarm: 0.05,
		},
		Bench:     sweep.Bench{Name: "boathouse", Uncertainty: 1},
		Specimens: []sweep.Specimen{{Name: "locker-a", About: "welded, new gasket"}, {Name: `locker "b", old`}},
		Line: &requirement.Line{
			Name: "depot-spare-radio", Title: "Spare radios", Standard: "depot standing order 7", Edition: "2031", Mark: requirement.Chosen,
		},
		Operator: "night shift", Trigger: "schedule nightly", Software: "1.2.3",
		Analyzer: driver.Identity{Maker: "Alder", Model: "A1", Serial: "7", Firmware: "1.0", Raw: "Alder,A1,7,1.0"},
		Source:   driver.Identity{Maker: "Birch", Model: "B1", Serial: "8", Firmware: "2.0", Raw: "Birch,B1,8,2.0"},
		Created:  begun, Started: &started, Ended: &ended, State: sweep.Completed, Reason: "every step done",
	}
	for i, f := range []unit.Hz{30e6, 433.92e6, 1e9} {
		r.Plan.Points = append(r.Plan.Points, sweep.Point{Index: i, Band: "all", Freq: f, Level: -10, RBW: 1e3, Span: 20e3, Detector: driver.PositivePeak, Field: requirement.PlaneWave})
	}
	return r
}

// Evaluation returns what was found in the run, written down by hand: it tests
// how results are shown, not how they are found.
func Evaluation() sweep.Evaluation {
	nan, none := unit.DB(math.NaN()), unit.Missing()
	required := unit.DB(60)
	drift := unit.DB(-0.3)
	result := func(specimen, position string, point int) sweep.Result {
		return sweep.Result{
			Run: RunID, At: sweep.Setting{Specimen: specimen, Position: position, Polarization: "vertical", Repeat: 1}, Point: point, Freq: Depot().Plan.Points[point].Freq,
			Reference: -20.25, Enclosed: none, Reading: none, NoiseFloor: none, Margin: nan, DynamicRange: nan,
			Confidence: 0.95, Method: "power sum of 4 looks", Drift: &drift, Required: &required,
		}
	}
	value := func(r sweep.Result, reading, floor, se, u unit.DB) sweep.Result {
		r.Outcome = sweep.Measured
		r.Reading, r.NoiseFloor, r.Enclosed = unit.DBm(reading), unit.DBm(floor), r.Reference.Add(-se)
		r.Margin, r.DynamicRange = r.Reading.Sub(r.NoiseFloor), r.Reference.Sub(r.NoiseFloor)
		low := se - u*1.645/1.96
		r.SE = sweep.SE{Relation: sweep.Equal, Value: se, Low: low, High: 2*se - low, U: u}
		return r
	}
	bound := func(r sweep.Result, reading, floor, se unit.DB) sweep.Result {
		r = value(r, reading, floor, se, 0)
		r.Outcome, r.Reason = sweep.AtLeast, "no signal found above the noise"
		r.SE = sweep.SE{Relation: sweep.AtLeastRelation, Value: se, Low: se, High: unit.DB(math.Inf(1))}
		return r
	}
	judge := func(r sweep.Result, v sweep.Verdict) sweep.Result {
		r.Verdict = v
		if r.Required != nil && r.SE.Relation != sweep.RelationUnknown {
			h := r.SE.Low - required
			r.Headroom = &h
		}
		return r
	}
	const a, b = "locker-a", `locker "b", old`
	lost := result(a, "lid", 2)
	lost.Outcome, lost.Reason, lost.Method = sweep.Void, "the closing reference differs by -3.4 dB, limit 3.0 dB", ""
	heard := result(b, "center", 1)
	heard.Outcome, heard.Reason = sweep.AmbientHeard, "another signal of -71.2 dBm is on the air here"
	heard.Reading, heard.NoiseFloor, heard.Margin, heard.DynamicRange = -71.2, -101, 29.8, 80.75
	free := result(b, "lid", 0)
	free.Required = nil
	results := []sweep.Result{
		judge(bound(result(a, "center", 0), -100.2, -101, 73.4567), requirement.Meets),
		judge(value(result(a, "center", 1), -88.1, -101.04, 67.5, 2.1), requirement.Meets),
		judge(bound(result(a, "lid", 1), -99.9, -101, 55.1), requirement.Undecided),
		judge(lost, requirement.Undecided),
		judge(value(result(b, "center", 0), -60.3, -101, 40.0004, 1.96), requirement.FallsShort),
		judge(heard, requirement.Undecided),
		judge(value(free, -20.2, -101, -0.0004, 1.96), requirement.NotRequired),
	}
	worst := func(r sweep.Result) sweep.Worst {
		return sweep.Worst{Specimen: r.At.Specimen, Point: r.Point, Freq: r.Freq, At: r.At, SE: r.SE, Outcome: r.Outcome, Reason: r.Reason,
			Margin: r.Margin, Range: r.DynamicRange, Required: r.Required, Headroom: r.Headroom, Verdict: r.Verdict}
	}
	first := []sweep.Worst{worst(results[0]), worst(results[2]), worst(results[3])}
	second := []sweep.Worst{worst(results[6]), worst(results[5])}
	return sweep.Evaluation{
		Results: results, Budgets: budgets(results), Time: sweep.Timing{Predicted: 40 * time.Minute, Took: 38 * time.Minute, Nominal: 21 * time.Minute, Ratio: 0.95},
		Summaries: []sweep.Summary{
			{Specimen: a, Worst: first, Lowest: &first[1], Counts: sweep.Counts{AtLeast: 2, Void: 1}, Verdict: requirement.Undecided,
				Sentence: "locker-a: undecided against depot-spare-radio at 2 of 3 frequencies; lowest SE ≥ 55.1 dB at 433.92 MHz"},
			{Specimen: b, Worst: second, Lowest: &second[0], Counts: sweep.Counts{Measured: 1, Ambient: 1, Missing: 1}, Verdict: requirement.FallsShort,
				Sentence: `locker "b", old: falls short of depot-spare-radio at 1 of 2 frequencies; lowest SE 0.0 dB ± 2.0 dB at 30 MHz`},
		},
		Notes: []string{"closing reference: largest change 0.30 dB, limit 3.0 dB"},
	}
}

// budgets are those of the claims: noise of both levels, which differs from point
// to point, and the bench's figure, which does not.
func budgets(results []sweep.Result) []uncertainty.Result {
	out := make([]uncertainty.Result, len(results))
	for i, r := range results {
		if r.SE.Relation == sweep.RelationUnknown {
			continue
		}
		b := uncertainty.Budget{
			{Name: "noise of the reference", Value: 0.1 + unit.DB(i)/100, Distribution: uncertainty.Normal, Side: uncertainty.Reference, Statistical: true, Source: "looks of this point"},
			{Name: "level difference", Value: 1, Distribution: uncertainty.Normal, Source: "bench, as stated"},
		}
		if r.SE.Relation == sweep.Equal {
			b = append(b, uncertainty.Component{Name: "noise of the enclosed level", Value: 0.3, Distribution: uncertainty.Normal, Side: uncertainty.Enclosed, Statistical: true, DoF: 9, Source: "looks of this point"})
		}
		u, err := b.Combine(0.95)
		if err != nil {
			panic(err) // a fixed list
		}
		out[i] = u
	}
	return out
}

// Captures gives three of the run's captures: a linked one with two looks, a
// void one, and one read by hand.
func Captures() iter.Seq2[sweep.Capture, error] {
	source, level, noise := unit.DBm(-10.02), unit.DBm(-78.5), unit.DBm(-101)
	attenuation, preamp := unit.DB(10), false
	at := sweep.Setting{Position: "center", Polarization: "vertical", Repeat: 1}
	linked := sweep.Capture{
		ID: "0196f0c2-8a10-7c01-9d02-000000000001", Run: RunID, Seq: 1, Step: 1, Kind: sweep.Reference, At: at, Point: 1, Freq: 433.92e6,
		SourceFreq: 433.92e6, SourceLevel: &source,
		Settings: driver.Settings{Center: 433.92e6, Span: 20e3, RBW: 1e3, VBW: 3e3, Detector: driver.PositivePeak, Hold: driver.ClearWrite, Points: 4, SweepTime: 50 * time.Millisecond, RefLevel: &source, Attenuator: &attenuation, Preamp: &preamp},
		Begun:    begun.Add(3 * time.Second), Took: 612 * time.Millisecond, Nominal: 100 * time.Millisecond,
	}
	for i, levels := range [][]unit.DBm{{-100.5, -20.25, unit.Missing(), -99.75}, {-101.125, -100.5, -102, -101}} {
		linked.Looks = append(linked.Looks, sweep.Look{SourceOn: i == 0, Trace: driver.Trace{Start: 433.91e6, Stop: 433.93e6, Levels: levels, Begun: begun, Took: 50 * time.Millisecond}})
	}
	void := sweep.Capture{ID: "0196f0c2-8a10-7c01-9d02-000000000002", Run: RunID, Seq: 2, Step: 3, Kind: sweep.Enclosed, At: at, Point: 2, Freq: 1e9, Void: "the link was lost, three times", Overload: true, Begun: begun.Add(time.Minute)}
	void.At.Specimen = `locker "b", old`
	hand := sweep.Capture{ID: "0196f0c2-8a10-7c01-9d02-000000000003", Run: RunID, Seq: 3, Step: 3, Kind: sweep.Enclosed, At: void.At, Point: 0, Freq: 30e6, HandLevel: &level, HandNoise: &noise}
	return func(yield func(sweep.Capture, error) bool) {
		for _, c := range []sweep.Capture{linked, void, hand} {
			if !yield(c, nil) {
				return
			}
		}
	}
}

// ErrBroken ends Broken.
var ErrBroken = errors.New("the archive broke off")

// Broken gives one capture and then an error.
func Broken() iter.Seq2[sweep.Capture, error] {
	return func(yield func(sweep.Capture, error) bool) {
		for c := range Captures() {
			if yield(c, nil) {
				yield(sweep.Capture{}, ErrBroken)
			}
			return
		}
	}
}

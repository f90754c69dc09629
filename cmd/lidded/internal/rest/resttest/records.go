package resttest

import (
	"context"
	"fmt"
	"math"
	"slices"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

func (d *Depot) found(method string, id sweep.RunID) (*run, error) {
	if err := d.broken(method); err != nil {
		return nil, err
	}
	for _, r := range d.runs {
		if r.ID == id {
			return r, nil
		}
	}
	return nil, fmt.Errorf("run %s: %w", id, sweep.ErrNoRun)
}

// Run gives a run.
func (d *Depot) Run(_ context.Context, id sweep.RunID) (sweep.Run, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	r, err := d.found("Run", id)
	if err != nil {
		return sweep.Run{}, err
	}
	return r.Run, nil
}

// KeyOf gives the idempotency key that started a run.
func (d *Depot) KeyOf(id string) string {
	d.mu.Lock()
	defer d.mu.Unlock()
	r, err := d.found("KeyOf", sweep.RunID(id))
	if err != nil {
		return ""
	}
	return r.Run.Key
}

// Runs lists runs, newest first.
func (d *Depot) Runs(_ context.Context, f sweep.RunFilter) ([]sweep.RunInfo, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.broken("Runs"); err != nil {
		return nil, err
	}
	var out []sweep.RunInfo
	past := f.Before == ""
	for _, r := range slices.Backward(d.runs) {
		if !past {
			past = r.ID == f.Before
			continue
		}
		names := namesOf(r.Specimens)
		if (f.Bench != "" && f.Bench != r.Bench.Name) || (f.Plan != "" && f.Plan != r.Plan.Name) ||
			(f.Specimen != "" && !slices.Contains(names, f.Specimen)) || (f.State != sweep.StateUnknown && f.State != r.State) {
			continue
		}
		out = append(out, sweep.RunInfo{
			ID: r.ID, Bench: r.Bench.Name, Plan: r.Plan.Name, Specimens: names, Operator: r.Operator, DoorCycle: r.DoorCycle, Trigger: r.Trigger, Key: r.Key,
			Software: r.Software, Created: r.Created, Started: r.Started, Ended: r.Ended, State: r.State, Reason: r.Reason, Captures: len(r.captures),
		})
	}
	return atMost(out, f.Limit), nil
}

func atMost[T any](all []T, limit int) []T {
	if limit > 0 && len(all) > limit {
		return all[:limit]
	}
	return all
}

// CaptureList lists captures without looks.
func (d *Depot) CaptureList(_ context.Context, id sweep.RunID, f sweep.CaptureFilter) ([]sweep.Capture, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	r, err := d.found("CaptureList", id)
	if err != nil {
		return nil, err
	}
	var out []sweep.Capture
	for _, c := range r.captures {
		if (f.Kind != sweep.StepUnknown && f.Kind != c.Kind) || (f.Specimen != "" && f.Specimen != c.At.Specimen) || c.Seq <= f.After {
			continue
		}
		c.Looks = nil
		out = append(out, c)
	}
	return atMost(out, f.Limit), nil
}

// Capture gives a capture with its traces.
func (d *Depot) Capture(_ context.Context, id string) (sweep.Capture, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, r := range d.runs {
		for _, c := range r.captures {
			if c.ID == id {
				return c, nil
			}
		}
	}
	return sweep.Capture{}, fmt.Errorf("capture %s: %w", id, sweep.ErrNoCapture)
}

// Events lists a run's journal.
func (d *Depot) Events(_ context.Context, id sweep.RunID, after int64, limit int) ([]sweep.Event, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	r, err := d.found("Events", id)
	if err != nil {
		return nil, err
	}
	var out []sweep.Event
	for _, e := range r.events {
		if e.Seq > after {
			out = append(out, e)
		}
	}
	return atMost(out, limit), nil
}

// Keyings lists the ledger of a run.
func (d *Depot) Keyings(_ context.Context, f sweep.KeyingFilter) ([]sweep.Keying, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if f.Run != "" {
		r, err := d.found("Keyings", f.Run)
		if err != nil {
			return nil, err
		}
		return slices.Clone(r.keyings), nil
	}
	if err := d.broken("Keyings"); err != nil {
		return nil, err
	}
	var out []sweep.Keying
	entry := int64(0)
	for _, r := range d.runs {
		for _, k := range r.keyings {
			entry++
			k.Entry = entry
			if fits := (f.Bench == "" || f.Bench == r.Bench.Name) && k.Entry > f.After && !k.On.Before(f.From) && (f.To.IsZero() || k.On.Before(f.To)); fits && (f.Limit <= 0 || len(out) < f.Limit) {
				out = append(out, k)
			}
		}
	}
	return out, nil
}

// Figures of the make-believe: what the set-up can show, and what each box is
// worth.
const (
	reference = unit.DBm(-40)
	floor     = unit.DBm(-122)
)

func worth(box string, f unit.Hz) unit.DB {
	mhz := float64(f) / 1e6
	switch box {
	case "locker-mesh":
		return unit.DB(58 - 20*math.Log10(mhz/30))
	case "locker-vent":
		x := math.Log(mhz/433) / 0.12
		return unit.DB(74 - 42*math.Exp(-x*x))
	}
	return unit.DB(96 - 6*math.Abs(math.Log10(mhz/300)))
}

// Evaluation shows every outcome: a signal, none, somebody else's, and a fault.
func (d *Depot) Evaluation(_ context.Context, id sweep.RunID) (sweep.Evaluation, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	r, err := d.found("Evaluation", id)
	if err != nil {
		return sweep.Evaluation{}, err
	}
	var out sweep.Evaluation
	for _, box := range r.Specimens {
		sum := sweep.Summary{Specimen: box.Name}
		have := map[int]sweep.Setting{}
		for _, c := range r.captures {
			if c.Kind == sweep.Enclosed && c.At.Specimen == box.Name {
				have[c.Point] = c.At
			}
		}
		var verdicts []sweep.Verdict
		for _, q := range r.Plan.Points {
			at, ok := have[q.Index]
			if !ok {
				sum.Counts.Missing++
				sum.Worst = append(sum.Worst, sweep.Worst{Specimen: box.Name, Point: q.Index, Freq: q.Freq, Verdict: requirement.Undecided, Margin: unit.DB(math.NaN()), Range: unit.DB(math.NaN())})
				continue
			}
			res := r.result(box.Name, at, q)
			out.Results = append(out.Results, res)
			w := sweep.Worst{Specimen: box.Name, Point: q.Index, Freq: q.Freq, At: at, SE: res.SE, Outcome: res.Outcome, Reason: res.Reason, Margin: res.Margin, Range: res.DynamicRange, Required: res.Required, Headroom: res.Headroom, Verdict: res.Verdict}
			sum.Worst = append(sum.Worst, w)
			switch res.Outcome {
			case sweep.Measured:
				sum.Counts.Measured++
			case sweep.AtLeast:
				sum.Counts.AtLeast++
			case sweep.AmbientHeard:
				sum.Counts.Ambient++
			case sweep.Void:
				sum.Counts.Void++
			}
			if w.SE.Relation != sweep.RelationUnknown && (sum.Lowest == nil || w.SE.Value < sum.Lowest.SE.Value) {
				sum.Lowest = &w
			}
			verdicts = append(verdicts, res.Verdict)
		}
		sum.Verdict = requirement.Combine(verdicts)
		sum.Sentence = sentence(sum)
		out.Summaries = append(out.Summaries, sum)
	}
	if r.State.Final() {
		out.Notes = []string{"closing reference within 0.4 dB of the opening one"}
	}
	return out, nil
}

func sentence(s sweep.Summary) string {
	if s.Lowest == nil {
		return s.Specimen + ": nothing captured yet"
	}
	rel := ""
	if s.Lowest.SE.Relation == sweep.AtLeastRelation {
		rel = "at least "
	}
	return fmt.Sprintf("%s: %v; lowest %s%v at %v", s.Specimen, s.Verdict, rel, s.Lowest.SE.Value, s.Lowest.Freq)
}

func (r *run) result(box string, at sweep.Setting, q sweep.Point) sweep.Result {
	drift, nan := unit.DB(0.4), unit.Missing()
	res := sweep.Result{
		Run: r.ID, At: at, Point: q.Index, Freq: q.Freq, Reference: reference, NoiseFloor: floor, DynamicRange: reference.Sub(floor),
		Confidence: 0.95, Method: "make-believe", Drift: &drift, Enclosed: nan, SE: sweep.SE{Value: unit.DB(math.NaN())},
	}
	se := worth(box, q.Freq)
	switch limit := res.DynamicRange - 4; {
	case q.Index == 14:
		res.Outcome, res.Reason, res.Reading = sweep.AmbientHeard, "a carrier stands here with our source off", -71
	case q.Index == 30 && box == "locker-mesh":
		res.Outcome, res.Reason, res.Reading = sweep.Void, "input overloaded", -8
	case se > limit:
		res.Outcome, res.Reading, res.Enclosed = sweep.AtLeast, floor.Add(1.1), reference.Add(-limit)
		res.SE = sweep.SE{Relation: sweep.AtLeastRelation, Value: limit, Low: limit, High: unit.DB(math.Inf(1))}
	default:
		res.Outcome, res.Enclosed = sweep.Measured, reference.Add(-se)
		res.Reading = res.Enclosed
		res.SE = sweep.SE{Relation: sweep.Equal, Value: se, Low: se - 2.4, High: se + 2.4, U: 2.4}
	}
	res.Margin = res.Reading.Sub(floor)
	res.Verdict = requirement.NotRequired
	if r.Line != nil {
		j := requirement.Judge(r.Line, requirement.PlaneWave, q.Freq, requirement.Result{Outcome: res.Outcome, SE: res.SE.Value, U: res.SE.U})
		res.Required, res.Verdict = &j.Required, j.Verdict
		if !math.IsNaN(float64(j.Guarded)) {
			res.Headroom = &j.Guarded
		}
	}
	return res
}

package trend

import (
	"cmp"
	"math"
	"slices"
	"time"

	"lidded/driver/unit"
	"lidded/sweep"
)

// Night is what one run found of a specimen.
type Night struct {
	Run   sweep.RunInfo
	Brief sweep.Brief
}

// Counts reports whether a run is looked at: it was completed, or stopped after a
// point by its operator.
func Counts(r sweep.RunInfo) bool {
	return r.State == sweep.Completed || r.State == sweep.Stopped
}

// time of a night: when its run began.
func (n Night) time() time.Time { return n.Run.Began() }

// Frequency is the trend of a specimen at one frequency: of its SE, the lowest over
// positions and polarizations as a run found it, and of the reference level there.
type Frequency struct {
	Freq      unit.Hz
	Required  *unit.DB // in the newest run
	Rows      []Row    // oldest first
	SE        Trend
	Reference Trend
}

// Row is one run at one frequency.
type Row struct {
	Run       sweep.RunInfo
	Time      time.Time
	Outcome   sweep.Outcome
	SE        sweep.SE // relation unknown: no claim
	Reference unit.DBm // missing: none
}

// Usual gives the frequencies shown where none are asked for: those of the newest
// run with a claim where the specimen is lowest, at most so many, in rising order.
func Usual(nights []Night, most int) []unit.Hz {
	for _, n := range inTime(nights, true) {
		rows := slices.DeleteFunc(slices.Clone(n.Brief.Rows), func(r sweep.BriefRow) bool { return r.SE.Relation == sweep.RelationUnknown })
		if len(rows) == 0 {
			continue
		}
		slices.SortStableFunc(rows, func(a, b sweep.BriefRow) int { return cmp.Compare(a.SE.Value, b.SE.Value) })
		var out []unit.Hz
		for _, r := range rows {
			if len(out) < most && !slices.Contains(out, r.Freq) {
				out = append(out, r.Freq)
			}
		}
		slices.Sort(out)
		return out
	}
	return nil
}

// Specimen gives the trend at the frequencies asked for, or rather at the nearest
// that the newest run has; one that no run has within 0.5 % is left out. Two that
// are nearest to the same are one.
func Specimen(nights []Night, asked []unit.Hz, o Options) ([]Frequency, error) {
	newest := inTime(nights, true)
	var out []Frequency
	for _, want := range asked {
		f, required, ok := settle(newest, want)
		if !ok || slices.ContainsFunc(out, func(g Frequency) bool { return g.Freq == f }) {
			continue
		}
		one, err := at(inTime(nights, false), f, o)
		if err != nil {
			return nil, err
		}
		one.Required = required
		out = append(out, one)
	}
	return out, nil
}

func inTime(nights []Night, newestFirst bool) []Night {
	out := slices.Clone(nights)
	slices.SortStableFunc(out, func(a, b Night) int {
		if newestFirst {
			a, b = b, a
		}
		return a.time().Compare(b.time())
	})
	return out
}

// settle finds the frequency of the newest run that has one near the asked.
func settle(newest []Night, want unit.Hz) (unit.Hz, *unit.DB, bool) {
	for _, n := range newest {
		if r := nearest(n.Brief.Rows, want); r != nil {
			return r.Freq, r.Required, true
		}
	}
	return 0, nil, false
}

func nearest(rows []sweep.BriefRow, f unit.Hz) *sweep.BriefRow {
	var best *sweep.BriefRow
	off := sweep.SameFrequency * math.Abs(float64(f))
	for i, r := range rows {
		d := math.Abs(float64(r.Freq - f))
		if d < off || d == off && (best == nil || lower(r, *best)) {
			best, off = &rows[i], d
		}
	}
	return best
}

// lower picks among points of a plan at one frequency, of several fields, say, the
// lowest claim.
func lower(a, b sweep.BriefRow) bool {
	if a.SE.Relation == sweep.RelationUnknown || b.SE.Relation == sweep.RelationUnknown {
		return b.SE.Relation == sweep.RelationUnknown && a.SE.Relation != sweep.RelationUnknown
	}
	return a.SE.Value < b.SE.Value
}

func at(nights []Night, f unit.Hz, o Options) (Frequency, error) {
	out := Frequency{Freq: f}
	var se, reference []Point
	for _, n := range nights {
		r := nearest(n.Brief.Rows, f)
		if r == nil {
			continue
		}
		row := Row{Run: n.Run, Time: n.time(), Outcome: r.Outcome, SE: r.SE, Reference: r.Reference}
		out.Rows = append(out.Rows, row)
		if row.SE.Relation != sweep.RelationUnknown {
			se = append(se, Point{
				Time: row.Time, Cycle: n.Run.DoorCycle, Value: float64(row.SE.Value), Bound: row.SE.Relation == sweep.AtLeastRelation,
				Low: float64(row.SE.Low), High: float64(row.SE.High),
			})
		}
		if row.Reference.IsFinite() {
			p := Value(row.Time, float64(row.Reference))
			p.Cycle = n.Run.DoorCycle
			reference = append(reference, p)
		}
	}
	var err error
	if out.SE, err = Of(se, o); err != nil {
		return out, err
	}
	out.Reference, err = Of(reference, o)
	return out, err
}

package handread

import (
	"path/filepath"
	"slices"
	"strings"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

// Run makes a run of the sheet, with its captures in the order in which they
// would have been taken. What the file does not say comes from the run given:
// identifier, bench, requirement line, operator, trigger, software, creation.
// Without a plan name the file's name is used. The settings are unknown, and
// the same for all by the reader's word; the captures have no identifiers.
func (s *Sheet) Run(from sweep.Run) (sweep.Run, []sweep.Capture) {
	run := from
	run.HandRead, run.State = true, sweep.Pending
	name := from.Plan.Name
	if name == "" {
		name = strings.TrimSuffix(filepath.Base(s.Name), filepath.Ext(s.Name))
	}
	run.Plan = s.plan(name)
	run.Plan.Requirement = ""
	if run.Line != nil {
		run.Plan.Requirement = run.Line.Name
	}
	run.Specimens = nil
	for _, n := range distinct(s.Rows, func(r Row) string { return r.At.Specimen }) {
		if n != "" {
			run.Specimens = append(run.Specimens, sweep.Specimen{Name: n})
		}
	}
	captures := s.steps(&run)
	return run, captures
}

func (s *Sheet) plan(name string) sweep.Plan {
	p := sweep.Plan{
		Name: name, About: "levels read by hand", Capture: sweep.Linked, Repeats: 1,
		Positions:     distinct(s.Rows, func(r Row) string { return r.At.Position }),
		Polarizations: distinct(s.Rows, func(r Row) sweep.Polarization { return r.At.Polarization }),
		Headroom:      sweep.DefaultHeadroom, DriftLimit: sweep.DefaultDriftLimit,
		Confidence: sweep.DefaultConfidence, FalseAlarm: sweep.DefaultFalseAlarm,
	}
	freqs := distinct(s.Rows, func(r Row) unit.Hz { return r.Freq })
	slices.Sort(freqs)
	for i, f := range freqs {
		p.Points = append(p.Points, sweep.Point{
			Index: i, Band: "hand-read", Freq: f, Level: unit.Missing(), Detector: driver.DetectorUnknown, Field: requirement.PlaneWave,
		})
	}
	p.Closing = slices.ContainsFunc(s.Rows, func(r Row) bool { return r.Kind == sweep.Closing })
	return p
}

// steps lists the steps that have levels, and their captures.
func (s *Sheet) steps(run *sweep.Run) (captures []sweep.Capture) {
	rows := map[spot]Row{}
	for _, r := range s.Rows {
		rows[r.spot()] = r
	}
	run.Steps = nil
	for _, step := range sweep.Steps(run.Plan, run.Bench, run.Specimens) {
		index := len(run.Steps)
		before := len(captures)
		for _, q := range run.Plan.Points {
			r, ok := rows[spot{step.Kind, step.At, q.Freq}]
			if !ok {
				continue
			}
			captures = append(captures, sweep.Capture{
				Run: run.ID, Seq: len(captures) + 1, Step: index, Kind: r.Kind, At: r.At, Point: q.Index, Freq: q.Freq,
				HandLevel: &r.Level, HandNoise: r.Noise, Begun: run.Created,
			})
		}
		if len(captures) > before {
			step.Index = index
			run.Steps = append(run.Steps, step)
		}
	}
	return captures
}

// distinct lists the values of the rows in the order in which they first stand.
func distinct[T comparable](rows []Row, of func(Row) T) (out []T) {
	known := map[T]bool{}
	for _, r := range rows {
		if v := of(r); !known[v] {
			known[v] = true
			out = append(out, v)
		}
	}
	return out
}

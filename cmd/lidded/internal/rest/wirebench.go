package rest

import (
	"time"

	"lidded/sweep"
	"lidded/sweep/emission"
	"lidded/sweep/requirement"
)

// Instrument is an instrument and its link.
type Instrument struct {
	Up       bool       `json:"up" doc:"The link works and the expected instrument answers"`
	Dialect  string     `json:"dialect,omitempty"`
	Identity *Identity  `json:"identity,omitempty" doc:"As last identified"`
	Since    *time.Time `json:"since,omitempty" doc:"When it came up or went down"`
	Fault    string     `json:"fault,omitempty" doc:"Why it is down"`
}

// Permission is what a bench may transmit.
type Permission struct {
	From     float64 `json:"from_hz"`
	To       float64 `json:"to_hz"`
	MaxLevel float64 `json:"max_level_dbm"`
	Basis    string  `json:"basis" doc:"In the operator's own words"`
}

// Override takes an entry of the never-transmit table out of force at a site.
type Override struct {
	Entry string `json:"entry"`
	Basis string `json:"basis" doc:"In the operator's own words"`
}

// Bench is a bench as it is now.
type Bench struct {
	Name        string       `json:"name"`
	State       string       `json:"state" doc:"idle, or the state of the run that occupies the bench; away: its daemon does not tell"`
	Run         string       `json:"run,omitempty" doc:"The run that occupies the bench"`
	SourceOn    *bool        `json:"source_on" doc:"null: not known; treat it as on"`
	Analyzer    Instrument   `json:"analyzer"`
	Source      Instrument   `json:"source"`
	Progress    *Progress    `json:"progress,omitempty"`
	MaxLevel    float64      `json:"max_level_dbm"`
	PathLoss    float64      `json:"path_loss_db"`
	NoiseFigure float64      `json:"noise_figure_db"`
	Conducted   bool         `json:"conducted" doc:"Cabled: nothing is radiated"`
	MayTransmit []Permission `json:"may_transmit"`
	Overrides   []Override   `json:"override_never" doc:"Entries of the never-transmit table that the site overrides"`
	HandsByRule bool         `json:"hands_by_rule" doc:"Hold points can be released by rule"`
	Cautions    []string     `json:"cautions"`
	Daemon      string       `json:"daemon,omitempty" doc:"On a lab server: address of the bench's own daemon"`
	Away        *Away        `json:"away,omitempty" doc:"On a lab server: why nothing is known of the bench as it is now"`
}

// Away says why a bench's daemon does not tell of it.
type Away struct {
	Reason  string     `json:"reason"`
	Since   *time.Time `json:"since,omitempty" doc:"When the daemon was first missed; left out: not known"`
	Shipped *time.Time `json:"last_shipped,omitempty" doc:"When the bench last shipped to the lab; left out: not known"`
}

// AwayDaemon is a daemon that did not answer.
type AwayDaemon struct {
	Daemon string     `json:"daemon" doc:"Its address"`
	Reason string     `json:"reason"`
	Since  *time.Time `json:"since,omitempty" doc:"When it was first missed; left out: it answers, and not as asked"`
}

// AwayBench is a bench of which nothing is known now.
func AwayBench(name, daemon string, a Away) Bench {
	out := benchOf(BenchNow{})
	out.Name, out.State, out.Daemon, out.Away = name, "away", daemon, &a
	out.Analyzer.Fault, out.Source.Fault = a.Reason, a.Reason
	return out
}

func benchOf(b BenchNow) Bench {
	out := Bench{
		Name: b.Bench.Name, State: "idle", SourceOn: b.SourceOn,
		Analyzer: instrumentOf(b.Analyzer), Source: instrumentOf(b.Source),
		MaxLevel: float64(b.Bench.MaxLevel), PathLoss: float64(b.Bench.PathLoss), NoiseFigure: float64(b.Bench.NoiseFigure),
		Conducted: b.Bench.Conducted, HandsByRule: b.Bench.HandsByRule, Cautions: listOf(b.Bench.Cautions),
		MayTransmit: each(b.Bench.MayTransmit, func(p sweep.Permission) Permission {
			return Permission{float64(p.From), float64(p.To), float64(p.MaxLevel), p.Basis}
		}),
		Overrides: each(b.Bench.Never.Overrides, func(o emission.Override) Override { return Override{o.Entry, o.Basis} }),
	}
	if b.Run != nil {
		p := progressOf(*b.Run)
		out.State, out.Run, out.Progress = p.State, p.Run, &p
	}
	return out
}

func instrumentOf(i InstrumentNow) Instrument {
	return Instrument{i.Up, i.Dialect, identityOf(i.Identity), timeIf(i.Since), i.Fault}
}

// Requirement is a requirement line, ready to draw: per field, stretches that
// are straight in dB against the logarithm of frequency.
type Requirement struct {
	Name    string             `json:"name"`
	Title   string             `json:"title"`
	Source  string             `json:"source,omitempty" doc:"The document it stands in"`
	Caution string             `json:"caution,omitempty" doc:"What to know about where the values come from"`
	Curves  []RequirementCurve `json:"curves"`
}

// RequirementCurve is the line for one field.
type RequirementCurve struct {
	Field     string               `json:"field"`
	Stretches [][]RequirementPoint `json:"stretches"`
}

// RequirementPoint is a corner of the line.
type RequirementPoint struct {
	Freq float64 `json:"freq_hz"`
	SE   float64 `json:"se_db"`
}

func requirementOf(l *requirement.Line) *Requirement {
	if l == nil {
		return nil
	}
	out := &Requirement{Name: l.Name, Title: l.Title, Source: l.Source(), Caution: l.Caution(), Curves: []RequirementCurve{}}
	for _, f := range l.Fields() {
		out.Curves = append(out.Curves, RequirementCurve{f.String(), each(l.Polylines(f), func(s []requirement.Point) []RequirementPoint {
			return each(s, func(p requirement.Point) RequirementPoint {
				return RequirementPoint{float64(p.Freq), float64(p.SE)}
			})
		})})
	}
	return out
}

package explain

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"lidded/driver/unit"
	"lidded/sweep/wall"
)

// page writes lines and keeps the first error.
type page struct {
	w   io.Writer
	err error
}

func (p *page) line(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format+"\n", args...)
	}
}

func (p *page) table(rows [][]string) {
	if p.err != nil {
		return
	}
	t := tabwriter.NewWriter(p.w, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		fmt.Fprintln(t, strings.Join(r, "\t"))
	}
	p.err = t.Flush()
}

// Text writes the outlook as tables, one per field.
func (o Outlook) Text(w io.Writer) error {
	p := &page{w: w}
	p.line("%s: %s", o.Specimen, orDash(o.Title))
	p.line("%s", o.Validity.Text)
	if len(o.Modes) > 0 {
		var names []string
		for _, m := range o.Modes {
			names = append(names, fmt.Sprintf("%s %v", m.Name, RoundFreq(m.Freq)))
		}
		p.line("resonances of the empty cavity: %s", strings.Join(names, ", "))
	}
	for _, c := range o.Curves {
		p.line("")
		p.line("%s field", c.Field)
		rows := [][]string{{"FREQUENCY", "EXPECTED SE", "STRONGEST WAY IN", "REGIME"}}
		for _, e := range c.At {
			rows = append(rows, []string{RoundFreq(e.Freq).String(), Band(e), wayIn(e), regime(e)})
		}
		p.table(rows)
	}
	if o.Pulse != nil {
		p.line("")
		o.Pulse.text(p)
	}
	return p.err
}

// Band prints the expected band; a band that is a guess says so.
func Band(e wall.Expectation) string {
	s := fmt.Sprintf("%.0f to %.0f dB", float64(e.Low), float64(e.High))
	if e.Low >= limit {
		s = fmt.Sprintf("over %d dB", limit)
	} else if e.High >= limit {
		s = fmt.Sprintf("%.0f dB or more", float64(e.Low))
	}
	if !e.Valid {
		return "guess: " + s
	}
	return s
}

// limit is the highest SE in dB that the models speak of.
const limit = 200

func wayIn(e wall.Expectation) string {
	if len(e.Paths) == 0 {
		return "-"
	}
	return e.Paths[0].Name
}

func regime(e wall.Expectation) string {
	if !e.Valid {
		return e.Regime.String() + ": one place tells little"
	}
	return e.Regime.String()
}

// CSV writes the outlook, one row per field and frequency. Where the models do
// not hold, valid is false and the band is a guess.
func (o Outlook) CSV(w io.Writer) error {
	c := csv.NewWriter(w)
	rows := [][]string{{"specimen", "field", "freq_hz", "se_low_db", "se_high_db", "valid", "regime", "strongest_way_in"}}
	for _, curve := range o.Curves {
		for _, e := range curve.At {
			rows = append(rows, []string{o.Specimen, curve.Field.String(), number(float64(e.Freq)), fixed(e.Low), fixed(e.High), strconv.FormatBool(e.Valid), e.Regime.String(), wayIn(e)})
		}
	}
	if err := c.WriteAll(rows); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', 7, 64) }

func fixed(v unit.DB) string { return strconv.FormatFloat(float64(v), 'f', 1, 64) }

// Text writes the explanation for a person.
func (x Explanation) Text(w io.Writer) error {
	p := &page{w: w}
	p.line("%s, run %s (%v)", x.Specimen, x.Run, x.State)
	p.line("made of: %s", orDash(x.Made))
	p.line("code of IEC 61000-5-7: %s (%s)", x.Code, x.Code.Source)
	if x.Outlook != nil {
		p.line("%s", x.Outlook.Validity.Text)
	}
	for _, f := range x.Findings {
		p.line("")
		p.line("%s (%s)", f.Says, count(f.Points, "point"))
		for i, h := range f.Hypotheses {
			if i == 3 {
				p.line("  and %s that fit less well", count(len(f.Hypotheses)-3, "hypothesis"))
				break
			}
			p.line("  hypothesis %d: %s", i+1, h.Says)
			for _, e := range h.Evidence {
				p.line("    evidence: %s", e)
			}
			p.line("    to tell: %s", h.Next)
		}
	}
	if len(x.Inferences) > 0 {
		p.line("")
		p.line("between and beyond the points")
		rows := [][]string{{"FREQUENCY", "FIELD", "SE", "BASIS", "RISK"}}
		for _, i := range x.Inferences {
			rows = append(rows, []string{RoundFreq(i.Freq).String(), i.Field.String(), Interval(i.Low, i.High), i.Basis.String(), risk(i)})
		}
		p.table(rows)
		for _, i := range x.Inferences {
			p.line("  %v: %s", RoundFreq(i.Freq), i.Text)
		}
	}
	if x.Pulse != nil {
		p.line("")
		x.Pulse.text(p)
	}
	for _, n := range x.Notes {
		p.line("note: %s", n)
	}
	return p.err
}

// Interval prints what is left open, either end of which may be.
func Interval(lo, hi unit.DB) string {
	switch {
	case math.IsInf(float64(lo), 0) && math.IsInf(float64(hi), 0):
		return "anything"
	case math.IsInf(float64(hi), 0):
		return fmt.Sprintf("≥ %.1f dB", float64(lo))
	case math.IsInf(float64(lo), 0):
		return fmt.Sprintf("≤ %.1f dB", float64(hi))
	}
	return fmt.Sprintf("%.1f to %.1f dB", float64(lo), float64(hi))
}

func risk(i wall.Inference) string {
	if i.Basis != wall.Between {
		return "-"
	}
	return fmt.Sprintf("%.0f %% of an unseen dip", 100*i.Risk)
}

func (pl Pulse) text(p *page) {
	p.line("pulse: early time of IEC 61000-2-9 (constants from memory: check against your copy), %.0f V/m and %.3g J/m² outside", pl.IncidentPeak, pl.IncidentEnergy)
	p.line("  peak inside at most %s V/m (%.1f dB), whatever the phase, of the content from %v to %v", si(pl.Bound.PeakBound), float64(pl.Bound.BoundDB), RoundFreq(pl.Bound.From), RoundFreq(pl.Bound.To))
	p.line("  energy inside at most %s J/m² in that span", si(pl.Bound.Energy))
	p.line("  minimum-phase estimate of the peak %s V/m (%.1f dB)", si(pl.Estimate.MinimumPhase.Peak), float64(pl.Estimate.PeakDB))
	if pl.BestBound > 0 {
		p.line("  at the upper ends (and with a perfect shield wherever only a bound is known) the bound would be %s V/m", si(pl.BestBound))
	}
	for _, n := range pl.Notes {
		p.line("  note: %s", n)
	}
}

func si(v float64) string { return strconv.FormatFloat(v, 'g', 3, 64) }

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

func count(n int, what string) string {
	switch {
	case n == 1:
		return "1 " + what
	case strings.HasSuffix(what, "is"):
		return fmt.Sprintf("%d %ses", n, strings.TrimSuffix(what, "is"))
	}
	return fmt.Sprintf("%d %ss", n, what)
}

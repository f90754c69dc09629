package between

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"lidded/driver/unit"
)

// Method says in a line how claims are compared.
const Method = "En = (x2 − x1)/√(U1² + U2²) with uncertainties that cover 95 % (ISO 13528:2015), agreeing up to 1 either way; a bound differs from a value that it stands above, uncertainty included"

// Independence says what the comparison takes for granted.
const Independence = "The readings are taken to be independent. What both benches share, such as an antenna carried along or one certificate behind both analyzers, errs alike on both and makes the score too small; how much cannot be known from the readings."

const day = 24 * time.Hour

// say tells the pair in sentences.
func (p *Pair) say() {
	all := len(p.Rows)
	if all == 0 {
		p.Sentences = []string{fmt.Sprintf("%s and %s have no reading of it to compare.", p.A, p.B)}
		return
	}
	say := func(format string, args ...any) { p.Sentences = append(p.Sentences, fmt.Sprintf(format, args...)) }
	say("%s against %s: of %s %d agree, %d differ, %d cannot be said.", p.B, p.A, p.comparisons(all), p.Counts.Agree, p.Counts.Differ, p.Counts.CannotSay)
	if p.Values.Of > 0 {
		say("The median difference of two values is %s.", signed(p.Median))
	}
	if r := p.Largest; r != nil {
		say("The largest difference is %s at %s.", r.Difference.text(), p.where(*r))
	}
	p.sayChance("values", p.Values)
	p.sayChance("a bound and a value", p.Bounds)
	if len(p.Shared) > 0 {
		say("Both runs used the %s: errors that are alike on both make the score too small, so that a real difference may hide.", strings.Join(p.Shared, " and the "))
	}
	if p.Apart >= day {
		say("The runs lie %s apart: what the specimen itself changed meanwhile is in the differences, too.", counted(int(p.Apart/day), "day", "days"))
	}
	p.ReferenceSays = p.sayReference()
}

// sayChance sets a number of differences beside that expected.
func (p *Pair) sayChance(what string, c Chance) {
	if c.Of == 0 {
		return
	}
	about := "about"
	if what != "values" {
		if c.Differ == 0 {
			return
		}
		about = "at most"
	}
	s := fmt.Sprintf("Of %s of %s %s %s would differ by chance", counted(c.Of, "comparison", "comparisons"), what, about, number(c.Expected))
	switch {
	case c.Differ == 0:
		s += "; none does."
	case c.TooMany:
		s += fmt.Sprintf("; %d %s, more than chance explains (p %s if frequencies err independently; where a bench errs alike at all of them, up to %s).", c.Differ, does(c.Differ), probability(c.P), probability(c.Dependent))
	case c.TooLarge:
		s += fmt.Sprintf("; %d %s.", c.Differ, does(c.Differ))
	default:
		s += fmt.Sprintf("; %d %s, which chance explains (p %s).", c.Differ, does(c.Differ), probability(c.P))
	}
	if c.TooLarge {
		s += fmt.Sprintf(" The largest score is more than chance explains (p at most %s, whatever the frequencies have in common).", strings.TrimPrefix(probability(c.Largest), "below "))
	}
	p.Sentences = append(p.Sentences, s)
}

func (p *Pair) sayReference() string {
	r := p.ReferenceLargest
	if r == nil {
		return "No frequency has a reference level on both benches."
	}
	how := "at equal source level"
	if !p.Normalised {
		how = "as received, corrected for nothing, since a run does not state its source level"
	}
	s := fmt.Sprintf("The open reference level of %s is %s that of %s (median, %s)", p.B, higher(p.ReferenceMedian), p.A, how)
	return s + fmt.Sprintf("; the largest difference is %s at %s.", signed(p.ReferenceBy(*r)), p.where(*r))
}

// comparisons counts rows: frequencies, where there is one setting.
func (p *Pair) comparisons(n int) string {
	if len(p.settings()) == 1 {
		return counted(n, "frequency", "frequencies")
	}
	return counted(n, "comparison", "comparisons")
}

func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func (p *Pair) settings() []place {
	var out []place
	for _, r := range p.Rows {
		if k := (place{r.Position, r.Polarization, r.Field}); !slices.Contains(out, k) {
			out = append(out, k)
		}
	}
	return out
}

// where names a row; its setting only where there are several.
func (p *Pair) where(r Row) string {
	if len(p.settings()) == 1 {
		return r.Freq.String()
	}
	return fmt.Sprintf("%v, %s %s", r.Freq, r.Position, r.Polarization)
}

func (d Difference) text() string {
	switch d.Relation {
	case AtLeast:
		return "at least " + signed(unit.DB(math.Floor(10*float64(d.By))/10))
	case AtMost:
		return "at most " + signed(unit.DB(math.Ceil(10*float64(d.By))/10))
	}
	return fmt.Sprintf("%s ± %.1f dB (En %.2f)", signed(d.By), float64(d.U), d.En)
}

func signed(v unit.DB) string { return fmt.Sprintf("%+.1f dB", v.Tenths()) }

func higher(v unit.DB) string {
	if v.Tenths() == 0 {
		return "to 0.1 dB the same as"
	}
	word := "higher"
	if v < 0 {
		v, word = -v, "lower"
	}
	return fmt.Sprintf("%.1f dB %s than", v.Tenths(), word)
}

func number(v float64) string { return fmt.Sprintf("%.2g", v) }

func probability(p float64) string {
	if p < 0.001 {
		return "below 0.001"
	}
	return fmt.Sprintf("%.2g", p)
}

func does(n int) string {
	if n == 1 {
		return "does"
	}
	return "do"
}

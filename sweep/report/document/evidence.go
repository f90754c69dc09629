package document

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"lidded/driver/unit"
	"lidded/sweep"
)

// figures in the name of a method: numbers of looks.
var figures = regexp.MustCompile(`[0-9]+(\.[0-9]+)?`)

// uncertainty says how the figures are to be read.
func (b *builder) uncertainty() Section {
	p, bench := b.in.Run.Plan, b.in.Run.Bench
	var methods []string
	for _, r := range b.in.Evaluation.Results {
		if m := figures.ReplaceAllString(r.Method, "n"); m != "" && !slices.Contains(methods, m) {
			methods = append(methods, m)
		}
	}
	slices.Sort(methods)
	pairs := Pairs{known("confidence of intervals and bounds", percent(p.Confidence)),
		known("chance of one false finding over the plan", percent(p.FalseAlarm))}
	if bench.Budget == nil {
		pairs = append(pairs, known("standard uncertainty of a level difference", bench.Uncertainty.String()+", as the bench states, apart from noise and drift"))
	} else {
		pairs = append(pairs, entries(*bench.Budget)...)
	}
	if len(methods) > 0 {
		pairs = append(pairs, known("how levels were found", strings.Join(methods, "; ")+"; n differs from point to point"))
	}
	return Section{"Uncertainty", []Block{
		pairs,
		text("SE is a difference of two levels taken with the same set-up: terms common to both cancel. What remains is combined as a root of the sum of squares (JCGM 100:2008 5.1); noise, the change of the closing reference and repeats of the point are added to the bench's figure. ± is the expanded uncertainty of the two-sided interval at the confidence above. A lower bound already holds its uncertainty: it is the value that the SE exceeds at that confidence. The spread between positions inside the enclosure is not part of the uncertainty: it is shown by the positions measured, and the lowest counts."),
	}}
}

func percent(v float64) string { return fmt.Sprintf("%g %%", v*100) }

// entries are the lines of a bench's stated budget.
func entries(e sweep.Entries) Pairs {
	var out Pairs
	add := func(name, text string) {
		out = append(out, Pair{Name: "budget: " + name, Value: text})
	}
	if e.Stated != nil {
		add("stated together", e.Stated.String()+", standard uncertainty")
	}
	for _, w := range []struct {
		name string
		db   *unit.DB
		how  string
	}{
		{"linearity", e.Linearity, "half-width"}, {"switching", e.Switching, "half-width, where settings differ"}, {"source drift", e.SourceDrift, "half-width"}, {"position", e.Position, "half-width"},
		{"reference repeat", e.ReferenceRepeat, "standard deviation"}, {"enclosed repeat", e.EnclosedRepeat, "standard deviation"},
	} {
		switch {
		case w.db != nil:
			add(w.name, w.db.String()+", "+w.how)
		case e.Stated == nil:
			add(w.name, "not stated: the default of a bench that nobody has characterised")
		}
	}
	for _, w := range []struct {
		name string
		v    *float64
	}{{"VSWR of the source", e.SourceVSWR}, {"VSWR of the antennas", e.AntennaVSWR}, {"VSWR of the analyzer", e.AnalyzerVSWR}} {
		switch {
		case w.v != nil:
			add(w.name, fmt.Sprintf("%g", *w.v))
		case e.Stated == nil:
			add(w.name, "not stated: the default of a bench that nobody has characterised")
		}
	}
	for _, x := range e.Extra {
		add(x.Name, strings.TrimSuffix(fmt.Sprintf("%v, %s, %s", x.Value, x.Distribution, x.Source), ", "))
	}
	return out
}

// transmission says when the source was on, and by what right.
func (b *builder) transmission() Section {
	s := Section{Title: "Transmission"}
	rights := Table{Caption: "Stated rights to transmit", Columns: []Column{right("from", ""), right("to", ""), right("at most", "dBm"), left("basis, in the operator's words")}}
	for _, p := range b.in.Run.Bench.MayTransmit {
		rights.Rows = append(rights.Rows, []string{p.From.String(), p.To.String(), number(p.MaxLevel), p.Basis})
	}
	if len(rights.Rows) > 0 {
		s.Blocks = append(s.Blocks, rights)
	}
	s.Blocks = append(s.Blocks, b.never()...)
	totals := sweep.Totals(b.in.Keyings)
	if len(totals) == 0 {
		s.Blocks = append(append(s.Blocks, text("The transmission ledger has no entry for this run.")), b.exposure()...)
		return s
	}
	t := Table{Caption: "Transmission ledger, per band of the Radio Regulations", Columns: []Column{
		left("band"), right("keyings", ""), right("time on", ""), right("longest", ""), right("highest", "dBm"), left("first on"), left("last on"), right("end not known", ""), right("off not confirmed", ""),
	}}
	for _, n := range totals {
		t.Rows = append(t.Rows, []string{
			n.Band, fmt.Sprint(n.Keyings), n.On.Round(time.Millisecond).String(), n.LongestOn.Round(time.Millisecond).String(), number(n.Highest), moment(n.FirstOn), moment(n.LastOn), fmt.Sprint(n.Unknown), fmt.Sprint(n.Doubtful),
		})
	}
	s.Blocks = append(append(s.Blocks, t), b.exposure()...)
	return s
}

// cautions are those that were shown where the work was done.
func (b *builder) cautions() Section {
	var list []string
	for _, st := range b.in.Run.Steps {
		for _, c := range st.Cautions {
			if !slices.Contains(list, c) {
				list = append(list, c)
			}
		}
	}
	s := Section{Title: "Cautions"}
	if len(list) > 0 {
		s.Blocks = append(s.Blocks, text("Shown at the hold points of the run:"), List{Caution, list})
	}
	s.Blocks = append(s.Blocks, List{Caution, []string{
		"The figures hold for the specimens as tested: lid, gaskets, filters and what was fitted at the time. A later state needs a test of its own.",
		"Nothing is claimed at frequencies, positions or polarizations that were not measured; a resonance may lie between two frequencies of the plan.",
		"Licensing, exposure limits and site rules are set by local codes and competent persons, not by this report.",
	}})
	return s
}

// log is the run's journal without the entries that stand elsewhere.
func (b *builder) log() Section {
	t := Table{Caption: "Journal of the run; captures and keyings stand in tables of their own", Columns: []Column{left("time"), left("kind"), left("state"), right("step", ""), left("text"), left("who")}}
	for _, e := range b.in.Events {
		if e.Kind == "point" || e.Kind == "keying" {
			continue
		}
		state := textOrNone(e.State != sweep.StateUnknown, e.State.String())
		t.Rows = append(t.Rows, []string{moment(e.Time), e.Kind, state, fmt.Sprint(e.Step + 1), orNone(e.Text), orNone(e.Who)})
	}
	s := Section{Title: "Log"}
	if len(t.Rows) == 0 {
		b.missing = append(b.missing, "log")
		s.Blocks = append(s.Blocks, Text{Missing, "The journal of the run is not there."})
		return s
	}
	s.Blocks = append(s.Blocks, t)
	return s
}

func textOrNone(show bool, s string) string {
	if show {
		return s
	}
	return "-"
}

// evidence says how to check the report against the data.
func (b *builder) evidence() Section {
	r := b.in.Run
	t := Table{Caption: "Digests of the data, as 'lidded export --traces' and REST write it", Columns: []Column{left("file"), right("bytes", ""), left("SHA-256")}}
	for _, d := range b.digests {
		t.Rows = append(t.Rows, []string{d.file, fmt.Sprint(d.bytes), d.sum})
	}
	n := 0
	for _, c := range b.tally {
		n += c
	}
	return Section{"Evidence", []Block{
		Pairs{
			known("run", string(r.ID)),
			known("software", "lidded "+r.Software),
			known("captures", fmt.Sprintf("%d: %s", n, b.tallied())),
			known("state", strings.TrimSuffix(r.State.String()+", "+r.Reason, ", ")),
		},
		Pairs{known("digest of the captures", "sha256 "+b.digest), known("to check it", "cat captures.csv traces.csv | sha256sum")},
		text("captures.csv and traces.csv are the captures themselves: every level as the instrument gave it. They never change once the run has ended; export the run and compare their digests with these. The other tables are computed from them. The same run, with the same software and the same other runs in the store, gives this report again byte for byte."),
		t,
	}}
}

func signatures() Section {
	return Section{"Signatures", []Block{Lines{"for the test organisation", "witness", "for the owner"}}}
}

// tallied counts the captures by kind; of the checks, those that there are.
func (b *builder) tallied() string {
	parts := []string{}
	for _, k := range []struct {
		kind   sweep.StepKind
		name   string
		always bool
	}{
		{sweep.Ambient, "ambient", true}, {sweep.Reference, "reference", true}, {sweep.Enclosed, "enclosed", true}, {sweep.Closing, "closing reference", true},
		{sweep.Leakage, "leakage", false}, {sweep.Linearity, "linearity", false},
	} {
		if n := b.tally[k.kind]; n > 0 || k.always {
			parts = append(parts, fmt.Sprintf("%d %s", n, k.name))
		}
	}
	return strings.Join(parts, ", ")
}

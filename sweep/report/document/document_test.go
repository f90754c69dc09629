package document_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"lidded/sweep"
	"lidded/sweep/emission"
	"lidded/sweep/report/document"
	"lidded/sweep/report/export"
	"lidded/sweep/report/reporttest"
	"lidded/sweep/requirement"
)

var update = flag.Bool("update", false, "write the golden files anew")

// depot is the invented run with everything around it.
func depot() document.Input {
	run := reporttest.Depot()
	run.Bench.MayTransmit = []sweep.Permission{{From: 30e6, To: 1e9, MaxLevel: 0, Basis: "inside the boathouse's screened room"}}
	run.Steps = []sweep.Step{{Kind: sweep.HoldPoint, Cautions: []string{sweep.CautionRoom, sweep.CautionExposure}}, {Index: 1, Kind: sweep.Reference}}
	run.Specimens[0].Facts = &sweep.SpecimenFacts{Owner: "River Rescue <Upper & Lower>", Dimensions: "0.6 m × 0.5 m × 0.4 m"}
	run.Line.Curves = []requirement.Curve{{Fields: []requirement.Field{requirement.PlaneWave}, Segments: []requirement.Segment{{Points: []requirement.Point{{Freq: 10e6, SE: 60}, {Freq: 2e9, SE: 60}}}}}}
	limits, err := emission.BuiltinLimits("")
	if err != nil {
		panic(err) // shipped data
	}
	run.Bench.Radiated = &emission.Chain{Amplifier: 40, Cable: 1, AntennaGain: 2}
	run.Bench.Exposure = &emission.Rule{Limits: limits, Ground: emission.FullReflection}
	run.Bench.Never = emission.Never{Overrides: []emission.Override{{Entry: "airband-voice", Basis: "inside the boathouse's screened room"}}}
	run.Predicted = 40 * time.Minute
	at := run.Created.Add(time.Minute)
	return document.Input{
		Run: run, Evaluation: reporttest.Evaluation(), Captures: reporttest.Captures(),
		Keyings: []sweep.Keying{{Entry: 1, Run: run.ID, Freq: 433.92e6, Level: -10, On: at, Off: at.Add(1500 * time.Millisecond)}},
		Events: []sweep.Event{
			{Run: run.ID, Seq: 1, Time: at, Kind: "state", State: sweep.Running, Who: "night shift"},
			{Run: run.ID, Seq: 2, Time: at, Kind: "point", Text: "stands among the captures"},
			{Run: run.ID, Seq: 3, Time: at, Kind: "fault", Text: "the link was lost, three times"},
		},
		Others: []document.Other{
			{Run: sweep.RunInfo{ID: "0196e000-0000-7000-8000-000000000001", Plan: "night", State: sweep.Completed, Created: run.Created.Add(-48 * time.Hour)},
				Summaries: []sweep.Summary{{Specimen: "locker-a", Sentence: "locker-a: falls short of depot-spare-radio at 2 of 3 frequencies"}}},
			{Run: sweep.RunInfo{ID: "0196e000-0000-7000-8000-000000000002", Plan: "night", State: sweep.Failed, Reason: "the analyzer stayed away", Created: run.Created.Add(24 * time.Hour)}},
		},
	}
}

func build(t *testing.T, in document.Input, form document.Form) document.Document {
	t.Helper()
	d, err := document.Build(in, form)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func pageOf(t *testing.T, d document.Document) string {
	t.Helper()
	var b bytes.Buffer
	if err := d.HTML(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestGolden(t *testing.T) {
	for _, c := range []struct {
		name string
		form document.Form
	}{{"full", document.Full}, {"short", document.Short}} {
		t.Run(c.name, func(t *testing.T) {
			got := pageOf(t, build(t, depot(), c.form))
			golden := "testdata/" + c.name + ".html"
			if *update {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("differs from %s: see 'go test -update' and 'git diff'", golden)
			}
		})
	}
}

// TestSame: the same run gives the same bytes, whenever it is asked.
func TestSame(t *testing.T) {
	for _, form := range []document.Form{document.Full, document.Short} {
		for name, write := range map[string]func(document.Document, io.Writer) error{"html": document.Document.HTML, "pdf": document.Document.PDF} {
			var sums []string
			for range 3 {
				h := sha256.New()
				if err := write(build(t, depot(), form), h); err != nil {
					t.Fatal(err)
				}
				sums = append(sums, hex.EncodeToString(h.Sum(nil)))
			}
			if sums[0] != sums[1] || sums[1] != sums[2] {
				t.Errorf("%v %s: %v", form, name, sums)
			}
		}
	}
}

// TestSelfContained: the page needs nothing else and runs nothing.
func TestSelfContained(t *testing.T) {
	got := pageOf(t, build(t, depot(), document.Full))
	for _, bad := range []string{"<script", "src=", "url(", "@import", "<link", "http://", "https://", "ZgotmplZ", "NaN", "Inf"} {
		if strings.Contains(got, bad) {
			t.Errorf("has %s", bad)
		}
	}
	if !strings.Contains(got, "River Rescue &lt;Upper &amp; Lower&gt;") {
		t.Error("text of the operator is not escaped")
	}
}

// cells goes through every text of a report.
func cells(d document.Document, see func(where, text string)) {
	for _, s := range d.Sections {
		see(s.Title, s.Title)
		for _, b := range s.Blocks {
			switch b := b.(type) {
			case document.Text:
				see(s.Title, b.Text)
			case document.List:
				for _, i := range b.Items {
					see(s.Title, i)
				}
			case document.Pairs:
				for _, p := range b {
					see(s.Title, p.Name)
					see(s.Title, p.Value)
				}
			case document.Table:
				see(s.Title, b.Caption)
				for _, c := range b.Columns {
					see(s.Title, c.Title)
				}
				for _, r := range b.Rows {
					for _, c := range r {
						see(b.Caption, c)
					}
				}
			}
		}
	}
}

var shown = regexp.MustCompile(`(?s)\(((?:[^\\()]|\\.)*)\) ?Tj`)

// words reads the words a PDF shows: its strings are UTF-16, as its fonts map
// signs by their number.
func words(t *testing.T, pdf []byte) map[string]int {
	t.Helper()
	out := map[string]int{}
	for _, m := range shown.FindAllSubmatch(pdf, -1) {
		raw := regexp.MustCompile(`(?s)\\(.)`).ReplaceAllFunc(m[1], func(e []byte) []byte {
			if e[1] == 'r' {
				return []byte{'\r'}
			}
			return e[1:]
		})
		var line []rune
		for i := 0; i+1 < len(raw); i += 2 {
			line = append(line, rune(raw[i])<<8|rune(raw[i+1]))
		}
		for _, w := range strings.Fields(string(line)) {
			out[w]++
		}
	}
	return out
}

// TestPDFWhole: every word of every table, list and paragraph is in the PDF, as
// often as in the report.
func TestPDFWhole(t *testing.T) {
	for _, form := range []document.Form{document.Full, document.Short} {
		d := build(t, many(depot(), 150), form)
		pdf, pages, err := d.PlainPDF()
		if err != nil {
			t.Fatal(err)
		}
		have := words(t, pdf)
		want := map[string]int{}
		cells(d, func(_, text string) {
			for _, w := range strings.Fields(text) {
				if len(w) < 20 { // longer ones may be broken
					want[w]++
				}
			}
		})
		if len(want) < 50 {
			t.Fatalf("only %d words", len(want))
		}
		for w, n := range want {
			if have[w] < n {
				t.Errorf("%v: %q stands %d times in the PDF, %d in the report", form, w, have[w], n)
			}
		}
		if form == document.Full && pages < 5 {
			t.Errorf("%d pages", pages)
		}
	}
}

// many repeats the results at n frequencies.
func many(in document.Input, n int) document.Input {
	points, results := in.Run.Plan.Points, in.Evaluation.Results
	in.Run.Plan.Points, in.Evaluation.Results, in.Evaluation.Budgets = nil, nil, nil
	for i := range n {
		p := points[i%len(points)]
		p.Index = i
		in.Run.Plan.Points = append(in.Run.Plan.Points, p)
		r := results[i%len(results)]
		r.Point = i
		in.Evaluation.Results = append(in.Evaluation.Results, r)
	}
	for i := range in.Evaluation.Summaries {
		s := &in.Evaluation.Summaries[i]
		worst := s.Worst
		s.Worst = nil
		for k := range n {
			w := worst[k%len(worst)]
			w.Point = k
			s.Worst = append(s.Worst, w)
		}
	}
	return in
}

// TestOnePage: the short form fits one page, whatever the run is like.
func TestOnePage(t *testing.T) {
	crowd := depot()
	crowd.Run.HandRead, crowd.Run.State, crowd.Run.Reason = true, sweep.Failed, strings.Repeat("the analyzer stayed away and ", 8)
	one, sum := crowd.Run.Specimens[0], crowd.Evaluation.Summaries[0]
	for i := range 40 {
		one.Name = fmt.Sprintf("locker with a rather long name, number %d", i)
		sum.Specimen, sum.Sentence = one.Name, one.Name+": "+strings.Repeat("undecided at many frequencies; ", 5)
		crowd.Run.Specimens = append(crowd.Run.Specimens, one)
		crowd.Evaluation.Summaries = append(crowd.Evaluation.Summaries, sum)
	}
	for i := range 30 {
		crowd.Evaluation.Notes = append(crowd.Evaluation.Notes, fmt.Sprintf("note %d of a run with much to say", i))
	}
	for name, in := range map[string]document.Input{"depot": depot(), "many points": many(depot(), 500), "crowd": crowd, "empty": {Run: reporttest.Depot()}} {
		var b bytes.Buffer
		if err := build(t, in, document.Short).PDF(&b); err != nil {
			t.Fatal(err)
		}
		if n := len(regexp.MustCompile(`/Type /Page\b[^s]`).FindAll(b.Bytes(), -1)); n != 1 {
			t.Errorf("%s: %d pages", name, n)
		}
	}
}

// TestRelation: wherever an SE stands in a table, its relation stands with it.
func TestRelation(t *testing.T) {
	n := 0
	for _, s := range build(t, depot(), document.Full).Sections {
		for _, b := range s.Blocks {
			table, ok := b.(document.Table)
			if !ok {
				continue
			}
			for i, c := range table.Columns {
				if !strings.Contains(c.Title, "SE, dB") {
					continue
				}
				for _, r := range table.Rows {
					n++
					if v := r[i]; v != "-" && !(strings.HasPrefix(v, "= ") && strings.Contains(v, " ± ")) && !strings.HasPrefix(v, "≥ ") {
						t.Errorf("%s: %q", table.Caption, v)
					}
				}
			}
		}
	}
	if n < 10 {
		t.Errorf("only %d values seen", n)
	}
}

// TestBoth: the failing run and the retest are listed, with what each found.
func TestBoth(t *testing.T) {
	got := pageOf(t, build(t, depot(), document.Full))
	for _, want := range []string{
		"0196e000-0000-7000-8000-000000000001", "locker-a: falls short of depot-spare-radio at 2 of 3 frequencies",
		"0196e000-0000-7000-8000-000000000002", "failed: the analyzer stayed away", "not judged here",
		"void: the link was lost, three times", // a capture that failed
		"the closing reference differs by -3.4 dB, limit 3.0 dB",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("nowhere: %s", want)
		}
	}
	if strings.Contains(got, "stands among the captures") {
		t.Error("points are repeated in the log")
	}
}

// fill states every fact; it returns how many.
func fill(v reflect.Value, name string, stated *[]string) {
	switch v.Kind() {
	case reflect.String:
		s := fmt.Sprintf("stated %s %d", name, len(*stated))
		*stated = append(*stated, s)
		v.SetString(s)
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), v.Type().Field(i).Name, stated)
		}
	}
}

// TestFacts: what nobody states is missing and said so; what is stated, with the
// run or after it, stands in the report; with all of it nothing is missing.
func TestFacts(t *testing.T) {
	missing := func(d document.Document) (list []string, complete int) {
		for _, s := range d.Sections {
			for _, b := range s.Blocks {
				if l, ok := b.(document.List); ok && l.Tone == document.Missing {
					list = append(list, l.Items...)
				}
				if t, ok := b.(document.Table); ok && s.Title == "Checklist" {
					for _, r := range t.Rows {
						if r[2] == "complete" {
							complete++
						}
					}
				}
			}
		}
		return list, complete
	}
	in := depot()
	list, complete := missing(build(t, in, document.Full))
	text := strings.Join(list, "\n")
	for _, want := range []string{"witnesses", "calibration of the analyzer", "calibration of the source", "grid of positions", "ambient in the open"} {
		if !strings.Contains(text, want) {
			t.Errorf("%s is not among what is missing: %s", want, text)
		}
	}
	if complete == 0 || complete == document.ChecklistItems {
		t.Errorf("%d items complete", complete)
	}

	var stated []string
	var bench sweep.BenchFacts
	var plan sweep.PlanFacts
	fill(reflect.ValueOf(&bench).Elem(), "bench", &stated)
	bench.Equipment = []sweep.EquipmentFact{{Role: "analyzer"}, {Role: "source"}, {Role: "horn antenna"}}
	for i := range bench.Equipment {
		role := bench.Equipment[i].Role
		fill(reflect.ValueOf(&bench.Equipment[i]).Elem(), "equipment", &stated)
		stated = stated[:len(stated)-8]
		bench.Equipment[i].Role = role
	}
	fill(reflect.ValueOf(&plan).Elem(), "plan", &stated)
	in.Run.Bench.Facts, in.Facts.Plan = &bench, plan // half with the run, half after it
	in.Facts.Specimens = map[string]sweep.SpecimenFacts{}
	for i := range in.Run.Specimens {
		var f sweep.SpecimenFacts
		fill(reflect.ValueOf(&f).Elem(), "specimen", &stated)
		in.Facts.Specimens[in.Run.Specimens[i].Name] = f
	}
	captures := in.Captures
	in.Captures = func(yield func(sweep.Capture, error) bool) {
		for c, err := range captures {
			if c.Seq == 1 {
				c.Kind = sweep.Ambient
			}
			if !yield(c, err) {
				return
			}
		}
	}
	d := build(t, in, document.Full)
	if list, complete = missing(d); len(list) > 0 || complete != document.ChecklistItems {
		t.Errorf("still missing: %v; %d of %d items complete", list, complete, document.ChecklistItems)
	}
	got := pageOf(t, d)
	for _, s := range stated {
		if !strings.Contains(got, s) {
			t.Errorf("stated, but not in the report: %s", s)
		}
	}
	if !strings.Contains(got, "(stated after the run)") || !strings.Contains(got, "River Rescue &lt;Upper &amp; Lower&gt; (stated after the run: ") {
		t.Error("what was stated after the run is not told from what was stated with it")
	}
}

// TestDigest: the digests are those of the files an export writes.
func TestDigest(t *testing.T) {
	in := depot()
	files := map[string]*bytes.Buffer{}
	err := export.Write(export.Bundle{Run: in.Run, Evaluation: in.Evaluation, Captures: in.Captures, Traces: true}, func(name string) (io.WriteCloser, error) {
		files[name] = &bytes.Buffer{}
		return closer{files[name]}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	got := pageOf(t, build(t, in, document.Full))
	for _, name := range []string{"results.csv", "captures.csv", "traces.csv"} {
		sum := sha256.Sum256(files[name].Bytes())
		if !strings.Contains(got, hex.EncodeToString(sum[:])) {
			t.Errorf("digest of %s is not in the report", name)
		}
	}
	both := sha256.Sum256(append(bytes.Clone(files["captures.csv"].Bytes()), files["traces.csv"].Bytes()...))
	for _, form := range []document.Form{document.Full, document.Short} {
		if !strings.Contains(pageOf(t, build(t, in, form)), "sha256 "+hex.EncodeToString(both[:])) {
			t.Errorf("%v: the digest of the captures is not in the report", form)
		}
	}
}

type closer struct{ io.Writer }

func (closer) Close() error { return nil }

// TestSigns: signs without a glyph show their number, and nothing breaks.
func TestSigns(t *testing.T) {
	in := depot()
	in.Run.Operator = "夜班 🚀 \x00\x07\U0010FFFF \u202e Łucja λ ≥ ± Ω µ"
	in.Run.Specimens[0].About = strings.Repeat("w", 4000)
	in.Run.Specimens[1].About = string([]byte{0xff, 0xfe, 'x'})
	d := build(t, in, document.Full)
	pdf, _, err := d.PlainPDF()
	if err != nil {
		t.Fatal(err)
	}
	have := words(t, pdf)
	for _, w := range []string{"(U+591C)(U+73ED)", "(U+1F680)", "(U+10FFFF)", "Łucja", "λ", "≥", "±", "Ω", "µ"} {
		if have[w] == 0 {
			t.Errorf("%q is not in the PDF", w)
		}
	}
	_ = pageOf(t, d)
}

func TestBrokenCaptures(t *testing.T) {
	in := depot()
	in.Captures = reporttest.Broken()
	if _, err := document.Build(in, document.Full); !errors.Is(err, reporttest.ErrBroken) || !strings.Contains(err.Error(), string(in.Run.ID)) {
		t.Errorf("got %v", err)
	}
}

func TestWriteErrors(t *testing.T) {
	d := build(t, depot(), document.Short)
	for name, write := range map[string]func(io.Writer) error{"html": d.HTML, "pdf": d.PDF} {
		if err := write(full{}); !errors.Is(err, errFull) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

var errFull = errors.New("no room")

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errFull }

func TestForm(t *testing.T) {
	var f document.Form
	if err := f.UnmarshalText([]byte("short")); err != nil || f != document.Short || f.String() != "short" {
		t.Errorf("%v, %v", f, err)
	}
	if err := f.UnmarshalText([]byte("long")); err == nil || !strings.Contains(err.Error(), `"full" "short"`) {
		t.Errorf("got %v", err)
	}
}

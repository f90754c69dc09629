package document_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"lidded/sweep"
	"lidded/sweep/report/document"
)

// tableOf finds a table by the beginning of its caption.
func tableOf(t *testing.T, d document.Document, caption string) document.Table {
	t.Helper()
	for _, s := range d.Sections {
		for _, b := range s.Blocks {
			if table, ok := b.(document.Table); ok && strings.HasPrefix(table.Caption, caption) {
				return table
			}
		}
	}
	t.Fatalf("no table %q", caption)
	return document.Table{}
}

func column(t *testing.T, table document.Table, title string) []string {
	t.Helper()
	i := slices.IndexFunc(table.Columns, func(c document.Column) bool { return c.Title == title })
	if i < 0 {
		t.Fatalf("%s has no column %s", table.Caption, title)
	}
	var out []string
	for _, r := range table.Rows {
		out = append(out, r[i])
	}
	return out
}

// TestBudgets: each claim has its budget: what is the same everywhere stands once,
// what differs in a line of the claim; a point without a claim has none.
func TestBudgets(t *testing.T) {
	in := depot()
	d := build(t, in, document.Full)
	same := tableOf(t, d, "Components that are the same")
	if len(same.Rows) != 1 || strings.Join(same.Rows[0], "|") != "level difference|B|difference|1.000|normal|1.000|1.000|∞|nothing|bench, as stated" {
		t.Errorf("the same everywhere: %q", same.Rows)
	}
	claims := 0
	for _, s := range in.Evaluation.Summaries {
		table := tableOf(t, d, "Budget of each claim: "+s.Specimen)
		combined, k, both, one := column(t, table, "combined u"), column(t, table, "k"), column(t, table, "±"), column(t, table, "one-sided")
		noise := column(t, table, "enclosed noise")
		row := 0
		for i, r := range in.Evaluation.Results {
			if r.At.Specimen != s.Specimen || r.SE.Relation == sweep.RelationUnknown {
				continue
			}
			claims++
			// The components add in squares (JCGM 100:2008 5.1.2).
			u := math.Hypot(1, 0.1+float64(i)/100)
			if r.SE.Relation == sweep.Equal {
				u = math.Hypot(u, 0.3)
			}
			if want := fmt.Sprintf("%.3f", u); combined[row] != want {
				t.Errorf("%s row %d: combined %s, want %s", s.Specimen, row, combined[row], want)
			}
			if bound := r.SE.Relation == sweep.AtLeastRelation; bound != (noise[row] == "-") || bound != (both[row] == "-") || bound != (k[row] == "-") || one[row] == "-" {
				t.Errorf("%s row %d, %v: noise %s, k %s, ± %s, one-sided %s", s.Specimen, row, r.SE.Relation, noise[row], k[row], both[row], one[row])
			}
			row++
		}
		if row != len(table.Rows) {
			t.Errorf("%s: %d rows for %d claims", s.Specimen, len(table.Rows), row)
		}
	}
	if claims != 5 {
		t.Errorf("%d claims", claims)
	}
	in.Evaluation.Budgets = nil
	if page := pageOf(t, build(t, in, document.Full)); !strings.Contains(page, "uncertainty budgets") || strings.Contains(page, "Budget of each claim") {
		t.Error("a report without budgets does not list them as missing")
	}
}

// TestExposureAndOverrides: what is radiated stands there with the limits and
// whatever was overridden; where the chain is not stated that is missing.
func TestExposureAndOverrides(t *testing.T) {
	in := depot()
	d := build(t, in, document.Full)
	x := tableOf(t, d, "Exposure")
	for i, q := range in.Run.Plan.Points {
		// Level + 40 dB - 1 dB + 2 dBi; the limit is reached at √(4·P/(4π·S)), the
		// shown distance rounded up.
		eirp := float64(q.Level) + 41
		limit := sweep.Exposures(in.Run.Plan, in.Run.Bench)[i].Limit
		far := math.Ceil(math.Sqrt(math.Pow(10, (eirp-30)/10)/(math.Pi**limit))*100) / 100
		if got := column(t, x, "EIRP")[i]; got != fmt.Sprintf("%.1f", eirp) {
			t.Errorf("EIRP %s, want %.1f", got, eirp)
		}
		if got := column(t, x, "limit reached at")[i]; got != fmt.Sprintf("%.2f", far) {
			t.Errorf("distance %s, want %.2f", got, far)
		}
	}
	if o := tableOf(t, d, "Entries of the never-transmit table"); len(o.Rows) != 1 || o.Rows[0][0] != "airband-voice" || o.Rows[0][1] == "" {
		t.Errorf("overrides %q", o.Rows)
	}
	page := pageOf(t, d)
	for _, want := range []string{"47cfr-1.1310-public", "factor 4 on the power density", in.Run.Bench.Exposure.Caution(sweep.Exposures(in.Run.Plan, in.Run.Bench))} {
		if !strings.Contains(page, want) {
			t.Errorf("the report lacks %q", want)
		}
	}
	in.Run.Bench.Radiated, in.Run.Bench.Never.Overrides = nil, nil
	page = pageOf(t, build(t, in, document.Full))
	if strings.Contains(page, "limit reached at") || !strings.Contains(page, "missing: radiated power") || !strings.Contains(page, "No entry of the table") {
		t.Error("a chain that nobody stated is not listed as missing")
	}
	in.Run.Bench.Conducted = true
	if page := pageOf(t, build(t, in, document.Full)); strings.Contains(page, "radiated power and no distance") || !strings.Contains(page, "nothing is radiated, and the table") {
		t.Error("a cabled bench is asked for its exposure")
	}
}

// TestChecklistLeadsSomewhere: where the checklist says that an item stands there is
// a section.
func TestChecklistLeadsSomewhere(t *testing.T) {
	d := build(t, depot(), document.Full)
	var titles []string
	for _, s := range d.Sections {
		titles = append(titles, s.Title)
	}
	n := 0
	for _, places := range column(t, tableOf(t, d, "What a report must hold"), "where") {
		for place := range strings.SplitSeq(places, "; ") {
			n++
			if !slices.Contains(titles, place) {
				t.Errorf("no section %q", place)
			}
		}
	}
	if n < 16 {
		t.Errorf("only %d places", n)
	}
}

// TestTimes: prediction and what was taken stand beside each other.
func TestTimes(t *testing.T) {
	page := pageOf(t, build(t, depot(), document.Full))
	for _, want := range []string{"predicted time", "40m0s", "captures took", "38m0s", "taken over predicted", "0.95", "21m0s", "41m59s"} {
		if !strings.Contains(page, want) {
			t.Errorf("the report lacks %q", want)
		}
	}
}

// TestReadBack: what the analyzer says of settings that the plan leaves to it is
// shown; what it does not say is missing.
func TestReadBack(t *testing.T) {
	in := depot()
	page := pageOf(t, build(t, in, document.Full))
	if !strings.Contains(page, "off in 1 of 1 captures") || !strings.Contains(page, "3 kHz") || strings.Contains(page, "does not tell") {
		t.Error("preamplifier or video bandwidth is not shown")
	}
	in.Captures = func(yield func(sweep.Capture, error) bool) {
		for c := range depot().Captures {
			c.Settings.VBW, c.Settings.Preamp = 0, nil
			if !yield(c, nil) {
				return
			}
		}
	}
	page = pageOf(t, build(t, in, document.Full))
	if !strings.Contains(page, "missing: video bandwidth as read back, preamplifier as read back") {
		t.Error("what the analyzer does not tell is not listed as missing")
	}
}

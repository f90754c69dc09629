package dashboard_test

import (
	"context"
	"math"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
	"lidded/driver/unit"
	"lidded/sweep"
)

// TestTrend: nights of a specimen at a few frequencies, bounds shown as bounds.
func TestTrend(t *testing.T) {
	d := resttest.New()
	url := serve(t, d)
	b := open(t)
	b.look(t, 1440, false)
	b.visit(t, url, "trend")
	b.until(t, `document.querySelector('#view-trend').innerText.includes('There is no result of locker-steel yet.')`)
	for range 4 {
		start(t, url, "quick", "locker-steel", "locker-mesh")
		d.Finish("depot")
	}
	b.visit(t, url, "trend?box=locker-mesh")
	b.until(t, `document.querySelectorAll('#view-trend .chart canvas').length === 2`)
	if n := ask[[]string](t, b, `[...document.querySelectorAll('#view-trend .chart')].map((c) => c.dataset.points)`); n[0] != "12" || n[1] != "12" {
		t.Errorf("points drawn: %v, want 4 runs at 3 frequencies", n)
	}
	if s := b.text(t, "#view-trend .readout"); !strings.Contains(s, "over 4 runs") || !strings.Contains(s, "430 MHz: first 34.9 ± 2.4 dB") {
		t.Errorf("the sentence is %q", s)
	}
	b.choose(t, "#trend-over", "cycle")
	b.press(t, "#view-trend details summary")
	b.until(t, `document.querySelectorAll('#view-trend tbody tr').length === 4`)
	b.press(t, "#view-trend .chip")
	b.until(t, `document.querySelectorAll('#view-trend .chip').length === 2 && location.hash.includes('over=cycle')`)
	b.choose(t, "#trend-box", "locker-steel")
	b.until(t, `document.querySelector('#view-trend .readout').innerText.includes('4 of 4 are lower bounds')`)
	b.choose(t, "#trend-over", "month")
	b.until(t, `document.querySelectorAll('#view-trend tbody tr').length === 1 && document.querySelector('#view-trend tbody').innerText.includes('≥')`)
	b.quiet(t)
}

// worn gives a locker that loses 6 dB after six runs.
type worn struct{}

func (worn) Of(_ context.Context, specimen string, runs []sweep.RunInfo) []rest.BriefOrWhy {
	out := make([]rest.BriefOrWhy, len(runs))
	for i := range runs {
		n := len(runs) - i // newest first
		se := 70 + unit.DB(n%3)/10
		if n > 6 {
			se -= 6
		}
		out[i] = rest.BriefOrWhy{Brief: &sweep.Brief{Specimen: specimen, Rows: []sweep.BriefRow{
			{Freq: 100e6, Outcome: sweep.Measured, Reference: unit.DBm(-30).Add(unit.DB(n%2) / 10), SE: sweep.SE{Relation: sweep.Equal, Value: se, Low: se - 1.5, High: se + 1.5, U: 1.5}},
			{Freq: 400e6, Outcome: sweep.AtLeast, Reference: -32, SE: sweep.SE{Relation: sweep.AtLeastRelation, Value: 92, Low: 92, High: unit.DB(math.Inf(1))}},
		}}}
	}
	return out
}

// TestTrendSaysWhatChanged: a change is named with the run it began with and
// with how often such a call is wrong.
func TestTrendSaysWhatChanged(t *testing.T) {
	d := resttest.New()
	o := d.Options()
	o.Briefs = worn{}
	url := serveWith(t, d, o)
	for range 12 {
		start(t, url, "quick", "locker-steel")
		d.Finish("depot")
	}
	b := open(t)
	b.look(t, 390, true)
	b.visit(t, url, "trend?box=locker-steel")
	b.until(t, `document.querySelector('#view-trend .chart')?.dataset.points === '24'`)
	if s := b.text(t, "#changes"); !strings.Contains(s, "A, 100 MHz: fell by") || !strings.Contains(s, "called falsely in 5 % of series") {
		t.Errorf("it says %q", s)
	}
	if n := ask[string](t, b, `document.querySelector('#view-trend .chart').dataset.changes`); n != "1" {
		t.Errorf("%s changes are drawn", n)
	}
	b.quiet(t)
}

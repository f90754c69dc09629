package dashboard_test

import (
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest/resttest"
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
		t.Errorf("points drawn: %v, want 4 nights at 3 frequencies", n)
	}
	if s := b.text(t, "#view-trend .readout"); !strings.Contains(s, "over 4 nights") || !strings.Contains(s, "430 MHz: first 34.9 ± 2.4 dB") {
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

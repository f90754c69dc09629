package dashboard_test

import (
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest/resttest"
)

// TestResult reads a result: verdicts, a bound with its words, another run laid
// over it, and one point down to its traces.
func TestResult(t *testing.T) {
	d := resttest.New()
	url := serve(t, d)
	for range 2 {
		start(t, url, "locker", "locker-steel", "locker-mesh")
		d.Finish("depot")
	}
	b := open(t)
	b.look(t, 1440, false)
	b.visit(t, url, "result")
	b.until(t, `document.querySelectorAll('.specimen').length === 2 && document.querySelector('#view-result .chart').dataset.points === '41'`)
	if s := b.text(t, `[data-specimen="locker-steel"] .verdict`); !strings.Contains(s, "meets") && !strings.Contains(s, "undecided") {
		t.Errorf("verdict %q", s)
	}
	if s := b.text(t, `[data-specimen="locker-mesh"] .worst li`); !strings.Contains(s, "falls short") {
		t.Errorf("worst case %q", s)
	}
	b.press(t, `[data-specimen="locker-steel"] .figures summary`)
	b.until(t, `document.querySelectorAll('[data-specimen="locker-steel"] tbody tr').length === 41`)
	if s := b.text(t, `[data-specimen="locker-steel"] tbody tr td`); !strings.HasPrefix(s, "≥ ") {
		t.Errorf("a bound in the table is shown as %q", s)
	}
	if ink := painted(t, b, "bound"); ink < 30 {
		t.Errorf("%d dots of the chart are painted in the bound's colour", ink)
	}

	// Another specimen in front, another night behind.
	b.press(t, `.chip[data-series$="locker-mesh"]`)
	b.until(t, `document.querySelector('.chip[aria-pressed="true"]').innerText.includes('locker-mesh')`)
	if ink := painted(t, b, "measured"); ink < 30 {
		t.Errorf("%d dots of the chart are painted in the measured colour", ink)
	}
	b.press(t, ".over summary")
	b.press(t, ".over input")
	b.until(t, `document.querySelector('#view-result .chart').dataset.series === '4' && document.querySelectorAll('.chip').length === 4`)
	if hash := ask[string](t, b, `location.hash`); !strings.Contains(hash, "with=") {
		t.Errorf("the address %q does not lead back here", hash)
	}

	// Along the points by keys, into one by Enter, out of it by Escape.
	ask[bool](t, b, `(document.querySelector('.walker input').focus(), true)`)
	b.keys(t, "ArrowRight", "ArrowRight", "Enter")
	b.until(t, `!document.querySelector('#point').hidden && document.querySelector('#point canvas')`)
	if s := ask[string](t, b, `document.querySelector('.walker input').getAttribute('aria-valuetext')`); !strings.Contains(s, "MHz: measured") {
		t.Errorf("the slider says %q", s)
	}
	for _, want := range []string{"Reference", "\u221240.0 dBm", "Noise floor", "\u2212122.0 dBm", "enclosed, source off", "as read back", "Uncertainty budget", "Standard uncertainty", "Coverage"} {
		if s := b.text(t, "#point"); !strings.Contains(s, want) {
			t.Errorf("the point does not say %q: %s", want, s)
		}
	}
	b.press(t, "#point .settings summary")
	b.until(t, `document.querySelector('#point .settings tbody')?.innerText.includes('10 kHz')`)
	ask[bool](t, b, `(document.querySelector('#point h2').focus(), true)`)
	b.keys(t, "Escape")
	b.until(t, `document.querySelector('#point').hidden`)

	// An address leads straight to a point.
	b.visit(t, url, "result?box=locker-mesh&point=30")
	b.until(t, `document.querySelector('#point h2')?.innerText.startsWith('locker-mesh at ')`)
	b.until(t, `document.querySelector('#point').innerText.includes('void: input overloaded')`)
	b.quiet(t)
}

// painted counts dots of the result's chart that have one of the page's colours.
func painted(t *testing.T, b *browser, ink string) int {
	t.Helper()
	return ask[int](t, b, `(() => {
		const ink = getComputedStyle(document.documentElement).getPropertyValue('--`+ink+`').trim();
		const [r, g, bl] = [1, 3, 5].map((i) => parseInt(ink.slice(i, i + 2), 16));
		const c = document.querySelector('#view-result .chart canvas');
		const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
		let n = 0;
		for (let i = 0; i < d.length; i += 4) if (d[i] === r && d[i + 1] === g && d[i + 2] === bl && d[i + 3] === 255) n++;
		return n;
	})()`)
}

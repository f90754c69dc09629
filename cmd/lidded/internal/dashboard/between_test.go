package dashboard_test

import (
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest/resttest"
)

// twoBenches serves a depot with an annexe; both measured a locker.
func twoBenches(t *testing.T) (*resttest.Depot, string) {
	t.Helper()
	d := resttest.New("depot", "annexe")
	o := d.Options()
	o.Judge = &resttest.Annexe{Depot: d}
	url := serveWith(t, d, o)
	for _, bench := range []string{"depot", "annexe"} {
		startOn(t, url, bench, "quick", "locker-mesh", "locker-steel")
		d.Finish(bench)
	}
	return d, url
}

// TestBetweenBenches: a specimen that moved is compared, the other way round too,
// and what one bench alone measured is not.
func TestBetweenBenches(t *testing.T) {
	_, url := twoBenches(t)
	b := open(t)
	b.look(t, 1440, false)
	b.visit(t, url, "trend?box=locker-mesh&against=depot")
	b.until(t, `document.querySelector('#between .chart canvas')`)
	if n := ask[[]string](t, b, `(({ points, differ }) => [points, differ])(document.querySelector('#between .chart').dataset)`); n[0] != "3" || n[1] != "2" {
		t.Errorf("%s points are drawn, %s of them differ", n[0], n[1])
	}
	said := b.text(t, "#between")
	for _, want := range []string{"A depot: run of", "B annexe: run of", "annexe against depot: of 3 frequencies 1 agree, 2 differ, 0 cannot be said.", "5.0 dB lower than that of depot", "ISO 13528", "taken to be independent"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not in\n%s", want, said)
		}
	}
	if !ask[bool](t, b, `document.querySelector('#between .findings li').dataset.changed === 'true'`) {
		t.Error("more differences than chance explains are not marked")
	}
	b.press(t, "#between summary")
	b.until(t, `document.querySelectorAll('#between tbody tr').length === 3`)
	rows := ask[[]string](t, b, `[...document.querySelectorAll('#between tbody tr')].map((r) => [...r.children].map((c) => c.innerText).join('|'))`)
	for i, want := range []string{"|55.5 ± 2.4 dB|49.5 ± 2.4 dB|−6.0 dB ± 3.4 dB|−1.77|differs|−40.0 dBm|−45.0 dBm|−5.0 dB|−5.0 dB|", "|≥ 200.0 dB|≥ ", "|agrees|"} {
		if !strings.Contains(rows[i], want) {
			t.Errorf("row %d is %s, want %s in it", i, rows[i], want)
		}
	}
	b.choose(t, "#between-against", "annexe")
	b.until(t, `location.hash.includes('against=annexe') && document.querySelector('#between .findings').innerText.includes('depot against annexe')`)
	if !strings.Contains(b.text(t, "#between tbody"), "≤ −") {
		t.Errorf("the bound on the other side is %s", b.text(t, "#between tbody"))
	}
	b.choose(t, "#trend-box", "locker-vent")
	b.until(t, `document.querySelector('#between').hidden`)
	b.choose(t, "#trend-box", "locker-steel")
	b.until(t, `!document.querySelector('#between').hidden`)
	b.press(t, "#between .sides a")
	b.until(t, `!document.querySelector('#view-result').hidden && document.querySelector('#result-about').innerText.includes('on bench')`)
	b.quiet(t)
}

// TestBenchFilter: one bench can be shown alone, in every view, by a link too; what
// waits for a person elsewhere is said all the same.
func TestBenchFilter(t *testing.T) {
	d, url := twoBenches(t)
	b := open(t)
	b.look(t, 1440, false)
	b.visit(t, url, "now")
	b.until(t, `document.querySelectorAll('.bench').length === 2 && !document.querySelector('.only').hidden`)
	b.choose(t, "#only", "annexe")
	shown := `[...document.querySelectorAll('.bench')].filter((e) => e.checkVisibility()).map((e) => e.dataset.bench).join()`
	b.until(t, `location.hash === '#now?only=annexe' && `+shown+` === 'annexe'`)
	start(t, url, "quick", "locker-steel")
	b.until(t, `document.querySelector('.only [role=status]').innerText === 'depot waits for a person.'`)
	d.Key("depot", true)
	b.until(t, `document.querySelector('.only [role=status]').innerText.includes('depot: the source is on.') && document.querySelector('#dock').dataset.source === 'on'`)
	b.press(t, "nav a[href^='#result']")
	b.until(t, `location.hash === '#result?only=annexe' && document.querySelector('#result-about').innerText.includes('on bench annexe')`)
	if n := ask[[]string](t, b, `[...document.querySelectorAll('#run option')].slice(1).map((o) => o.innerText)`); len(n) != 1 || !strings.Contains(n[0], "on annexe") {
		t.Errorf("runs listed: %q", n)
	}
	b.press(t, "nav a[href^='#trend']")
	b.until(t, `document.querySelector('#view-trend .chart')?.dataset.points === '3'`)
	ask[bool](t, b, `(window.beforeReload = true, location.reload(), true)`)
	b.until(t, `!window.beforeReload && document.querySelector('#only')?.value === 'annexe' && document.querySelector('#view-trend .chart')?.dataset.points === '3'`)
	b.press(t, "nav a[href^='#bench']")
	b.until(t, `[...document.querySelectorAll('[data-instruments]')].filter((e) => e.checkVisibility()).map((e) => e.dataset.instruments).join() === 'annexe'`)
	b.press(t, "nav a[href^='#start']")
	b.until(t, `document.querySelector('.only').hidden && location.hash === '#start?only=annexe'`)
	b.visit(t, url, "now?only=boathouse")
	b.until(t, `document.querySelector('.only [role=status]').innerText.includes('There is no bench boathouse here') && `+shown+` === ''`)
	b.choose(t, "#only", "")
	b.until(t, `location.hash === '#now' && `+shown+` === 'depot,annexe'`)
	b.quiet(t)

	one := resttest.New()
	b.visit(t, serve(t, one), "now")
	b.until(t, `document.querySelector('.bench .sign')`)
	if !ask[bool](t, b, `document.querySelector('.only').hidden`) {
		t.Error("one bench, and a choice of benches")
	}
}

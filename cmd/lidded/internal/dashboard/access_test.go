package dashboard_test

import (
	"compress/gzip"
	"io"
	"os"
	"testing"

	"lidded/cmd/lidded/internal/rest/resttest"
)

// axe is the accessibility checker, ready to be evaluated on a page.
func axe(t *testing.T) string {
	t.Helper()
	f, err := os.Open("testdata/axe-core/axe.min.js.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// check runs the checker on what is shown and returns what is serious or
// critical, a line each. Rules are those named; none: all of the checker.
func (b *browser) check(t *testing.T, axe string, rules ...string) []string {
	t.Helper()
	if !ask[bool](t, b, `typeof window.axe === 'object'`) {
		ask[bool](t, b, axe+"\n;typeof window.axe === 'object'")
	}
	only := ""
	if len(rules) > 0 {
		only = ", runOnly: " + dump(rules)
	}
	ask[bool](t, b, `(() => {
		window.found = null;
		axe.run(document, { resultTypes: ['violations']`+only+` }).then((r) => {
			window.ran = r.passes.length + r.violations.length;
			window.found = r.violations.filter((v) => v.impact === 'serious' || v.impact === 'critical')
				.map((v) => v.id + ': ' + v.help + ': ' + v.nodes.slice(0, 5).map((n) => n.target.join(' ') + ' (' + (n.any[0]?.message ?? n.all[0]?.message ?? n.none[0]?.message) + ')').join('; '));
		}, (e) => { window.found = ['the checker failed: ' + e]; });
		return true;
	})()`)
	b.until(t, `window.found !== null`)
	return ask[[]string](t, b, `window.found`)
}

// TestAccessibility: the checker finds nothing serious or critical on any view,
// light or dark, wide or narrow.
func TestAccessibility(t *testing.T) {
	d := resttest.New()
	url := serve(t, d)
	for range 2 {
		start(t, url, "quick", "locker-steel", "locker-mesh")
		d.Finish("depot")
	}
	b := open(t)
	checker := axe(t)
	look := func(what string, rules ...string) {
		t.Helper()
		if n := ask[int](t, b, `document.querySelectorAll('main > section:not([hidden])').length`); n != 1 {
			t.Fatalf("%s: %d views at once", what, n)
		}
		for _, v := range b.check(t, checker, rules...) {
			t.Errorf("%s: %s", what, v)
		}
	}
	// both looks at the light scheme with all rules, and at the dark one, of
	// which nothing but the colours differs, with those of colours.
	both := func(what string) {
		t.Helper()
		b.look(t, 1440, false)
		look(what + ", light")
		b.look(t, 390, true)
		look(what+", dark", "color-contrast", "link-in-text-block")
	}
	for _, v := range views {
		b.visit(t, url, v.address)
		b.until(t, v.ready)
		ask[bool](t, b, `([...document.querySelectorAll('main > section:not([hidden]) details')].filter((d) => d.checkVisibility()).forEach((d) => { d.open = true; }), true)`)
		both(v.address)
	}
	// What is only there with several benches.
	_, several := twoBenches(t)
	b.visit(t, several, "trend?box=locker-mesh")
	b.until(t, `document.querySelector('#between canvas')`)
	ask[bool](t, b, `(document.querySelector('#between details').open = true)`)
	both("between benches")
	for _, v := range []string{"now", "bench"} {
		b.visit(t, several, v+"?only=annexe")
		b.until(t, `document.querySelector('#only').value === 'annexe'`)
		both(v + " of one bench")
	}
	// What is only there while a run goes on: the instruction, the question, the source on, the trace.
	start(t, url, "quick", "locker-steel")
	b.visit(t, url, "now")
	b.until(t, `document.querySelector('.hold-button')`)
	both("hold point")
	b.press(t, ".hold-button")
	b.until(t, `document.querySelector('#ask').open && !document.querySelector('#ask-yes').disabled`)
	both("question")
	b.press(t, "#ask-no")
	b.until(t, `!document.querySelector('#ask').dataset.asking`)
	step(t, url, d)
	release(t, url)
	d.Advance("depot")
	d.Key("depot", true)
	b.until(t, `document.querySelector('#dock').dataset.source === 'on' && document.querySelector('.live canvas')`)
	both("source on")
	b.quiet(t)
}

// TestTheCheckerFinds: the checker would find what is wrong.
func TestTheCheckerFinds(t *testing.T) {
	url := serve(t, resttest.New())
	b := open(t)
	b.visit(t, url, "now")
	b.until(t, `document.querySelector('.bench')`)
	ask[bool](t, b, `(() => {
		const p = document.createElement('button');
		document.querySelector('main').append(p);
		return true;
	})()`)
	if found := b.check(t, axe(t)); len(found) != 1 {
		t.Errorf("found %v", found)
	}
}

package dashboard_test

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
)

// views are all views, with what shows that they are there.
var views = []struct{ address, ready string }{
	{"now", `document.querySelector('.bench .sign')`},
	{"result", `document.querySelector('#view-result canvas') && document.querySelector('.specimen')`},
	{"result?box=locker-mesh&point=1", `document.querySelector('#point canvas')`},
	{"trend?box=locker-mesh", `document.querySelectorAll('#view-trend canvas').length === 2`},
	{"bench", `document.querySelectorAll('.linkstate').length === 2`},
	{"start?plan=locker", `document.querySelector('#view-start canvas')`},
	{"start?plan=too-hot", `document.querySelector('.refusals')`},
}

// TestNothingIsWiderThanAPhone: no view needs sideways scrolling at 390 px, and
// what can be pressed is large enough for a glove.
func TestNothingIsWiderThanAPhone(t *testing.T) {
	d := resttest.New()
	url := serve(t, d)
	start(t, url, "locker", "locker-steel", "locker-mesh", "locker-vent")
	d.Finish("depot")
	b := open(t)
	b.look(t, 390, false)
	narrow := func(what string) {
		t.Helper()
		wide := ask[[]string](t, b, `[...document.querySelectorAll('body *')].filter((e) => e.checkVisibility() && !e.closest('.scroll, .skip, dialog, .unseen') && e.getBoundingClientRect().right > 391).map((e) => e.tagName + '.' + e.className)`)
		if len(wide) > 0 {
			t.Errorf("%s: wider than the screen: %v", what, wide)
		}
		small := ask[[]string](t, b, `[...document.querySelectorAll('button, select, summary, nav a, label:has(input[type=checkbox])')].filter((e) => e.checkVisibility() && !e.closest('table, dialog') && e.getBoundingClientRect().height < 36).map((e) => e.tagName + ' ' + e.innerText + ' ' + e.getBoundingClientRect().height)`)
		if len(small) > 0 {
			t.Errorf("%s: too small to press: %v", what, small)
		}
	}
	_, several := twoBenches(t)
	b.visit(t, several, "trend?box=locker-mesh")
	b.until(t, `document.querySelector('#between canvas')`)
	ask[bool](t, b, `(document.querySelector('#between details').open = true)`)
	narrow("between benches")
	for i, v := range slices.Backward(views) {
		if i == 0 { // the last one: with a hold point
			start(t, url, "quick", "locker-steel")
			v.ready = `document.querySelector('.hold-button')`
		}
		b.visit(t, url, v.address)
		b.until(t, v.ready)
		narrow(v.address)
	}
	b.quiet(t)
}

// TestKeysAlone: the ways between the views work with keys, say which view is
// shown, and hand the focus on.
func TestKeysAlone(t *testing.T) {
	url := serve(t, resttest.New())
	b := open(t)
	b.look(t, 1440, false)
	b.visit(t, url, "now")
	b.keys(t, "Tab")
	if id := ask[string](t, b, `document.activeElement.id`); id != "skip" {
		t.Errorf("the first stop is %q", id)
	}
	b.keys(t, "Enter")
	b.until(t, `document.activeElement.id === 'main' && !document.querySelector('#view-now').hidden`)
	for _, name := range []string{"result", "trend", "bench", "start", "now"} {
		ask[bool](t, b, fmt.Sprintf(`(document.querySelector('nav a[href="#%s"]').focus(), true)`, name))
		b.keys(t, "Enter")
		b.until(t, fmt.Sprintf(`document.activeElement.id === '%[1]s-title' && document.querySelector('nav [aria-current]').hash === '#%[1]s' && [...document.querySelectorAll('main > section')].filter((s) => !s.hidden).length === 1`, name))
	}
	ask[bool](t, b, `(history.back(), true)`)
	b.until(t, `!document.querySelector('#view-start').hidden`)
	b.quiet(t)
}

// TestScreens writes pictures to look at; it runs when asked to.
func TestScreens(t *testing.T) {
	if *screens == "" {
		t.Skip("no -screens folder is given")
	}
	b := open(t)
	shot := func(name, url, view, ready string) {
		for _, width := range []int64{1440, 390} {
			for _, dark := range []bool{false, true} {
				b.look(t, width, dark)
				b.do(t, "leave", chromedp.Navigate("about:blank"))
				b.visit(t, url, view)
				b.until(t, ready)
				// The dock stands at the foot of the window; in a picture of the whole page that is its end.
				png, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
				if err != nil {
					t.Fatal(err)
				}
				scheme := map[bool]string{false: "light", true: "dark"}[dark]
				if err := os.WriteFile(filepath.Join(*screens, fmt.Sprintf("%s-%d-%s.png", name, width, scheme)), png, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	d := resttest.New()
	url := serve(t, d)
	start(t, url, "locker", "locker-steel", "locker-mesh", "locker-vent")
	d.Finish("depot")
	for i, v := range views {
		shot(fmt.Sprintf("view%d", i), url, v.address, v.ready)
	}
	start(t, url, "locker", "locker-steel", "locker-mesh", "locker-vent")
	shot("hold", url, "now", `document.querySelector('.hold-button')`)
	step(t, url, d)
	release(t, url)
	for range 27 {
		d.Advance("depot")
	}
	shot("running", url, "now", `document.querySelector('.live canvas')`)
}

// TestPreview serves the page for a person to try.
func TestPreview(t *testing.T) {
	if *preview == "" {
		t.Skip("no -preview address is given")
	}
	d := resttest.New("depot", "annex")
	ln, err := net.Listen("tcp", *preview)
	if err != nil {
		t.Fatal(err)
	}
	srv := rest.NewServer(handler(t, d.Options()), d.Hub, nil)
	go func() {
		tick := time.NewTicker(250 * time.Millisecond)
		defer tick.Stop()
		for range tick.C {
			d.Advance("depot")
		}
	}()
	t.Logf("page at http://%s", ln.Addr())
	t.Error(srv.Serve(ln))
}

package dashboard_test

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"lidded/cmd/lidded/internal/dashboard"
	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
)

var (
	screens = flag.String("screens", "", "write pictures of the page to this folder")
	shown   = flag.String("of", "", "with -screens: take pictures of the page at this address instead of make-believe")
	preview = flag.String("preview", "", "serve the page with make-believe data on this address until interrupted")
)

// patience is how long a test waits for what must happen on the page.
const patience = 20 * time.Second

func handler(t *testing.T, d *resttest.Depot) http.Handler {
	t.Helper()
	page, err := dashboard.Handler()
	if err != nil {
		t.Fatal(err)
	}
	o := d.Options()
	o.Page = page
	h, err := rest.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func serve(t *testing.T, d *resttest.Depot) string {
	t.Helper()
	srv := httptest.NewUnstartedServer(nil)
	srv.Config = rest.NewServer(handler(t, d), d.Hub, nil)
	srv.Start()
	t.Cleanup(func() {
		d.Hub.Close()
		srv.CloseClientConnections()
		srv.Close()
	})
	return srv.URL
}

// browser is a tab of a headless browser, and what it complained about.
type browser struct {
	ctx context.Context

	mu         sync.Mutex
	complaints []string
}

// program is a browser of this machine; every test opens its own tab in it.
type program struct {
	ctx     context.Context
	close   func()
	missing bool
	err     error
}

// started is the browser, once a test needed it.
var started *program

// launch starts the browser at the first call. Tests of this package do not
// run in parallel.
func launch() *program {
	if started != nil {
		return started
	}
	started = &program{close: func() {}}
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		started.missing = true
		return started
	}
	dir, err := os.MkdirTemp("", "page-test-")
	if err != nil {
		started.err = err
		return started
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.UserDataDir(dir),
		chromedp.Flag("no-sandbox", true), chromedp.Flag("disable-gpu", true), chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
	)
	ctx, stop := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, end := chromedp.NewContext(ctx)
	started.ctx, started.err = ctx, chromedp.Do(ctx)
	started.close = func() {
		end()
		stop()
		_ = os.RemoveAll(dir)
	}
	return started
}

func TestMain(m *testing.M) {
	code := m.Run()
	if started != nil {
		started.close()
	}
	os.Exit(code)
}

func open(t *testing.T) *browser {
	t.Helper()
	p := launch()
	if p.missing {
		t.Skip("no chromium is installed: the page is not tried in a browser")
	}
	if p.err != nil {
		t.Fatal(p.err)
	}
	ctx, cancel := chromedp.NewContext(p.ctx)
	t.Cleanup(cancel)
	b := &browser{ctx: ctx}
	err := chromedp.Listen(ctx, func(ev any) {
		switch ev := ev.(type) {
		case *runtime.EventExceptionThrown:
			b.complain(fmt.Sprintf("exception: %s", dump(ev.ExceptionDetails)))
		case *runtime.EventConsoleAPICalled:
			if ev.Type == runtime.ConsoleAPICalledTypeError || ev.Type == runtime.ConsoleAPICalledTypeWarning {
				b.complain(fmt.Sprintf("console: %s", dump(ev.Args)))
			}
		case *log.EventEntryAdded:
			if ev.Entry.Level == log.EntryLevelError || ev.Entry.Level == log.EntryLevelWarning {
				b.complain(fmt.Sprintf("log: %s", dump(ev.Entry)))
			}
		case *network.EventRequestWillBeSent:
			if u := ev.Request.URL; !strings.HasPrefix(u, "http://127.0.0.1:") && !strings.HasPrefix(u, "data:") {
				b.complain("asks for " + u)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	b.do(t, "enable reports",
		chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, network.Enable, network.EnableParams{})
			return err
		}),
		chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, log.Enable, cdp.Empty{})
			return err
		}))
	return b
}

func dump(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		return err.Error()
	}
	return string(b)
}

func (b *browser) complain(s string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.complaints = append(b.complaints, s)
}

// quiet checks that the browser complained about nothing, and forgets.
func (b *browser) quiet(t *testing.T) {
	t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, c := range b.complaints {
		t.Errorf("browser: %s", c)
	}
	b.complaints = nil
}

func (b *browser) forget() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.complaints = nil
}

func (b *browser) do(t *testing.T, what string, actions ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	if err := chromedp.Do(ctx, actions...); err != nil {
		t.Fatalf("%s: %v", what, err)
	}
}

// ask evaluates an expression of the page.
func ask[T any](t *testing.T, b *browser, expression string) T {
	t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// until waits for an expression of the page to be true.
func (b *browser) until(t *testing.T, expression string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !ask[bool](t, b, "Boolean("+expression+")") {
		select {
		case <-ctx.Done():
			t.Fatalf("never true: %s\n%s", expression, ask[string](t, b, "document.body.innerText"))
		case <-tick.C:
		}
	}
}

// press clicks an element with the mouse once it stands still.
func (b *browser) press(t *testing.T, selector string) {
	t.Helper()
	b.until(t, fmt.Sprintf(`(() => {
		const r = document.querySelector(%q)?.getBoundingClientRect();
		const now = r && r.width > 0 ? [r.x, r.y, r.width, r.height].join() : '';
		const still = now !== '' && now === window.stood;
		window.stood = now;
		return still;
	})()`, selector))
	b.do(t, "press "+selector, chromedp.Click(chromedp.CSS(selector)))
}

func (b *browser) text(t *testing.T, selector string) string {
	t.Helper()
	return ask[string](t, b, fmt.Sprintf("document.querySelector(%q)?.innerText ?? ''", selector))
}

func (b *browser) look(t *testing.T, width int64, dark bool) {
	t.Helper()
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	b.do(t, "set the view", chromedp.EmulateViewport(width, 900), chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
		})
		return err
	}))
}

// TestPageInBrowser does what a person does: sees a run appear, releases its
// hold points by click, watches the figures come in, stops a run.
func TestPageInBrowser(t *testing.T) {
	d := resttest.New()
	url := serve(t, d)
	b := open(t)
	b.look(t, 1440, false)
	b.do(t, "open", chromedp.Navigate(url))
	b.until(t, `document.querySelector('#link').dataset.link === 'live'`)
	b.until(t, `document.querySelector('.bench')?.dataset.state === 'idle'`)
	if s := b.text(t, ".sign"); !strings.Contains(s, "Source off") {
		t.Errorf("sign %q", s)
	}

	start(t, url, "quick", "locker-steel", "locker-mesh")
	b.until(t, `document.querySelector('.bench').dataset.state === 'holding'`)
	if s := b.text(t, ".instruction"); !strings.Contains(s, "Set up the reference") {
		t.Errorf("instruction %q", s)
	}
	// Not yet: nothing happens.
	b.press(t, ".release")
	b.press(t, "#ask-no")
	b.until(t, `!document.querySelector('#ask').open`)
	if orders := d.Orders(); len(orders) != 0 {
		t.Fatalf("orders after declining: %v", orders)
	}
	release := func() {
		t.Helper()
		b.press(t, ".release")
		b.press(t, "#ask-yes")
		b.until(t, `document.querySelector('.bench').dataset.state !== 'holding'`)
	}
	release()
	if orders := d.Orders(); len(orders) != 1 || !strings.HasPrefix(orders[0], "release-0 ") {
		t.Fatalf("orders %v", orders)
	}
	d.Advance("depot")
	b.until(t, `document.querySelector('.where').innerText.includes('point 2 of 3, 160 MHz')`)
	d.Key("depot", true)
	b.until(t, `document.querySelector('.sign').innerText.includes('SOURCE ON') && document.title.startsWith('SOURCE ON')`)
	d.Key("depot", false) // between two looks the sign stays on for a while
	b.until(t, `document.querySelector('.sign').dataset.source === 'off'`)
	d.Link("depot", false, true)
	b.until(t, `document.querySelector('.links').innerText.includes('Analyzer: LINK DOWN')`)
	d.Link("depot", true, true)
	for d.Advance("depot") {
	}
	for range 3 { // two specimens and the closing reference
		b.until(t, `document.querySelector('.bench').dataset.state === 'holding'`)
		release()
		for d.Advance("depot") {
		}
	}
	b.until(t, `document.querySelector('.bench').dataset.state === 'idle'`)
	b.until(t, `document.querySelectorAll('.specimen').length === 2`)
	b.until(t, `[...document.querySelectorAll('.chart')].every((c) => c.dataset.points === '3' && c.querySelector('canvas'))`)
	b.until(t, `document.querySelectorAll('[data-specimen="locker-steel"] tbody tr').length === 3`)
	if s := b.text(t, `[data-specimen="locker-steel"] .verdict`); !strings.Contains(s, "meets") || !strings.Contains(s, "at least") {
		t.Errorf("verdict %q: a bound without its words", s)
	}
	b.press(t, `[data-specimen="locker-steel"] summary`)
	if s := b.text(t, `[data-specimen="locker-steel"] tbody tr td`); !strings.HasPrefix(s, "≥ ") {
		t.Errorf("a bound in the table is shown as %q", s)
	}
	if ink := painted(t, b); ink < 30 {
		t.Errorf("%d dots of the chart are painted in the bound's colour", ink)
	}

	start(t, url, "quick", "locker-steel")
	b.until(t, `!document.querySelector('.stop').hidden`)
	b.press(t, ".stop")
	b.press(t, "#ask-yes")
	b.until(t, `document.querySelector('.bench').dataset.state === 'idle'`)
	start(t, url, "quick", "locker-steel")
	b.until(t, `document.querySelector('.bench').dataset.state === 'holding'`)
	b.press(t, "#all-off")
	b.until(t, `document.querySelector('.bench').dataset.state === 'idle'`)
	orders := d.Orders()
	if last := orders[len(orders)-1]; last != "source-off depot page" {
		t.Errorf("last order %q", last)
	}
	b.quiet(t)
}

// painted counts dots of the first chart that have the colour of a bound.
func painted(t *testing.T, b *browser) int {
	t.Helper()
	return ask[int](t, b, `(() => {
		const ink = getComputedStyle(document.documentElement).getPropertyValue('--bound').trim();
		const [r, g, bl] = [1, 3, 5].map((i) => parseInt(ink.slice(i, i + 2), 16));
		const c = document.querySelector('.chart canvas');
		const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
		let n = 0;
		for (let i = 0; i < d.length; i += 4) if (d[i] === r && d[i + 1] === g && d[i + 2] === bl && d[i + 3] === 255) n++;
		return n;
	})()`)
}

// TestErrorsAreShown: what the daemon refuses is said on the page.
func TestErrorsAreShown(t *testing.T) {
	d := resttest.New()
	url := serve(t, d)
	b := open(t)
	b.do(t, "open", chromedp.Navigate(url))
	b.until(t, `document.querySelector('.bench')`)
	d.Fail("SourceOff", fmt.Errorf("stuck"))
	b.press(t, ".bench .off")
	b.until(t, `!document.querySelector('#message').hidden`)
	if s := b.text(t, "#message"); !strings.Contains(s, "Source is not confirmed off") || !strings.Contains(s, "by hand") {
		t.Errorf("message %q", s)
	}
	d.Fail("SourceOff", nil)
	b.press(t, ".bench .off")
	b.until(t, `document.querySelector('#message').hidden`)
}

// TestRecovery: the daemon goes away and comes back; the page says so and
// finds its way by itself.
func TestRecovery(t *testing.T) {
	d := resttest.New()
	h := handler(t, d)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := ln.Addr().String()
	run := func(ln net.Listener) (stop func()) {
		srv := rest.NewServer(h, nil, nil)
		done := make(chan error, 1)
		go func() { done <- srv.Serve(ln) }()
		return func() {
			srv.Close()
			<-done
		}
	}
	stop := run(ln)
	b := open(t)
	b.do(t, "open", chromedp.Navigate("http://"+address))
	b.until(t, `document.querySelector('#link').dataset.link === 'live'`)
	stop()
	b.until(t, `document.querySelector('#link').dataset.link === 'lost'`)
	if ln, err = net.Listen("tcp", address); err != nil {
		t.Fatal(err)
	}
	stop = run(ln)
	defer stop()
	b.until(t, `document.querySelector('#link').dataset.link === 'live'`)
	start(t, "http://"+address, "quick", "locker-steel")
	b.until(t, `document.querySelector('.bench').dataset.state === 'holding'`)
	b.forget() // it rightly complained about the daemon being away
}

// TestPollingWithoutEvents: where live events cannot be had, the page asks.
func TestPollingWithoutEvents(t *testing.T) {
	d := resttest.New()
	h := handler(t, d)
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/v1/events" {
			http.Error(w, "no", http.StatusServiceUnavailable)
			return
		}
		h.ServeHTTP(w, r)
	}))
	defer srv.Close()
	b := open(t)
	b.do(t, "open", chromedp.Navigate(srv.URL))
	b.until(t, `document.querySelector('#link').dataset.link === 'polling'`)
	start(t, srv.URL, "quick", "locker-steel")
	b.until(t, `document.querySelector('.bench').dataset.state === 'holding'`)
}

// TestNothingIsWiderThanAPhone: no view needs sideways scrolling at 390 px.
func TestNothingIsWiderThanAPhone(t *testing.T) {
	d := resttest.New()
	url := serve(t, d)
	start(t, url, "locker", "locker-steel", "locker-mesh", "locker-vent")
	d.Finish("depot")
	start(t, url, "quick", "locker-steel")
	b := open(t)
	b.look(t, 390, false)
	b.do(t, "open", chromedp.Navigate(url))
	b.until(t, `document.querySelector('.release') && document.querySelectorAll('.specimen').length > 0`)
	wide := ask[[]string](t, b, `[...document.querySelectorAll('body *')].filter((e) => !e.closest('.scroll, .skip, dialog') && e.getBoundingClientRect().right > 391).map((e) => e.tagName + '.' + e.className)`)
	if len(wide) > 0 {
		t.Errorf("wider than the screen: %v", wide)
	}
	b.quiet(t)
}

// TestScreens writes pictures to look at; it runs when asked to.
func TestScreens(t *testing.T) {
	if *screens == "" {
		t.Skip("no -screens folder is given")
	}
	b := open(t)
	shots := func(name, url string, prepare func(), ready string) {
		for _, width := range []int64{1440, 390} {
			for _, dark := range []bool{false, true} {
				b.look(t, width, dark)
				b.do(t, "open", chromedp.Navigate(url))
				b.until(t, ready)
				if prepare != nil {
					prepare()
				}
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
	if *shown != "" {
		shots("page", *shown, nil, `document.querySelector('#link').dataset.link === 'live' && document.querySelector('.chart canvas')`)
		return
	}
	d := resttest.New("depot", "annex")
	url := serve(t, d)
	const live = `document.querySelector('#link').dataset.link === 'live' && document.querySelector('.bench')`
	shots("idle", url, nil, live)
	start(t, url, "locker", "locker-steel", "locker-mesh", "locker-vent")
	d.Finish("depot")
	start(t, url, "locker", "locker-steel", "locker-mesh", "locker-vent")
	shots("hold", url, nil, live+` && document.querySelector('.release')`)
	for range 2 {
		step(t, url, d)
	}
	d.Link("annex", true, false)
	release(t, url)
	for range 27 {
		d.Advance("depot")
	}
	shots("running", url, nil, live+` && document.querySelectorAll('.chart canvas').length === 2`)
	d.Finish("depot")
	shots("finished", url, func() { b.press(t, `[data-specimen="locker-mesh"] summary`) },
		live+` && document.querySelectorAll('.chart canvas').length === 3`)
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
	srv := rest.NewServer(handler(t, d), d.Hub, nil)
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

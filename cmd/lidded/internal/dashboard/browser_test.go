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
	"github.com/chromedp/chromedp/kb"

	"lidded/cmd/lidded/internal/dashboard"
	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
)

var (
	screens = flag.String("screens", "", "write pictures of the page to this folder")
	preview = flag.String("preview", "", "serve the page with make-believe data on this address until interrupted")
)

// patience is how long a test waits for what must happen on the page.
const patience = time.Minute

func handler(t *testing.T, o rest.Options) http.Handler {
	t.Helper()
	page, err := dashboard.Handler()
	if err != nil {
		t.Fatal(err)
	}
	o.Page = page
	h, err := rest.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func serve(t *testing.T, d *resttest.Depot) string {
	t.Helper()
	return serveWith(t, d, d.Options())
}

func serveWith(t *testing.T, d *resttest.Depot, o rest.Options) string {
	t.Helper()
	srv := httptest.NewUnstartedServer(nil)
	srv.Config = rest.NewServer(handler(t, o), d.Hub, nil)
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
		if os.Getenv("LIDDED_PEERS") == "required" {
			t.Fatal("no chromium is installed")
		}
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
			b.quiet(t)
			t.Fatalf("never true: %s\n%s", expression, ask[string](t, b, "document.body.innerText"))
		case <-tick.C:
		}
	}
}

// press clicks an element with the mouse once it stands still.
func (b *browser) press(t *testing.T, selector string) {
	t.Helper()
	b.until(t, fmt.Sprintf(`(() => {
		const e = document.querySelector(%q);
		e?.scrollIntoView({ block: 'center', behavior: 'instant' }); // not under the dock
		const r = e?.getBoundingClientRect();
		const now = r && r.width > 0 ? [r.x, r.y, r.width, r.height].join() : '';
		const still = now !== '' && now === window.stood;
		window.stood = now;
		return still;
	})()`, selector))
	b.do(t, "press "+selector, chromedp.Click(chromedp.CSS(selector)))
}

// hold keeps the mouse button down on an element until an expression of the
// page is true.
func (b *browser) hold(t *testing.T, selector, until string) {
	t.Helper()
	b.until(t, fmt.Sprintf("document.querySelector(%q)", selector))
	at := ask[[]float64](t, b, fmt.Sprintf(`(() => {
		const e = document.querySelector(%q);
		e.scrollIntoView({ block: 'center' });
		const r = e.getBoundingClientRect();
		return [r.x + r.width / 2, r.y + r.height / 2];
	})()`, selector))
	b.do(t, "press down on "+selector, chromedp.MouseEvent(chromedp.MousePressed, at[0], at[1], chromedp.ButtonLeft))
	b.until(t, until)
	b.do(t, "let go of "+selector, chromedp.MouseEvent(chromedp.MouseReleased, at[0], at[1], chromedp.ButtonLeft))
}

// answer gives the answer that does something, once it can be given.
func (b *browser) answer(t *testing.T) {
	t.Helper()
	b.until(t, `document.querySelector('#ask').open && !document.querySelector('#ask-yes').disabled`)
	b.press(t, "#ask-yes")
	b.until(t, `!document.querySelector('#ask').dataset.asking`)
}

// keys presses keys one after the other, wherever the focus is.
func (b *browser) keys(t *testing.T, names ...string) {
	t.Helper()
	known := map[string]string{"Enter": kb.Enter, "Tab": kb.Tab, "Escape": kb.Escape, "ArrowRight": kb.ArrowRight}
	for _, name := range names {
		b.do(t, "key "+name, chromedp.KeyEvent(known[name]))
	}
}

// choose sets a field as a person would, and tells the page.
func (b *browser) choose(t *testing.T, selector, value string) {
	t.Helper()
	ask[bool](t, b, fmt.Sprintf(`(() => {
		const e = document.querySelector(%q);
		e.value = %q;
		e.dispatchEvent(new Event('change', { bubbles: true }));
		return e.value === %[2]q;
	})()`, selector, value))
}

// visit goes to a view by its address.
func (b *browser) visit(t *testing.T, url, view string) {
	t.Helper()
	b.do(t, "open "+view, chromedp.Navigate(url+"/#"+view))
	b.until(t, fmt.Sprintf(`document.querySelector('#link').dataset.link === 'live' && !document.querySelector('#view-%s').hidden`, strings.SplitN(view, "?", 2)[0]))
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
	h := handler(t, d.Options())
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
	h := handler(t, d.Options())
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

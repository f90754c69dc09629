package dashboard_test

import (
	"bytes"
	"context"
	"encoding/base64"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/daemon"
	"lidded/driver/virtual"
)

// lab is a daemon on a virtual bench, over real sockets. edit changes its config,
// "old" to "new" in pairs.
func lab(t *testing.T, edit ...string) (*virtual.Bench, string) {
	t.Helper()
	bench, url, _ := endedLab(t, edit...)
	return bench, url
}

// endedLab is lab, with a function that ends the daemon before the test ends.
func endedLab(t *testing.T, edit ...string) (*virtual.Bench, string, func()) {
	t.Helper()
	world, err := virtual.Preset("depot")
	if err != nil {
		t.Fatal(err)
	}
	bench, err := virtual.Start(context.Background(), virtual.Config{World: world, Seed: 5, TimeScale: 5, Control: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { bench.Close() })
	text := fmt.Sprintf(`
daemon: {listen: "127.0.0.1:0", store: %q, guardian: false}
benches:
  - name: depot
    analyzer: {address: "tcp://%s", dialect: analyzer-opc}
    source: {address: "tcp://%s", dialect: source-scpi, max_level: 10 dBm}
    may_transmit: [{from: 30 MHz, to: 1 GHz, max_level: 0 dBm, basis: virtual bench}]
    conducted: true
    frequency_error_ppm: 2
    time_scale: 5
    cautions: ["The slipway gate stays locked."]
plans:
  - name: evening
    requirement: depot-spare-radio
    hold_points: operator
    positions: [front]
    settle: 6ms
    bands: [{freqs: [200 MHz, 440 MHz, 800 MHz], level: 0 dBm, rbw: 10 kHz, attenuation: 0 dB}]
specimens: [{name: heron, made_of: heron}, {name: otter, made_of: otter}]
`, filepath.Join(t.TempDir(), "lidded.db"), bench.AnalyzerAddr(), bench.SourceAddr())
	text = strings.ReplaceAll(strings.NewReplacer(edit...).Replace(text), "@control@", bench.ControlAddr())
	c, err := config.Parse("lab.yaml", []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	d, err := daemon.Open(context.Background(), c, daemon.Options{Software: "test"})
	if err != nil {
		t.Fatal(err)
	}
	end := until(t, d.Serve)
	t.Cleanup(func() {
		end()
		if bench.SourceOn() {
			t.Error("the source is on after the daemon ended")
		}
	})
	return bench, "http://" + d.Addr(), end
}

// until serves until the test ends, or the function returned is called.
func until(t *testing.T, serve func(context.Context) error) (end func()) {
	ctx, cancel := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- serve(ctx) }()
	end = sync.OnceFunc(func() {
		cancel()
		if err := <-served; err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(end)
	return end
}

// deaf listens to live events and traces and never reads one.
func deaf(t *testing.T, url string) {
	t.Helper()
	host := strings.TrimPrefix(url, "http://")
	conn, err := net.Dial("tcp", host)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	if _, err := fmt.Fprintf(conn, "GET /v1/events?traces=true HTTP/1.1\r\nHost: %s\r\n\r\n", host); err != nil {
		t.Fatal(err)
	}
}

// TestAnEvening is the whole job from the page, on the virtual bench: start,
// hold points, the end, a point's detail, the report; with somebody listening
// who never reads.
func TestAnEvening(t *testing.T) {
	b := open(t)
	bench, url := lab(t)
	deaf(t, url)
	b.look(t, 1440, false)
	b.visit(t, url, "start")
	b.until(t, `document.querySelector('.answer').dataset.says === 'good' && !document.querySelector('#start-go').disabled`)
	b.press(t, "#start-go")
	b.answer(t)
	b.until(t, `location.hash === '#now'`)

	// By hand: what the page asks for is done on the bench, and confirmed.
	holds := 0
	for {
		b.until(t, `document.querySelector('.hold-button') || (document.querySelector('.bench').dataset.state === 'idle' && !document.querySelector('#dock .stop'))`)
		asked := b.text(t, ".instruction")
		if asked == "" {
			break
		}
		if holds++; holds > 8 {
			t.Fatalf("hold points without end: %s", asked)
		}
		if s := b.text(t, ".cautions"); !strings.Contains(s, "The slipway gate stays locked.") {
			t.Errorf("cautions %q", s)
		}
		err := bench.Open()
		for _, name := range []string{"heron", "otter"} {
			if strings.Contains(asked, "into "+name) {
				err = bench.Enclose(name)
			}
		}
		if err == nil {
			err = bench.Place("front", "vertical")
		}
		if err != nil {
			t.Fatalf("%s: %v", asked, err)
		}
		b.hold(t, ".hold-button", fmt.Sprintf(`document.querySelector('.instruction')?.innerText !== %q`, asked))
	}
	if holds < 4 {
		t.Errorf("%d hold points", holds)
	}
	b.until(t, `document.querySelector('.live canvas') && document.querySelector('.live h3').innerText.startsWith('Last trace, ')`)

	// The result, one point of it, and where it is said.
	b.press(t, `.idle a[href="#result"]`)
	b.until(t, `document.querySelectorAll('.specimen').length === 2 && document.querySelector('#view-result .chart').dataset.points === '3'`)
	if s := b.text(t, "#result-about"); !strings.Contains(s, "completed") {
		t.Errorf("the run: %s", s)
	}
	if s := b.text(t, `[data-specimen="otter"] .verdict`); !strings.Contains(s, "falls short") {
		t.Errorf("verdict on the mesh door: %q", s)
	}
	b.press(t, `[data-specimen="otter"] .worst button`)
	b.until(t, `document.querySelector('#point canvas') && document.querySelector('#point').innerText.includes('Uncertainty budget')`)
	for _, want := range []string{"otter at ", "Reference", "Noise floor", "enclosed, source off", "looks", "Coverage"} {
		if s := b.text(t, "#point"); !strings.Contains(s, want) {
			t.Errorf("the point does not say %q: %s", want, s)
		}
	}
	b.quiet(t)

	// On paper: the view, the report as it is printed, the report as PDF.
	b.paper(t, "the view")
	links := ask[map[string]string](t, b, `Object.fromEntries([...document.querySelectorAll('.files a')].map((a) => [a.innerText, a.href]))`)
	_, pdf := fetch(t, links["Report as PDF"])
	if !strings.HasPrefix(pdf, "%PDF-") || len(pdf) < 20000 {
		t.Errorf("the report is no PDF: %d bytes", len(pdf))
	}
	b.do(t, "open the report", chromedp.Navigate(links["Report"]))
	if s := b.text(t, "body"); !strings.Contains(s, "otter") || !strings.Contains(s, "The slipway gate stays locked.") {
		t.Errorf("the report says nothing of the evening: %.300s", s)
	}
	if got := ask[string](t, b, `getComputedStyle(document.querySelector('svg circle, svg path')).fill + getComputedStyle(document.querySelector('th')).borderBottomStyle`); !strings.HasSuffix(got, "solid") {
		t.Errorf("the report has lost its style on the way: %q", got)
	}
	b.paper(t, "the report")
	b.quiet(t)
	_, html := fetch(t, links["Report"])
	file := filepath.Join(t.TempDir(), "report.html") // where a checker may run its script
	if err := os.WriteFile(file, []byte(html), 0o600); err != nil {
		t.Fatal(err)
	}
	b.do(t, "open the report's file", chromedp.Navigate("file://"+file))
	b.fit(t, "the report")
	b.forget() // the report's file is no address of the daemon

	base, _, _ := strings.Cut(links["Report"], "/v1/")
	b.do(t, "open the interface's page", chromedp.Navigate(base+"/docs"))
	b.fit(t, "the interface's page")
	b.quiet(t)
}

// fit checks that what is shown is accessible, light and dark, and no wider than
// a phone.
func (b *browser) fit(t *testing.T, what string) {
	t.Helper()
	for _, dark := range []bool{false, true} {
		b.look(t, 390, dark)
		for _, v := range b.check(t, axe(t)) {
			t.Errorf("%s, dark %v: %s", what, dark, v)
		}
	}
	if over := ask[int](t, b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
		t.Errorf("%s is %d px too wide for a phone", what, over)
	}
}

// paper prints what is shown and checks that it is a document with pages.
func (b *browser) paper(t *testing.T, what string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	data, err := chromedp.Run(ctx, chromedp.PrintToPDF())
	if err != nil {
		t.Fatalf("print %s: %v", what, err)
	}
	if raw, err := base64.StdEncoding.DecodeString(string(data)); err == nil {
		data = raw
	}
	if !bytes.HasPrefix(data, []byte("%PDF-")) || !bytes.Contains(data, []byte("/Page")) || len(data) < 10000 {
		t.Errorf("%s on paper: %d bytes", what, len(data))
	}
}

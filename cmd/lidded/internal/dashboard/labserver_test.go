package dashboard_test

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"lidded/cmd/lidded/internal/access"
	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/daemon"
	"lidded/store/lab/labtest"
)

// TestALabOfTwoBenches: on the page of a lab server both benches are seen, a run is
// started on one of them with a token of its daemon and watched to its end, and its
// result is read from the lab, also when the daemon is gone; a bench whose daemon is
// away is shown so, on every view, and nothing breaks.
func TestALabOfTwoBenches(t *testing.T) {
	b := open(t)
	db := labtest.Own(t, "127.0.0.1", "fsync=off").Migrated(t)
	tokens := access.File{Path: filepath.Join(t.TempDir(), "tokens")} // known to all three
	_, secret, err := tokens.Create("night shift", access.Operate, 0, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	as := func(name string, more ...string) []string {
		return append(more, "guardian: false", fmt.Sprintf("guardian: false, tokens: %q", tokens.Path), "name: depot", "name: "+name, "hold_points: operator", "hold_points: rule",
			"    time_scale: 5\n", "    time_scale: 5\n    hands: {rule: virtual, control: \"@control@\"}\n", "plans:\n", fmt.Sprintf("lab: {dsn: %q}\nplans:\n", db.Ship))
	}
	_, north := lab(t, as("north")...)
	_, south, endSouth := endedLab(t, as("south", "name: evening", "name: morning", ", {name: otter, made_of: otter}", "")...)
	c, err := config.Parse("lab.yaml", []byte(fmt.Sprintf("daemon: {listen: \"127.0.0.1:0\", tokens: %q}\nlab: {dsn: %q, daemons: [{url: %q}, {url: %q}]}\n", tokens.Path, db.Read, north, south)), nil)
	if err != nil {
		t.Fatal(err)
	}
	server, err := daemon.OpenLab(c, daemon.Options{Software: "test"})
	if err != nil {
		t.Fatal(err)
	}
	until(t, server.Serve)
	url := server.URL()

	b.look(t, 1440, false)
	b.do(t, "open", chromedp.Navigate(url))
	b.give(t, secret.Reveal())
	b.forget() // of what was refused before
	b.until(t, `document.querySelector('#link').dataset.link === 'live' && document.querySelectorAll('.bench[data-state="idle"]').length === 2`)
	b.visit(t, url, "bench")
	b.until(t, `document.querySelectorAll('[data-instruments] .linkstate[data-up="true"]').length === 4`)
	if s := b.text(t, "#view-bench"); !strings.Contains(s, "Daemons of the benches") || !strings.Contains(s, north) || !strings.Contains(s, "a lab server") {
		t.Errorf("the view Bench: %s", s)
	}

	// The start offers what the bench's daemon has.
	b.visit(t, url, "start?bench=north")
	b.until(t, `document.querySelector('#start-plan').value === 'evening' && document.querySelectorAll('#start-specimens input').length === 2`)
	b.choose(t, "#start-bench", "south")
	b.until(t, `document.querySelector('#start-plan').value === 'morning' && document.querySelectorAll('#start-specimens input').length === 1`)
	b.until(t, `document.querySelector('.answer').dataset.says === 'good' && !document.querySelector('#start-go').disabled`)
	b.press(t, "#start-go")
	b.answer(t)
	b.until(t, `location.hash === '#now' && document.querySelector('[data-bench="south"].bench').dataset.state !== 'idle'`)
	b.until(t, `document.querySelector('[data-bench="south"] .live canvas')`) // what the analyzer shows comes along
	b.until(t, `document.querySelector('[data-bench="south"].bench').dataset.state === 'idle'`)
	if s := ask[string](t, b, `document.querySelector('[data-bench="north"].bench').dataset.state`); s != "idle" {
		t.Errorf("the other bench is %s", s)
	}
	result := `document.querySelectorAll('.specimen').length === 1 && document.querySelector('#result-about').innerText.includes('completed') && document.querySelector('#view-result .chart').dataset.points === '3'`
	b.visit(t, url, "result")
	b.until(t, result)
	figures := b.text(t, `[data-specimen="heron"] .worst`)
	b.quiet(t)

	// Its daemon goes; what it found stays.
	endSouth()
	b.do(t, "open anew", chromedp.Reload())
	b.until(t, result)
	if s := b.text(t, `[data-specimen="heron"] .worst`); s != figures || s == "" {
		t.Errorf("worst cases %q, and with the daemon %q", s, figures)
	}
	b.visit(t, url, "now")
	b.until(t, `document.querySelector('[data-bench="south"].bench')?.dataset.state === 'away'`)
	if s := b.text(t, `[data-bench="south"]`); !strings.Contains(s, "not reachable") || !strings.Contains(s, "cannot be asked") || !strings.Contains(s, "shipped to the lab until") || !strings.Contains(s, "SOURCE NOT KNOWN") {
		t.Errorf("the bench whose daemon is away: %s", s)
	}
	b.visit(t, url, "bench")
	b.until(t, `document.querySelector('[data-instruments="south"]')?.innerText.includes('cannot be asked') && document.querySelectorAll('[data-instruments="north"] .linkstate[data-up="true"]').length === 2`)
	b.visit(t, url, "start")
	b.until(t, `document.querySelectorAll('#start-bench option').length === 1 && document.querySelector('#start-bench').value === 'north' && document.querySelector('.answer').dataset.says === 'good'`)
	b.visit(t, url, "trend?specimen=heron")
	b.until(t, `document.querySelector('#view-trend').innerText.includes('heron')`)
	for _, v := range b.check(t, axe(t)) {
		t.Errorf("accessibility: %s", v)
	}
	b.quiet(t)
}

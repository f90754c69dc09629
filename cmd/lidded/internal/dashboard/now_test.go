package dashboard_test

import (
	"context"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"lidded/cmd/lidded/internal/rest/resttest"
)

const (
	holding = `document.querySelector('.bench').dataset.state === 'holding'`
	goesOn  = `document.querySelector('.bench').dataset.state !== 'holding'`
	idle    = `document.querySelector('.bench')?.dataset.state === 'idle'`
)

// TestNow does what a person at the bench does: sees a run appear, confirms its
// hold points, sees the source on, hears the trace, stops a run.
func TestNow(t *testing.T) {
	d := resttest.New()
	url := serve(t, d)
	b := open(t)
	b.look(t, 1440, false)
	b.visit(t, url, "now")
	b.until(t, idle)
	for _, sign := range []string{".bench .sign", "#dock .sign"} {
		b.until(t, `document.querySelector('`+sign+`').innerText.includes('Source off')`)
	}

	start(t, url, "quick", "locker-steel", "locker-mesh")
	b.until(t, holding)
	if s := b.text(t, ".instruction"); !strings.Contains(s, "Set up the reference") {
		t.Errorf("instruction %q", s)
	}
	if s := b.text(t, ".cautions"); !strings.Contains(s, "roller door stays shut") {
		t.Errorf("cautions %q", s)
	}
	b.hold(t, ".hold-button", goesOn)
	if orders := d.Orders(); len(orders) != 1 || !strings.HasPrefix(orders[0], "release-0 ") {
		t.Fatalf("orders %v", orders)
	}
	d.Advance("depot")
	b.until(t, `document.querySelector('.where').innerText.includes('point 2 of 3, 160 MHz')`)
	b.until(t, `document.querySelector('.live .chart')?.dataset.point === '0' && document.querySelector('.live canvas')`)
	b.until(t, `/noise floor \u2212109\.\d dBm/.test(document.querySelector('.live .readout').innerText)`)
	if s := b.text(t, ".pace"); !strings.Contains(s, "the plan says 3 s") || !strings.Contains(s, "slower than planned") {
		t.Errorf("pace %q", s)
	}
	d.Key("depot", true)
	b.until(t, `document.querySelector('.bench .sign').innerText.includes('SOURCE ON') && document.querySelector('#dock').dataset.source === 'on' && document.title.startsWith('SOURCE ON')`)
	d.Key("depot", false) // between two looks the sign stays on for a while
	b.until(t, `document.querySelector('.bench .sign').dataset.source === 'off' && document.querySelector('#dock').dataset.source === 'off'`)
	d.Link("depot", false, true)
	b.until(t, `document.querySelector('.links').innerText.includes('Analyzer: LINK DOWN')`)
	d.Link("depot", true, true)
	for d.Advance("depot") {
	}
	for range 3 { // two specimens and the closing reference
		b.until(t, holding)
		b.hold(t, ".hold-button", goesOn)
		for d.Advance("depot") {
		}
	}
	b.until(t, idle)

	// Stop asks, source off does not; both are in reach of every view.
	start(t, url, "quick", "locker-steel")
	b.visit(t, url, "start")
	b.press(t, "#dock .stop")
	b.answer(t)
	b.until(t, `document.querySelector('#dock .stop') === null`)
	start(t, url, "quick", "locker-steel")
	b.until(t, `document.querySelector('#dock .stop')`)
	b.press(t, "#all-off")
	b.until(t, `document.querySelector('#dock .done').innerText.includes('read back')`)
	orders := d.Orders()
	if last := orders[len(orders)-1]; last != "source-off depot page" {
		t.Errorf("last order %q", last)
	}
	b.quiet(t)
}

// TestHoldPointIsNotConfirmedByAccident: a short press, a double click, a key
// that is hit or a click of a screen reader ask and do nothing by themselves;
// holding the key does.
func TestHoldPointIsNotConfirmedByAccident(t *testing.T) {
	d := resttest.New()
	url := serve(t, d)
	b := open(t)
	b.look(t, 390, false)
	b.visit(t, url, "now")
	start(t, url, "quick", "locker-steel")
	b.until(t, holding)
	key := func(kind input.DispatchKeyEventType, name string) {
		t.Helper()
		b.do(t, "key "+name, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: kind, Key: name, Code: map[string]string{" ": "Space", "Enter": "Enter"}[name]})
			return err
		}))
	}
	declined := func(what string) {
		t.Helper()
		b.until(t, `document.querySelector('#ask').open`)
		if ask[string](t, b, `document.activeElement.id`) != "ask-no" {
			t.Errorf("%s: the focus is not on the answer that does nothing", what)
		}
		b.press(t, "#ask-no")
		b.until(t, `!document.querySelector('#ask').dataset.asking`)
		if orders := d.Orders(); len(orders) != 0 {
			t.Fatalf("%s: orders %v", what, orders)
		}
	}
	b.press(t, ".hold-button")
	declined("a short press")
	ask[bool](t, b, `(document.querySelector('.hold-button').click(), true)`)
	// The answer that goes on is dead at first: an Enter that comes along changes nothing.
	ask[bool](t, b, `(document.querySelector('#ask-yes').click(), true)`)
	declined("a click without a pointer")
	for _, name := range []string{"Enter", " "} {
		ask[bool](t, b, `(document.querySelector('.hold-button').focus(), true)`)
		key(input.DispatchKeyEventTypeKeyDown, name)
		key(input.DispatchKeyEventTypeKeyUp, name)
		declined("a short " + name)
	}
	ask[bool](t, b, `(document.querySelector('.hold-button').focus(), true)`)
	key(input.DispatchKeyEventTypeKeyDown, " ")
	b.until(t, goesOn)
	key(input.DispatchKeyEventTypeKeyUp, " ")
	if orders := d.Orders(); len(orders) != 1 || !strings.HasPrefix(orders[0], "release-0 ") {
		t.Errorf("orders %v", orders)
	}

	// The other way: press, read the question, answer.
	for d.Advance("depot") {
	}
	b.until(t, holding)
	b.press(t, ".hold-button")
	b.answer(t)
	b.until(t, goesOn)
	b.quiet(t)
}

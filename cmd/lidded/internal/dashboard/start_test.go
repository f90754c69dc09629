package dashboard_test

import (
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest/resttest"
)

// TestStart: what a run would take and risk stands there before it is started,
// and what the bench refuses cannot be started.
func TestStart(t *testing.T) {
	d := resttest.New()
	url := serve(t, d)
	b := open(t)
	b.look(t, 1440, false)
	b.visit(t, url, "start?plan=too-hot")
	b.until(t, `document.querySelector('.answer').dataset.says === 'bad'`)
	if s := b.text(t, ".refusals"); !strings.Contains(s, "25") || !strings.Contains(s, "10") {
		t.Errorf("refusals %q", s)
	}
	if !ask[bool](t, b, `document.querySelector('#start-go').disabled`) {
		t.Error("a plan that is refused can be started")
	}
	b.choose(t, "#start-plan", "quick")
	b.until(t, `document.querySelector('.answer').dataset.says === 'good' && !document.querySelector('#start-go').disabled`)
	b.until(t, `document.querySelector('#view-start .chart canvas') && document.querySelector('#view-start .chart').dataset.points === '3'`)
	for _, want := range []string{"3, 40 MHz to 430 MHz", "hold points", "Source on for", "Farthest distance at which the limit is reached", "The lowest bound it could prove is"} {
		if s := b.text(t, "#view-start"); !strings.Contains(s, want) {
			t.Errorf("the outlook does not say %q: %s", want, s)
		}
	}
	b.press(t, `#start-specimens input[value="locker-vent"]`)
	b.until(t, `!document.querySelector('#start-go').disabled && !document.querySelector('.steps').innerText.includes('locker-vent')`)
	b.choose(t, "#start-who", "Ada of the night shift")
	b.choose(t, "#start-door", "1200")
	b.press(t, "#start-go")
	b.answer(t)
	b.until(t, `location.hash === '#now' && document.querySelector('.bench').dataset.state === 'holding'`)
	if orders := d.Orders(); len(orders) != 0 {
		t.Errorf("orders %v", orders)
	}
	_, body := fetch(t, url+"/v1/runs")
	for _, want := range []string{`"operator":"Ada of the night shift"`, `"specimens":["locker-steel","locker-mesh"]`, `"plan":"quick"`, `"door_cycle":1200`} {
		if !strings.Contains(body, want) {
			t.Errorf("the run has no %s: %s", want, body)
		}
	}

	// A bench that is busy cannot be started.
	b.visit(t, url, "start?plan=quick")
	b.until(t, `document.querySelector('#start-why').innerText.includes('busy') && document.querySelector('#start-go').disabled`)
	b.quiet(t)
}

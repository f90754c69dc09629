package dashboard_test

import (
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest/resttest"
)

// TestBench: who the instruments are, how their links stand, what was last said
// and what went wrong.
func TestBench(t *testing.T) {
	d := resttest.New()
	url := serve(t, d)
	b := open(t)
	b.look(t, 1440, false)
	b.visit(t, url, "bench")
	b.until(t, `document.querySelectorAll('.linkstate').length === 2`)
	for _, want := range []string{"A-17", "S-4", "binary-little-endian", "\u2713 link up", "no reply within 10s", "inside the depot's screened room", "the daemon was not running", "standing by", "12.9 GB", "0.0.0-test"} {
		if s := b.text(t, "#view-bench"); !strings.Contains(s, want) {
			t.Errorf("the view does not say %q: %s", want, s)
		}
	}
	b.press(t, `[aria-label="Source"] .said summary`)
	b.until(t, `document.querySelector('[aria-label="Source"] .said tbody tr[data-failed]')?.innerText.includes('no reply within 10s')`)
	b.press(t, `[aria-label="Analyzer"] .said summary`)
	b.until(t, `document.querySelector('[aria-label="Analyzer"] .said tbody tr')`) // filled once it is open
	if s := b.text(t, `[aria-label="Analyzer"] .said tbody`); !strings.Contains(s, "FREQ:CENT 4.3E8") || !strings.Contains(s, "40004 bytes") {
		t.Errorf("last said to the analyzer: %s", s)
	}
	d.Link("depot", false, true)
	b.until(t, `document.querySelector('[aria-label="Analyzer"] .linkstate').innerText.includes('LINK DOWN')`)
	b.quiet(t)
}

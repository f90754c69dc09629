package main

import (
	"bytes"
	"context"
	"encoding/json"
	"regexp"
	"strings"
	"sync"
	"testing"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/rest"
)

// TestEveryListingSpeaksJSON: a command that lists or shows something has --json.
func TestEveryListingSpeaksJSON(t *testing.T) {
	n := 0
	var see func(c *cobra.Command)
	see = func(c *cobra.Command) {
		if strings.HasPrefix(c.Short, "list ") || strings.HasPrefix(c.Short, "show ") {
			n++
			if c.Flags().Lookup("json") == nil {
				t.Errorf("%s has no --json", c.CommandPath())
			}
		}
		for _, s := range c.Commands() {
			see(s)
		}
	}
	see(rootCommand())
	if n < 12 {
		t.Errorf("only %d commands list something", n)
	}
}

const yearly = "\nschedules: [{name: yearly, bench: depot, plan: spare-radio, cron: \"0 3 1 1 *\"}]\nspecimens:"

// TestLooks: benches, schedules, exchanges and the ledger as tables and as JSON.
func TestLooks(t *testing.T) {
	d := newDepot(t, "\nspecimens:", yearly)
	run := d.night(t, "otter")
	for _, c := range []struct {
		args  []string
		shows string // in the table
		has   string // in the JSON, as compact text
	}{
		{[]string{"benches"}, `(?m)^depot +idle +off +up +up +-$`, `"name":"depot"`},
		{[]string{"schedules"}, `(?m)^yearly +depot +spare-radio +0 3 1 1 \* +UTC +\d{4}-01-01 `, `"name":"yearly"`},
		{[]string{"exchanges", "depot"}, `(?m)^\d\d:\d\d:\d\d\.\d{3} +source +sent +- +\S`, `"direction":"received"`},
	} {
		out := prints(t, exitOK, append(c.args, "--url", d.base)...)
		if !regexp.MustCompile(c.shows).MatchString(out) {
			t.Errorf("%v shows\n%s", c.args, out)
		}
		var compact bytes.Buffer
		if err := json.Compact(&compact, []byte(prints(t, exitOK, append(c.args, "--url", d.base, "--json")...))); err != nil || !strings.Contains(compact.String(), c.has) {
			t.Errorf("%v --json: %v in %s", c.args, err, compact.String())
		}
	}
	if out := prints(t, exitFailed, "exchanges", "shed", "--url", d.base); !strings.Contains(out, "known are depot") {
		t.Errorf("a bench that is not there: %s", out)
	}
	var ledger struct {
		Keyings []struct {
			Run string
			On  *float64 `json:"on_s"`
		}
		Totals []struct{ Keyings int }
	}
	if err := json.Unmarshal([]byte(prints(t, exitOK, "keyings", "--store", d.store, "--json")), &ledger); err != nil {
		t.Fatal(err)
	}
	sum := 0
	for _, b := range ledger.Totals {
		sum += b.Keyings
	}
	if len(ledger.Keyings) == 0 || sum != len(ledger.Keyings) || ledger.Keyings[0].Run != string(run.ID) || ledger.Keyings[0].On == nil {
		t.Errorf("%d keyings, %d in the totals: %+v", len(ledger.Keyings), sum, ledger.Keyings[0])
	}
	if out := prints(t, exitUsage, "prune", "--json"); !strings.Contains(out, "--dry-run") {
		t.Errorf("prune --json: %s", out)
	}
}

// heard is an output that tells when it has grown.
type heard struct {
	mu   sync.Mutex
	text strings.Builder
	grew chan struct{}
}

func (h *heard) Write(p []byte) (int, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.text.Write(p)
	select {
	case h.grew <- struct{}{}:
	default:
	}
	return len(p), nil
}

func (h *heard) String() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.text.String()
}

// TestWatch: a run is followed to its end; a hold point is told of, with how to
// release it.
func TestWatch(t *testing.T) {
	d := newDepot(t, "hold_points: rule", "hold_points: operator")
	first, err := d.StartWhenServing(t.Context(), rest.StartRequest{Operator: "night shift", Trigger: "test", Specimens: []string{"otter"}})
	if err != nil {
		t.Fatal(err)
	}
	out := &heard{grew: make(chan struct{}, 1)}
	code := make(chan int, 1)
	go func() { code <- run(context.Background(), []string{"watch", "--url", d.base}, out, out) }()
	release := regexp.MustCompile(`lidded (release ` + string(first.ID) + ` \d+)`)
	released := 0
	for {
		select {
		case <-out.grew:
			if all := release.FindAllStringSubmatch(out.String(), -1); len(all) > released {
				prints(t, exitOK, append(strings.Fields(all[released][1]), "--url", d.base)...)
				released++
			}
			continue
		case got := <-code:
			text := out.String()
			if got != exitOK || released == 0 || !strings.Contains(text, "run "+string(first.ID)+": completed") || !regexp.MustCompile(`\d+ %  step \d+/\d+ .* left`).MatchString(text) {
				t.Errorf("exit code %d, %d hold points released:\n%s", got, released, text)
			}
		case <-t.Context().Done():
			t.Fatal(out.String())
		}
		break
	}
	// One that has ended is told of at once.
	if text := prints(t, exitOK, "watch", string(first.ID), "--url", d.base); !strings.HasPrefix(text, "run "+string(first.ID)+": completed") {
		t.Errorf("of a run that has ended: %s", text)
	}
	if text := prints(t, exitFailed, "watch", "nobody", "--url", d.base); !strings.Contains(text, `no run "nobody"`) {
		t.Errorf("of no run: %s", text)
	}
}

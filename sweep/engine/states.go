package engine

import (
	"fmt"
	"strings"

	"lidded/sweep"
)

// States prints the table of the state machine as Markdown: a row per event, a
// column per state, in each cell the next state and the action. A dot is
// illegal. The file states.md is this text.
func States() string {
	var b strings.Builder
	b.WriteString("# States of a run\n\nPrinted from the table in machine.go. A cell: next state (action). A dot: illegal, a StateError.\n\n| event |")
	for _, s := range states {
		fmt.Fprintf(&b, " %v |", s)
	}
	b.WriteString("\n|---|" + strings.Repeat("---|", len(states)) + "\n")
	for _, e := range events {
		fmt.Fprintf(&b, "| **%v** |", e)
		for _, s := range states {
			if m, err := Next(s, e); err == nil {
				fmt.Fprintf(&b, " %v (%v) |", m.Next, m.Action)
			} else {
				b.WriteString(" · |")
			}
		}
		b.WriteString("\n")
	}
	b.WriteString("\n## What a run waits out\n\nPrinted from the table in recover.go, with the default rules. The source is off while a run is suspended; it ends when the longest wait is over. What cannot be seen with the source off is looked at with the run taken up for a moment.\n\n| condition | trips when | at | goes on at | settling | looked at every | longest |\n|---|---|---|---|---|---|---|\n")
	rules := Rules{}.withDefaults()
	with := &conduct{b: &Bench{rules: rules}, run: sweep.Run{Plan: sweep.Plan{DriftLimit: sweep.DefaultDriftLimit}}}
	for _, c := range conditions {
		if c.watch == nil {
			p := c.patience(rules)
			fmt.Fprintf(&b, "| %s | %s | the fault | it answers | %v | %v, growing to %v | %d tries |\n", c.name, c.about, p.Settle, p.First, p.Longest, p.Tries)
			continue
		}
		r := c.rule(with)
		at, on := c.say(r.Trip), c.say(r.Resume)
		if r.Trip == 0 {
			at, on = "where stated", "where stated"
		}
		fmt.Fprintf(&b, "| %s | %s | %s | %s | %v | %v | %v |\n", c.name, c.about, at, on, r.Settle, r.Every, r.Longest)
	}
	b.WriteString("| on-time | the source has been on for as long as an hour allows | max_per_hour | the hour has room for the next keying | – | – | – |\n")
	return b.String()
}

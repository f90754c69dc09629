package engine

import (
	"fmt"
	"strings"
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
	return b.String()
}

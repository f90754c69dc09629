package command

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/rest"
)

// lookCommand lists something of a daemon: as a table, or as the daemon's own
// JSON; byBench: it can be narrowed to a bench.
func lookCommand[T any](use, short string, args cobra.PositionalArgs, byBench bool, path func(args []string) string, rows func(T) [][]string) *cobra.Command {
	c := &cobra.Command{Use: use, Short: short, Args: args}
	to := connectFlags(c)
	asJSON := jsonFlag(c)
	bench := new(string)
	if byBench {
		bench = c.Flags().String("bench", "", "only this bench")
	}
	c.RunE = func(c *cobra.Command, args []string) error {
		cl, err := to.client()
		if err != nil {
			return err
		}
		var raw []byte
		if err := cl.Do(c.Context(), http.MethodGet, ofBench(path(args), *bench), nil, nil, &raw); err != nil {
			return err
		}
		if *asJSON {
			_, err := c.OutOrStdout().Write(append(bytes.TrimSpace(raw), '\n'))
			return err
		}
		var list T
		if err := json.Unmarshal(raw, &list); err != nil {
			return fmt.Errorf("reply of %s: %w", cl.Base, err)
		}
		return table(c.OutOrStdout(), rows(list)...)
	}
	return c
}

func at(path string) func([]string) string { return func([]string) string { return path } }

func benchesCommand() *cobra.Command {
	type list struct{ Benches []rest.Bench }
	return lookCommand("benches", "list the benches of a daemon: state, source, instruments", none, false, at("/v1/benches"), func(l list) [][]string {
		rows := [][]string{{"BENCH", "STATE", "SOURCE", "ANALYZER", "SOURCE LINK", "RUN"}}
		lab := slices.ContainsFunc(l.Benches, func(b rest.Bench) bool { return b.Daemon != "" || b.Away != nil })
		if lab {
			rows[0] = append(rows[0], "DAEMON", "LAST SHIPPED")
		}
		for _, b := range l.Benches {
			source := "not known: treat it as on"
			switch {
			case b.SourceOn != nil && *b.SourceOn:
				source = "ON"
			case b.SourceOn != nil:
				source = "off"
			}
			row := []string{b.Name, b.State, source, linkText(b.Analyzer), linkText(b.Source), dash(b.Run)}
			if b.Away != nil { // said once
				row[3], row[4] = "not known: "+b.Away.Reason, "-"
			}
			if lab {
				row = append(row, dash(b.Daemon), "-")
				if b.Away != nil {
					row[len(row)-1] = clock(b.Away.Shipped)
				}
			}
			rows = append(rows, row)
		}
		return rows
	})
}

func linkText(i rest.Instrument) string {
	switch {
	case i.Up:
		return "up"
	case i.Fault == "":
		return "down"
	}
	return "down: " + i.Fault
}

func schedulesCommand() *cobra.Command {
	type list struct{ Schedules []rest.Schedule }
	return lookCommand("schedules", "list the schedules of a daemon: when they are due, what they missed", none, true, at("/v1/schedules"), func(l list) [][]string {
		rows := [][]string{{"SCHEDULE", "BENCH", "PLAN", "CRON", "ZONE", "NEXT", "LAST RUN", "LAST MISSED", "WHY"}}
		for _, s := range l.Schedules {
			last := "-"
			if s.Last != nil {
				last = s.Last.State + " " + s.Last.Created.Local().Format(time.DateTime)
			}
			rows = append(rows, []string{s.Name, s.Bench, s.Plan, s.Cron, s.Zone, clock(s.Next), last, clock(s.Missed), dash(s.MissedWhy)})
		}
		return rows
	})
}

// clock is a time as people on this computer read it.
func clock(t *time.Time) string {
	if t == nil {
		return "-"
	}
	return t.Local().Format(time.DateTime)
}

func exchangesCommand() *cobra.Command {
	path := func(args []string) string { return "/v1/benches/" + url.PathEscape(args[0]) + "/exchanges" }
	return lookCommand("exchanges BENCH", "show what was last said to and by a bench's instruments", exactly("a bench"), false, path, func(x rest.Exchanges) [][]string {
		rows := [][]string{{"TIME (UTC)", "INSTRUMENT", "DIRECTION", "TOOK", "TEXT", "ERROR"}}
		add := func(name string, all []rest.Said) {
			for _, s := range all {
				took, text := "-", strings.Map(printable, s.Text)
				if s.Took != nil {
					took = about(time.Duration(*s.Took * float64(time.Second))).String()
				}
				if text == "" && s.Bytes != nil {
					text = fmt.Sprintf("%d bytes", *s.Bytes)
				}
				rows = append(rows, []string{s.Time.UTC().Format("15:04:05.000"), name, s.Direction, took, text, strings.Map(printable, s.Error)})
			}
		}
		add("analyzer", x.Analyzer.Said)
		add("source", x.Source.Said)
		return rows
	})
}

// printable keeps what an instrument said from steering the terminal.
func printable(r rune) rune {
	if r < ' ' || r >= 0x7f && r < 0xa0 {
		return '·'
	}
	return r
}

package command

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/daemon"
	"lidded/cmd/lidded/internal/rest"
	"lidded/sweep"
	"lidded/sweep/report/export"
	"lidded/sweep/report/text"
	"lidded/sweep/trend"
)

// trendFrequencies is how many are shown where none are asked for.
const trendFrequencies = 4

func trendCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "trend SPECIMEN",
		Short: "show how a specimen behaves over runs: changes, drift, bounds counted as bounds",
		Long: "Sets the completed and stopped runs of a specimen in a row, per frequency, and says whether its SE\n" +
			"changed, since when and by how much, with the rate of false alarms, and the same of the reference\n" +
			"level: where that changes too, the set-up did. Reads the store, beside a running daemon too; with\n" +
			"--url, or in a folder without a config, asks the daemon, or the lab server for all benches.",
		Args: exactly("a specimen"),
	}
	in := readFlags(c)
	f := c.Flags()
	freqs := f.StringSlice("freq", nil, "frequency, the nearest measured within 0.5 %; may be repeated (default: where the specimen is lowest)")
	bench := f.String("bench", "", "only this bench")
	plan := f.String("plan", "", "only this plan")
	from := f.String("from", "", "only runs created from this time on, as 2026-03-01 or 2026-03-01T22:00:00Z")
	to := f.String("to", "", "only runs created before this time")
	alarm := f.Float64("false-alarm", 0.05, "how often a change may be called in a series without one")
	asCSV := f.Bool("csv", false, "CSV, with units in the column names")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		filter := sweep.RunFilter{Specimen: args[0], Bench: *bench, Plan: *plan}
		span, err := parseSpan(*from, *to)
		if err != nil {
			return usageError{err}
		}
		wanted, err := parseFreqs(*freqs)
		if err != nil {
			return usageError{err}
		}
		cl, done, err := in.client(daemon.RecordsOptions{})
		if err != nil {
			return err
		}
		defer done()
		found, err := cl.trend(c.Context(), filter, span, wanted, *alarm)
		if err != nil {
			return err
		}
		return printTrends(c, args[0], found, trendRows(found), *asJSON, *asCSV)
	}
	return c
}

// printTrends prints trends in the form asked for; rows are the same as found.
func printTrends(c *cobra.Command, specimen string, found rest.Trends, rows []trend.Frequency, asJSON, asCSV bool) error {
	for _, u := range found.Unreadable {
		fmt.Fprintf(c.ErrOrStderr(), "run %s is left out: it cannot be read: %s\n", u.Run, u.Reason)
	}
	w := c.OutOrStdout()
	switch {
	case asJSON:
		return printJSON(w, found)
	case asCSV:
		return trendCSV(w, specimen, rows)
	}
	return trendTables(w, specimen, rows)
}

// span is a stretch of time, open where an end is zero.
type span struct{ from, to time.Time }

func parseSpan(from, to string) (span, error) {
	var s span
	if err := parseMoment(from, &s.from); err != nil {
		return s, fmt.Errorf("--from: %w", err)
	}
	if err := parseMoment(to, &s.to); err != nil {
		return s, fmt.Errorf("--to: %w", err)
	}
	return s, nil
}

func trendTables(w io.Writer, specimen string, all []trend.Frequency) error {
	for i, f := range all {
		if i > 0 {
			fmt.Fprintln(w)
		}
		fmt.Fprintf(w, "%s at %v\n", specimen, f.Freq)
		rows := [][]string{{"TIME", "RUN", "CYCLE", "SE", "OUTCOME", "REFERENCE"}}
		for _, r := range f.Rows {
			rows = append(rows, []string{r.Time.UTC().Format("2006-01-02 15:04"), string(r.Run.ID), cycleText(r.Run.DoorCycle), r.SE.String(), r.Outcome.String(), text.Number(r.Reference)})
		}
		if err := table(w, rows...); err != nil {
			return err
		}
		fmt.Fprintf(w, "SE: %s\nreference level: %s\n", f.SE.Sentence, f.Reference.Sentence)
	}
	if len(all) == 0 {
		fmt.Fprintf(w, "%s: no claim at these frequencies\n", specimen)
		return nil
	}
	_, err := fmt.Fprintf(w, "\nhow changes are found: %s\n", trend.Method)
	return err
}

func cycleText(n *int64) string {
	if n == nil {
		return ""
	}
	return strconv.FormatInt(*n, 10)
}

func trendCSV(w io.Writer, specimen string, all []trend.Frequency) error {
	out := csv.NewWriter(w)
	rows := [][]string{{"specimen", "freq_hz", "time_utc", "run", "bench", "plan", "door_cycle", "outcome", "relation", "se_db", "se_low_db", "se_high_db", "reference_level_dbm"}}
	num := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
	for _, f := range all {
		for _, r := range f.Rows {
			row := []string{export.Text(specimen), num(float64(f.Freq)), r.Time.UTC().Format(time.RFC3339), string(r.Run.ID), export.Text(r.Run.Bench), export.Text(r.Run.Plan), cycleText(r.Run.DoorCycle), r.Outcome.String(), "", "", "", "", ""}
			if r.SE.Relation != sweep.RelationUnknown {
				row[8], row[9], row[10] = r.SE.Relation.String(), num(float64(r.SE.Value)), num(float64(r.SE.Low))
			}
			if r.SE.Relation == sweep.Equal {
				row[11] = num(float64(r.SE.High))
			}
			if r.Reference.IsFinite() {
				row[12] = num(float64(r.Reference))
			}
			rows = append(rows, row)
		}
	}
	if err := out.WriteAll(rows); err != nil {
		return fmt.Errorf("write the trend: %w", err)
	}
	return nil
}

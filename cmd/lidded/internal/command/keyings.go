package command

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/daemon"
	"lidded/cmd/lidded/internal/rest"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/emission"
	"lidded/sweep/report/export"
)

func keyingsCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "keyings",
		Short: "list when the source was on: every keying, and totals per band",
		Long: "Lists the transmission ledger of a store: each time the source was on, with frequency, level,\n" +
			"run and point, and the totals per band of the Radio Regulations. Reads the store, beside a running daemon too;\n" +
			"with --url, or in a folder without a config, asks the daemon, or the lab server for all benches.",
		Args: none,
	}
	from := readFlags(c)
	f := c.Flags()
	bench := f.String("bench", "", "only this bench")
	run := f.String("run", "", "only this run (or latest)")
	since := f.String("from", "", "only from this time on, as 2026-03-01 or 2026-03-01T22:00:00Z")
	to := f.String("to", "", "only before this time")
	asCSV := f.Bool("csv", false, "CSV, with units in the column names")
	asJSON := jsonFlag(c)
	totals := f.Bool("totals", false, "only the totals per band")
	c.MarkFlagsMutuallyExclusive("csv", "json")
	c.RunE = func(c *cobra.Command, _ []string) error {
		filter := sweep.KeyingFilter{Bench: *bench}
		for _, t := range []struct {
			flag string
			text string
			to   *time.Time
		}{{"from", *since, &filter.From}, {"to", *to, &filter.To}} {
			if err := parseMoment(t.text, t.to); err != nil {
				return usageError{fmt.Errorf("--%s: %w", t.flag, err)}
			}
		}
		cl, done, err := from.client(daemon.RecordsOptions{})
		if err != nil {
			return err
		}
		defer done()
		list, err := cl.ledger(c.Context(), filter, *run)
		if err != nil {
			return err
		}
		w := c.OutOrStdout()
		switch {
		case *asJSON:
			return printLedger(w, list, *totals)
		case *asCSV && *totals:
			return writeCSV(w, totalRows(list))
		case *asCSV:
			return writeCSV(w, keyingRows(list))
		case *totals:
			return printTotals(w, list)
		}
		if err := printKeyings(w, list); err != nil {
			return err
		}
		fmt.Fprintln(w)
		return printTotals(w, list)
	}
	return c
}

// ledger is the ledger, page by page.
func (c *Client) ledger(ctx context.Context, filter sweep.KeyingFilter, run string) (out []sweep.Keying, err error) {
	q := url.Values{"limit": {"5000"}}
	if run != "" {
		if filter.Run, err = c.chosenRun(ctx, run); err != nil {
			return nil, err
		}
		q.Set("run", string(filter.Run))
	}
	if filter.Bench != "" {
		q.Set("bench", filter.Bench)
	}
	for name, t := range map[string]time.Time{"from": filter.From, "to": filter.To} {
		if !t.IsZero() {
			q.Set(name, t.UTC().Format(time.RFC3339Nano))
		}
	}
	for {
		var page rest.Ledger
		if err := c.Do(ctx, http.MethodGet, "/v1/keyings?"+q.Encode(), nil, nil, &page); err != nil {
			return nil, err
		}
		for _, k := range page.Keyings {
			one := sweep.Keying{Entry: k.Entry, Run: sweep.RunID(k.Run), Step: k.Step, Point: k.Point, Freq: unit.Hz(k.Freq), Level: unit.DBm(k.Level), On: k.On, OffNot: k.Doubt}
			if k.Off != nil {
				one.Off = *k.Off
			}
			out = append(out, one)
		}
		if page.Next == nil {
			return out, nil
		}
		q.Set("after", strconv.FormatInt(*page.Next, 10))
	}
}

// parseMoment reads a day or a time; "" leaves it as it is.
func parseMoment(text string, to *time.Time) error {
	if text == "" {
		return nil
	}
	for _, layout := range []string{time.RFC3339, time.DateOnly} {
		if t, err := time.Parse(layout, text); err == nil {
			*to = t
			return nil
		}
	}
	return fmt.Errorf("%q is no time: write 2026-03-01 (that day, UTC) or 2026-03-01T22:00:00Z", text)
}

func writeCSV(w io.Writer, rows [][]string) error {
	c := csv.NewWriter(w)
	if err := c.WriteAll(rows); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}

func exactNumber(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func seconds(d time.Duration) string { return exactNumber(d.Seconds()) }

// keyingRows are the ledger, a line each. The end of a keying during which the
// daemon was killed is not in the ledger, and stays empty.
func keyingRows(list []sweep.Keying) [][]string {
	rows := [][]string{{"entry", "run", "step", "point", "freq_hz", "level_dbm", "on_utc", "off_utc", "on_s", "off_not_confirmed"}}
	for _, k := range list {
		off, on := "", ""
		if !k.Off.IsZero() {
			off, on = k.Off.UTC().Format(time.RFC3339Nano), seconds(k.Off.Sub(k.On))
		}
		rows = append(rows, []string{
			strconv.FormatInt(k.Entry, 10), string(k.Run), strconv.Itoa(k.Step), strconv.Itoa(k.Point), exactNumber(float64(k.Freq)), exactNumber(float64(k.Level)),
			k.On.UTC().Format(time.RFC3339Nano), off, on, export.Text(k.OffNot),
		})
	}
	return rows
}

func totalRows(list []sweep.Keying) [][]string {
	rows := [][]string{{"band", "from_hz", "to_hz", "keyings", "on_s", "longest_on_s", "highest_level_dbm", "first_on_utc", "last_on_utc", "end_not_known", "off_not_confirmed"}}
	for _, t := range sweep.Totals(list) {
		rows = append(rows, []string{
			t.Band, exactNumber(float64(t.From)), exactNumber(float64(t.To)), strconv.Itoa(t.Keyings), seconds(t.On), seconds(t.LongestOn), exactNumber(float64(t.Highest)),
			t.FirstOn.UTC().Format(time.RFC3339Nano), t.LastOn.UTC().Format(time.RFC3339Nano), strconv.Itoa(t.Unknown), strconv.Itoa(t.Doubtful),
		})
	}
	return rows
}

func printKeyings(w io.Writer, list []sweep.Keying) error {
	rows := [][]string{{"ENTRY", "ON (UTC)", "FOR", "FREQUENCY", "LEVEL", "RUN", "STEP", "POINT", "NOTE"}}
	for _, k := range list {
		on, note := "not known", "its end is not in the ledger: the daemon was killed while it was on"
		if !k.Off.IsZero() {
			on, note = about(k.Off.Sub(k.On)).String(), ""
		}
		if k.OffNot != "" {
			note = "off not confirmed: " + k.OffNot
		}
		rows = append(rows, []string{strconv.FormatInt(k.Entry, 10), k.On.UTC().Format("2006-01-02 15:04:05.000"), on, k.Freq.String(), k.Level.String(), dash(string(k.Run)), strconv.Itoa(k.Step), strconv.Itoa(k.Point), note})
	}
	return table(w, rows...)
}

func printTotals(w io.Writer, list []sweep.Keying) error {
	rows := [][]string{{"BAND", "FROM", "TO", "KEYINGS", "TIME ON", "LONGEST", "HIGHEST LEVEL", "END NOT KNOWN", "OFF NOT CONFIRMED"}}
	for _, t := range sweep.Totals(list) {
		rows = append(rows, []string{t.Band, t.From.String(), t.To.String(), strconv.Itoa(t.Keyings), about(t.On).String(), about(t.LongestOn).String(), t.Highest.String(), strconv.Itoa(t.Unknown), strconv.Itoa(t.Doubtful)})
	}
	return table(w, rows...)
}

func neverCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "never",
		Short: "list what is never transmitted on, whatever a bench permits",
		Long: "Lists the never-transmit table: distress, aeronautical and satellite-navigation frequencies. It is\n" +
			"not complete, and absence from it is no permission. A site that holds the right to one overrides\n" +
			"it by name, with its basis: override_never on the bench.",
		Args: none,
	}
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		never, err := emission.BuiltinNever()
		if err != nil {
			return err
		}
		if *asJSON {
			return printJSON(c.OutOrStdout(), never.Entries)
		}
		rows := [][]string{{"ENTRY", "FROM", "TO", "WHY", "REGION", "MARK", "SOURCE"}}
		for _, e := range never.Entries {
			rows = append(rows, []string{e.Name, e.From.String(), e.To.String(), e.Why, e.Region, e.Mark.String(), e.Source})
		}
		return table(c.OutOrStdout(), rows...)
	}
	return c
}

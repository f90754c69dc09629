package command

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/daemon"
	"lidded/cmd/lidded/internal/rest"
	"lidded/driver/unit"
	"lidded/sweep/report/text"
)

func betweenCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "between SPECIMEN",
		Short: "compare a specimen as measured on different benches",
		Long: "Holds the newest completed or stopped run of each bench that measured the specimen against that of\n" +
			"one bench: per setting and frequency both claims, their difference with the En score, and whether the\n" +
			"stated uncertainties explain it; bounds count as bounds. Beside it the open reference levels, so that a\n" +
			"bench whose path lost something is seen. Asks a daemon, or a lab server for the benches of all.",
		Args: exactly("a specimen"),
	}
	in := readFlags(c)
	f := c.Flags()
	benches := f.StringSlice("bench", nil, "bench, may be repeated (default: all that measured it)")
	against := f.String("against", "", "bench that the others are held against (default: the first by name)")
	runs := f.StringSlice("run", nil, "run in place of the newest of its bench, may be repeated")
	freqs := f.StringSlice("freq", nil, "frequency, within 0.5 %; may be repeated (default: all)")
	plan := f.String("plan", "", "only runs of this plan")
	position := f.String("position", "", "only this position")
	polarization := f.String("polarization", "", "only this polarization")
	from := f.String("from", "", "only runs created from this time on, as 2026-03-01 or 2026-03-01T22:00:00Z")
	before := f.String("to", "", "only runs created before this time")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		q := url.Values{}
		set := func(key string, values ...string) {
			if s := strings.Join(values, ","); s != "" {
				q.Set(key, s)
			}
		}
		asked, err := parseFreqs(*freqs)
		if err != nil {
			return usageError{err}
		}
		var hz []string
		for _, f := range asked {
			hz = append(hz, strconv.FormatFloat(float64(f), 'f', -1, 64))
		}
		when, err := parseSpan(*from, *before)
		if err != nil {
			return usageError{err}
		}
		for key, t := range map[string]time.Time{"from": when.from, "to": when.to} {
			if !t.IsZero() {
				set(key, t.UTC().Format(time.RFC3339))
			}
		}
		set("bench", *benches...)
		set("run", *runs...)
		set("freq_hz", hz...)
		set("against", *against)
		set("plan", *plan)
		set("position", *position)
		set("polarization", *polarization)
		cl, done, err := in.client(daemon.RecordsOptions{})
		if err != nil {
			return err
		}
		defer done()
		var raw []byte
		if err := cl.Do(c.Context(), http.MethodGet, "/v1/specimens/"+url.PathEscape(args[0])+"/benches?"+q.Encode(), nil, nil, &raw); err != nil {
			return err
		}
		if *asJSON {
			_, err := c.OutOrStdout().Write(append(bytes.TrimSpace(raw), '\n'))
			return err
		}
		var all rest.BenchComparison
		if err := json.Unmarshal(raw, &all); err != nil {
			return fmt.Errorf("reply of %s: %w", cl.from, err)
		}
		for _, u := range all.Unreadable {
			fmt.Fprintf(c.ErrOrStderr(), "run %s is passed over: it cannot be read: %s\n", u.Run, u.Reason)
		}
		return betweenTables(c.OutOrStdout(), all)
	}
	return c
}

func parseFreqs(all []string) ([]unit.Hz, error) {
	var out []unit.Hz
	for _, s := range all {
		hz, err := unit.ParseHz(s)
		if err != nil {
			return nil, fmt.Errorf("--freq: %w", err)
		}
		out = append(out, hz)
	}
	return out, nil
}

func betweenTables(w io.Writer, all rest.BenchComparison) error {
	rows := [][]string{{"BENCH", "RUN", "PLAN", "TIME", "CYCLE"}}
	for _, b := range all.Benches {
		rows = append(rows, []string{b.Bench, b.Run, b.Plan, b.Time.UTC().Format("2006-01-02 15:04"), cycleText(b.DoorCycle)})
	}
	switch len(all.Benches) {
	case 0:
		_, err := fmt.Fprintf(w, "%s: no completed or stopped run says anything of it: 'lidded runs' lists the runs\n", all.Specimen)
		return err
	case 1:
		if err := table(w, rows...); err != nil {
			return err
		}
		_, err := fmt.Fprintf(w, "%s: one bench alone measured it: there is nothing to compare\n", all.Specimen)
		return err
	}
	if err := table(w, rows...); err != nil {
		return err
	}
	for _, p := range all.Pairs {
		fmt.Fprintln(w)
		if err := table(w, pairRows(p)...); err != nil {
			return err
		}
		for _, s := range append(p.Sentences, p.Reference) {
			fmt.Fprintln(w, s)
		}
	}
	_, err := fmt.Fprintf(w, "\nhow claims are compared: %s\n%s\n", all.Method, all.Independence)
	return err
}

func pairRows(p rest.BenchPair) [][]string {
	rows := [][]string{{"FREQUENCY", "SETTING", "SE " + p.Against, "SE " + p.Bench, "DIFFERENCE", "EN", "VERDICT", "REFERENCE " + p.Against, p.Bench, "DIFFERENCE", "WHY"}}
	for _, r := range p.Rows {
		a, b := orEmpty(r.Against), orEmpty(r.Bench)
		row := []string{unit.Hz(r.Freq).String(), r.Position + " " + r.Polarization, claimText(a), claimText(b), text.None, text.None, r.Verdict, levelText(a.Reference), levelText(b.Reference), text.None, r.Reason}
		if d := r.Difference; d != nil {
			row[4] = strings.TrimPrefix(strings.NewReplacer(">=", "≥", "<=", "≤").Replace(d.Relation)+" ", "= ") + signed(d.By)
			if d.En != nil {
				row[5] = fmt.Sprintf("%.2f", *d.En)
			}
		}
		if d := r.Reference; d != nil {
			row[9] = signed(d.By) + " as received"
			if d.Equal != nil {
				row[9] = signed(*d.Equal)
			}
		}
		rows = append(rows, row)
	}
	return rows
}

func orEmpty(r *rest.BenchReading) rest.BenchReading {
	if r == nil {
		return rest.BenchReading{}
	}
	return *r
}

// claimText writes a claim with the uncertainty it is compared with.
func claimText(r rest.BenchReading) string {
	switch {
	case r.SE == nil:
		return dash(r.Outcome)
	case r.SE.Relation == ">=":
		return "≥ " + text.AtLeast(unit.DB(r.SE.Value))
	case r.U == nil:
		return text.Number(unit.DB(r.SE.Value))
	}
	return text.Number(unit.DB(r.SE.Value)) + " ± " + text.Number(unit.DB(*r.U))
}

func levelText(v *float64) string {
	if v == nil {
		return text.None
	}
	return text.Number(unit.DBm(*v))
}

// signed writes a difference in decibels.
func signed(db float64) string { return fmt.Sprintf("%+.1f", unit.DB(db).Tenths()) }

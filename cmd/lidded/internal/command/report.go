package command

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/daemon"
	"lidded/driver/strict"
	"lidded/sweep/report/document"
)

func reportCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "report RUN|latest",
		Short: "write a run's report for a client: HTML or PDF, in full or on one page",
		Long: "Writes the report of a run: verdicts, plots, every table, failures and retests, settings,\n" +
			"ledger, log, and the digest of the data. What nobody stated is listed as missing: state it\n" +
			"under report: of bench, plan and specimen in the config before the run, or after it with\n" +
			"--facts. The same run gives the same bytes. Reads the store, beside a running daemon too;\n" +
			"with --url, or in a folder without a config, asks the daemon.",
		Args: exactly("a run (or latest)"),
	}
	from := readFlags(c)
	formName := c.Flags().String("form", "full", "full or short (one page)")
	format := c.Flags().String("format", "pdf", "pdf or html")
	to := c.Flags().StringP("output", "o", "", "file, - for standard output (default: the run's id with the format's ending)")
	facts := c.Flags().String("facts", "", "YAML file of facts stated after the run; with a store, not with a daemon")
	c.RunE = func(c *cobra.Command, args []string) error {
		var form document.Form
		if err := form.UnmarshalText([]byte(*formName)); err != nil {
			return usageError{fmt.Errorf("--form: %w", err)}
		}
		if *format != "pdf" && *format != "html" {
			return usageError{fmt.Errorf("--format %q: write pdf or html", *format)}
		}
		later, err := statedLater(*facts, from)
		if err != nil {
			return usageError{err}
		}
		cl, done, err := from.client(daemon.RecordsOptions{Facts: later})
		if err != nil {
			return err
		}
		defer done()
		id, err := cl.chosenRun(c.Context(), args[0])
		if err != nil {
			return err
		}
		file := "report."
		if form == document.Short {
			file = "report-short."
		}
		var page []byte
		if err := cl.Do(c.Context(), http.MethodGet, "/v1/runs/"+url.PathEscape(string(id))+"/"+file+*format, nil, nil, &page); err != nil {
			if *facts != "" && strings.Contains(err.Error(), "facts.") {
				return usageError{fmt.Errorf("%s: %w", *facts, err)}
			}
			return err
		}
		if *to == "-" {
			_, err := c.OutOrStdout().Write(page)
			return err
		}
		name := *to
		if name == "" {
			name = string(id) + "." + *format
		}
		if err := os.WriteFile(name, page, 0o644); err != nil {
			return fmt.Errorf("write report: %w", err)
		}
		fmt.Fprintln(c.OutOrStdout(), name)
		return nil
	}
	return c
}

// statedLater reads a file of facts; "" are none.
func statedLater(file string, from reading) (facts document.Facts, err error) {
	if file == "" {
		return facts, nil
	}
	if from.asksDaemon() {
		return facts, errors.New("--facts goes with a store, not with a daemon: name the config or the store")
	}
	data, err := os.ReadFile(file)
	if err != nil {
		return facts, fmt.Errorf("--facts: %w", err)
	}
	_, err = strict.Read(file, data, &facts)
	return facts, err
}

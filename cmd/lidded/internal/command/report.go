package command

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/daemon"
	"lidded/driver/strict"
	"lidded/sweep"
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
	path, file := storeFlags(c)
	from := connectFlags(c)
	formName := c.Flags().String("form", "full", "full or short (one page)")
	format := c.Flags().String("format", "pdf", "pdf or html")
	to := c.Flags().StringP("output", "o", "", "file, - for standard output (default: the run's id with the format's ending)")
	facts := c.Flags().String("facts", "", "YAML file of facts stated after the run")
	c.RunE = func(c *cobra.Command, args []string) error {
		var form document.Form
		if err := form.UnmarshalText([]byte(*formName)); err != nil {
			return usageError{fmt.Errorf("--form: %w", err)}
		}
		if *format != "pdf" && *format != "html" {
			return usageError{fmt.Errorf("--format %q: write pdf or html", *format)}
		}
		var id sweep.RunID
		var page []byte
		var err error
		if asksDaemon(c, *path) {
			if *facts != "" {
				return usageError{errors.New("--facts goes with a store, not with a daemon: name the config or the store")}
			}
			id, page, err = from.report(c.Context(), args[0], form, *format)
			err = orStore(err)
		} else {
			id, page, err = storedReport(c, *path, *file, args[0], form, *format, *facts)
		}
		if err != nil {
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

// report is a daemon's report of a run.
func (n connection) report(ctx context.Context, run string, form document.Form, format string) (sweep.RunID, []byte, error) {
	cl, err := n.client()
	if err != nil {
		return "", nil, err
	}
	id, err := cl.chosenRun(ctx, run)
	if err != nil {
		return "", nil, err
	}
	file := "report."
	if form == document.Short {
		file = "report-short."
	}
	var page []byte
	err = cl.Do(ctx, http.MethodGet, "/v1/runs/"+url.PathEscape(string(id))+"/"+file+format, nil, nil, &page)
	return id, page, err
}

// storedReport is the report of a run in a store.
func storedReport(c *cobra.Command, path, file, run string, form document.Form, format, facts string) (sweep.RunID, []byte, error) {
	ctx := c.Context()
	var later document.Facts
	if facts != "" {
		data, err := os.ReadFile(facts)
		if err != nil {
			return "", nil, usageError{fmt.Errorf("--facts: %w", err)}
		}
		if _, err := strict.Read(facts, data, &later); err != nil {
			return "", nil, usageError{err}
		}
	}
	s, err := readStore(c, path, file)
	if err != nil {
		return "", nil, err
	}
	defer s.Close()
	id, err := chosenRun(ctx, s, run)
	if err != nil {
		return "", nil, err
	}
	in, err := daemon.ReportOf(ctx, s, id)
	if err != nil {
		return "", nil, err
	}
	in.Facts = later
	for name := range later.Specimens {
		if !hasSpecimen(in, name) {
			return "", nil, usageError{fmt.Errorf("%s: specimen %q is not part of run %s", facts, name, id)}
		}
	}
	doc, err := document.Build(in, form)
	if err != nil {
		return "", nil, err
	}
	write := document.Document.PDF
	if format == "html" {
		write = document.Document.HTML
	}
	var out bytes.Buffer
	err = write(doc, &out)
	return id, out.Bytes(), err
}

func hasSpecimen(in document.Input, name string) bool {
	for _, s := range in.Run.Specimens {
		if s.Name == name {
			return true
		}
	}
	return false
}

package main

import (
	"bytes"
	"fmt"
	"os"

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
			"--facts. The same run gives the same bytes. Works beside a running daemon.",
		Args: exactly("a run (or latest)"),
	}
	path, file := storeFlags(c)
	formName := c.Flags().String("form", "full", "full or short (one page)")
	format := c.Flags().String("format", "pdf", "pdf or html")
	to := c.Flags().StringP("output", "o", "", "file, - for standard output (default: the run's id with the format's ending)")
	facts := c.Flags().String("facts", "", "YAML file of facts stated after the run")
	c.RunE = func(c *cobra.Command, args []string) error {
		ctx := c.Context()
		var form document.Form
		if err := form.UnmarshalText([]byte(*formName)); err != nil {
			return usageError{fmt.Errorf("--form: %w", err)}
		}
		write := document.Document.PDF
		switch *format {
		case "pdf":
		case "html":
			write = document.Document.HTML
		default:
			return usageError{fmt.Errorf("--format %q: write pdf or html", *format)}
		}
		var later document.Facts
		if *facts != "" {
			data, err := os.ReadFile(*facts)
			if err != nil {
				return usageError{fmt.Errorf("--facts: %w", err)}
			}
			if _, err := strict.Read(*facts, data, &later); err != nil {
				return usageError{err}
			}
		}
		s, err := readStore(c, *path, *file)
		if err != nil {
			return err
		}
		defer s.Close()
		id, err := chosenRun(ctx, s, args[0])
		if err != nil {
			return err
		}
		in, err := daemon.ReportOf(ctx, s, id)
		if err != nil {
			return err
		}
		in.Facts = later
		for name := range later.Specimens {
			if !hasSpecimen(in, name) {
				return usageError{fmt.Errorf("%s: specimen %q is not part of run %s", *facts, name, id)}
			}
		}
		doc, err := document.Build(in, form)
		if err != nil {
			return err
		}
		var out bytes.Buffer
		if err := write(doc, &out); err != nil {
			return err
		}
		if *to == "-" {
			_, err := c.OutOrStdout().Write(out.Bytes())
			return err
		}
		name := *to
		if name == "" {
			name = string(id) + "." + *format
		}
		if err := os.WriteFile(name, out.Bytes(), 0o644); err != nil {
			return fmt.Errorf("write report: %w", err)
		}
		fmt.Fprintln(c.OutOrStdout(), name)
		return nil
	}
	return c
}

func hasSpecimen(in document.Input, name string) bool {
	for _, s := range in.Run.Specimens {
		if s.Name == name {
			return true
		}
	}
	return false
}

package command

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/daemon"
	"lidded/configs"
	"lidded/sweep/requirement"
)

// jsonFlag adds --json.
func jsonFlag(c *cobra.Command) *bool {
	return c.Flags().Bool("json", false, "print JSON in place of a table")
}

func printJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// table prints rows in columns, the first row being the head.
func table(w io.Writer, rows ...[]string) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		fmt.Fprintln(t, strings.Join(r, "\t"))
	}
	return t.Flush()
}

func dialectsCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "dialects",
		Short: "list the dialects: how analyzers and sources are spoken to",
		Args:  none,
	}
	folder := c.PersistentFlags().String("folder", "", "folder of further dialect files, which come first")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		lib, err := daemon.Dialects(*folder)
		if err != nil {
			return usageError{err}
		}
		type row struct {
			Name    string   `json:"name"`
			Role    string   `json:"role"`
			Summary string   `json:"summary"`
			Traits  []string `json:"traits"`
			File    string   `json:"file"`
		}
		var list []row
		rows := [][]string{{"DIALECT", "FOR", "WHAT IT IS"}}
		for _, d := range lib.List() {
			list = append(list, row{d.Name, d.Role.String(), d.Summary, d.Traits, d.File})
			rows = append(rows, []string{d.Name, d.Role.String(), d.Summary})
		}
		if *asJSON {
			return printJSON(c.OutOrStdout(), list)
		}
		return table(c.OutOrStdout(), rows...)
	}
	c.AddCommand(dialectsShowCommand(folder))
	return c
}

func dialectsShowCommand(folder *string) *cobra.Command {
	return &cobra.Command{
		Use:   "show DIALECT",
		Short: "print a dialect file, to start one's own from",
		Args:  exactly("a dialect"),
		RunE: func(c *cobra.Command, args []string) error {
			lib, err := daemon.Dialects(*folder)
			if err != nil {
				return usageError{err}
			}
			d, err := lib.Get(args[0])
			if err != nil {
				return usageError{err}
			}
			var text []byte
			if shipped, serr := configs.FS.ReadFile("dialects/" + d.Name + ".yaml"); serr == nil && strings.HasPrefix(d.File, "built in/") {
				text = shipped
			} else if text, err = os.ReadFile(d.File); err != nil {
				return err
			}
			_, err = c.OutOrStdout().Write(text)
			return err
		},
	}
}

func requirementsCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "requirements",
		Short: "list the requirement lines",
		Args:  none,
	}
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		lib, err := requirement.Builtin()
		if err != nil {
			return err
		}
		type row struct {
			Name    string `json:"name"`
			Title   string `json:"title"`
			Source  string `json:"source"`
			Caution string `json:"caution,omitempty"`
		}
		var list []row
		rows := [][]string{{"LINE", "TITLE", "FROM", "CAUTION"}}
		for _, l := range lib.Lines() {
			list = append(list, row{l.Name, l.Title, l.Source(), l.Caution()})
			rows = append(rows, []string{l.Name, l.Title, l.Source(), l.Caution()})
		}
		if *asJSON {
			return printJSON(c.OutOrStdout(), list)
		}
		return table(c.OutOrStdout(), rows...)
	}
	return c
}

func exampleCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "example",
		Short: "print a config file to start from",
		Args:  none,
		RunE: func(c *cobra.Command, _ []string) error {
			text, err := configs.FS.ReadFile("benches/example.yaml")
			if err != nil {
				return err
			}
			_, err = c.OutOrStdout().Write(text)
			return err
		},
	}
}

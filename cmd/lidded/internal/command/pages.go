package command

import (
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

// pagesCommand writes the manual, for packages.
func pagesCommand() *cobra.Command {
	c := &cobra.Command{
		Use:    "manual FOLDER",
		Short:  "write the manual pages, one for each command",
		Hidden: true,
		Args:   exactly("a folder"),
	}
	date := c.Flags().Int64("date", 0, "date on the pages, in seconds since 1970")
	c.RunE = func(c *cobra.Command, args []string) error {
		if err := os.MkdirAll(args[0], 0o755); err != nil {
			return fmt.Errorf("make folder: %w", err)
		}
		root := c.Root()
		root.DisableAutoGenTag = true
		when := time.Unix(*date, 0).UTC()
		return doc.GenManTree(root, &doc.GenManHeader{Section: "1", Source: "lidded " + software(), Manual: "lidded", Date: &when}, args[0])
	}
	return c
}

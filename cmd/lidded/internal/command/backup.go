package command

import (
	"fmt"

	"github.com/spf13/cobra"
)

func backupCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "backup FILE",
		Short: "write a whole, consistent copy of the store, while runs go on",
		Long: "Writes a copy of the store to a new file. The copy appears under its name only when it is\n" +
			"complete; a file that is there is never overwritten. Its SHA-256 is written beside it, for\n" +
			"'sha256sum --check' and for 'lidded restore'. Traces that 'lidded prune' took out of the store\n" +
			"lie in archive files, which are copied apart. Works beside a running daemon.",
		Args: exactly("a file that is not there yet"),
	}
	path, file := storeFlags(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		ctx := c.Context()
		s, err := readStore(c, *path, *file)
		if err != nil {
			return err
		}
		defer s.Close()
		if err := s.Backup(ctx, args[0]); err != nil {
			return err
		}
		fmt.Fprintf(c.OutOrStdout(), "%s: copy of %s, its digest beside it in %s.sha256\n", args[0], s.Path(), args[0])
		return nil
	}
	return c
}

package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"lidded/store"
)

func backupCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "backup FILE",
		Short: "write a whole, consistent copy of the store, while runs go on",
		Long: "Writes a copy of the store to a new file. The copy appears under its name only when it is\n" +
			"complete; a file that is there is never overwritten. Works beside a running daemon.",
		Args: exactly("a file that is not there yet"),
	}
	path, file := storeFlags(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		ctx := c.Context()
		from, err := storePath(c, *path, *file)
		if err != nil {
			return err
		}
		s, err := store.Open(ctx, from, store.Options{ReadOnly: true})
		if err != nil {
			return err
		}
		defer s.Close()
		if err := s.Backup(ctx, args[0]); err != nil {
			return err
		}
		fmt.Fprintf(c.OutOrStdout(), "%s: copy of %s\n", args[0], from)
		return nil
	}
	return c
}

package command

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/config"
	"lidded/store/lab"
)

func labCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "lab",
		Short: "look after the PostgreSQL database that benches share, and serve it",
		Long: "A daemon whose config says\n\n" +
			"  lab:\n    dsn: postgres://USER@HOST:5432/DATABASE\n\n" +
			"ships its journal there, at its own pace. 'lidded lab serve' shows it; the other commands make and\n" +
			"keep that database and are run as its owner. The password belongs into a passfile, not into the\n" +
			"name.",
		Args: none,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(labServeCommand(), labMigrateCommand(), labPartitionsCommand(), labAllowCommand())
	return c
}

// labFlags adds --config and --dsn; one of them names the lab.
func labFlags(c *cobra.Command) func() (config.DSN, error) {
	path := configFlag(c)
	dsn := c.Flags().String("dsn", "", "data source name, in place of the config's lab.dsn")
	return func() (config.DSN, error) {
		if *dsn != "" {
			return config.DSN(*dsn), nil
		}
		cfg, err := loadConfig(c, *path)
		if err != nil {
			return "", fmt.Errorf("%w; or name the lab with --dsn", err)
		}
		if cfg.Lab.DSN == "" {
			return "", usageError{errors.New("the config has no lab.dsn: write one, or name the lab with --dsn")}
		}
		return cfg.Lab.DSN, nil
	}
}

// asOwner is what the commands of the lab's owner start with.
func asOwner(of func() (config.DSN, error)) (*lab.Admin, error) {
	dsn, err := of()
	if err != nil {
		return nil, err
	}
	a, err := lab.NewAdmin(string(dsn))
	if err != nil {
		return nil, usageError{err}
	}
	return a, nil
}

// monthsAhead is how far ahead partitions are made, unless said otherwise.
const monthsAhead = 3

func labMigrateCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "migrate",
		Short: "make the schema, or bring it up to date, and the partitions of the next months",
		Long: "Makes the schema lidded with its tables, views and the roles lidded_ship and lidded_read, or brings it\n" +
			"to this program's version, and makes partitions ahead. Daemons never do it by themselves: they say\n" +
			"that it is wanted, and keep their records until it is done.",
		Args: none,
	}
	dsn := labFlags(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		a, err := asOwner(dsn)
		if err != nil {
			return err
		}
		version, err := a.Migrate(c.Context())
		if err != nil {
			return err
		}
		made, err := a.Partitions(c.Context(), monthsAhead)
		if err != nil {
			return err
		}
		fmt.Fprintf(c.OutOrStdout(), "schema version %d, %d new partitions\n", version, made)
		return nil
	}
	return c
}

func labPartitionsCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "partitions",
		Short: "make partitions ahead, and drop those whose time is over",
		Long: "Makes the partitions of this month and the next ones, and drops months that lie wholly before the time\n" +
			"to keep: captures, traces, events and results of points with --keep-months, the transmission ledger\n" +
			"with --keep-ledger-months. Without them nothing is dropped. Runs and the summaries of specimens stay.\n" +
			"Run it once a week, from a timer.",
		Args: none,
	}
	dsn := labFlags(c)
	ahead := c.Flags().Int("ahead", monthsAhead, "months to make ahead")
	keep := c.Flags().Int("keep-months", 0, "months to keep records; 0: for good")
	ledger := c.Flags().Int("keep-ledger-months", 0, "months to keep the transmission ledger; 0: for good")
	c.RunE = func(c *cobra.Command, _ []string) error {
		a, err := asOwner(dsn)
		if err != nil {
			return err
		}
		made, err := a.Partitions(c.Context(), *ahead)
		if err != nil {
			return err
		}
		dropped, err := a.Drop(c.Context(), lab.Retention{Months: *keep, LedgerMonths: *ledger})
		if err != nil {
			return err
		}
		fmt.Fprintf(c.OutOrStdout(), "%d new partitions, %d dropped\n", made, len(dropped))
		for _, d := range dropped {
			fmt.Fprintf(c.OutOrStdout(), "dropped %s\n", d)
		}
		return nil
	}
	return c
}

func labAllowCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "allow LOGIN",
		Short: "let a login ship records, or read",
		Long:  "Puts a PostgreSQL login into lidded_read, or with --ship into lidded_ship, which may add records and\nread, and can change and delete none.",
		Args:  exactly("a login"),
	}
	dsn := labFlags(c)
	ship := c.Flags().Bool("ship", false, "may also ship")
	c.RunE = func(c *cobra.Command, args []string) error {
		a, err := asOwner(dsn)
		if err != nil {
			return err
		}
		return a.Allow(c.Context(), args[0], *ship)
	}
	return c
}

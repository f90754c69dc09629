package command

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/daemon"
	"lidded/cmd/lidded/internal/doctor"
	"lidded/store"
)

func doctorCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "doctor",
		Short: "find out why a bench is stuck, and what to do",
		Long: "Looks at config, daemon, disk, store, runs left over, sources left on, and the instruments:\n" +
			"whether they can be reached and who else holds them. It only looks and sends no command to\n" +
			"an instrument. --salvage saves what can still be read of a damaged store into a new one and\n" +
			"changes the damaged one in nothing. Exit code 0: nothing keeps the bench from working; 1:\n" +
			"something does; 2: the config is wrong.",
		Args: none,
	}
	path, file := storeFlags(c)
	tokenFile := tokenFlag(c)
	asJSON := jsonFlag(c)
	salvage := c.Flags().String("salvage", "", "new store to save into what can be read of the damaged one")
	c.RunE = func(c *cobra.Command, _ []string) error {
		if *salvage != "" {
			return saveWhatCanBeRead(c, *path, *file, *salvage)
		}
		if *file != "" {
			return usageError{errors.New("--store goes with --salvage: without it the config's store is looked at")}
		}
		cfg, err := loadConfig(c, *path)
		if err != nil {
			return err
		}
		if _, err := daemon.NewLab(cfg); err != nil {
			return usageError{err}
		}
		cl, clErr := localClient(&cfg.Daemon, *tokenFile)
		found := doctor.Examine(c.Context(), doctor.Case{
			Config: cfg, Path: *path,
			Ask: func(ctx context.Context, path string, out any) error {
				if clErr != nil {
					return clErr
				}
				err := cl.Do(ctx, http.MethodGet, path, nil, nil, out)
				if errors.Is(err, errKeptOut) {
					return fmt.Errorf("%w: %w", doctor.ErrRefused, err)
				}
				return err
			},
		})
		faults := 0
		for _, f := range found {
			if f.State == doctor.Fault {
				faults++
			}
		}
		if *asJSON {
			if err := printJSON(c.OutOrStdout(), found); err != nil {
				return err
			}
		} else {
			for _, f := range found {
				fmt.Fprintf(c.OutOrStdout(), "%-5v  %s: %s\n", f.State, f.About, f.Found)
				if f.Do != "" {
					fmt.Fprintf(c.OutOrStdout(), "       -> %s\n", f.Do)
				}
			}
		}
		if faults > 0 {
			if !*asJSON {
				fmt.Fprintf(c.ErrOrStderr(), "lidded: %d of %d findings keep the bench from working\n", faults, len(found))
			}
			return silentError{ExitFailed}
		}
		return nil
	}
	return c
}

// saveWhatCanBeRead salvages a store.
func saveWhatCanBeRead(c *cobra.Command, path, file, to string) error {
	from, keep, err := storePath(path, file)
	if err != nil {
		return err
	}
	counts, err := store.Salvage(c.Context(), from, to, store.Options{Archives: keep.Archive})
	if err != nil {
		return err
	}
	rows := [][]string{{"TABLE", "SAVED", "NOT READ"}}
	for _, n := range counts {
		rows = append(rows, []string{n.Table, strconv.FormatInt(n.Saved, 10), strconv.FormatInt(n.Lost, 10)})
	}
	if err := table(c.OutOrStdout(), rows...); err != nil {
		return err
	}
	fmt.Fprintf(c.OutOrStdout(), "%s: what could be read of %s. Compare it with the newest backup before going on with either.\n", to, from)
	return nil
}

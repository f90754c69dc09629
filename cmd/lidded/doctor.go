package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/daemon"
	"lidded/cmd/lidded/internal/doctor"
)

func doctorCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "doctor",
		Short: "find out why a bench is stuck, and what to do",
		Long: "Looks at config, daemon, disk, store, runs left over, sources left on, and the instruments:\n" +
			"whether they can be reached and who else holds them. It only looks and sends no command to\n" +
			"an instrument. Exit code 0: nothing keeps the bench from working; 1: something does; 2: the\n" +
			"config is wrong.",
		Args: none,
	}
	path := configFlag(c)
	tokenFile := tokenFlag(c)
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
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
				err := cl.do(ctx, http.MethodGet, path, nil, nil, out)
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
			return silentError{exitFailed}
		}
		return nil
	}
	return c
}

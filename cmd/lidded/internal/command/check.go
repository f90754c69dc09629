package command

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/daemon"
	"lidded/driver"
	"lidded/driver/instrument"
)

func checkCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "check",
		Short: "try every command of the dialects on the instruments, source never on",
		Long: "For each bench: who answers, every setting set, read back and compared, ranges, the end of a\n" +
			"sweep, the shape of a trace, and that the source is off. The source is never switched on.\n" +
			"Exit code 0: everything is as it should be; 1: something is not; 2: the config is wrong.",
		Args: none,
	}
	path := configFlag(c)
	only := c.Flags().String("bench", "", "only this bench")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		cfg, err := loadConfig(c, *path)
		if err != nil {
			return err
		}
		lab, err := daemon.NewLab(cfg)
		if err != nil {
			return usageError{err}
		}
		if *only != "" {
			if _, err := lab.Bench(*only); err != nil {
				return usageError{err}
			}
		}
		var all []instrument.Row
		for _, b := range cfg.Benches {
			if *only != "" && b.Name != *only {
				continue
			}
			rows, err := checkBench(c.Context(), lab, b.Name)
			if err != nil {
				return err
			}
			all = append(all, rows...)
		}
		if *asJSON {
			if err := printJSON(c.OutOrStdout(), all); err != nil {
				return err
			}
		} else {
			rows := [][]string{{"INSTRUMENT", "ITEM", "SENT", "READ BACK", "OK", "DETAIL"}}
			for _, r := range all {
				ok := "ok"
				if !r.OK {
					ok = "NO"
				}
				rows = append(rows, []string{r.Instrument, r.Item, brief(r.Sent), brief(r.ReadBack), ok, r.Detail})
			}
			if err := table(c.OutOrStdout(), rows...); err != nil {
				return err
			}
		}
		bad := 0
		for _, r := range all {
			if !r.OK {
				bad++
			}
		}
		if bad > 0 {
			fmt.Fprintf(c.ErrOrStderr(), "lidded: %d of %d checks failed\n", bad, len(all))
			return silentError{ExitFailed}
		}
		fmt.Fprintf(c.ErrOrStderr(), "all %d checks passed\n", len(all))
		return nil
	}
	return c
}

// checkBench checks both instruments. One that cannot be opened is a row too.
func checkBench(ctx context.Context, lab *daemon.Lab, name string) ([]instrument.Row, error) {
	b, err := lab.Bench(name)
	if err != nil {
		return nil, err
	}
	leave := func(*instrument.Spec) {}
	a, s, openErr := b.Open(ctx, leave, leave)
	var rows []instrument.Row
	var failed daemon.OpenError
	if e := (*daemon.OpenError)(nil); errors.As(openErr, &e) {
		failed = *e
	} else if openErr != nil {
		return nil, openErr
	}
	one := func(role string, in driver.Instrument, failed error) error {
		if failed != nil {
			rows = append(rows, instrument.Row{Instrument: name + "/" + role, Item: "identity", Detail: failed.Error()})
			return nil
		}
		defer in.Close()
		got, err := instrument.Check(ctx, in)
		rows = append(rows, got...)
		return errors.Join(err, in.Halt(ctx))
	}
	err = one("source", s, failed.Source)
	if aErr := one("analyzer", a, failed.Analyzer); err == nil {
		err = aErr
	}
	return rows, err
}

// brief shortens a reply for a table; nothing stays nothing.
func brief(s string) string {
	if s == "" {
		return "-"
	}
	return driver.Shorten(s)
}

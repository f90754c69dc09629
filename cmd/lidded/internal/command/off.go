package command

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"time"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/daemon"
	"lidded/driver/dialect"
	"lidded/driver/instrument"
)

const (
	askTimeout = 10 * time.Second // for a daemon that has to get a lost source back first
	offTimeout = 20 * time.Second // for the source itself
	offEvery   = 500 * time.Millisecond
)

func offCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "off",
		Short: "put every source into its safe state, now",
		Long: "Asks the daemon of the config to switch every source off; where no daemon answers, goes to\n" +
			"the sources itself. Succeeds only when each was read back as off.",
		Args: none,
	}
	path := configFlag(c)
	only := c.Flags().String("bench", "", "only this bench")
	c.Flags().String("listen", "", "address of the daemon, in place of daemon.listen")
	tokenFile := tokenFlag(c)
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
		var errs []error
		for _, b := range cfg.Benches {
			if *only != "" && b.Name != *only {
				continue
			}
			how, err := sourceOff(c.Context(), cfg, lab, b.Name, *tokenFile)
			if err != nil {
				errs = append(errs, fmt.Errorf("bench %s: %w: switch it off at the instrument", b.Name, err))
				continue
			}
			fmt.Fprintf(c.OutOrStdout(), "bench %s: source off, %s\n", b.Name, how)
		}
		return errors.Join(errs...)
	}
	return c
}

// sourceOff goes through the daemon, which owns the link, and by itself where
// none answers in time.
func sourceOff(ctx context.Context, cfg *config.Config, lab *daemon.Lab, bench, tokenFile string) (string, error) {
	asked, cancel := context.WithTimeout(ctx, askTimeout)
	cl, viaDaemon := localClient(&cfg.Daemon, tokenFile)
	if viaDaemon == nil {
		viaDaemon = cl.Do(asked, http.MethodPost, "/v1/benches/"+url.PathEscape(bench)+"/source-off", nil, nil, nil)
	}
	cancel()
	if viaDaemon == nil {
		return "read back by the daemon", nil
	}
	b, err := lab.Bench(bench)
	if err != nil {
		return "", err
	}
	spec, err := b.Spec(dialect.Source)
	if err != nil {
		return "", err
	}
	if err := makeSafe(ctx, spec); err != nil {
		return "", errors.Join(err, viaDaemon)
	}
	if errors.Is(viaDaemon, errNoDaemon) {
		return "read back here: no daemon answered", nil
	}
	return fmt.Sprintf("read back here: the daemon did not do it: %v", viaDaemon), nil
}

// makeSafe tries until the source is read back as off, or the time is over.
func makeSafe(ctx context.Context, spec instrument.Spec) error {
	ctx, cancel := context.WithTimeout(ctx, offTimeout)
	defer cancel()
	again := time.NewTicker(offEvery)
	defer again.Stop()
	for {
		err := instrument.MakeSafe(ctx, spec)
		if err == nil {
			return nil
		}
		select {
		case <-again.C:
		case <-ctx.Done():
			return err
		}
	}
}

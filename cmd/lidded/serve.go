package main

import (
	"errors"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/daemon"
)

func serveCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "serve",
		Short: "run the daemon: benches, page, REST, metrics, schedule",
		Long: "Runs the daemon until SIGTERM or Ctrl-C, which end it with every source off.\n" +
			"Before anything else each source is put into its safe state.\n" +
			"On loopback without tokens everybody on this computer may use it. Another address needs\n" +
			"daemon.web_config (certificate and key) and a token ('lidded token create').",
		Args: none,
	}
	path := configFlag(c)
	daemonFlags(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		cfg, err := loadConfig(c, *path)
		if err != nil {
			return err
		}
		log := newLogger(cfg.Daemon.Log, c.ErrOrStderr())
		defer func() { _ = log.Sync() }()
		o := daemon.Options{Software: software(), Logger: log}
		if cfg.Daemon.Guardian {
			if o.Guardian, err = guardianProgram(); err != nil {
				return err
			}
		}
		d, err := daemon.Open(c.Context(), cfg, o)
		if refused := (*daemon.AccessError)(nil); errors.As(err, &refused) {
			return usageError{err}
		}
		if err != nil {
			return err
		}
		done := notifyService(c.Context(), d.URL(), log.Named("service"))
		err = d.Serve(c.Context())
		done()
		if err != nil {
			return err
		}
		log.Info("ended", zap.String("sources", "off"))
		return nil
	}
	return c
}

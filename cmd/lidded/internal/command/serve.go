package command

import (
	"context"
	"errors"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/config"
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
		var guard []string
		if cfg.Daemon.Guardian {
			if guard, err = guardianProgram(); err != nil {
				return err
			}
		}
		return serveUntilDone(c, cfg, func(o daemon.Options) (server, error) {
			o.Guardian = guard
			return daemon.Open(c.Context(), cfg, o)
		}, zap.String("sources", "off"))
	}
	return c
}

// server is what is served: a daemon, or the lab.
type server interface {
	URL() string
	Serve(ctx context.Context) error
}

// serveUntilDone opens a server and serves until the command ends; ended is logged
// then.
func serveUntilDone(c *cobra.Command, cfg *config.Config, open func(daemon.Options) (server, error), ended ...zap.Field) error {
	log := newLogger(cfg.Daemon.Log, c.ErrOrStderr())
	defer func() { _ = log.Sync() }()
	s, err := open(daemon.Options{Software: software(), Logger: log})
	if refused := (*daemon.AccessError)(nil); errors.As(err, &refused) {
		return usageError{err}
	}
	if err != nil {
		return err
	}
	done := NotifyService(c.Context(), s.URL(), log.Named("service"))
	err = s.Serve(c.Context())
	done()
	if err != nil {
		return err
	}
	log.Info("ended", ended...)
	return nil
}

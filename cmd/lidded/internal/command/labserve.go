package command

import (
	"errors"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/daemon"
)

func labServeCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "serve",
		Short: "serve page and REST over all benches of the lab, without instruments",
		Long: "Serves what a daemon serves, over the records of all benches, read from PostgreSQL by a login in\n" +
			"lidded_read. A config with this is enough:\n\n" +
			"  lab:\n    dsn: postgres://USER@HOST:5432/DATABASE\n    daemons:\n      - {url: https://BENCH:7460, ca: bench-ca.pem}\n\n" +
			"Benches as they are now, plans and schedules come from those daemons, and orders go to them: with the\n" +
			"token of whoever asks, which therefore is to be let in at both, and never with another. A daemon that\n" +
			"is away is shown as away and keeps nobody waiting; the lab may be away, too, and is tried again.\n\n" +
			"Who comes in is decided as with 'lidded serve': everybody on loopback without tokens, and then no\n" +
			"token is passed on; elsewhere daemon.web_config and a token are needed.",
		Args: none,
	}
	path := configFlag(c)
	serverFlags(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		cfg, err := loadConfig(c, *path)
		if err != nil {
			return err
		}
		if cfg.Lab.DSN == "" {
			return usageError{errors.New("the config has no lab.dsn: write the lab's data source name there")}
		}
		return serveUntilDone(c, cfg, func(o daemon.Options) (server, error) { return daemon.OpenLab(cfg, o) })
	}
	return c
}

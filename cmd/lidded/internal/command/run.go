package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime/debug"
	"strings"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"lidded/cmd/lidded/internal/config"
	"lidded/driver/strict"
)

// Exit codes.
const (
	ExitOK     = 0
	ExitFailed = 1 // something went wrong, or the answer is no
	ExitUsage  = 2 // the command line or a file is wrong; nothing was done
)

// version is set by the linker in releases.
var version = "dev"

// software is the version that goes into evidence.
func software() string {
	if version != "dev" {
		return version
	}
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" && len(s.Value) >= 12 {
				return "dev+" + s.Value[:12]
			}
		}
	}
	return version
}

// usageError is a wrong command line.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

// silentError ends with a code after everything has been said.
type silentError struct{ code int }

func (silentError) Error() string { return "" }

// run is the whole program: it returns the exit code.
func Run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	root := Root()
	root.SetArgs(args)
	root.SetOut(stdout)
	root.SetErr(stderr)
	err := root.ExecuteContext(ctx)
	var silent silentError
	var usage usageError
	var wrong *strict.Problem // in a file
	switch {
	case err == nil:
		return ExitOK
	case errors.As(err, &silent):
		return silent.code
	case errors.As(err, &usage), errors.As(err, &wrong):
		fmt.Fprintln(stderr, "lidded:", err)
		return ExitUsage
	}
	fmt.Fprintln(stderr, "lidded:", err)
	return ExitFailed
}

func Root() *cobra.Command {
	root := &cobra.Command{
		Use:           "lidded",
		Short:         "measures the shielding effectiveness of RF-shielded boxes",
		Long:          "lidded measures how many decibels an RF-shielded box takes off, at which frequencies, and how surely.\nTry 'lidded demo' first: it needs no hardware.",
		SilenceErrors: true,
		SilenceUsage:  true,
		Version:       software(),
		Args:          knownCommand,
		RunE:          func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return usageError{fmt.Errorf("%w: see 'lidded %s --help'", err, strings.TrimPrefix(c.CommandPath(), "lidded "))}
	})
	root.AddGroup(
		&cobra.Group{ID: "work", Title: "The work:"},
		&cobra.Group{ID: "run", Title: "Runs of a daemon:"},
		&cobra.Group{ID: "data", Title: "Data:"},
	)
	add := func(group string, list ...*cobra.Command) {
		for _, c := range list {
			c.GroupID = group
			root.AddCommand(c)
		}
	}
	add("work", demoCommand(), serveCommand(), checkCommand(), planCommand(), expectCommand(), offCommand(), doctorCommand(), virtualCommand(), decibelCommand(), guideCommand())
	add("run", startCommand(), watchCommand(), runsCommand(), showCommand(), reportCommand(), releaseCommand(), steerCommand("stop", "end a run after the point in hand"), steerCommand("abort", "end a run at once, source off"), steerCommand("resume", "go on with an interrupted run"), benchesCommand(), exchangesCommand(), schedulesCommand())
	add("data", explainCommand(), trendCommand(), betweenCommand(), exportCommand(), keyingsCommand(), backupCommand(), restoreCommand(), archiveCommand(), pruneCommand(), importCommand(), tokenCommand(), labCommand(), dialectsCommand(), requirementsCommand(), neverCommand(), plansCommand(), exampleCommand())
	root.AddCommand(guardianCommand(), pagesCommand())
	return root
}

// knownCommand refuses what is no command, naming the nearest.
func knownCommand(c *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	msg := fmt.Sprintf("unknown command %q", args[0])
	if near := c.SuggestionsFor(args[0]); len(near) > 0 {
		msg += fmt.Sprintf(": did you mean %q?", near[0])
	} else {
		msg += ": 'lidded --help' lists them"
	}
	return usageError{errors.New(msg)}
}

// exactly is cobra.ExactArgs with a message that says what is wanted.
func exactly(names ...string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) != len(names) {
			return usageError{fmt.Errorf("%s needs %s: see '%s --help'", c.CommandPath(), strings.Join(names, " and "), c.CommandPath())}
		}
		return nil
	}
}

// none refuses arguments.
func none(c *cobra.Command, args []string) error {
	if len(args) > 0 {
		return usageError{fmt.Errorf("%s takes no argument, have %q: see '%s --help'", c.CommandPath(), args[0], c.CommandPath())}
	}
	return nil
}

// configFlag adds --config.
func configFlag(c *cobra.Command) *string {
	return c.Flags().StringP("config", "c", "lidded.yaml", "config file")
}

// daemonFlags adds the flags that win over the config file's daemon section.
func daemonFlags(c *cobra.Command) {
	serverFlags(c)
	c.Flags().String("store", "", "store file, in place of daemon.store")
}

// serverFlags add those that a lab server has, too.
func serverFlags(c *cobra.Command) {
	c.Flags().String("listen", "", "address of page, REST and metrics, in place of daemon.listen")
	c.Flags().String("log.format", "", "console or json, in place of daemon.log.format")
	c.Flags().String("log.level", "", "debug, info, warn or error, in place of daemon.log.level")
}

// loadConfig reads a config; a wrong one is a usage error.
func loadConfig(c *cobra.Command, path string) (*config.Config, error) {
	cfg, err := config.Load(path, c.Flags())
	if err != nil {
		return nil, usageError{err}
	}
	return cfg, nil
}

// newLogger makes the logger a config asks for.
func newLogger(l config.Log, to io.Writer) *zap.Logger {
	enc := zap.NewProductionEncoderConfig()
	enc.EncodeTime = zapcore.RFC3339NanoTimeEncoder
	enc.TimeKey = "time"
	encoder := zapcore.NewConsoleEncoder(enc)
	if l.Format == "json" {
		encoder = zapcore.NewJSONEncoder(enc)
	}
	level, err := zapcore.ParseLevel(l.Level)
	if err != nil {
		level = zapcore.InfoLevel
	}
	return zap.New(zapcore.NewCore(encoder, zapcore.Lock(zapcore.AddSync(to)), level))
}

package command

import (
	"context"
	"os"
	"runtime"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/daemon"
	"lidded/cmd/lidded/internal/guardian"
	"lidded/driver/instrument"
	"lidded/driver/link"
)

// guardianName is the hidden command that the daemon starts for each bench.
const GuardianName = "guardian"

func guardianCommand() *cobra.Command {
	return &cobra.Command{
		Use:    GuardianName,
		Short:  "stand by to switch a source off; started by the daemon",
		Hidden: true,
		Args:   none,
		RunE: func(c *cobra.Command, _ []string) error {
			// The end of the daemon must not end this process with it.
			return guardian.Serve(context.WithoutCancel(c.Context()), c.InOrStdin(), c.OutOrStdout(), guardian.Means{
				Source: guardedSource,
				Logger: func(j guardian.Job) *zap.Logger {
					return newLogger(config.Log{Format: j.Format, Level: j.Level}, c.ErrOrStderr())
				},
			})
		},
	}
}

// guardedSource is one try to put the source of a job into its safe state.
func guardedSource(j guardian.Job) (func(context.Context) error, error) {
	lib, err := daemon.Dialects(j.Dialects)
	if err != nil {
		return nil, err
	}
	d, err := lib.Get(j.Dialect)
	if err != nil {
		return nil, err
	}
	address, err := link.Parse(j.Address)
	if err != nil {
		return nil, err
	}
	spec := instrument.Spec{Name: j.Bench + "/source", Address: address, Dialect: d}
	return func(ctx context.Context) error { return instrument.MakeSafe(ctx, spec) }, nil
}

// guardianProgram is how this program starts itself as a guardian. Where it can,
// it names the program as it runs, not the file, which an upgrade may replace.
func guardianProgram() ([]string, error) {
	if runtime.GOOS == "linux" {
		return []string{"/proc/self/exe", GuardianName}, nil
	}
	exe, err := os.Executable()
	return []string{exe, GuardianName}, err
}

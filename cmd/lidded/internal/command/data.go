package command

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/daemon"
	"lidded/driver/unit"
	"lidded/store"
	"lidded/sweep"
	"lidded/sweep/handread"
	"lidded/sweep/report/export"
	"lidded/sweep/requirement"
)

// storeFlags adds --config and --store; one of them names the store.
func storeFlags(c *cobra.Command) (path, file *string) {
	path = configFlag(c)
	return path, c.Flags().String("store", "", "store file, in place of the config's")
}

// storePath is the store a command works on, and what the config says of keeping
// data.
func storePath(path, file string) (string, config.Keep, error) {
	if file != "" {
		return file, config.Keep{}, nil
	}
	cfg, err := config.Load(path, nil)
	if err != nil {
		return "", config.Keep{}, usageError{fmt.Errorf("%w; or name a store with --store", err)}
	}
	return cfg.Daemon.Store, cfg.Daemon.Keep, nil
}

// readStore opens the store a command reads.
func readStore(c *cobra.Command, path, file string) (*store.Store, error) {
	from, keep, err := storePath(path, file)
	if err != nil {
		return nil, err
	}
	return store.Open(c.Context(), from, store.Options{ReadOnly: true, Archives: keep.Archive})
}

// chosenRun is the run named, or for "latest" the newest.
func chosenRun(ctx context.Context, s *store.Store, name string) (sweep.RunID, error) {
	if name != "latest" {
		return sweep.RunID(name), nil
	}
	runs, err := s.Runs(ctx, sweep.RunFilter{Limit: 1})
	if err != nil {
		return "", err
	}
	if len(runs) == 0 {
		return "", fmt.Errorf("store %s has no run yet", s.Path())
	}
	return runs[0].ID, nil
}

func exportCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "export RUN|latest",
		Short: "write a run as tidy CSV with a JSON description",
		Long: "Writes one CSV file per table, with units in the column names, and a JSON description of every\n" +
			"column. A lower bound stands in a column of its own and never among the values.\n" +
			"Works beside a running daemon.",
		Args: exactly("a run (or latest)"),
	}
	path, file := storeFlags(c)
	to := c.Flags().StringP("to", "o", "", "folder, made if it is not there (default: the run's id)")
	traces := c.Flags().Bool("traces", false, "also every trace point")
	c.RunE = func(c *cobra.Command, args []string) error {
		ctx := c.Context()
		s, err := readStore(c, *path, *file)
		if err != nil {
			return err
		}
		defer s.Close()
		id, err := chosenRun(ctx, s, args[0])
		if err != nil {
			return err
		}
		b, err := daemon.BundleOf(ctx, s, id, *traces)
		if err != nil {
			return err
		}
		if b.Captures == nil {
			fmt.Fprintf(c.ErrOrStderr(), "lidded: captures and traces are left out: %v\n", daemon.TracesAway(ctx, s, id))
		}
		folder := *to
		if folder == "" {
			folder = string(id)
		}
		if err := os.MkdirAll(folder, 0o755); err != nil {
			return err
		}
		return export.Write(b, func(name string) (io.WriteCloser, error) {
			fmt.Fprintln(c.OutOrStdout(), filepath.Join(folder, name))
			return os.Create(filepath.Join(folder, name))
		})
	}
	return c
}

func importCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "import FILE.csv",
		Short: "take in levels read by hand, for an analyzer without a remote port",
		Long: "Reads levels from a CSV with the columns frequency, state (reference, enclosed,\n" +
			"closing_reference, ambient), level and noise_floor, and optionally specimen, position and\n" +
			"polarization, stores them as a run marked hand-read, and prints what they mean.",
		Args: exactly("a CSV file"),
	}
	path, file := storeFlags(c)
	line := c.Flags().String("requirement", "", "requirement line to judge against")
	operator := c.Flags().String("operator", os.Getenv("USER"), "who read the levels")
	bench := c.Flags().String("bench", "hand-read", "name for the bench")
	u := c.Flags().Float64("uncertainty-db", 1, "standard uncertainty of a level difference apart from noise, in dB")
	dry := c.Flags().Bool("dry-run", false, "only print, store nothing")
	c.RunE = func(c *cobra.Command, args []string) error {
		ctx := c.Context()
		in, err := os.Open(args[0])
		if err != nil {
			return usageError{err}
		}
		defer in.Close()
		sheet, err := handread.Parse(args[0], in)
		if err != nil {
			return usageError{err}
		}
		run := sweep.Run{
			ID: NewRunID(), Bench: sweep.Bench{Name: *bench, Uncertainty: unit.DB(*u)}, Operator: *operator, Trigger: "import",
			Software: software(), Created: time.Now().UTC(),
		}
		if *line != "" {
			lib, err := requirement.Builtin()
			if err != nil {
				return err
			}
			if run.Line, err = lib.Get(*line); err != nil {
				return usageError{err}
			}
		}
		run, captures := sheet.Run(run)
		if !*dry {
			to, _, err := storePath(*path, *file)
			if err != nil {
				return err
			}
			if err := keepImport(ctx, to, &run, captures); err != nil {
				return err
			}
			fmt.Fprintf(c.OutOrStdout(), "run %s\n\n", run.ID)
		}
		return daemon.Tables(c.OutOrStdout(), run, sweep.Evaluate(run, captures))
	}
	return c
}

// keepImport stores an imported run whole.
func keepImport(ctx context.Context, path string, run *sweep.Run, captures []sweep.Capture) (err error) {
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		return err
	}
	defer func() {
		if cerr := s.Close(); err == nil {
			err = cerr
		}
	}()
	for i := range captures {
		captures[i].ID = uuid.Must(uuid.NewV7()).String()
	}
	if err := s.Create(ctx, *run); err != nil {
		return err
	}
	now := time.Now().UTC()
	run.Started = &now
	if err := s.Begin(ctx, *run); err != nil {
		return err
	}
	if err := s.Commit(ctx, run.ID, sweep.Checkpoint{Step: len(run.Steps)}, captures...); err != nil {
		return err
	}
	run.State, run.Ended = sweep.Completed, &now
	return s.Transition(ctx, run.ID, now, sweep.Completed, "imported", run.Operator)
}

func NewRunID() sweep.RunID { return sweep.RunID(uuid.Must(uuid.NewV7()).String()) }

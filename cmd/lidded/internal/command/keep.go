package command

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/daemon"
	"lidded/store"
	"lidded/sweep"
)

// writeStore opens the store a command writes. A daemon on it is refused by the
// store, with the cure.
func writeStore(c *cobra.Command, path, file string) (*store.Store, config.Keep, error) {
	at, keep, err := storePath(path, file)
	if err != nil {
		return nil, keep, err
	}
	s, err := store.Open(c.Context(), at, store.Options{Archives: keep.Archive})
	return s, keep, err
}

func archiveCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "archive RUN|latest",
		Short: "copy a run, or all old ones, to archive files: stores of their own, checked",
		Long: "Copies a run that has ended to a file of its own, run-ID.db, compares the copy with the store\n" +
			"row by row, and records path and SHA-256 in the store. Nothing leaves the store. The file is a\n" +
			"store: every command reads it with --store. The daemon must not be running on the store.",
		Args: func(c *cobra.Command, args []string) error {
			if old := c.Flags().Changed("older-than"); old != (len(args) == 0) || len(args) > 1 {
				return usageError{errors.New("name one run (or latest), or say --older-than \"400 days\"")}
			}
			return nil
		},
	}
	path, file := storeFlags(c)
	to := c.Flags().StringP("to", "o", "", "folder (default: daemon.keep.archive of the config)")
	old := c.Flags().String("older-than", "", "all runs that ended longer ago than this, such as \"400 days\"")
	c.RunE = func(c *cobra.Command, args []string) error {
		var age config.Age
		if err := age.UnmarshalText([]byte(*old)); err != nil {
			return usageError{fmt.Errorf("--older-than: %w", err)}
		}
		s, keep, err := writeStore(c, *path, *file)
		if err != nil {
			return err
		}
		defer s.Close()
		folder := *to
		if folder == "" {
			folder = keep.Archive
		}
		if folder == "" {
			return usageError{errors.New("no folder: name one with --to, or as daemon.keep.archive in the config")}
		}
		ids, err := toArchive(c, s, args, age)
		if err != nil {
			return err
		}
		for _, id := range ids {
			a, err := s.Archive(c.Context(), id, folder)
			if err != nil {
				return err
			}
			fmt.Fprintf(c.OutOrStdout(), "%s  %s\n", a.SHA256, a.Path)
		}
		return s.Close()
	}
	return c
}

// toArchive lists the run named, or those older than an age that can be copied:
// ended, and with their traces in the store.
func toArchive(c *cobra.Command, s *store.Store, args []string, age config.Age) (ids []sweep.RunID, err error) {
	if len(args) == 1 {
		id, err := chosenRun(c.Context(), s, args[0])
		return []sweep.RunID{id}, err
	}
	runs, err := s.Runs(c.Context(), sweep.RunFilter{})
	if err != nil {
		return nil, err
	}
	for _, r := range runs {
		if !r.State.Final() || r.Ended == nil || time.Since(*r.Ended) <= time.Duration(age) {
			continue
		}
		_, pruned, err := s.Pruned(c.Context(), r.ID)
		if err != nil {
			return nil, err
		}
		if !pruned {
			ids = append(ids, r.ID)
		}
	}
	return ids, nil
}

func pruneCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "prune",
		Short: "let traces of old runs leave the store for archive files, by the config's rule",
		Long: "Applies daemon.keep of the config: copies each run that is due to an archive file, checks the\n" +
			"copy, lets its traces leave the store, and gives the disk back. Results, events and the ledger\n" +
			"stay; the newest run of each specimen, the newest completed one of each specimen and plan, and\n" +
			"what has not ended keep their traces; with a lab, so do old runs that it does not have yet. A running daemon does this itself once a day; this is for\n" +
			"when none runs. --dry-run only shows what would go, beside a daemon too.",
		Args: none,
	}
	path := configFlag(c)
	dry := c.Flags().Bool("dry-run", false, "only show what would go")
	asJSON := c.Flags().Bool("json", false, "with --dry-run: print JSON in place of a table")
	c.RunE = func(c *cobra.Command, _ []string) error {
		if *asJSON && !*dry {
			return usageError{errors.New("--json goes with --dry-run")}
		}
		cfg, err := loadConfig(c, *path)
		if err != nil {
			return err
		}
		rule := cfg.Daemon.Keep
		if *asJSON && !rule.Asked() {
			return printGoingJSON(c.OutOrStdout(), nil)
		}
		if !rule.Asked() {
			fmt.Fprintf(c.OutOrStdout(), "nothing leaves the store: daemon.keep in %s says neither traces nor largest\n", *path)
			return nil
		}
		s, err := store.Open(c.Context(), cfg.Daemon.Store, store.Options{ReadOnly: *dry, Archives: rule.Archive})
		if err != nil {
			return err
		}
		defer s.Close()
		due, err := daemon.DueToGo(c.Context(), s, rule, daemon.Shipped(cfg.Lab, s), time.Now())
		if err != nil {
			return err
		}
		w := c.OutOrStdout()
		if *asJSON {
			return printGoingJSON(w, due.Going)
		}
		if err := printGoing(w, due.Going); err != nil {
			return err
		}
		if due.Above > 0 {
			fmt.Fprintf(w, "the store stays %s larger than %v: what is left must stay\n", megabytes(due.Above), rule.Largest)
		}
		if due.Wait > 0 {
			fmt.Fprintf(w, "the traces of %d more runs are old enough, and stay until the lab has them\n", due.Wait)
		}
		if *dry || len(due.Going) == 0 {
			return nil
		}
		for _, g := range due.Going {
			a, err := daemon.LetGo(c.Context(), s, g, rule.Archive, "prune", software())
			if err != nil {
				return err
			}
			fmt.Fprintf(w, "%s  %s\n", a.SHA256, a.Path)
		}
		before, err := s.Size()
		if err != nil {
			return err
		}
		if err := s.Shrink(c.Context()); err != nil {
			return err
		}
		after, err := s.Size()
		if err != nil {
			return err
		}
		fmt.Fprintf(w, "the store took %s and takes %s\n", megabytes(before), megabytes(after))
		return s.Close()
	}
	return c
}

func printGoingJSON(w io.Writer, list []daemon.Going) error {
	type going struct {
		Run    string     `json:"run"`
		Bench  string     `json:"bench"`
		Plan   string     `json:"plan"`
		State  string     `json:"state"`
		Ended  *time.Time `json:"ended,omitempty"`
		Traces int64      `json:"traces_bytes"`
		Why    string     `json:"reason"`
	}
	out := make([]going, 0, len(list))
	for _, g := range list {
		out = append(out, going{string(g.Run.ID), g.Run.Bench, g.Run.Plan, g.Run.State.String(), g.Run.Ended, g.Bytes, g.Rule})
	}
	return printJSON(w, out)
}

func printGoing(w io.Writer, list []daemon.Going) error {
	if len(list) == 0 {
		fmt.Fprintln(w, "no traces are due to leave the store")
		return nil
	}
	var sum int64
	rows := [][]string{{"RUN", "ENDED (UTC)", "BENCH", "PLAN", "STATE", "TRACES", "WHY"}}
	for _, g := range list {
		ended := "-"
		if g.Run.Ended != nil {
			ended = g.Run.Ended.UTC().Format("2006-01-02 15:04")
		}
		sum += g.Bytes
		rows = append(rows, []string{string(g.Run.ID), ended, g.Run.Bench, g.Run.Plan, g.Run.State.String(), megabytes(g.Bytes), g.Rule})
	}
	if err := table(w, rows...); err != nil {
		return err
	}
	fmt.Fprintf(w, "%d runs, %s of traces\n", len(list), megabytes(sum))
	return nil
}

func megabytes(n int64) string { return strconv.FormatFloat(float64(n)/1e6, 'f', 1, 64) + " MB" }

func restoreCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "restore FILE",
		Short: "make a store of a backup, or bring the traces of an archived run back",
		Long: "With --to: checks a backup (its .sha256 where there is one, every page, the version) and makes a\n" +
			"store of it. What is there is never overwritten, and a daemon must not be running on it. A run\n" +
			"that went on at the time of the backup is interrupted: 'lidded resume' goes on with it.\n" +
			"Without --to: brings a run back from an archive file into the store, its traces or all of it,\n" +
			"after comparing the file's SHA-256 with what the store recorded.",
		Args: exactly("a backup, or an archive file"),
	}
	path, file := storeFlags(c)
	to := c.Flags().String("to", "", "store to make of the backup, which must not be there")
	c.RunE = func(c *cobra.Command, args []string) error {
		w := c.OutOrStdout()
		if *to != "" {
			last, err := store.Restore(c.Context(), args[0], *to, store.Options{})
			if err != nil {
				return err
			}
			fmt.Fprintf(w, "%s: restored from %s\n", *to, args[0])
			if !last.Time.IsZero() {
				fmt.Fprintf(w, "It ends with %s UTC (%s). What was done later, keyings too, is not in it.\n", last.Time.UTC().Format("2006-01-02 15:04:05"), last.Kind)
			}
			return nil
		}
		s, _, err := writeStore(c, *path, *file)
		if err != nil {
			return err
		}
		defer s.Close()
		ids, err := s.BringBack(c.Context(), args[0])
		if err != nil {
			return err
		}
		for _, id := range ids {
			fmt.Fprintf(w, "run %s is back from %s\n", id, filepath.Base(args[0]))
		}
		return s.Close()
	}
	return c
}

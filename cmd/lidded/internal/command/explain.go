package command

import (
	"errors"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/daemon"
	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/specimens"
	"lidded/driver/unit"
	"lidded/sweep/explain"
	"lidded/sweep/wall"
)

func explainCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "explain RUN|latest",
		Short: "set a run beside what its boxes should do: agreement, hypotheses, code, inference",
		Long: "Says region by region whether a run agrees with what the box should do, and where it does not, what\n" +
			"may be behind it, on what evidence, and what to measure next to tell. Gives the protection code of\n" +
			"IEC 61000-5-7 and what may be said between and beyond the points. Works beside a running daemon.",
		Args: exactly("a run (or latest)"),
	}
	path, file := storeFlags(c)
	f := c.Flags()
	only := f.StringSlice("specimen", nil, "specimen, may be repeated (default: all of the run)")
	made := f.String("made-of", "", "description of the specimen, in place of the config's")
	at := f.StringSlice("at", nil, "further frequency to infer the SE at, may be repeated")
	pulse := f.Bool("pulse", false, "follow the early-time pulse of IEC 61000-2-9 through the measured curve")
	picture := f.String("plot", "", "draw a picture of one specimen: a file whose name ends in .png or .svg")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		options, err := explainOptions(*at, *pulse)
		if err != nil {
			return usageError{err}
		}
		shelf, err := makings(*path, *made, c.Flags().Changed("config"))
		if err != nil {
			return usageError{err}
		}
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
		b, err := daemon.BundleOf(ctx, s, id, false)
		if err != nil {
			return err
		}
		run := b.Run
		names := *only
		if len(names) == 0 {
			names = explain.Specimens(run)
		}
		if *picture != "" && len(names) != 1 {
			return usageError{fmt.Errorf("--plot draws one specimen: name it with --specimen, one of %v", names)}
		}
		var all []explain.Explanation
		for _, n := range names {
			x, err := explain.Of(run, b.Evaluation, n, shelf(n), options)
			if err != nil {
				return err
			}
			all = append(all, x)
		}
		if *picture != "" {
			made := shelf(names[0])
			if made == nil {
				made = explain.Made(run, names[0])
			}
			if err := drawFile(*picture, outlookFor(all[0], made), all[0].Points); err != nil {
				return err
			}
		}
		return printExplanations(c, all, *asJSON)
	}
	return c
}

func printExplanations(c *cobra.Command, all []explain.Explanation, asJSON bool) error {
	if asJSON {
		out := make([]rest.Explanation, len(all))
		for i, x := range all {
			out[i] = rest.ExplanationOf(x)
		}
		return printJSON(c.OutOrStdout(), out)
	}
	for i, x := range all {
		if i > 0 {
			fmt.Fprintln(c.OutOrStdout())
		}
		if err := x.Text(c.OutOrStdout()); err != nil {
			return err
		}
	}
	return nil
}

// outlookFor is the expectation over the measured range, on a grid fine enough
// for a picture; without a model there is none.
func outlookFor(x explain.Explanation, m *wall.Model) explain.Outlook {
	if m == nil || x.Outlook == nil || len(x.Points) == 0 {
		return explain.Outlook{Specimen: x.Specimen}
	}
	var fields []wall.Field
	lo, hi := x.Points[0].Freq, x.Points[0].Freq
	for _, c := range x.Outlook.Curves {
		fields = append(fields, c.Field)
	}
	for _, p := range x.Points {
		lo, hi = min(lo, p.Freq), max(hi, p.Freq)
	}
	return explain.Expect(m, fields, explain.Range(lo, hi, 60))
}

func explainOptions(at []string, pulse bool) (explain.Options, error) {
	o := explain.Options{Pulse: pulse}
	for _, s := range at {
		f, err := unit.ParseHz(s)
		if err != nil {
			return o, fmt.Errorf("--at: %w", err)
		}
		o.At = append(o.At, f)
	}
	return o, nil
}

// makings finds how specimens are made: by --made-of for all of them, else by
// the config, which need not be there unless it was asked for.
func makings(path, made string, asked bool) (func(specimen string) *wall.Model, error) {
	if made != "" {
		k, err := specimens.Find(made)
		return func(string) *wall.Model { return k.Model }, err
	}
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) && !asked {
		return func(string) *wall.Model { return nil }, nil
	}
	cfg, err := config.Load(path, nil)
	if err != nil {
		return nil, err
	}
	shelf, err := specimens.Of(cfg)
	if err != nil {
		return nil, err
	}
	return shelf.Model, nil
}

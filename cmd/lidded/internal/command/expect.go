package command

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/chart"
	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/specimens"
	"lidded/driver/unit"
	"lidded/sweep/explain"
	"lidded/sweep/report/plain"
	"lidded/sweep/wall"
)

func expectCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "expect SPECIMEN",
		Short: "show what a box should do by what it is made of; no hardware",
		Long: "Prints the expected shielding effectiveness as a band over frequency, and where the models behind it\n" +
			"hold. SPECIMEN is a file that describes walls, lid and openings, a specimen of the config, or one of\n" +
			"the shipped examples. Where the models do not hold the band is marked as a guess.",
		Args: exactly("a specimen (a file or a name)"),
	}
	path := configFlag(c)
	f := c.Flags()
	field := f.String("field", "", "magnetic, electric or plane wave (default: all)")
	from := f.String("from", "10 kHz", "lowest frequency")
	to := f.String("to", "10 GHz", "highest frequency")
	perDecade := f.Int("per-decade", 5, "frequencies in a decade")
	asCSV := f.Bool("csv", false, "print CSV in place of tables")
	asJSON := jsonFlag(c)
	picture := f.String("plot", "", "draw a picture: a file whose name ends in .png or .svg")
	pulse := f.Bool("pulse", false, "follow the early-time pulse of IEC 61000-2-9 through the expected band")
	c.RunE = func(c *cobra.Command, args []string) error {
		known, err := findSpecimen(args[0], *path, c.Flags().Changed("config"))
		if err != nil {
			return usageError{err}
		}
		fields, freqs, err := asked(*field, *from, *to, *perDecade)
		if err != nil {
			return usageError{err}
		}
		o := explain.Expect(known.Model, fields, freqs)
		if *pulse {
			if err := o.WithPulse(known.Model); err != nil {
				return err
			}
		}
		if *picture != "" {
			// a picture wants a finer grid than a table
			fine := explain.Expect(known.Model, fields, explain.Range(freqs[0], freqs[len(freqs)-1], max(40, *perDecade)))
			if err := drawFile(*picture, fine, nil); err != nil {
				return err
			}
		}
		switch {
		case *asJSON:
			return printJSON(c.OutOrStdout(), rest.ExpectationOf(o))
		case *asCSV:
			return o.CSV(c.OutOrStdout())
		}
		if err := o.Text(c.OutOrStdout()); err != nil {
			return err
		}
		_, err = fmt.Fprintf(c.OutOrStdout(), "\nin plain words: %s; %s. %s\n", "40 dB lets "+plain.Left(40)+" in", "60 dB "+plain.Left(60), plain.Rule)
		return err
	}
	return c
}

// asked reads which fields and frequencies are wanted.
func asked(field, from, to string, perDecade int) ([]wall.Field, []unit.Hz, error) {
	var fields []wall.Field
	if field != "" {
		f, err := wall.ParseField(field)
		if err != nil {
			return nil, nil, fmt.Errorf("--field: %w", err)
		}
		fields = []wall.Field{f}
	}
	lo, err := unit.ParseHz(from)
	if err != nil {
		return nil, nil, fmt.Errorf("--from: %w", err)
	}
	hi, err := unit.ParseHz(to)
	if err != nil {
		return nil, nil, fmt.Errorf("--to: %w", err)
	}
	switch {
	case !(lo > 0) || hi <= lo:
		return nil, nil, fmt.Errorf("--to: %v is not above --from (%v), or that is not above zero", hi, lo)
	case perDecade < 1 || perDecade > 1000:
		return nil, nil, fmt.Errorf("--per-decade: %d: need 1 to 1000", perDecade)
	}
	return fields, explain.Range(lo, hi, perDecade), nil
}

// findSpecimen finds a description by the path of a file, the name of a
// specimen of the config, or of one that ships. A config that was not asked
// for need not be there.
func findSpecimen(name, path string, asked bool) (specimens.Known, error) {
	if _, err := os.Stat(path); err == nil || asked {
		cfg, err := config.Load(path, nil)
		if err != nil {
			return specimens.Known{}, err
		}
		if _, ok := cfg.Specimen(name); ok {
			shelf, err := specimens.Of(cfg)
			if err != nil {
				return specimens.Known{}, err
			}
			k, ok := shelf.Get(name)
			if !ok || k.Model == nil {
				return specimens.Known{}, fmt.Errorf("%s does not say how specimen %s is made: give made_of, a file or one of the shipped %v", path, name, specimens.Shipped())
			}
			return k, nil
		}
	}
	return specimens.Find(name)
}

// drawFile writes a picture; what was there before stays until it is whole.
func drawFile(file string, o explain.Outlook, points []wall.Point) error {
	format, err := chart.FormatOf(file)
	if err != nil {
		return usageError{fmt.Errorf("--plot: %w", err)}
	}
	part, err := os.CreateTemp(filepath.Dir(file), ".part-*"+filepath.Ext(file))
	if err != nil {
		return fmt.Errorf("write picture: %w", err)
	}
	defer os.Remove(part.Name()) // gone already when all went well
	if err := errors.Join(chart.Draw(part, format, o, points), part.Chmod(0o644), part.Close()); err != nil {
		return fmt.Errorf("write picture: %w", err)
	}
	if err := os.Rename(part.Name(), file); err != nil {
		return fmt.Errorf("write picture: %w", err)
	}
	return nil
}

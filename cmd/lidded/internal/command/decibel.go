package command

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"lidded/sweep/report/plain"
)

func decibelCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "decibel 37|1/100",
		Short: "say decibels in plain words, and what is left as decibels",
		Long:  "Converts both ways: decibels (37, \"37 dB\") into what is left of a field and of its power; what is\nleft (1/100, \"1 %\", 0.01) into decibels, of a field unless --power says otherwise.",
		Args:  exactly("decibels, or what is left"),
	}
	ofField := c.Flags().Bool("field", false, "what is left is of a field (the default)")
	ofPower := c.Flags().Bool("power", false, "what is left is of a power")
	peak := c.Flags().Float64("pulse", 0, "peak of a pulse in V/m: say what remains of it")
	c.RunE = func(c *cobra.Command, args []string) error {
		if *ofField && *ofPower {
			return usageError{errors.New("--field and --power: the same fraction is one or the other")}
		}
		kind, what := plain.OfField, "field"
		if *ofPower {
			kind, what = plain.OfPower, "power"
		}
		d, decibels, err := plain.Parse(args[0], kind)
		if err != nil {
			return usageError{err}
		}
		w := c.OutOrStdout()
		if !decibels {
			fmt.Fprintf(w, "%s of the %s is %.1f dB\n", args[0], what, float64(d))
		}
		fmt.Fprintf(w, "%.1f dB: %s\n%s\n", float64(d), plain.Left(d), plain.Rule)
		if *peak > 0 {
			fmt.Fprintln(w, plain.Pulse(d, *peak))
		}
		return nil
	}
	return c
}

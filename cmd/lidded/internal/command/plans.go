package command

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"lidded/driver/unit"
	"lidded/sweep/practice"
)

func plansCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "plans",
		Short: "list the plans after standards that a config can take over",
		Long: "Lists the frequency sets of the standards that ship with lidded, with what each is for. In a\n" +
			"config, 'preset: NAME' takes one over; level and rbw are yours. 'lidded plans show NAME' prints one\n" +
			"to copy. Values from memory say so: check them against your copy of the standard.",
		Args: none,
	}
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		lib, err := practice.Builtin()
		if err != nil {
			return err
		}
		if *asJSON {
			return printJSON(c.OutOrStdout(), presetsOf(lib))
		}
		rows := [][]string{{"PRESET", "FROM", "SIZE", "FREQUENCIES", "HEADROOM", "CAUTION"}}
		for _, p := range presetsOf(lib) {
			rows = append(rows, []string{p.Name, p.Source, p.Size, fmt.Sprintf("%d, %v to %v", p.Points, p.low, p.high), unit.DB(p.Headroom).String(), p.Caution})
		}
		return table(c.OutOrStdout(), rows...)
	}
	c.AddCommand(plansShowCommand())
	return c
}

// presetRow is a preset in a listing.
type presetRow struct {
	Name     string  `json:"name"`
	About    string  `json:"about"`
	Source   string  `json:"source"`
	Size     string  `json:"size"`
	Points   int     `json:"points"`
	Low      float64 `json:"from_hz"`
	High     float64 `json:"to_hz"`
	Headroom float64 `json:"headroom_db"`
	Caution  string  `json:"caution,omitempty"`

	low, high unit.Hz
}

func presetsOf(lib *practice.Library) []presetRow {
	var out []presetRow
	for _, p := range lib.Presets() {
		r := presetRow{Name: p.Name, About: p.About, Source: p.Practice.Source(), Size: p.Practice.Size.String(), Caution: p.Practice.Caution()}
		if p.Headroom != nil {
			r.Headroom = float64(*p.Headroom)
		}
		for _, b := range p.Bands {
			for _, f := range b.Freqs {
				if r.Points == 0 {
					r.low, r.high = f, f
				}
				r.low, r.high = min(r.low, f), max(r.high, f)
				r.Points++
			}
		}
		r.Low, r.High = float64(r.low), float64(r.high)
		out = append(out, r)
	}
	return out
}

func plansShowCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "show PRESET",
		Short: "print a preset as a plan to copy into a config",
		Args:  exactly("a preset"),
		RunE: func(c *cobra.Command, args []string) error {
			lib, err := practice.Builtin()
			if err != nil {
				return err
			}
			p, err := lib.Get(args[0])
			if err != nil {
				return usageError{err}
			}
			_, err = io.WriteString(c.OutOrStdout(), p.Item())
			return err
		},
	}
}

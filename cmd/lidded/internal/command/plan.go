package command

import (
	"fmt"
	"io"
	"math"
	"time"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/daemon"
	"lidded/cmd/lidded/internal/rest"
	"lidded/driver/unit"
	"lidded/sweep"
)

func planCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "plan [PLAN]",
		Short: "show what a plan would do on a bench: points, time, range; no hardware",
		Long: "Prints the steps, the points in order, the time and the dynamic range expected from what\n" +
			"the config states of the bench, and refuses what the bench cannot or may not do.",
		Args: cobra.MaximumNArgs(1),
	}
	path := configFlag(c)
	bench := c.Flags().String("bench", "", "bench (default: the only one)")
	specimens := c.Flags().StringSlice("specimen", nil, "specimen, may be repeated (default: all)")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		cfg, err := loadConfig(c, *path)
		if err != nil {
			return err
		}
		lab, err := daemon.NewLab(cfg)
		if err != nil {
			return usageError{err}
		}
		name := ""
		if len(args) > 0 {
			name = args[0]
		}
		on, err := lab.On(name, *bench, *specimens)
		if err != nil {
			return usageError{err}
		}
		if *asJSON {
			if err := printJSON(c.OutOrStdout(), rest.OutlookOf(on)); err != nil {
				return err
			}
		} else if err := printPlan(c.OutOrStdout(), on); err != nil {
			return err
		}
		if len(on.Refusals) > 0 {
			for _, p := range on.Refusals {
				fmt.Fprintf(c.ErrOrStderr(), "lidded: refused: %v\n", p)
			}
			return silentError{ExitFailed}
		}
		return nil
	}
	return c
}

func printPlan(w io.Writer, on rest.PlanOn) error {
	p, e := on.Plan, on.Estimate
	fmt.Fprintf(w, "plan %s on bench %s: %v capture, %d points, %d specimens\n", p.Name, on.Bench, p.Capture, len(p.Points), len(on.Specimens))
	if p.Capture == sweep.Linked {
		fmt.Fprintln(w, goal(p))
	}
	fmt.Fprintf(w, "time about %v, without waiting at hold points; source on for about %v of it\n", about(e.Total), about(e.KeyedTime))
	if p.Capture == sweep.Sealed {
		fmt.Fprintf(w, "sealed: one sweep takes %v, the source stays %v on each point\n", about(e.SweepTime), about(e.Dwell))
	}
	fmt.Fprintln(w)
	rows := [][]string{{"STEP", "WHAT", "SPECIMEN", "POSITION", "POLARIZATION", "TIME"}}
	for i, s := range on.Steps {
		t := about(e.StepTimes[i]).String()
		if s.Kind == sweep.HoldPoint {
			t = "waits"
		}
		rows = append(rows, []string{fmt.Sprint(i), stepText(s), dash(s.At.Specimen), s.At.Position, string(s.At.Polarization), t})
	}
	if err := table(w, rows...); err != nil {
		return err
	}
	fmt.Fprintln(w)
	rows = [][]string{{"POINT", "FREQUENCY", "LEVEL", "RBW", "SPAN", "REFERENCE", "NOISE FLOOR", "RANGE", "PROVES", "REQUIRED", "NOTE"}}
	for i, q := range p.Points {
		f := e.Points[i]
		required := "-"
		if f.Required != nil {
			required = f.Required.String()
		}
		rows = append(rows, []string{
			fmt.Sprint(i), q.Freq.String(), q.Level.String(), rbws(q, f), rounded(q.Span), f.Reference.String(), f.NoiseFloor.String(),
			f.DynamicRange.String(), "≥ " + f.Provable.String(), required, f.Note,
		})
	}
	if err := table(w, rows...); err != nil {
		return err
	}
	if err := printExposure(w, e.Exposure); err != nil {
		return err
	}
	fmt.Fprintln(w)
	for _, note := range on.Warnings {
		fmt.Fprintln(w, "note:", note)
	}
	fmt.Fprintln(w, "note: PROVES is the median bound when the signal is gone, from the path loss and noise figure the config states")
	return nil
}

// stepText says what a step does: its kind, what is fitted for it, and how many
// points it looks at where not at all.
func stepText(s sweep.Step) string {
	text := s.Kind.String()
	switch {
	case s.Fitting == sweep.FittedAsUsed:
	case s.Lower > 0:
		text += fmt.Sprintf(" (%v, %v)", s.Fitting, s.Lower)
	default:
		text += fmt.Sprintf(" (%v)", s.Fitting)
	}
	if n := len(s.Only); n > 0 {
		text += fmt.Sprintf(", %d points", n)
	}
	return text
}

// goal says how the points of a linked plan are captured and when one is done.
func goal(p sweep.Plan) string {
	if p.Strategy != sweep.Adaptive {
		return "strategy fixed: every point with the settings below"
	}
	s := "strategy adaptive, narrower as needed: "
	switch p.Stop {
	case sweep.StopVerdict:
		s += "a point is done when the verdict of " + p.Requirement + " is sure"
	case sweep.StopReach:
		s += fmt.Sprintf("a point is done when %v are proven or less is measured", p.Reach)
	default:
		s += "as far as the time goes"
	}
	if p.Budget > 0 {
		s += fmt.Sprintf(", at most %v a point", p.Budget)
	}
	if p.RunBudget > 0 {
		s += fmt.Sprintf(", at most %v for all enclosed points", p.RunBudget)
	}
	return s
}

// rbws is the RBW of a point and, where a narrower one should be needed to prove
// what is wanted, that.
func rbws(q sweep.Point, f sweep.Forecast) string {
	if f.RBW == 0 || f.RBW >= q.RBW {
		return q.RBW.String()
	}
	return q.RBW.String() + " to " + f.RBW.String()
}

// printExposure prints what is radiated and how far away people are kept.
func printExposure(w io.Writer, o *sweep.ExposureOutlook) error {
	if o == nil {
		return nil
	}
	l := o.Rule.Limits
	fmt.Fprintf(w, "\nradiated: %v amplifier, %v cable loss, %v antenna; limits %s (%s, values %v), ground reflection %g\n\n",
		o.Chain.Amplifier, o.Chain.Cable, o.Chain.AntennaGain, l.Name, l.Source, l.Mark, o.Rule.Ground)
	rows := [][]string{{"POINT", "FREQUENCY", "EIRP", "FIELD AT 1 m", "LIMIT", "DISTANCE", "FORMULA HOLDS FROM", "NOTE"}}
	for i, e := range o.Points {
		limit, distance, note := "-", "-", "the table has no limit here"
		if e.Limit != nil {
			limit, distance, note = fmt.Sprintf("%.3g W/m²", *e.Limit), fmt.Sprintf("%.2f m", math.Ceil(e.Distance*100)/100), ""
		}
		if e.NearField() {
			note = "near field"
		}
		rows = append(rows, []string{fmt.Sprint(i), e.Freq.String(), e.EIRP.String(), fmt.Sprintf("%.3g V/m", e.FieldAt1m), limit, distance, fmt.Sprintf("%.2f m", e.FarField), note})
	}
	if err := table(w, rows...); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "\ncaution: %s\n", o.Caution)
	return err
}

// rounded prints a frequency with four digits.
func rounded(f unit.Hz) string {
	if f == 0 {
		return f.String()
	}
	k := math.Pow(10, math.Floor(math.Log10(float64(f)))-3)
	return unit.Hz(math.Round(float64(f)/k) * k).String()
}

// about rounds a duration to what a person needs.
func about(d time.Duration) time.Duration {
	switch {
	case d >= time.Minute:
		return d.Round(time.Second)
	case d >= time.Second:
		return d.Round(100 * time.Millisecond)
	}
	return d.Round(100 * time.Microsecond)
}

func dash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

package command

import (
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"lidded/driver/virtual"
)

func virtualCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "virtual",
		Short: "run a virtual bench: an analyzer and a source that speak SCPI",
		Long: "Starts a simulated analyzer and source in one radio world, each a SCPI server on loopback\n" +
			"TCP (and, with --pty, on a pseudo-terminal), and a control socket for the operator's hands:\n" +
			"place, enclose, open, fault and the like, one command a line. Runs until Ctrl-C.",
		Args: none,
	}
	f := c.Flags()
	world := f.String("world", "depot", "radio world: depot, thin, shared, or a YAML file")
	seed := f.Uint64("seed", 1, "of all noise")
	scale := f.Float64("time-scale", 1, "simulated seconds in a real one")
	analyzer := f.String("analyzer", "127.0.0.1:5025", "listening address of the analyzer; none for no TCP")
	source := f.String("source", "127.0.0.1:5026", "listening address of the source; none for no TCP")
	control := f.String("control", "127.0.0.1:5020", "listening address of the control socket; empty for none")
	analyzerTraits := f.String("analyzer-traits", "modern-opc", "how the analyzer speaks: "+strings.Join(virtual.TraitPresets(), ", ")+", or a YAML file")
	sourceTraits := f.String("source-traits", "source-scpi", "how the source speaks; as --analyzer-traits")
	pty := f.Bool("pty", false, "open a pseudo-terminal for each instrument too")
	c.RunE = func(c *cobra.Command, _ []string) error {
		cfg := virtual.Config{Seed: *seed, TimeScale: *scale, Control: *control}
		var err error
		if cfg.World, err = worldNamed(*world); err != nil {
			return usageError{err}
		}
		cfg.Analyzer = virtual.InstrumentConfig{Listen: *analyzer, PTY: *pty}
		cfg.Source = virtual.InstrumentConfig{Listen: *source, PTY: *pty}
		if cfg.Analyzer.Traits, err = traitsNamed(*analyzerTraits, virtual.RoleAnalyzer); err != nil {
			return usageError{err}
		}
		if cfg.Source.Traits, err = traitsNamed(*sourceTraits, virtual.RoleSource); err != nil {
			return usageError{err}
		}
		b, err := virtual.Start(c.Context(), cfg)
		if err != nil {
			return err
		}
		printVirtual(c.OutOrStdout(), b)
		<-c.Context().Done()
		return b.Close()
	}
	return c
}

func printVirtual(w io.Writer, b *virtual.Bench) {
	for _, r := range [][2]string{
		{"analyzer", b.AnalyzerAddr()}, {"source", b.SourceAddr()}, {"control", b.ControlAddr()},
		{"analyzer-pty", b.AnalyzerPTY()}, {"source-pty", b.SourcePTY()},
	} {
		if r[1] != "" {
			fmt.Fprintf(w, "%s %s\n", r[0], r[1])
		}
	}
	fmt.Fprintln(w, "ready")
}

// isFile reports whether a name given for a preset or a file is a file.
func isFile(name string) bool {
	info, err := os.Stat(name)
	return err == nil && info.Mode()&fs.ModeType == 0
}

func worldNamed(name string) (*virtual.World, error) {
	if isFile(name) {
		return virtual.Load(name)
	}
	return virtual.Preset(name)
}

func traitsNamed(name string, role virtual.Role) (virtual.Traits, error) {
	if isFile(name) {
		return virtual.LoadTraits(name, role)
	}
	return virtual.TraitPreset(name)
}

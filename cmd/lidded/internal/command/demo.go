package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/daemon"
	"lidded/cmd/lidded/internal/rest"
	"lidded/configs"
	"lidded/driver/virtual"
	"lidded/sweep"
	"lidded/sweep/report/text"
)

func demoCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "demo",
		Short: "run the whole job on a virtual bench: no hardware needed",
		Long: "Starts a virtual analyzer and source (SCPI servers on loopback TCP), the daemon, and one run:\n" +
			"a river-rescue depot qualifies the lockers that keep its spare radios. Prints a table and a\n" +
			"verdict for each locker and keeps serving until Ctrl-C.",
		Args: none,
	}
	f := c.Flags()
	once := f.Bool("once", false, "exit when the run has ended")
	seed := f.Uint64("seed", 1, "of all noise: another seed, other noise, the same conclusions")
	listen := f.String("listen", "", "address of page, REST and metrics (default "+config.DefaultListen+", or a free port if that is taken)")
	store := f.String("store", "", "store file (default: a temporary one, removed at the end)")
	serial := f.Bool("serial", false, "speak to both instruments over serial lines (pseudo-terminals) in place of TCP")
	verbose := f.Bool("verbose", false, "show the daemon's log")
	c.RunE = func(c *cobra.Command, _ []string) error {
		return demo{w: c.OutOrStdout(), log: c.ErrOrStderr(), once: *once, seed: *seed, listen: *listen, store: *store, verbose: *verbose, serial: *serial}.run(c.Context())
	}
	return c
}

// demo is the whole job on a virtual bench.
type demo struct {
	w, log        io.Writer
	once, verbose bool
	serial        bool
	seed          uint64
	listen, store string
}

func (m demo) run(ctx context.Context) (err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if m.store == "" {
		dir, err := os.MkdirTemp("", "lidded-demo-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(dir)
		m.store = filepath.Join(dir, "lidded.db")
	}
	world, err := virtual.Preset("depot")
	if err != nil {
		return err
	}
	bench, err := virtual.Start(ctx, virtual.Config{World: world, Seed: m.seed, Control: "127.0.0.1:0", Analyzer: virtual.InstrumentConfig{PTY: m.serial}, Source: virtual.InstrumentConfig{PTY: m.serial}})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, bench.Close()) }()
	cfg, err := m.config(bench)
	if err != nil {
		return err
	}
	log := zap.NewNop()
	if m.verbose {
		log = newLogger(cfg.Daemon.Log, m.log)
	}
	progress := newProgressPrinter(m.w)
	guard, err := guardianProgram()
	if err != nil {
		return err
	}
	// The virtual bench ends with this process, so the guardian need not look for it long.
	d, err := daemon.Open(ctx, cfg, daemon.Options{Software: software(), Logger: log, Observer: progress, Guardian: guard, GuardianGivesUp: 5 * time.Second})
	if err != nil {
		return err
	}
	served := make(chan error, 1)
	go func() {
		err := d.Serve(ctx)
		cancel() // a daemon that could not serve ends the job too
		served <- err
	}()
	analyzer, source := m.addresses(bench)
	fmt.Fprintf(m.w, "virtual bench: analyzer on %s, source on %s\n", analyzer, source)
	fmt.Fprintf(m.w, "watch: http://%s/\n\n", d.Addr())
	id, runErr := m.job(ctx, d, bench, progress)
	if runErr == nil && !m.once {
		m.next(d, id)
		select {
		case <-ctx.Done():
		case err := <-served:
			return err
		}
	}
	cancel()
	return errors.Join(runErr, <-served)
}

// config fills the demonstration's config with where the virtual bench is.
func (m demo) config(b *virtual.Bench) (*config.Config, error) {
	text, err := configs.FS.ReadFile("benches/depot-demo.yaml")
	if err != nil {
		return nil, err
	}
	listen := m.listen
	if listen == "" {
		listen = config.DefaultListen
		if ln, err := net.Listen("tcp", listen); err != nil {
			listen = "127.0.0.1:0"
		} else {
			ln.Close()
		}
	}
	analyzer, source := m.addresses(b)
	filled := strings.NewReplacer(
		"@listen@", listen, "@store@", m.store, "@analyzer@", analyzer, "@source@", source, "@control@", b.ControlAddr(),
	).Replace(string(text))
	return config.Parse("depot-demo.yaml", []byte(filled), nil)
}

// addresses are where the two instruments are reached.
func (m demo) addresses(b *virtual.Bench) (analyzer, source string) {
	if m.serial {
		return "serial://" + b.AnalyzerPTY() + "?baud=115200", "serial://" + b.SourcePTY() + "?baud=115200"
	}
	return "tcp://" + b.AnalyzerAddr(), "tcp://" + b.SourceAddr()
}

// job starts the run, waits for it, prints what came of it and gives its id.
func (m demo) job(ctx context.Context, d *daemon.Daemon, b *virtual.Bench, progress *progressPrinter) (sweep.RunID, error) {
	begun := time.Now()
	run, err := d.StartWhenServing(ctx, rest.StartRequest{Operator: "depot demo, seed " + strconv.FormatUint(m.seed, 10), Trigger: "demo"})
	if err != nil {
		return "", err
	}
	run, err = d.Wait(ctx, run.Bench.Name, run.ID)
	progress.Done()
	if err != nil {
		return "", err
	}
	e, err := d.Evaluation(ctx, run.ID)
	if err != nil {
		return "", err
	}
	if err := text.Results(m.w, run, e, text.Style{}); err != nil {
		return "", err
	}
	n := b.Nominal()
	fmt.Fprintf(m.w, "\nrun %s %v in %v; the analyzer swept %d times, %v of its own time\n", run.ID, run.State, time.Since(begun).Round(100*time.Millisecond), n.Sweeps, n.Sweeping.Round(100*time.Millisecond))
	if run.State != sweep.Completed {
		return "", fmt.Errorf("the run ended %v: %s", run.State, run.Reason)
	}
	return run.ID, nil
}

func (m demo) next(d *daemon.Daemon, run sweep.RunID) {
	base := "http://" + d.Addr()
	fmt.Fprintf(m.w, `
try next: lidded explain latest --store %[3]s
  (what each locker should do by what it is made of, where it does not, and what may be behind it)
where to look next:
  page     %[1]s/
  report   %[1]s/v1/runs/%[2]s/report.html   (and report.pdf)
  REST     %[1]s/v1/runs   (described in %[1]s/docs)
  metrics  %[1]s/metrics
  again    curl -X POST -H 'Content-Type: application/json' -d '{}' %[1]s/v1/runs
Ctrl-C ends it.
`, base, run, m.store)
}

package daemon_test

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/daemon"
	"lidded/cmd/lidded/internal/rest"
	"lidded/driver/virtual"
	"lidded/sweep"
)

// lab is a virtual bench with a daemon on it.
type lab struct {
	bench  *virtual.Bench
	daemon *daemon.Daemon
	end    func() error // ends the daemon and waits for it
}

type labSpec struct {
	analyzerDialect, analyzerTraits string
	sourceDialect, sourceTraits     string
	serial                          bool
	scale                           float64
	world                           string
	seed                            uint64
	bench, plans                    string // further YAML for the bench, the plans
	store                           string
}

func startLab(t testing.TB, s labSpec) *lab {
	t.Helper()
	world, err := virtual.Preset(s.world)
	if err != nil {
		t.Fatal(err)
	}
	at, err := virtual.TraitPreset(s.analyzerTraits)
	if err != nil {
		t.Fatal(err)
	}
	st, err := virtual.TraitPreset(s.sourceTraits)
	if err != nil {
		t.Fatal(err)
	}
	cfg := virtual.Config{World: world, Seed: s.seed, TimeScale: s.scale, Control: "127.0.0.1:0"}
	cfg.Analyzer = virtual.InstrumentConfig{Traits: at, PTY: s.serial}
	cfg.Source = virtual.InstrumentConfig{Traits: st, PTY: s.serial}
	bench, err := virtual.Start(context.Background(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := bench.Close(); err != nil {
			t.Error(err)
		}
	})
	analyzer, source := "tcp://"+bench.AnalyzerAddr(), "tcp://"+bench.SourceAddr()
	if s.serial {
		analyzer, source = "serial://"+bench.AnalyzerPTY()+"?baud=115200", "serial://"+bench.SourcePTY()+"?baud=115200"
	}
	if s.store == "" {
		s.store = filepath.Join(t.TempDir(), "lidded.db")
	}
	text := fmt.Sprintf(`
daemon: {listen: "127.0.0.1:0", store: %q}
benches:
  - name: depot
    analyzer: {address: %q, dialect: %s}
    source: {address: %q, dialect: %s, max_level: 10 dBm}
    may_transmit: [{from: 30 MHz, to: 1 GHz, max_level: 0 dBm, basis: virtual bench}]
    conducted: true
    frequency_error_ppm: 2
    uncertainty: 0.2 dB
    time_scale: %g
    hands: {rule: virtual, control: %q}
%s
plans:
%s
specimens: [{name: heron}, {name: otter}, {name: kingfisher}, {name: plate}, {name: leaky}, {name: mesh}]
`, s.store, analyzer, s.analyzerDialect, source, s.sourceDialect, max(s.scale, 1), bench.ControlAddr(), s.bench, s.plans)
	c, err := config.Parse("lab.yaml", []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	log := zap.NewNop()
	if testing.Verbose() {
		log = zaptest.NewLogger(t)
	}
	d, err := daemon.Open(context.Background(), c, daemon.Options{Software: "test", Logger: log})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- d.Serve(ctx) }()
	l := &lab{bench: bench, daemon: d}
	ended := false
	l.end = func() error {
		if ended {
			return nil
		}
		ended = true
		cancel()
		return <-served
	}
	t.Cleanup(func() {
		if err := l.end(); err != nil {
			t.Error(err)
		}
		if bench.SourceOn() {
			t.Error("the source is on after the daemon ended")
		}
	})
	return l
}

// run starts a run and waits for its end.
func (l *lab) run(t testing.TB, plan string, specimens ...string) (sweep.Run, sweep.Evaluation) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Minute)
	defer cancel()
	r, err := l.daemon.StartWhenServing(ctx, rest.StartRequest{Plan: plan, Specimens: specimens, Trigger: "test"})
	if err != nil {
		t.Fatal(err)
	}
	if r, err = l.daemon.Wait(ctx, "depot", r.ID); err != nil {
		t.Fatal(err)
	}
	e, err := l.daemon.Evaluation(ctx, r.ID)
	if err != nil {
		t.Fatal(err)
	}
	return r, e
}

const linkedPlan = `
  - name: linked
    hold_points: rule
    positions: [front]
    strategy: fixed
    settle: 10ms
    bands: [{from: 120 MHz, to: 900 MHz, count: 6, level: 0 dBm, rbw: 10 kHz, attenuation: 0 dB}]
`

// adaptivePlan leaves the strategy to what the requirement makes of it.
const adaptivePlan = `
  - name: adaptive
    hold_points: rule
    positions: [front]
    requirement: flat-60
    settle: 10ms
    bands: [{from: 120 MHz, to: 900 MHz, count: 6, level: 0 dBm, rbw: 10 kHz, attenuation: 0 dB}]
`

const sealedPlan = `
  - name: sealed
    capture: sealed
    hold_points: rule
    positions: [front]
    settle: 20ms
    bands: [{freqs: [200 MHz, 350 MHz, 500 MHz, 650 MHz, 800 MHz], level: 0 dBm, rbw: 30 kHz, attenuation: 0 dB}]
`

// Known enclosures come back within 0.5 dB where the margin is at least 20 dB,
// and no bound stands above the truth, in every dialect, over TCP and a serial
// line, linked with fixed settings and with the ladder, and sealed.
func TestKnownEnclosuresInEveryDialect(t *testing.T) {
	for _, c := range []labSpec{
		{analyzerDialect: "analyzer-opc", analyzerTraits: "modern-opc", sourceDialect: "source-scpi", sourceTraits: "source-scpi"},
		{analyzerDialect: "analyzer-opc", analyzerTraits: "modern-opc", sourceDialect: "source-ack", sourceTraits: "source-ack", serial: true},
		{analyzerDialect: "analyzer-esr-poll", analyzerTraits: "esr-poll", sourceDialect: "source-scpi", sourceTraits: "source-scpi", serial: true},
		{analyzerDialect: "analyzer-real32-swapped", analyzerTraits: "modern-fft", sourceDialect: "source-scpi", sourceTraits: "source-scpi"},
		{analyzerDialect: "analyzer-real64-fixed", analyzerTraits: "swapped-real64", sourceDialect: "source-ack", sourceTraits: "source-ack"},
		{analyzerDialect: "analyzer-xy-pairs", analyzerTraits: "xy-pairs", sourceDialect: "source-scpi", sourceTraits: "source-scpi"},
		{analyzerDialect: "analyzer-swept-wait", analyzerTraits: "ascii-only", sourceDialect: "source-scpi", sourceTraits: "source-scpi"},
		{analyzerDialect: "handheld-serial", analyzerTraits: "handheld-serial", sourceDialect: "source-scpi", sourceTraits: "source-scpi", serial: true},
	} {
		for _, mode := range []struct {
			name, plan string
			scale      float64
		}{{"linked", linkedPlan, 2}, {"adaptive", adaptivePlan, 2}, {"sealed", sealedPlan, 40}} {
			medium := "tcp"
			if c.serial {
				medium = "pty"
			}
			t.Run(c.analyzerDialect+"/"+c.sourceDialect+"/"+medium+"/"+mode.name, func(t *testing.T) {
				t.Parallel()
				c.world, c.seed, c.scale, c.plans = "depot", 5, mode.scale, mode.plan
				l := startLab(t, c)
				r, e := l.run(t, mode.name, "otter", "heron")
				if r.State != sweep.Completed {
					t.Fatalf("%v: %s", r.State, r.Reason)
				}
				againstTruth(t, l.bench, e, 3)
			})
		}
	}
}

// againstTruth compares results with what only the virtual bench knows. At
// least so many results must have a margin of 20 dB.
func againstTruth(t *testing.T, b *virtual.Bench, e sweep.Evaluation, clear int) {
	t.Helper()
	if len(e.Results) == 0 {
		t.Fatal("no results")
	}
	n := 0
	for _, r := range e.Results {
		truth, err := b.Truth().SE(r.At.Specimen, r.At.Position, string(r.At.Polarization), r.Freq)
		if err != nil {
			t.Fatal(err)
		}
		off := float64(r.SE.Value - truth)
		switch {
		case r.SE.Relation == sweep.AtLeastRelation && off > 0:
			t.Errorf("%s at %v: bound %v, truth %v", r.At.Specimen, r.Freq, r.SE, truth)
		case r.Outcome == sweep.Measured && r.Margin >= 20:
			n++
			if math.Abs(off) > 0.5 {
				t.Errorf("%s at %v: %v, truth %.2f dB (margin %v)", r.At.Specimen, r.Freq, r.SE, float64(truth), r.Margin)
			}
		case r.Outcome == sweep.Measured && math.Abs(off) > 2*float64(r.SE.U):
			t.Errorf("%s at %v: %v, truth %.2f dB", r.At.Specimen, r.Freq, r.SE, float64(truth))
		case r.Outcome == sweep.Void:
			t.Errorf("%s at %v: void: %s", r.At.Specimen, r.Freq, r.Reason)
		}
	}
	if n < clear {
		t.Errorf("%d results with a margin of at least 20 dB, want %d", n, clear)
	}
}

package instrument_test

import (
	"context"
	"flag"
	"os"
	"sync"
	"testing"
	"time"

	"lidded/driver/dialect"
	"lidded/driver/instrument"
	"lidded/driver/link"
	"lidded/driver/unit"
	"lidded/driver/virtual"
	"lidded/driver/virtual/world"
)

// analyzers and sources pair each dialect that ships with the habits of a
// virtual instrument.
var (
	analyzers = []struct{ dialect, traits string }{
		{"analyzer-opc", "modern-opc"},
		{"analyzer-esr-poll", "esr-poll"},
		{"analyzer-real32-swapped", "modern-fft"},
		{"analyzer-real64-fixed", "swapped-real64"},
		{"analyzer-xy-pairs", "xy-pairs"},
		{"analyzer-swept-wait", "ascii-only"},
		{"handheld-serial", "handheld-serial"},
	}
	sources = []struct{ dialect, traits string }{
		{"source-scpi", "source-scpi"},
		{"source-ack", "source-ack"},
		{"source-timer", "source-timer"},
	}
)

// TestMain lets many tests wait at a time: they mostly wait for time-outs.
func TestMain(m *testing.M) {
	flag.Parse()
	if err := flag.Set("test.parallel", "40"); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

const detectorItem = dialect.Detector

// pathLoss is what the test world takes away between source and analyzer.
const pathLoss = unit.DB(30)

func testWorld() *virtual.World {
	return &virtual.World{Name: "bench test", SharedReference: true, Path: []world.Loss{{Freq: 1e6, Loss: pathLoss}},
		Enclosures: []world.Enclosure{{Name: "locker", Curve: []world.Shield{{Freq: 1e6, SE: 60}}}}}
}

var builtin = sync.OnceValues(dialect.Builtin)

// lab is a virtual bench with the means to open its instruments.
type lab struct {
	t       testing.TB
	bench   *virtual.Bench
	library *dialect.Library
	serial  bool
}

// newLab starts a bench on which time stands still but for sweeps.
func newLab(t testing.TB, analyzerTraits, sourceTraits string, serial bool) *lab {
	t.Helper()
	return labOf(t, traits(t, analyzerTraits), traits(t, sourceTraits), serial, virtual.Jump)
}

func traits(t testing.TB, name string) virtual.Traits {
	t.Helper()
	tr, err := virtual.TraitPreset(name)
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

func labOf(t testing.TB, at, st virtual.Traits, serial bool, scale float64) *lab {
	t.Helper()
	b, err := virtual.Start(context.Background(), virtual.Config{World: testWorld(), Seed: 7, TimeScale: scale,
		Analyzer: virtual.InstrumentConfig{Traits: at, PTY: serial}, Source: virtual.InstrumentConfig{Traits: st, PTY: serial}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	lib, err := builtin()
	if err != nil {
		t.Fatal(err)
	}
	return &lab{t: t, bench: b, library: lib, serial: serial}
}

func (l *lab) spec(name, dialectName, host, pty string) instrument.Spec {
	l.t.Helper()
	d, err := l.library.Get(dialectName)
	if err != nil {
		l.t.Fatal(err)
	}
	hasty := *d
	hasty.Sweep.Timeout = 500 * time.Millisecond // a test that stalls need not wait five seconds
	a := link.Address{Scheme: link.SchemeTCP, Host: host}
	if l.serial {
		a = link.Address{Scheme: link.SchemeSerial, Path: pty, Baud: 115200, Data: 8, Parity: "none", Stop: 1}
	}
	return instrument.Spec{Name: name, Address: a, Dialect: &hasty, Backoff: 20 * time.Millisecond, Tries: 8, Quiet: 30 * time.Millisecond, Ring: link.NewRing(64, 16),
		Timeouts: link.Timeouts{Dial: time.Second, Reply: 700 * time.Millisecond, FirstReply: 2 * time.Second, Gap: 200 * time.Millisecond}}
}

func (l *lab) analyzer(ctx context.Context, dialectName string) (*instrument.Analyzer, error) {
	return instrument.OpenAnalyzer(ctx, l.spec("analyzer", dialectName, l.bench.AnalyzerAddr(), l.bench.AnalyzerPTY()))
}

func (l *lab) source(ctx context.Context, dialectName string) (*instrument.Source, error) {
	return instrument.OpenSource(ctx, l.spec("source", dialectName, l.bench.SourceAddr(), l.bench.SourcePTY()))
}

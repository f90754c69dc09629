package engine_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"lidded/configs"
	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/instrument"
	"lidded/driver/link"
	"lidded/driver/virtual"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// TestThermometerOverSockets: a dialect that asks for the temperature, in kelvin
// at that, has a run wait until a warm analyzer has cooled down; 323.15 K are
// 50 °C, by definition of the scale.
func TestThermometerOverSockets(t *testing.T) {
	text, err := configs.FS.ReadFile("dialects/analyzer-opc.yaml")
	if err != nil {
		t.Fatal(err)
	}
	warm, err := dialect.Load("warm.yaml", []byte(strings.Replace(string(text), "status:\n", "status:\n  temperature: {query: \"SYST:TEMP?\", unit: kelvin}\n", 1)))
	if err != nil {
		t.Fatal(err)
	}
	l, j := newLabIn(t, func(*virtual.World) {}), newWorld().journal
	l.Warm(273.15 + 35)
	s := l.setup(j)
	s.Open = func(ctx context.Context) (driver.Analyzer, driver.Source, error) {
		plain, src, err := l.open(ctx)
		if err != nil {
			return nil, src, err
		}
		if err := plain.Close(); err != nil {
			return nil, src, err
		}
		a, err := instrument.OpenAnalyzer(ctx, instrument.Spec{
			Name: "analyzer", Dialect: warm, Address: link.Address{Scheme: link.SchemeTCP, Host: l.AnalyzerAddr()}, Backoff: time.Millisecond, Tries: 2,
			Timeouts: link.Timeouts{Dial: time.Second, Reply: 5 * time.Second, FirstReply: 5 * time.Second, Gap: time.Second},
		})
		if err != nil {
			return nil, src, err
		}
		return a, src, nil
	}
	s.Rules.Suspend.Temperature = engine.Suspension{Trip: 50, Resume: 45}
	var waits []string
	s.Observer = observer(func(p sweep.Progress) {
		switch {
		case p.Kind == "point" && p.Capture == nil && p.StepKind == sweep.Reference && p.Point == 1 && len(waits) == 0:
			l.Warm(323.15)
		case p.Kind == "state" && p.State == sweep.Suspended:
			waits = append(waits, fmt.Sprint(p.Text, " ", l.SourceOn()))
			l.Warm(273.15 + 44)
		}
	})
	d := serve(t, s)
	q := request(plan(t, sweep.Linked, 100e6, 300e6))
	q.Specimens = lockers[:1]
	r := d.end(t, d.begin(t, q))
	if r.State != sweep.Completed {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	if want := []string{"temperature: 50.0 °C, goes on at 45.0 °C or less false"}; !slices.Equal(waits, want) {
		t.Errorf("waits %q, want %q", waits, want)
	}
	l.judge(t, j.caps(r.ID), 2)
}

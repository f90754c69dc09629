package specimens_test

import (
	"context"
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lidded/cmd/lidded/internal/specimens"
	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/instrument"
	"lidded/driver/link"
	"lidded/driver/unit"
	"lidded/driver/virtual"
	"lidded/store"
	"lidded/sweep"
	"lidded/sweep/engine"
	"lidded/sweep/explain"
	"lidded/sweep/requirement"
	"lidded/sweep/wall"
)

// depot is a virtual bench with the ten boxes of testdata/worlds, its hands
// and its time, which the engine's waiting moves on.
type depot struct {
	*virtual.Bench
	dialects *dialect.Library
	began    time.Time
}

func openDepot(t *testing.T) *depot {
	t.Helper()
	w, err := virtual.Load(filepath.Join("..", "..", "..", "..", "testdata", "worlds", "depot-faults.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	b, err := virtual.Start(t.Context(), virtual.Config{World: w, Seed: 5, TimeScale: virtual.Jump})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	lib, err := dialect.Builtin()
	if err != nil {
		t.Fatal(err)
	}
	return &depot{b, lib, time.Date(2026, 5, 4, 22, 0, 0, 0, time.UTC)}
}

// Now is the bench's time.
func (d *depot) Now() time.Time { return d.began.Add(d.Bench.Now()) }

// Sleep lets the bench's time pass at once; a wait for an hour or more is one
// for the end.
func (d *depot) Sleep(ctx context.Context, pause time.Duration) error {
	if pause >= time.Hour {
		<-ctx.Done()
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	d.Advance(pause)
	return nil
}

// Perform moves antennas, receiver and lid.
func (d *depot) Perform(_ context.Context, s sweep.Step) error {
	if err := d.Open(); err != nil {
		return err
	}
	if err := d.Place(s.At.Position, string(s.At.Polarization)); err != nil {
		return err
	}
	if s.At.Specimen == "" {
		return nil
	}
	return d.Link(s.At.Specimen)
}

func (d *depot) open(ctx context.Context) (driver.Analyzer, driver.Source, error) {
	spec := func(name, dialectName, addr string) (instrument.Spec, error) {
		di, err := d.dialects.Get(dialectName)
		if err != nil {
			return instrument.Spec{}, err
		}
		a, err := link.Parse("tcp://" + addr)
		return instrument.Spec{Name: name, Address: a, Dialect: di}, err
	}
	as, err := spec("analyzer", "analyzer-opc", d.AnalyzerAddr())
	if err != nil {
		return nil, nil, err
	}
	ss, err := spec("source", "source-scpi", d.SourceAddr())
	if err != nil {
		return nil, nil, err
	}
	a, err := instrument.OpenAnalyzer(ctx, as)
	if err != nil {
		return nil, nil, err
	}
	s, err := instrument.OpenSource(ctx, ss)
	if err != nil {
		return a, nil, err
	}
	return a, s, nil
}

func (d *depot) facts() sweep.Bench {
	return sweep.Bench{
		Name: "depot", MaxLevel: 0, PathLoss: 41, NoiseFigure: 24, FreqErrorPPM: 1, SharedReference: true, SweepFactor: 2.5, Uncertainty: 0.7, Conducted: true, HandsByRule: true,
		MayTransmit: []sweep.Permission{{From: 9e3, To: 1e9, MaxLevel: 0, Basis: "virtual bench: nothing is radiated"}},
	}
}

// measure runs a plan on boxes and says what the run means.
func (d *depot) measure(t *testing.T, spec sweep.PlanSpec, boxes ...string) (sweep.Run, sweep.Evaluation) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	st, err := store.Open(ctx, filepath.Join(t.TempDir(), "depot.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	p, bad := sweep.Compile(spec, d.facts())
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	bench := engine.New(engine.Setup{Facts: d.facts(), Open: d.open, Hands: d, Journal: st, Clock: d, Software: "test"})
	serving, stop := context.WithCancel(ctx)
	served := make(chan error, 1)
	go func() { served <- bench.Serve(serving) }()
	defer func() {
		stop()
		if err := <-served; err != nil {
			t.Error(err)
		}
	}()
	req := engine.Request{Plan: p, Trigger: "test"}
	for _, b := range boxes {
		req.Specimens = append(req.Specimens, sweep.Specimen{Name: b})
	}
	run, err := bench.Wait(ctx, started(t, ctx, bench, req).ID)
	if err != nil || run.State != sweep.Completed {
		t.Fatalf("run %v: %s, %v", run.State, run.Reason, err)
	}
	captures, err := st.Captures(ctx, run.ID)
	if err != nil {
		t.Fatal(err)
	}
	return run, sweep.Evaluate(run, captures)
}

// started starts a run as soon as the bench is served.
func started(t *testing.T, ctx context.Context, b *engine.Bench, req engine.Request) engine.Started {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for {
		run, err := b.Start(ctx, req)
		if err == nil {
			return run
		}
		if !errors.Is(err, engine.ErrNotServing) {
			t.Fatal(err)
		}
		select {
		case <-ctx.Done():
			t.Fatal(ctx.Err())
		case <-tick.C:
		}
	}
}

// described are the descriptions that the tester has, by box.
func described(t *testing.T, box string) *wall.Model {
	t.Helper()
	name, _, _ := strings.Cut(box, "-2")
	name, _, _ = strings.Cut(name, "-3")
	if strings.Contains(name, "-") {
		name = filepath.Join("..", "..", "..", "..", "testdata", "specimens", name+".yaml")
	}
	k, err := specimens.Find(name)
	if err != nil {
		t.Fatal(err)
	}
	return k.Model
}

// TestHiddenFaults measures ten boxes over real sockets. Five have a fault that
// their description does not tell: the explanation must name it. Five are
// sound: nothing may be said against them.
func TestHiddenFaults(t *testing.T) {
	d := openDepot(t)
	level, none := unit.DBm(0), unit.DB(0)
	radio := sweep.PlanSpec{
		Name: "radio", HoldPoints: "rule", Positions: []string{"front"}, Polarizations: []string{"vertical", "horizontal"}, Looks: 2, MaxLooks: 4, Settle: 6 * time.Millisecond,
		Bands: []sweep.BandSpec{{From: 30e6, To: 1e9, Count: 15, Level: &level, RBW: 100, Attenuation: &none}},
	}
	// closely across the first mode of the lidded locker
	closely := sweep.PlanSpec{
		Name: "closely", HoldPoints: "rule", Positions: []string{"front"}, Looks: 2, MaxLooks: 4, Settle: 6 * time.Millisecond,
		Bands: []sweep.BandSpec{
			{Freqs: []unit.Hz{100e6, 200e6, 300e6, 380e6}, Level: &level, RBW: 100, Attenuation: &none},
			{From: 410e6, To: 474e6, Step: 8e6, Level: &level, RBW: 100, Attenuation: &none},
			{Freqs: []unit.Hz{520e6, 700e6}, Level: &level, RBW: 100, Attenuation: &none},
		},
	}
	low := sweep.PlanSpec{
		Name: "loops", HoldPoints: "rule", Positions: []string{"front"}, Looks: 2, MaxLooks: 4, Settle: 6 * time.Millisecond,
		Bands: []sweep.BandSpec{{From: 10e3, To: 10e6, Count: 10, Level: &level, RBW: 100, Attenuation: &none, Field: requirement.Magnetic}},
	}
	type measured struct {
		run sweep.Run
		e   sweep.Evaluation
	}
	of := map[string]measured{}
	for _, part := range []struct {
		spec  sweep.PlanSpec
		boxes []string
	}{
		{radio, []string{"heron", "otter", "kingfisher", "mesh-bin", "heron-2", "kingfisher-2", "otter-2"}},
		{closely, []string{"kingfisher-3"}},
		{low, []string{"foil-box", "foil-box-thick"}},
	} {
		run, e := d.measure(t, part.spec, part.boxes...)
		for _, b := range part.boxes {
			of[b] = measured{run, e}
		}
	}
	cases := []struct {
		box      string
		want     wall.Cause // unknown: sound
		lo, hi   wall.Metre // of the size inferred
		mode     string
		measured int // at least so many results that are values, not bounds
	}{
		{box: "heron"},
		{box: "otter", measured: 20},
		{box: "kingfisher", measured: 20},
		{box: "mesh-bin", measured: 20},
		{box: "foil-box", measured: 8},
		{box: "heron-2", want: wall.CauseSlot, lo: 0.1, hi: 0.14, measured: 20},
		{box: "kingfisher-2", want: wall.CauseLidEdge, lo: 0.4, hi: 0.6, measured: 20},
		{box: "kingfisher-3", want: wall.CauseResonance, mode: "TE101", measured: 12},
		{box: "otter-2", want: wall.CauseCoarseMesh, lo: 0.03, hi: 0.08, measured: 20},
		{box: "foil-box-thick", want: wall.CauseThinWall, lo: 12e-6, hi: 20e-6, measured: 8},
	}
	for _, c := range cases {
		t.Run(c.box, func(t *testing.T) {
			m := of[c.box]
			x, err := explain.Of(m.run, m.e, c.box, described(t, c.box), explain.Options{})
			if err != nil {
				t.Fatal(err)
			}
			values := 0
			for _, p := range x.Points {
				if !p.Bound {
					values++
				}
			}
			if values < c.measured || len(x.Findings) == 0 {
				t.Errorf("%d values, want %d; %d findings", values, c.measured, len(x.Findings))
			}
			var first *wall.Hypothesis
			for _, f := range x.Findings {
				accused := f.Agreement == wall.Lower || f.Agreement == wall.Dip
				if accused && c.want == wall.CauseUnknown {
					t.Errorf("a sound box is accused: %s", f.Says)
				}
				if accused && first == nil && len(f.Hypotheses) > 0 {
					first = &f.Hypotheses[0]
				}
			}
			if c.want == wall.CauseUnknown {
				return
			}
			if first == nil {
				t.Fatalf("no hypothesis: %v", x.Findings)
			}
			if first.Cause != c.want || c.hi > 0 && (first.Size < c.lo || first.Size > c.hi) || !strings.Contains(first.Mode.Name, c.mode) {
				t.Errorf("%s (size %v, mode %q), want %v of %v to %v", first.Says, first.Size, first.Mode.Name, c.want, c.lo, c.hi)
				for _, f := range x.Findings {
					t.Log(f.Says)
				}
			}
			if len(first.Evidence) == 0 || first.Next == "" {
				t.Errorf("no evidence or nothing to measure next: %+v", first)
			}
		})
	}
}

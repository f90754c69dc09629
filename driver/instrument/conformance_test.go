package instrument_test

import (
	"context"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/drivertest"
	"lidded/driver/instrument"
	"lidded/driver/unit"
	"lidded/driver/virtual"
)

// media are the two kinds of link every dialect must work over.
var media = []struct {
	name   string
	serial bool
}{{"tcp", false}, {"pty", true}}

var faultKinds = map[drivertest.Fault]virtual.Fault{
	drivertest.Drop:     {Kind: virtual.FaultDrop},
	drivertest.DropMid:  {Kind: virtual.FaultDropMid},
	drivertest.Stall:    {Kind: virtual.FaultStall},
	drivertest.Late:     {Kind: virtual.FaultLate, Delay: 900 * time.Millisecond},
	drivertest.Truncate: {Kind: virtual.FaultTruncate},
	drivertest.Garbage:  {Kind: virtual.FaultGarbage},
	drivertest.Restart:  {Kind: virtual.FaultPowerCycle, Delay: 50 * time.Millisecond},
}

func (l *lab) fault(t *testing.T, r virtual.Role, f drivertest.Fault) {
	t.Helper()
	if err := l.bench.Fault(r, faultKinds[f]); err != nil {
		t.Fatal(err)
	}
}

func TestAnalyzers(t *testing.T) {
	for _, c := range analyzers {
		for _, m := range media {
			t.Run(c.dialect+"/"+c.traits+"/"+m.name, func(t *testing.T) {
				t.Parallel()
				drivertest.TestAnalyzer(t, func(t *testing.T) drivertest.AnalyzerRig { return analyzerRig(t, c.dialect, c.traits, m.serial) })
			})
		}
	}
}

func analyzerRig(t *testing.T, dialectName, traits string, serial bool) drivertest.AnalyzerRig {
	l := newLab(t, traits, "source-scpi", serial)
	d, err := l.library.Get(dialectName)
	if err != nil {
		t.Fatal(err)
	}
	var detectors []driver.Detector
	for x := driver.Sample; x <= driver.NegativePeak; x++ {
		if d.Setting(detectorItem).Knows(x.String()) {
			detectors = append(detectors, x)
		}
	}
	points := 201
	if p := d.Setting(dialect.Points); !p.Settable() {
		points = 0
	}
	var src *instrument.Source
	rig := drivertest.AnalyzerRig{
		Open:      func(ctx context.Context) (driver.Analyzer, error) { return l.analyzer(ctx, dialectName) },
		Frequency: 100e6,
		Points:    points,
		Detectors: detectors,
		Carrier: func(t *testing.T, f unit.Hz, p unit.DBm, on bool) {
			t.Helper()
			ctx := t.Context()
			var err error
			if src == nil {
				if src, err = l.source(ctx, "source-scpi"); err != nil {
					t.Fatal(err)
				}
				t.Cleanup(func() { src.Close() })
			}
			if _, err = src.SetOutput(ctx, false); err == nil && on {
				if _, err = src.SetFrequency(ctx, f); err == nil {
					if _, err = src.SetLevel(ctx, p.Add(pathLoss)); err == nil {
						_, err = src.SetOutput(ctx, true)
					}
				}
			}
			if err != nil {
				t.Fatal(err)
			}
		},
		Pass:       l.bench.Advance,
		Fault:      func(t *testing.T, f drivertest.Fault) { l.fault(t, virtual.RoleAnalyzer, f) },
		Gone:       func(t *testing.T) { check(t, l.bench.Seal("locker")) },
		Back:       func(t *testing.T) { check(t, l.bench.Open()) },
		MayRestart: d.Status.Event.Send != "",
	}
	return rig
}

func check(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func TestSources(t *testing.T) {
	for _, c := range sources {
		for _, m := range media {
			t.Run(c.dialect+"/"+c.traits+"/"+m.name, func(t *testing.T) {
				t.Parallel()
				drivertest.TestSource(t, func(t *testing.T) drivertest.SourceRig {
					l := newLab(t, "modern-opc", c.traits, m.serial)
					return drivertest.SourceRig{
						Open: func(ctx context.Context) (driver.Source, error) { return l.source(ctx, c.dialect) },
						Truth: func() (unit.Hz, unit.DBm, bool) {
							s := l.bench.Status()
							return unit.Hz(s.SourceHz), unit.DBm(s.SourceDBm), s.SourceOn
						},
						Fault: func(t *testing.T, f drivertest.Fault) { l.fault(t, virtual.RoleSource, f) },
					}
				})
			})
		}
	}
}

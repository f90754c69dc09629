package sweep_test

import (
	"strings"
	"testing"
	"time"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/emission"
)

// radiating is the depot's bench with antennas, in a closed screened room.
func radiating(t testing.TB, overrides ...emission.Override) sweep.Bench {
	t.Helper()
	b := depotBench()
	b.Conducted = false
	never, err := emission.BuiltinNever()
	if err != nil {
		t.Fatal(err)
	}
	if b.Never, err = never.With(overrides); err != nil {
		t.Fatal(err)
	}
	limits, err := emission.BuiltinLimits("")
	if err != nil {
		t.Fatal(err)
	}
	b.Radiated = &emission.Chain{Amplifier: 30, Cable: 1, AntennaGain: 2}
	b.Exposure = &emission.Rule{Limits: limits, Ground: emission.FullReflection}
	return b
}

// Of 40 points from 30 MHz to 1 GHz, evenly in the logarithm, three lie where
// nobody transmits: the refusal names each.
func TestNeverTransmitRefusesThePoints(t *testing.T) {
	p := compile(t, depotSpec())
	bad := sweep.CheckOn(p, radiating(t))
	want := []string{
		"points[15]: 115.57 MHz is never transmitted on: ILS localizer and VOR, 108 MHz to 118 MHz (entry ils-localizer-vor); all from 108 MHz to 137 MHz is forbidden: move the point or take it out. Where nothing is radiated set conducted: true on bench depot; where you hold the right, override_never with entry ils-localizer-vor and your basis",
		"points[16]: 126.442 MHz is never transmitted on: aeronautical voice, 118 MHz to 137 MHz (entry airband-voice); all from 108 MHz to 137 MHz is forbidden: move the point or take it out. Where nothing is radiated set conducted: true on bench depot; where you hold the right, override_never with entry airband-voice and your basis",
		"points[39]: 1 GHz is never transmitted on: distance measuring, transponders at 1030 and 1090 MHz, 960 MHz to 1.215 GHz (entry dme-transponders); all from 960 MHz to 1.3 GHz is forbidden: move the point or take it out. Where nothing is radiated set conducted: true on bench depot; where you hold the right, override_never with entry dme-transponders and your basis",
	}
	if len(bad) != len(want) {
		t.Fatalf("%d refusals, want %d: %v", len(bad), len(want), bad)
	}
	for i, w := range want {
		if bad[i].Error() != w {
			t.Errorf("got  %s\nwant %s", bad[i], w)
		}
	}
}

func TestOverrideIsSaidWhereverThePlanIsShown(t *testing.T) {
	b := radiating(t, emission.Override{Entry: "airband-voice", Basis: "closed screened room, site rule 7"},
		emission.Override{Entry: "ils-localizer-vor", Basis: "the same"}, emission.Override{Entry: "dme-transponders", Basis: "the same"})
	p := compile(t, depotSpec())
	if bad := sweep.CheckOn(p, b); len(bad) > 0 {
		t.Fatal(bad)
	}
	notes := strings.Join(sweep.Predict(p, b, nil, nil).Notes, "\n")
	if want := "never-transmit entry airband-voice is overridden, 1 points lie inside it; basis: closed screened room, site rule 7"; !strings.Contains(notes, want) {
		t.Errorf("no %q in %q", want, notes)
	}
	cautions := strings.Join(sweep.Steps(p, b, nil)[0].Cautions, "\n")
	if want := "Never-transmit entry airband-voice is overridden here. Basis: closed screened room, site rule 7."; !strings.Contains(cautions, want) {
		t.Errorf("no %q in %q", want, cautions)
	}
}

func TestConductedBenchIsNotBoundButTold(t *testing.T) {
	b := radiating(t)
	b.Conducted = true
	p := compile(t, depotSpec())
	if bad := sweep.CheckOn(p, b); len(bad) > 0 {
		t.Fatal(bad)
	}
	e := sweep.Predict(p, b, nil, nil)
	if want := "conducted: nothing is radiated, so the never-transmit table does not apply; 3 of 40 points lie inside it: keep every connector closed"; !strings.Contains(strings.Join(e.Notes, "\n"), want) {
		t.Errorf("no %q in %q", want, e.Notes)
	}
	if e.Exposure != nil {
		t.Error("distances for a bench that radiates nothing")
	}
}

// 0 dBm + 30 dB − 1 dB + 2 dBi is 31 dBm: with 2 W/m² (47 CFR 1.1310, public, 30
// to 300 MHz) and full reflection √(4·1.259/(4π·2)) = 0.448 m.
func TestHoldPointsShowTheDistance(t *testing.T) {
	b := radiating(t)
	p := compile(t, depotSpec())
	cautions := strings.Join(sweep.Steps(p, b, nil)[0].Cautions, "\n")
	for _, want := range []string{"at least 0.45 m", "EIRP 31.0 dBm", "47 CFR 1.1310", "local codes and competent persons"} {
		if !strings.Contains(cautions, want) {
			t.Errorf("no %q in %q", want, cautions)
		}
	}
	o := sweep.Predict(p, b, nil, nil).Exposure
	if len(o.Points) != len(p.Points) || !strings.Contains(cautions, o.Caution) || o.Rule.Ground != 4 {
		t.Errorf("the forecast has other distances than the hold point: %+v", o)
	}
	b.Radiated = nil
	if text := strings.Join(sweep.Steps(p, b, nil)[0].Cautions, "\n"); !strings.Contains(text, sweep.CautionUnstated) {
		t.Errorf("an unstated chain is not said: %q", text)
	}
}

func TestLedgerTotals(t *testing.T) {
	at := time.Date(2026, 3, 1, 2, 0, 0, 0, time.UTC)
	key := func(f unit.Hz, level unit.DBm, from, on time.Duration) sweep.Keying {
		k := sweep.Keying{Freq: f, Level: level, On: at.Add(from)}
		if on > 0 {
			k.Off = k.On.Add(on)
		}
		return k
	}
	doubtful := key(900e6, -20, 4*time.Second, time.Second)
	doubtful.OffNot = "no link to it"
	got := sweep.Totals([]sweep.Keying{
		key(100e6, 0, 0, 2*time.Second), key(300e6, -10, time.Second, 3*time.Second), key(300.1e6, -5, 2*time.Second, 0), doubtful,
	})
	if len(got) != 2 {
		t.Fatalf("%d bands, want 2: %+v", len(got), got)
	}
	// ITU Radio Regulations article 2: VHF reaches up to 300 MHz, its upper limit included.
	v, u := got[0], got[1]
	if v.Band != "VHF" || v.From != 30e6 || v.To != 300e6 || v.Keyings != 2 || v.On != 5*time.Second || v.Highest != 0 || v.LongestOn != 3*time.Second {
		t.Errorf("VHF: %+v", v)
	}
	if u.Band != "UHF" || u.Keyings != 2 || u.On != time.Second || u.Highest != -5 || u.Unknown != 1 || u.Doubtful != 1 {
		t.Errorf("UHF: %+v", u)
	}
	if !u.FirstOn.Equal(at.Add(2*time.Second)) || !u.LastOn.Equal(at.Add(4*time.Second)) {
		t.Errorf("UHF from %v to %v", u.FirstOn, u.LastOn)
	}
}

package emission_test

import (
	"strings"
	"testing"
	"testing/fstest"

	"lidded/driver/unit"
	"lidded/sweep/emission"
)

func table(t testing.TB) emission.Never {
	t.Helper()
	n, err := emission.BuiltinNever()
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// The carriers are those of published lists: distress, ITU list of distress
// frequencies; ILS, VOR, DME, transponders and altimeters, ICAO Annex 10 (from
// memory); satellite navigation, the systems' own interface documents.
func TestSafetyServicesAreForbidden(t *testing.T) {
	n := table(t)
	for _, c := range []struct {
		mhz  float64
		want string
	}{
		{0.500, "distress-500khz"}, {2.1745, "distress-2mhz"}, {2.182, "distress-2mhz"}, {2.1875, "distress-2mhz"},
		{4.125, "distress-4mhz-voice"}, {8.4145, "distress-8mhz-calling"}, {16.8045, "distress-16mhz-calling"},
		{75, "marker-beacon"}, {110, "ils-localizer-vor"}, {122.5, "airband-voice"}, {130, "airband-voice"},
		{156.525, "marine-calling-vhf"}, {156.8, "marine-distress-vhf"}, {243, "air-distress-uhf"},
		{332, "ils-glide-path"}, {406.05, "satellite-distress-up"}, {1544.5, "satellite-distress-down"}, {1646, "satellite-distress-up-1645"},
		{1030, "dme-transponders"}, {1090, "dme-transponders"}, {1176.45, "dme-transponders"}, {1207.14, "dme-transponders"},
		{1227.60, "satnav-l2-e6"}, {1246, "satnav-l2-e6"}, {1268.52, "satnav-l2-e6"}, {1278.75, "satnav-l2-e6"}, {1575.42, "satnav-l1-e1"},
		{4300, "radio-altimeter"},
	} {
		e, ok := n.Forbids(unit.Hz(c.mhz*1e6), 0)
		if !ok || e.Name != c.want {
			t.Errorf("%g MHz: %q, want %q", c.mhz, e.Name, c.want)
		}
	}
	if e, ok := n.Forbids(121.5e6, 0); !ok || e.Name != "airband-voice" {
		t.Errorf("121.5 MHz: %q", e.Name)
	}
	for _, mhz := range []float64{1, 30, 74.7, 75.3, 107.9, 137.1, 200, 300, 500, 900, 1400, 2450, 5800} {
		if e, ok := n.Forbids(unit.Hz(mhz*1e6), 0); ok {
			t.Errorf("%g MHz is forbidden by %s", mhz, e.Name)
		}
	}
}

// A carrier that may be off frequency counts where it may be.
func TestFrequencyErrorReachesIntoAnEntry(t *testing.T) {
	n := table(t)
	if _, ok := n.Forbids(405.999e6, 0); ok {
		t.Error("405.999 MHz is forbidden without frequency error")
	}
	if _, ok := n.Forbids(405.999e6, 5); !ok { // 5 ppm of 406 MHz is 2 kHz
		t.Error("405.999 MHz ± 2 kHz is not forbidden")
	}
}

func TestOverrideFreesOneEntryAlone(t *testing.T) {
	n, err := table(t).With([]emission.Override{{Entry: "airband-voice", Basis: "closed screened room, site rule 7"}})
	if err != nil {
		t.Fatal(err)
	}
	if e, ok := n.Forbids(130e6, 0); ok {
		t.Errorf("130 MHz is still forbidden by %s", e.Name)
	}
	if o := n.Overridden(130e6, 0); len(o) != 1 || o[0].Basis != "closed screened room, site rule 7" {
		t.Errorf("overridden at 130 MHz: %v", o)
	}
	// The distress frequency inside it has its own entry and stays.
	if e, ok := n.Forbids(121.5e6, 0); !ok || e.Name != "air-distress-vhf" {
		t.Errorf("121.5 MHz: %q %v", e.Name, ok)
	}
}

func TestOverrideRefusals(t *testing.T) {
	for _, c := range []struct {
		list []emission.Override
		at   int
		want string
	}{
		{[]emission.Override{{Basis: "x"}}, 0, "no entry: name one of the never-transmit table, such as distress-500khz"},
		{[]emission.Override{{Entry: "airband-vice", Basis: "x"}}, 0, `unknown never-transmit entry "airband-vice": did you mean "airband-voice"?`},
		{[]emission.Override{{Entry: "airband-voice", Basis: " "}}, 0, "no basis: say in your own words what gives you the right to transmit on airband-voice"},
		{[]emission.Override{{Entry: "airband-voice", Basis: "x"}, {Entry: "airband-voice", Basis: "y"}}, 1, "entry airband-voice is overridden twice: keep one"},
	} {
		n, err := table(t).With(c.list)
		o, ok := err.(*emission.OverrideError)
		if !ok || o.Index != c.at || o.Message != c.want {
			t.Errorf("got  %v\nwant %s", err, c.want)
		}
		if len(n.Overrides) > 0 {
			t.Error("a wrong list of overrides is in force")
		}
	}
}

func TestFreeEnds(t *testing.T) {
	n := table(t)
	for _, c := range []struct{ f, below, above unit.Hz }{
		{121.5e6, 108e6, 137e6}, {1000e6, 960e6, 1300e6}, {500e6, 500e6, 500e6},
	} {
		if b, a := n.Free(c.f); b != c.below || a != c.above {
			t.Errorf("around %v: %v to %v, want %v to %v", c.f, b, a, c.below, c.above)
		}
	}
}

func TestNeverFilesAreStrict(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"unknown key", "entries:\n  - {name: a, form: 1 MHz, to: 2 MHz, why: w, source: s, region: r, mark: seen}\n", `n.yaml:2:15: entries[0].form: unknown key "form": did you mean "from"?`},
		{"no unit", "entries:\n  - {name: a, from: 1, to: 2 MHz, why: w, source: s, region: r, mark: seen}\n", `n.yaml:2:21: entries[0].from: "1" has no unit: write it in Hz, kHz, MHz or GHz, for example "30 MHz"`},
		{"swapped", "entries:\n  - {name: a, from: 3 MHz, to: 2 MHz, why: w, source: s, region: r, mark: seen}\n", `n.yaml:2:21: entries[0].from: need from above zero and to at or above from, have 3 MHz to 2 MHz`},
		{"no source", "entries:\n  - {name: a, from: 1 MHz, to: 2 MHz, why: w, region: r, mark: seen}\n", `n.yaml:2:5: entries[0]: no source: write one`},
		{"twice", "entries:\n  - {name: a, from: 1 MHz, to: 2 MHz, why: w, source: s, region: r, mark: seen}\n  - {name: a, from: 1 MHz, to: 2 MHz, why: w, source: s, region: r, mark: seen}\n", `n.yaml:3:12: entries[1].name: the name "a" stands in n.yaml already: rename one`},
		{"mark", "entries:\n  - {name: a, from: 1 MHz, to: 2 MHz, why: w, source: s, region: r, mark: heard}\n", `n.yaml:2:75: entries[0].mark: unknown mark "heard": use one of seen, memory, computed, chosen`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := emission.LoadNever(fstest.MapFS{"n.yaml": {Data: []byte(c.text)}})
			if err == nil || strings.Split(err.Error(), "\n")[0] != c.want {
				t.Errorf("got  %v\nwant %s", err, c.want)
			}
		})
	}
	if _, err := emission.LoadNever(fstest.MapFS{}); err == nil {
		t.Error("an empty folder is no table")
	}
}

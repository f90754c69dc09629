package instrument_test

import (
	"strings"
	"testing"

	"lidded/driver/instrument"
	"lidded/driver/virtual"
)

func TestCheckAnalyzers(t *testing.T) {
	for _, c := range analyzers {
		t.Run(c.dialect+"/"+c.traits, func(t *testing.T) {
			t.Parallel()
			l := labOf(t, traits(t, c.traits), traits(t, "source-scpi"), false, 1)
			a, err := l.analyzer(t.Context(), c.dialect)
			if err != nil {
				t.Fatal(err)
			}
			defer a.Close()
			rows, err := instrument.Check(t.Context(), a)
			if err != nil {
				t.Fatal(err)
			}
			allGood(t, rows, 20)
			found := map[string]bool{}
			for _, r := range rows {
				found[r.Item] = true
			}
			for _, item := range []string{"identity", "error queue", "rbw 30 kHz", "hold max_hold", "detector positive_peak", "sweep", "trace", "max hold"} {
				if !found[item] {
					t.Errorf("%s was not checked", item)
				}
			}
		})
	}
}

func allGood(t *testing.T, rows []instrument.Row, least int) {
	t.Helper()
	for _, r := range rows {
		t.Logf("%-28s | %-40s | %-30s | %v %s", r.Item, r.Sent, r.ReadBack, r.OK, r.Detail)
		if !r.OK {
			t.Errorf("%s: %s", r.Item, r.Detail)
		}
	}
	if len(rows) < least {
		t.Errorf("only %d rows", len(rows))
	}
}

func TestCheckSources(t *testing.T) {
	for _, c := range sources {
		t.Run(c.dialect, func(t *testing.T) {
			t.Parallel()
			l := newLab(t, "modern-opc", c.traits, false)
			s, err := l.source(t.Context(), c.dialect)
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			rows, err := instrument.Check(t.Context(), s)
			if err != nil {
				t.Fatal(err)
			}
			allGood(t, rows, 11)
			if n := len(l.bench.Ledger()); n != 0 {
				t.Errorf("the source was keyed %d times", n)
			}
		})
	}
}

// A dialect that does not suit its instrument shows where.
func TestCheckFindsWhatIsWrong(t *testing.T) {
	for _, c := range []struct {
		name, dialect, traits string
		change                func(*virtual.Traits)
		item, detail          string
	}{
		{"completion does not wait", "analyzer-opc", "modern-opc", func(x *virtual.Traits) { x.OPCQuery = "immediate" }, "sweep", "does not wait"},
		{"command not known", "analyzer-esr-poll", "modern-opc", func(*virtual.Traits) {}, "hold max_hold", "does not suit"},
		{"rbw steps", "analyzer-opc", "modern-opc", func(x *virtual.Traits) { x.RBWMin = 10e3 }, "rbw 1 kHz", "beyond the tolerance"},
		{"detector word", "analyzer-opc", "modern-opc", func(x *virtual.Traits) { x.Detectors["positive"] = "MAXPeak" }, "detector positive_peak", "-224"},
		{"byte order", "analyzer-real64-fixed", "swapped-real64", func(x *virtual.Traits) { x.ByteOrder = "NORM" }, "sweep", "byte order"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			x := traits(t, c.traits)
			c.change(&x)
			l := labOf(t, x, traits(t, "source-scpi"), false, 1)
			a, err := l.analyzer(t.Context(), c.dialect)
			if err != nil {
				t.Fatal(err)
			}
			defer a.Close()
			rows, err := instrument.Check(t.Context(), a)
			if err != nil {
				t.Fatal(err)
			}
			for _, r := range rows {
				if r.Item == c.item && !r.OK && strings.Contains(r.Detail, c.detail) {
					return
				}
			}
			t.Errorf("no row %q says %q", c.item, c.detail)
			allGood(t, rows, 0)
		})
	}
}

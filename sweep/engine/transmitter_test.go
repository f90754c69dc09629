package engine_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/emission"
	"lidded/sweep/engine"
)

// TestTheKeyHoldsEveryPermission: frequency and level are asked for at the key by
// themselves, whatever the check of a plan found: the ceiling of each range, the
// bench's own, the edges of ranges, and what is never transmitted on.
func TestTheKeyHoldsEveryPermission(t *testing.T) {
	b := sweep.Bench{
		Name: "depot", MaxLevel: 5, Conducted: true,
		MayTransmit: []sweep.Permission{
			{From: 30e6, To: 100e6, MaxLevel: -10, Basis: "licence"},
			{From: 200e6, To: 300e6, MaxLevel: 10, Basis: "screened room"},
			{From: 90e6, To: 110e6, MaxLevel: 0, Basis: "licence of the depot"},
		},
	}
	radiates := b
	radiates.Conducted = false
	never, err := emission.BuiltinNever()
	if err != nil {
		t.Fatal(err)
	}
	radiates.Never = never
	for name, c := range map[string]struct {
		bench sweep.Bench
		f     unit.Hz
		p     unit.DBm
		says  string // empty: allowed
	}{
		"inside":                         {b, 50e6, -20, ""},
		"at the ceiling of the range":    {b, 50e6, -10, ""},
		"over the ceiling of the range":  {b, 50e6, -9.99, "no range that bench depot may transmit on"},
		"where another range allows it":  {b, 95e6, -0.5, ""},
		"over both ranges' ceilings":     {b, 95e6, 0.1, "no range"},
		"at the lower edge":              {b, 30e6, -10, ""},
		"below the lower edge":           {b, 30e6 - 1, -10, "no range"},
		"at the upper edge":              {b, 300e6, 5, ""},
		"above the upper edge":           {b, 300e6 + 1, 5, "no range"},
		"between two ranges":             {b, 150e6, -30, "no range"},
		"over the bench, not its range":  {b, 250e6, 5.01, "over the bench's 5"},
		"at the bench's level":           {b, 250e6, 5, ""},
		"no frequency":                   {b, unit.Hz(math.NaN()), -20, "not a setting"},
		"no level":                       {b, 50e6, unit.Missing(), "not a setting"},
		"a level without end":            {b, 50e6, unit.DBm(math.Inf(-1)), "not a setting"},
		"permitted, never transmitted":   {radiates, 243e6, -30, "never transmitted"},
		"permitted, and not in a table":  {radiates, 220e6, -30, ""},
		"conducted, so no table applies": {b, 243e6, -30, ""},
	} {
		err := engine.Allowed(c.bench, nil, c.f, c.p)
		if c.says == "" && err != nil || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%s (%v at %v): %v, want %q", name, c.p, c.f, err, c.says)
		}
	}
	withdrawn := errors.New("withdrawn")
	var asked []any
	ask := func(f unit.Hz, p unit.DBm) error { asked = append(asked, f, p); return withdrawn }
	if err := engine.Allowed(b, ask, 50e6, -20); !errors.Is(err, withdrawn) || len(asked) != 2 || asked[0] != unit.Hz(50e6) || asked[1] != unit.DBm(-20) {
		t.Errorf("%v, asked %v", err, asked)
	}
	if err := engine.Allowed(b, ask, 150e6, -20); err == nil || errors.Is(err, withdrawn) {
		t.Errorf("outside every range: %v", err)
	}
}

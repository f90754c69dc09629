package plain_test

import (
	"math"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/report/plain"
)

// TestTables: ratios of fields by 20·log10 and of powers by 10·log10, as tables of
// decibels have them (3 dB 1.9953 and 1.4125, 6 dB 3.9811 and 1.9953; the others are
// powers of ten, computed).
func TestTables(t *testing.T) {
	for d, want := range map[unit.DB][2]float64{
		0: {1, 1}, 3: {1.4125, 1.9953}, 6: {1.9953, 3.9811}, 10: {3.1623, 10}, 20: {10, 100}, 40: {100, 1e4}, 60: {1e3, 1e6}, 100: {1e5, 1e10}, -20: {0.1, 0.01},
	} {
		if f, p := plain.Field(d), plain.Power(d); math.Abs(f/want[0]-1) > 5e-5 || math.Abs(p/want[1]-1) > 5e-5 {
			t.Errorf("%v: %g and %g, want %v", d, f, p, want)
		}
	}
}

// TestWordsNeverFlatter: what is left is rounded up, a bound is never told as a value.
func TestWordsNeverFlatter(t *testing.T) {
	for d, want := range map[unit.DB]string{
		0: "all of the field", 3: "71 % of the field, 51 % of the power", 20: "1/10 of the field, 1/100 of the power", 40: "1/100 of the field, 1/10,000 of the power",
		37: "1/70 of the field, 1/5,000 of the power", 59.99: "1/990 of the field, 1/990,000 of the power", 60: "1/1,000 of the field, 1/1,000,000 of the power",
		-6.0206: "2.0 times the field", unit.DB(math.Inf(1)): "nothing of the field", unit.DB(math.NaN()): "nothing is known",
	} {
		if got := plain.Left(d); !strings.HasPrefix(got, want) {
			t.Errorf("%v: %q, want %q", d, got, want)
		}
	}
	for _, c := range []struct {
		se   sweep.SE
		want string
	}{
		{sweep.SE{Relation: sweep.Equal, Value: 40, U: 1}, "about 1/100 of the field, 1/10,000 of the power gets in"},
		{sweep.SE{Relation: sweep.AtLeastRelation, Value: 40}, "at most 1/100 of the field, 1/10,000 of the power gets in"},
		{sweep.SE{}, "nothing can be said of what gets in"},
	} {
		if got := plain.Sentence(c.se); got != c.want {
			t.Errorf("%v: %q", c.se, got)
		}
	}
	asked := unit.DB(60)
	low := sweep.Worst{Freq: 445e6, SE: sweep.SE{Relation: sweep.AtLeastRelation, Value: 40}, Required: &asked}
	got := plain.Summary(sweep.Summary{Lowest: &low})
	if got != "At its weakest frequency, 445 MHz, at most 1/100 of the field, 1/10,000 of the power gets in; the requirement allows 1/1,000 of the field, 1/1,000,000 of the power." {
		t.Errorf("%s", got)
	}
	if got := plain.Pulse(40, 50e3); !strings.HasPrefix(got, "500 V/m of 50,000 V/m remain") || !strings.Contains(got, "the weakest rules") {
		t.Errorf("%s", got)
	}
}

// TestBothWays: decibels and what is left are read and give each other back.
func TestBothWays(t *testing.T) {
	for text, want := range map[string]float64{"37": 37, "37 dB": 37, "-3dB": -3, "1/100": 40, "1 %": 40, "0.01": 40, "1/10,000": 80, "200 %": -6.0206} {
		d, _, err := plain.Parse(text, plain.OfField)
		if err != nil || math.Abs(float64(d)-want) > 1e-3 {
			t.Errorf("%s: %v, %v; want %g dB", text, d, err, want)
		}
	}
	if d, _, err := plain.Parse("1/100", plain.OfPower); err != nil || math.Abs(float64(d)-20) > 1e-9 {
		t.Errorf("of the power: %v, %v", d, err)
	}
	for text, want := range map[string]string{"": "write decibels", "loud": "write decibels", "0 %": "more than nothing", "-1/3": "more than nothing", "1/0": "write decibels", "1e9": "beyond 400 dB", "nan": "write decibels", "401 dB": "beyond 400 dB"} {
		if _, _, err := plain.Parse(text, plain.OfField); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

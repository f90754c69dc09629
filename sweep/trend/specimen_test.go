package trend_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/trend"
)

func dB(v float64) *unit.DB { d := unit.DB(v); return &d }

// aNight is a run of one specimen with the rows given.
func aNight(day int, rows ...sweep.BriefRow) trend.Night {
	began := time.Date(2026, 5, day, 22, 0, 0, 0, time.UTC)
	cycle := int64(100 * day)
	return trend.Night{Run: sweep.RunInfo{ID: sweep.RunID(began.Format("r02")), Created: began, DoorCycle: &cycle, State: sweep.Completed}, Brief: sweep.Brief{Specimen: "locker", Rows: rows}}
}

func valueRow(f unit.Hz, se, down, up float64, reference unit.DBm) sweep.BriefRow {
	return sweep.BriefRow{Freq: f, Outcome: sweep.Measured, Reference: reference, SE: sweep.SE{Relation: sweep.Equal, Value: unit.DB(se), Low: unit.DB(se - down), High: unit.DB(se + up)}}
}

func boundRow(f unit.Hz, se float64) sweep.BriefRow {
	return sweep.BriefRow{Freq: f, Outcome: sweep.AtLeast, Reference: unit.Missing(), SE: sweep.SE{Relation: sweep.AtLeastRelation, Value: unit.DB(se), Low: unit.DB(se), High: unit.DB(math.Inf(1))}}
}

// TestASpecimensSeries: bounds stay bounds, low and high ends stay where they are, the
// requirement is the newest run's, a night without a claim or without the frequency is
// no point, and the reference has a series of its own.
func TestASpecimensSeries(t *testing.T) {
	rows := func(r sweep.BriefRow, required *unit.DB) sweep.BriefRow { r.Required = required; return r }
	nights := []trend.Night{ // in no order
		aNight(3, rows(valueRow(100.2e6, 50, 4, 20, -21), dB(45))),
		aNight(1, rows(boundRow(100e6, 70), dB(40))),
		aNight(2, rows(valueRow(100.1e6, 80, 6, 2, -20), dB(42)), valueRow(100.4e6, 10, 1, 1, -30)),
		aNight(4, rows(sweep.BriefRow{Freq: 100e6, Outcome: sweep.Void, Reference: -22}, dB(47))),
		aNight(5, valueRow(300e6, 20, 1, 1, -25)),
	}
	got, err := trend.Specimen(nights, []unit.Hz{100e6, 100.1e6, 200e6}, trend.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 1 || got[0].Freq != 100e6 {
		t.Fatalf("%+v", got)
	}
	f := got[0]
	if f.Required == nil || *f.Required != 47 {
		t.Errorf("required %v, want the newest run's 47 dB", f.Required)
	}
	var order []string
	for _, r := range f.Rows {
		order = append(order, string(r.Run.ID))
	}
	if !slices.Equal(order, []string{"r01", "r02", "r03", "r04"}) {
		t.Errorf("rows in the order %v", order)
	}
	if f.SE.Values != 2 || f.SE.Bounds != 1 || f.Reference.Values != 3 || f.Reference.Bounds != 0 {
		t.Errorf("%d values and %d bounds, %d references", f.SE.Values, f.SE.Bounds, f.Reference.Values)
	}
	// Of the SE the newest claim leaves up to 70 dB open, which both before were at least.
	if f.SE.Proof != nil {
		t.Errorf("proven: %+v", f.SE.Proof)
	}
}

// TestTheNewestClaimsEndsCount: an interval that reaches up to the earlier low end
// proves nothing; one that reaches far down only does.
func TestTheNewestClaimsEndsCount(t *testing.T) {
	first := aNight(1, valueRow(100e6, 80, 6, 30, -20))
	for name, c := range map[string]struct {
		last sweep.BriefRow
		by   float64
	}{
		"far up":   {valueRow(100e6, 50, 1, 30, -20), 0},
		"far down": {valueRow(100e6, 50, 30, 1, -20), 23},
		"a bound":  {boundRow(100e6, 20), 0},
	} {
		got, err := trend.Specimen([]trend.Night{aNight(2, c.last), first}, []unit.Hz{100e6}, trend.Options{})
		if err != nil {
			t.Fatal(err)
		}
		p := got[0].SE.Proof
		if (p != nil) != (c.by > 0) || p != nil && math.Abs(p.By-c.by) > 1e-9 {
			t.Errorf("%s: %+v, want %v dB", name, p, c.by)
		}
	}
}

// TestAChangeSaysWhichWay: six nights at 80 dB and six at 60 fell, the other way round
// they rose, by 20 dB from the seventh.
func TestAChangeSaysWhichWay(t *testing.T) {
	for _, c := range []struct {
		before, after float64
		fell          bool
	}{{80, 60, true}, {60, 80, false}} {
		var nights []trend.Night
		for day := 1; day <= 12; day++ {
			v := c.before
			if day > 6 {
				v = c.after
			}
			nights = append(nights, aNight(day, valueRow(100e6, v+0.3*float64(day%3), 2, 2, -20)))
		}
		got, err := trend.Specimen(nights, []unit.Hz{100e6}, trend.Options{})
		if err != nil {
			t.Fatal(err)
		}
		x := got[0].SE.Change
		if x == nil || x.Fell() != c.fell || x.First != 6 || !x.Since.Equal(nights[6].Run.Created) || !x.Before.Equal(nights[5].Run.Created) || math.Abs(x.By.Value-(c.after-c.before)) > 0.5 || !(x.By.Low < x.By.Value && x.By.Value < x.By.High) {
			t.Errorf("from %v to %v: %+v", c.before, c.after, x)
		}
	}
}

// TestUsualFrequencies: those of the newest run with a claim, the lowest SE first, in
// order of frequency.
func TestUsualFrequencies(t *testing.T) {
	none := sweep.BriefRow{Freq: 50e6, Outcome: sweep.Void}
	nights := []trend.Night{
		aNight(1, valueRow(900e6, 1, 1, 1, -20)),
		aNight(2, none, valueRow(400e6, 30, 1, 1, -20), valueRow(100e6, 50, 1, 1, -20), valueRow(200e6, 40, 1, 1, -20), valueRow(200e6, 45, 1, 1, -20)),
		aNight(3, none),
	}
	if got := trend.Usual(nights, 2); !slices.Equal(got, []unit.Hz{200e6, 400e6}) {
		t.Errorf("%v", got)
	}
	if got := trend.Usual(nights, 9); !slices.Equal(got, []unit.Hz{100e6, 200e6, 400e6}) {
		t.Errorf("%v", got)
	}
	if got := trend.Usual(nights[2:], 9); got != nil {
		t.Errorf("%v", got)
	}
}

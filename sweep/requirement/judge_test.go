package requirement_test

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lidded/driver/unit"
	"lidded/sweep/requirement"
)

func TestJudge(t *testing.T) {
	line := builtin(t, "depot-spare-radio") // 60 dB, 30 MHz to 1 GHz
	cases := []struct {
		name     string
		result   requirement.Result
		want     requirement.Verdict
		headroom float64 // NaN: none
		decide   string
	}{
		{"clear above", requirement.MeasuredSE(65, 3), requirement.Meets, 5, ""},
		{"just above with its guard band", requirement.MeasuredSE(63, 3), requirement.Meets, 3, ""},
		{"above, inside the guard band", requirement.MeasuredSE(62.5, 3), requirement.Undecided, 2.5, "an uncertainty of at most ±2.5 dB"},
		{"below, inside the guard band", requirement.MeasuredSE(58, 3), requirement.Undecided, -2, "an uncertainty of at most ±2.0 dB"},
		{"clear below", requirement.MeasuredSE(56.9, 3), requirement.FallsShort, -3.1, ""},
		{"upper end on the line", requirement.MeasuredSE(57, 3), requirement.Undecided, -3, "±3.0 dB"},
		{"on the line", requirement.MeasuredSE(60, 1), requirement.Undecided, 0, "no uncertainty is small enough"},
		{"bound at the line", requirement.AtLeastSE(60), requirement.Meets, 0, ""},
		{"bound above", requirement.AtLeastSE(71), requirement.Meets, 11, ""},
		{"bound below never fails", requirement.AtLeastSE(20), requirement.Undecided, -40, "40.0 dB more dynamic range"},
		{"ambient", requirement.Result{Outcome: requirement.Ambient}, requirement.Undecided, math.NaN(), "nearby clear frequency"},
		{"void", requirement.Result{Outcome: requirement.Void}, requirement.Undecided, math.NaN(), "mend the fault"},
		{"nothing", requirement.Result{}, requirement.Undecided, math.NaN(), "measure this point"},
		{"not a number", requirement.MeasuredSE(unit.DB(math.NaN()), 1), requirement.Undecided, math.NaN(), "measure this point"},
		{"negative uncertainty", requirement.MeasuredSE(80, -1), requirement.Undecided, math.NaN(), "measure this point"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			j := requirement.Judge(line, requirement.Electric, 100e6, c.result)
			if j.Verdict != c.want || j.Required != 60 || j.Rule != requirement.Rule || j.Why == "" {
				t.Errorf("%+v, want %v", j, c.want)
			}
			if h := float64(j.Headroom); math.Abs(h-c.headroom) > 1e-9 || math.IsNaN(h) != math.IsNaN(c.headroom) {
				t.Errorf("headroom %v, want %v", h, c.headroom)
			}
			if (c.decide == "") != (j.ToDecide == "") || !strings.Contains(j.ToDecide, c.decide) {
				t.Errorf("to decide %q, want %q", j.ToDecide, c.decide)
			}
		})
	}
	if j := requirement.Judge(line, requirement.Magnetic, 100e6, requirement.AtLeastSE(90)); j.Verdict != requirement.NotRequired {
		t.Errorf("no magnetic line: %+v", j)
	}
}

func TestCombine(t *testing.T) {
	const m, f, u, n = requirement.Meets, requirement.FallsShort, requirement.Undecided, requirement.NotRequired
	cases := []struct {
		in   []requirement.Verdict
		want requirement.Verdict
	}{
		{[]requirement.Verdict{m, m, n}, m},
		{[]requirement.Verdict{m, u, m}, u},
		{[]requirement.Verdict{u, m, f}, f},
		{[]requirement.Verdict{m, requirement.VerdictUnknown}, u},
		{[]requirement.Verdict{n, n}, u},
		{nil, u},
	}
	for _, c := range cases {
		if got := requirement.Combine(c.in); got != c.want {
			t.Errorf("%v: %v, want %v", c.in, got, c.want)
		}
	}
}

// A better result never has a worse verdict, and a bound is never held against the specimen.
func TestJudgeIsMonotonic(t *testing.T) {
	line := builtin(t, "mil-std-188-125-1")
	rank := map[requirement.Verdict]int{requirement.FallsShort: 0, requirement.Undecided: 1, requirement.Meets: 2}
	rapid.Check(t, func(t *rapid.T) {
		f := unit.Hz(rapid.Float64Range(10e3, 10e6).Draw(t, "f"))
		se := unit.DB(rapid.Float64Range(0, 120).Draw(t, "se"))
		u := unit.DB(rapid.Float64Range(0, 10).Draw(t, "u"))
		more := unit.DB(rapid.Float64Range(0, 20).Draw(t, "more"))
		a := requirement.Judge(line, requirement.Magnetic, f, requirement.MeasuredSE(se, u))
		b := requirement.Judge(line, requirement.Magnetic, f, requirement.MeasuredSE(se+more, u))
		if rank[b.Verdict] < rank[a.Verdict] {
			t.Fatalf("%v dB gives %v, %v dB gives %v", se, a.Verdict, se+more, b.Verdict)
		}
		wide := requirement.Judge(line, requirement.Magnetic, f, requirement.MeasuredSE(se, u+more))
		if wide.Verdict != requirement.Undecided && wide.Verdict != a.Verdict {
			t.Fatalf("more uncertainty turned %v into %v", a.Verdict, wide.Verdict)
		}
		if requirement.Judge(line, requirement.Magnetic, f, requirement.AtLeastSE(se)).Verdict == requirement.FallsShort {
			t.Fatal("a bound fell short")
		}
	})
}

func TestEMCode(t *testing.T) {
	m, b := requirement.MeasuredSE, requirement.AtLeastSE
	at := func(f unit.Hz, r requirement.Result) requirement.CodePoint {
		return requirement.CodePoint{Freq: f, Result: r}
	}
	cases := []struct {
		name string
		in   []requirement.CodePoint
		want string
	}{
		{"nothing measured", nil, "EMxxxxxxx"},
		{"one band", []requirement.CodePoint{at(50e6, m(47, 2)), at(100e6, b(62))}, "EMxxx4xxx"},
		{"lower end counts", []requirement.CodePoint{at(50e6, m(41, 2))}, "EMxxx3xxx"},
		{"band edges belong to the band above", []requirement.CodePoint{at(100e3, b(20)), at(1e6, b(30)), at(30e6, b(40)), at(200e6, b(50)), at(1e9, b(60)), at(10e9, b(70))}, "EMx234567"},
		{"ends", []requirement.CodePoint{at(10e3, b(5)), at(40e9, b(134)), at(41e9, b(1)), at(9e3, b(80))}, "EM0xxxxx9"},
		{"negative", []requirement.CodePoint{at(700e6, m(-9, 1))}, "EMxxxx0xx"},
		{"no claim is untested", []requirement.CodePoint{at(100e6, requirement.Result{Outcome: requirement.Ambient})}, "EMxxxxxxx"},
	}
	for _, c := range cases {
		code := requirement.NewEMCode(c.in)
		if got := code.String(); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
		if len(code.Bands) != 7 || !strings.Contains(code.Source, "memory") {
			t.Errorf("%s: %d bands, source %q", c.name, len(code.Bands), code.Source)
		}
	}
}

func TestTextOfEnums(t *testing.T) {
	for _, v := range []requirement.Verdict{requirement.Meets, requirement.FallsShort, requirement.Undecided, requirement.NotRequired} {
		b, err := v.MarshalText()
		var back requirement.Verdict
		if err != nil || back.UnmarshalText(b) != nil || back != v {
			t.Errorf("%v does not survive its own text %q", v, b)
		}
	}
	if requirement.Verdict(99).String() != "unknown" || requirement.OutcomeUnknown.String() != "unknown" {
		t.Error("strange values must read unknown")
	}
}

package program_test

import (
	"math"
	"testing"

	"lidded/driver/virtual/internal/program"
)

func tree(t testing.TB) *program.Tree[string] {
	var tr program.Tree[string]
	for _, p := range []string{
		"*IDN?", "SYSTem:ERRor[:NEXT]?", "[SENSe#:]FREQuency:CENTer", "[SENSe#:]FREQuency:CENTer?", "[SENSe#:]FREQuency:SPAN",
		"[SENSe#:]BANDwidth|BWIDth[:RESolution]", "[SENSe#:]BANDwidth|BWIDth[:RESolution]:AUTO",
		"DISPlay[:WINDow#]:TRACe#:MODE", "CALCulate#:MARKer#:MAXimum[:PEAK]", "CALCulate#:MARKer#:Y?", "INITiate[:IMMediate]", "OUTPut#[:STATe]",
	} {
		if err := tr.Add(p, p); err != nil {
			t.Fatal(err)
		}
	}
	return &tr
}

// Rules of SCPI-99 volume 1, 6.2: short or long form, optional nodes, suffixes,
// and the path after a semicolon.
func TestFind(t *testing.T) {
	type hit struct {
		pattern string
		nums    []int
		code    int
	}
	tests := map[string][]hit{
		"*IDN?":                      {{pattern: "*IDN?"}},
		"*idn?":                      {{pattern: "*IDN?"}},
		"SYST:ERR?":                  {{pattern: "SYSTem:ERRor[:NEXT]?"}},
		"system:error:next?":         {{pattern: "SYSTem:ERRor[:NEXT]?"}},
		"SYSTE:ERR?":                 {{code: -113}},
		"SYST:ERR":                   {{code: -113}},
		"SYST?":                      {{code: -113}},
		":FREQ:CENT 1":               {{pattern: "[SENSe#:]FREQuency:CENTer", nums: []int{1}}},
		"SENS2:FREQ:CENT 1;SPAN 2":   {{pattern: "[SENSe#:]FREQuency:CENTer", nums: []int{2}}, {pattern: "[SENSe#:]FREQuency:SPAN", nums: []int{2}}},
		"FREQ:CENT 1;SPAN 2":         {{pattern: "[SENSe#:]FREQuency:CENTer", nums: []int{1}}, {pattern: "[SENSe#:]FREQuency:SPAN", nums: []int{1}}},
		"FREQ:CENT 1;FREQ:SPAN 2":    {{pattern: "[SENSe#:]FREQuency:CENTer", nums: []int{1}}, {code: -113}},
		"FREQ:CENT 1;:FREQ:SPAN 2":   {{pattern: "[SENSe#:]FREQuency:CENTer", nums: []int{1}}, {pattern: "[SENSe#:]FREQuency:SPAN", nums: []int{1}}},
		"FREQ:CENT 1;*IDN?;SPAN 2":   {{pattern: "[SENSe#:]FREQuency:CENTer", nums: []int{1}}, {pattern: "*IDN?"}, {pattern: "[SENSe#:]FREQuency:SPAN", nums: []int{1}}},
		"BAND 1;BWID:AUTO ON":        {{pattern: "[SENSe#:]BANDwidth|BWIDth[:RESolution]", nums: []int{1}}, {pattern: "[SENSe#:]BANDwidth|BWIDth[:RESolution]:AUTO", nums: []int{1}}},
		"BANDWIDTH:RESOLUTION 1":     {{pattern: "[SENSe#:]BANDwidth|BWIDth[:RESolution]", nums: []int{1}}},
		"DISP:TRAC2:MODE MAXH":       {{pattern: "DISPlay[:WINDow#]:TRACe#:MODE", nums: []int{1, 2}}},
		"DISP:WIND3:TRAC2:MODE MAXH": {{pattern: "DISPlay[:WINDow#]:TRACe#:MODE", nums: []int{3, 2}}},
		"CALC2:MARK3:MAX;Y?":         {{pattern: "CALCulate#:MARKer#:MAXimum[:PEAK]", nums: []int{2, 3}}, {pattern: "CALCulate#:MARKer#:Y?", nums: []int{2, 3}}},
		"FREQ2:CENT 1":               {{code: -114}},
		"FREQ::CENT 1":               {{code: -113}},
		"FREQ: 1":                    {{code: -102}},
		"FR#EQ:CENT 1":               {{code: -101}},
		"OUTP ON;:OUTP2:STAT OFF":    {{pattern: "OUTPut#[:STATe]", nums: []int{1}}, {pattern: "OUTPut#[:STATe]", nums: []int{2}}},
		";;INIT;":                    {{pattern: "INITiate[:IMMediate]"}},
		"":                           {},
		":":                          {{code: -113}},
		"?":                          {{code: -113}},
		"*":                          {{code: -101}},
	}
	tr := tree(t)
	for line, want := range tests {
		t.Run(line, func(t *testing.T) {
			units, err := program.Split(line)
			if err != nil {
				t.Fatal(err)
			}
			if len(units) != len(want) {
				t.Fatalf("units = %v, want %d", units, len(want))
			}
			var path program.Path[string]
			for i, u := range units {
				got, nums, err := tr.Find(&path, u.Header)
				if err != nil {
					if err.Code != want[i].code {
						t.Errorf("unit %d: error %d, want %d", i, err.Code, want[i].code)
					}
					continue
				}
				if got != want[i].pattern {
					t.Errorf("unit %d: %q, want %q", i, got, want[i].pattern)
				}
				for k := range want[i].nums {
					if k >= len(nums) || nums[k] != want[i].nums[k] {
						t.Errorf("unit %d: suffixes %v, want %v", i, nums, want[i].nums)
						break
					}
				}
			}
		})
	}
}

func TestNumber(t *testing.T) {
	r := program.Range{Min: 9e3, Max: 3e9, Default: 1e9}
	tests := []struct {
		arg  string
		q    program.Quantity
		want float64
		code int
	}{
		{"1e6", program.Frequency, 1e6, 0},
		{"1 MHZ", program.Frequency, 1e6, 0},
		{"1MHz", program.Frequency, 1e6, 0},
		{"2.4 GHz", program.Frequency, 2.4e9, 0},
		{"10 khz", program.Frequency, 10e3, 0},
		{"-10DBM", program.Level, -10, 0},
		{"-10 dBm", program.Level, -10, 0},
		{"20 MS", program.Time, 0.02, 0},
		{"5us", program.Time, 5e-6, 0},
		{"10 dB", program.Ratio, 10, 0},
		{"MIN", program.Frequency, 9e3, 0},
		{"MAXimum", program.Frequency, 3e9, 0},
		{"DEF", program.Frequency, 1e9, 0},
		{"#HFF", program.Plain, 255, 0},
		{"#B101", program.Plain, 5, 0},
		{"#Q17", program.Plain, 15, 0},
		{"+1.5E+003", program.Plain, 1500, 0},
		{".5", program.Plain, 0.5, 0},
		{"1 V", program.Level, 0, -131},
		{"1 MHZ", program.Level, 0, -131},
		{"1 X", program.Plain, 0, -138},
		{"abc", program.Plain, 0, -104},
		{"", program.Plain, 0, -109},
		{"1.2.3", program.Plain, 0, -120},
		{"#HZZ", program.Plain, 0, -120},
		{"1e999", program.Plain, 0, -120},
	}
	for _, c := range tests {
		got, err := program.Number(c.arg, c.q, r)
		switch {
		case err != nil && err.Code != c.code:
			t.Errorf("%q: error %d, want %d", c.arg, err.Code, c.code)
		case err == nil && c.code != 0:
			t.Errorf("%q: %v, want error %d", c.arg, got, c.code)
		case err == nil && math.Abs(got-c.want) > 1e-9*math.Abs(c.want):
			t.Errorf("%q: %v, want %v", c.arg, got, c.want)
		}
	}
}

func TestBoolAndWords(t *testing.T) {
	for arg, want := range map[string]bool{"ON": true, "off": false, "1": true, "0": false, "2": true, "0.4": false} {
		if got, err := program.Bool(arg); err != nil || got != want {
			t.Errorf("Bool(%q) = %v, %v", arg, got, err)
		}
	}
	if _, err := program.Bool("maybe"); err == nil || err.Code != -104 {
		t.Errorf("Bool(maybe) = %v, want -104", err)
	}
	for arg, want := range map[string]bool{"MAXH": true, "maxhold": true, "MAXHO": false, "MAX": false} {
		if got := program.Is(arg, "MAXHold"); got != want {
			t.Errorf("Is(%q) = %v", arg, got)
		}
	}
}

func TestSplitKeepsStrings(t *testing.T) {
	units, err := program.Split(`DISP:TEXT "a;b,c",2;*IDN?`)
	if err != nil || len(units) != 2 || len(units[0].Args) != 2 || program.Unquote(units[0].Args[0]) != "a;b,c" {
		t.Fatalf("units %v, %v", units, err)
	}
	if _, err := program.Split(`A "b`); err == nil || err.Code != -151 {
		t.Fatalf("open string: %v, want -151", err)
	}
}

func TestPatternMistakes(t *testing.T) {
	for _, p := range []string{"[SENS", "", "abc", "*"} {
		var tr program.Tree[int]
		if p == "*" {
			continue
		}
		if err := tr.Add(p, 1); err == nil {
			t.Errorf("pattern %q was accepted", p)
		}
	}
	var tr program.Tree[int]
	if err := tr.Add("FREQuency", 1); err != nil {
		t.Fatal(err)
	}
	if err := tr.Add("[SENSe:]FREQuency", 1); err == nil {
		t.Error("the same header twice was accepted")
	}
}

func FuzzMessage(f *testing.F) {
	for _, s := range []string{"FREQ:CENT 1 MHZ;SPAN 2", "*IDN?;:SYST:ERR?", `A "b;c",#H1F`, "DISP:WIND3:TRAC2:MODE MAXH", ":::;;,,?", "#", "CALC9999999999999999999:MARK1:MAX"} {
		f.Add(s)
	}
	tr := tree(f)
	f.Fuzz(func(t *testing.T, line string) {
		units, _ := program.Split(line)
		var path program.Path[string]
		for _, u := range units {
			if _, _, err := tr.Find(&path, u.Header); err != nil && err.Code >= 0 {
				t.Fatalf("error code %d", err.Code)
			}
			for _, a := range u.Args {
				v, err := program.Number(a, program.Frequency, program.Range{})
				if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
					t.Fatalf("%q gives %v", a, v)
				}
				program.Bool(a)
			}
		}
	})
}

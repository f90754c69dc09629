package scpi_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lidded/driver/scpi"
)

func same(a, b float64) bool {
	return math.Float64bits(a) == math.Float64bits(b) || (math.IsNaN(a) && math.IsNaN(b))
}

// The forms are those of IEEE 488.2 8.7.2 to 8.7.4, the special numbers those
// of SCPI-99 vol. 1, 7.2.1 (from memory, check against your copy).
func TestParseNumber(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		in   string
		want float64
	}{
		{"0", 0}, {"-0", math.Copysign(0, -1)}, {"+0", 0},
		{"1001", 1001}, {"-17", -17},
		{"-12.50", -12.5}, {".5", 0.5}, {"5.", 5}, {"+.5", 0.5},
		{"+1.0E+009", 1e9}, {"-8.734125000E+01", -87.34125}, {"1e3", 1000}, {"1E-3", 0.001},
		{" 42 ", 42}, {"\t42\r\n", 42}, {"7\x00", 7},
		{"1.7976931348623157E308", nan}, {"9.7999E37", 9.7999e37},
		{"4.9E-324", math.SmallestNonzeroFloat64},
		{"9007199254740993", 9007199254740992},
		{"12345678901234567890123", 1.2345678901234568e22},
		{"9.91E37", nan}, {"+9.91000000E+37", nan}, {"9.90999953E37", nan}, {"9.91E+0037", nan},
		{"9.9E37", inf}, {"-9.9E37", -inf}, {"9.89999968E+37", inf}, {"-9.90000000E+37", -inf},
		{"9.7E37", 9.7e37}, {"1E999", inf},
		{"NAN", nan}, {"nan", nan}, {"INF", inf}, {"+INF", inf}, {"-inf", -inf}, {"NINF", -inf},
		{"---", nan}, {"--", nan}, {"---.--", nan},
	} {
		got, err := scpi.ParseNumber([]byte(c.in))
		if err != nil || !same(got, c.want) {
			t.Errorf("ParseNumber(%q) = %v, %v; want %v", c.in, got, err, c.want)
		}
	}
}

func TestParseNumberRefuses(t *testing.T) {
	for in, want := range map[string]string{
		"":          "empty reply where a number was expected",
		"  ":        "empty reply where a number was expected",
		"-12,5":     `"-12,5" is not a number: a decimal comma, or several values`,
		"1.0E9 HZ":  `"1.0E9 HZ" is not a number: " HZ" follows it`,
		"1.0 E3":    `"1.0 E3" is not a number: " E3" follows it`,
		"-":         `"-" is not a number`,
		".":         `"." is not a number`,
		"E5":        `"E5" is not a number`,
		"1.2.3":     `"1.2.3" is not a number: ".3" follows it`,
		"1E":        `"1E" is not a number: "E" follows it`,
		"0x10":      `"0x10" is not a number: "x10" follows it`,
		"1_000":     `"1_000" is not a number: "_000" follows it`,
		"\xb5V":     `"\xb5V" is not a number`,
		"1;2":       `"1;2" is not a number: ";2" follows it`,
		"Infinityx": `"Infinityx" is not a number`,
	} {
		if v, err := scpi.ParseNumber([]byte(in)); err == nil || err.Error() != want {
			t.Errorf("ParseNumber(%q) = %v, %v; want error %q", in, v, err, want)
		}
	}
}

// Every decimal that strconv can write must come back to the last bit.
func TestParseNumberAgreesWithStrconv(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-200, 200)).Draw(t, "v")
		form := rapid.SampledFrom([]byte{'e', 'E', 'f', 'g'}).Draw(t, "form")
		prec := rapid.IntRange(-1, 25).Draw(t, "prec")
		s := strconv.FormatFloat(v, form, prec, 64)
		want, _ := strconv.ParseFloat(s, 64)
		if a := math.Abs(want); a >= 9.8e37 {
			return
		}
		got, err := scpi.ParseNumber([]byte(s))
		if err != nil || !same(got, want) {
			t.Fatalf("ParseNumber(%q) = %v, %v; want %v", s, got, err, want)
		}
	})
}

func TestFormatNumber(t *testing.T) {
	for v, want := range map[float64]string{
		1e9: "1E+09", 30e6: "3E+07", -12.5: "-12.5", 433.925e6: "4.33925E+08", 0: "0", 0.1: "0.1",
		math.Inf(1): "9.9E+37", math.Inf(-1): "-9.9E+37",
	} {
		if got := scpi.FormatNumber(v); got != want {
			t.Errorf("FormatNumber(%v) = %q, want %q", v, got, want)
		}
	}
	if got := scpi.FormatNumber(math.NaN()); got != "9.91E+37" {
		t.Errorf("FormatNumber(NaN) = %q", got)
	}
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-9e37, 9e37).Draw(t, "v")
		if got, err := scpi.ParseNumber([]byte(scpi.FormatNumber(v))); err != nil || got != v {
			t.Fatalf("%v came back as %v, %v", v, got, err)
		}
	})
}

func TestParseInt(t *testing.T) {
	for in, want := range map[string]int64{"1001": 1001, "+32": 32, "1.001E3": 1001, "-5": -5, "401.000": 401, "9223372036854775807": math.MaxInt64} {
		if got, err := scpi.ParseInt([]byte(in)); err != nil || got != want {
			t.Errorf("ParseInt(%q) = %d, %v; want %d", in, got, err, want)
		}
	}
	for _, in := range []string{"1.5", "9.91E37", "9.9E37", "x", "", "1E30", "---"} {
		if got, err := scpi.ParseInt([]byte(in)); err == nil {
			t.Errorf("ParseInt(%q) = %d, want an error", in, got)
		}
	}
}

func TestParseBool(t *testing.T) {
	for in, want := range map[string]bool{"0": false, "1": true, "+1": true, "ON": true, "off\r": false, "1.0": true} {
		if got, err := scpi.ParseBool([]byte(in)); err != nil || got != want {
			t.Errorf("ParseBool(%q) = %t, %v; want %t", in, got, err, want)
		}
	}
	for _, in := range []string{"", "2", "-1", "YES", "0.5", "9.91E37"} {
		if got, err := scpi.ParseBool([]byte(in)); err == nil {
			t.Errorf("ParseBool(%q) = %t, want an error", in, got)
		}
	}
	if scpi.FormatBool(true) != "ON" || scpi.FormatBool(false) != "OFF" {
		t.Error("FormatBool")
	}
}

func FuzzParseNumber(f *testing.F) {
	for _, s := range []string{"0", "-12.5", "+1.0E+009", "9.91E37", "-9.9E37", "---", "NINF", "1,5", "1.0 E3", "12345678901234567890.5e-400", "00000000000000000000000000000001", "1e+", ".e1", "\xff"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := scpi.ParseNumber(b)
		s := strings.Trim(string(b), " \t\n\v\f\r\x00")
		want, wantErr := strconv.ParseFloat(s, 64)
		if strings.ContainsAny(s, "xX_pP") || (wantErr != nil && !math.IsInf(want, 0)) || strings.Trim(s, "+-.eE0123456789") != "" {
			return // not a decimal; any answer but a panic will do
		}
		if err != nil {
			t.Fatalf("ParseNumber(%q): %v, strconv reads %v", b, err, want)
		}
		if a := math.Abs(want); a < 9.8e37 && !same(got, want) {
			t.Fatalf("ParseNumber(%q) = %v, strconv reads %v", b, got, want)
		} else if a >= 9.8e37 && !math.IsNaN(got) && !math.IsInf(got, 0) {
			t.Fatalf("ParseNumber(%q) = %v, want a special number", b, got)
		}
	})
}

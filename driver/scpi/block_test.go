package scpi_test

import (
	"errors"
	"testing"

	"lidded/driver/scpi"
)

// The forms of IEEE 488.2 8.7.9 and 8.7.10 and their older and larger kin.
func TestParseHeader(t *testing.T) {
	for in, want := range map[string]scpi.Header{
		"#540004\n\n": {scpi.FormDefinite, 7, 40004},
		"#15hello":    {scpi.FormDefinite, 3, 5},
		"#10":         {scpi.FormDefinite, 3, 0},
		"#3005":       {scpi.FormDefinite, 5, 5},
		"#9000000004": {scpi.FormDefinite, 11, 4},
		"#0abc\n":     {scpi.FormIndefinite, 2, -1},
		"#0":          {scpi.FormIndefinite, 2, -1},
		"#(1000000)x": {scpi.FormParen, 10, 1000000},
		"#A\x01\x02":  {scpi.FormA, 4, 258},
		"#A##":        {scpi.FormA, 4, 0x2323},
	} {
		if got, err := scpi.ParseHeader([]byte(in), 0); err != nil || got != want {
			t.Errorf("ParseHeader(%q) = %+v, %v; want %+v", in, got, err, want)
		}
	}
	for _, in := range []string{"", "#", "#5", "#5400", "#(", "#(12", "#A", "#A\x00"} {
		if got, err := scpi.ParseHeader([]byte(in), 0); !errors.Is(err, scpi.ErrShort) {
			t.Errorf("ParseHeader(%q) = %+v, %v; want ErrShort", in, got, err)
		}
	}
	for in, want := range map[string]string{
		"1.0,2.0":               `"1.0,2.0" does not begin with '#': not a block`,
		"#x12":                  `block header "#x" is of no known form`,
		"#24x":                  `block header "#24x" has "x" where a digit belongs`,
		"#2-1":                  `block header "#2-" has "-" where a digit belongs`,
		"#()":                   `block header "#()" has ")" where a digit belongs`,
		"#(12]":                 `block header "#(12]" has "]" where a digit belongs`,
		"#(1234567890123456789": `block header "#(123456789012345678" has no closing parenthesis after 18 digits`,
		"#41001":                `block header "#41001" declares 1001 bytes, more than the 1000 that can be`,
		"#9999999999":           `block header "#9999999999" declares 999999999 bytes, more than the 1000 that can be`,
	} {
		_, err := scpi.ParseHeader([]byte(in), 1000)
		if err == nil || err.Error() != want {
			t.Errorf("ParseHeader(%q): %v; want %q", in, err, want)
		}
	}
}

func TestAppendHeader(t *testing.T) {
	for n, want := range map[int]string{0: "#10", 40004: "#540004", 999999999: "#9999999999", 1000000000: "#(1000000000)"} {
		if got := string(scpi.AppendHeader(nil, n)); got != want {
			t.Errorf("AppendHeader(%d) = %q, want %q", n, got, want)
		}
		if h, err := scpi.ParseHeader([]byte(want), 1<<40); err != nil || h.Len != n {
			t.Errorf("ParseHeader(%q) = %+v, %v", want, h, err)
		}
	}
}

// A header must read the same from every split of the input.
func FuzzParseHeader(f *testing.F) {
	for _, s := range []string{"#540004", "#15hello", "#0", "#(123)", "#A\x00\x04abcd", "#9999999999", "#(99999999999999999999)", "#1", "#-1", "#2 1", "1,2"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		h, err := scpi.ParseHeader(b, 1<<20)
		if err == nil && (h.Size < 2 || h.Size > len(b) || h.Len > 1<<20 || (h.Len < 0) != (h.Form == scpi.FormIndefinite)) {
			t.Fatalf("ParseHeader(%q) = %+v", b, h)
		}
		for n := range min(len(b), 24) {
			p, perr := scpi.ParseHeader(b[:n], 1<<20)
			switch {
			case errors.Is(perr, scpi.ErrShort):
				continue
			case perr == nil && p != h, perr != nil && err == nil:
				t.Fatalf("%q reads as %+v, %v, its first %d bytes as %+v, %v", b, h, err, n, p, perr)
			}
			break
		}
		if err == nil && h.Form == scpi.FormDefinite {
			if again, err := scpi.ParseHeader(scpi.AppendHeader(nil, h.Len), 0); err != nil || again.Len != h.Len {
				t.Fatalf("length %d reads back as %+v, %v", h.Len, again, err)
			}
		}
	})
}

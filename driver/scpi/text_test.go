package scpi_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"lidded/driver/scpi"
)

func TestParseString(t *testing.T) {
	for in, want := range map[string]string{
		`"abc"`: "abc", `'abc'`: "abc", `"say ""on"""`: `say "on"`, `"it's"`: "it's", `abc def`: "abc def",
		` "x" ` + "\r": "x", `""`: "", ``: "", "\"5 \xb5V\"": "5 µV", `"a,b;c"`: "a,b;c",
	} {
		if got, err := scpi.ParseString([]byte(in)); err != nil || got != want {
			t.Errorf("ParseString(%q) = %q, %v; want %q", in, got, err, want)
		}
	}
	for in, want := range map[string]string{
		`"abc`:  `text "\"abc" has no closing quote`,
		`"`:     `text "\"" has no closing quote`,
		`"a"b"`: `text "\"a\"b\"" has a single quote inside`,
	} {
		if got, err := scpi.ParseString([]byte(in)); err == nil || err.Error() != want {
			t.Errorf("ParseString(%q) = %q, %v; want error %q", in, got, err, want)
		}
	}
}

func TestQuoteComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringMatching(`[ -~]*`).Draw(t, "s")
		if got, err := scpi.ParseString([]byte(scpi.Quote(s))); err != nil || got != s {
			t.Fatalf("%q came back as %q, %v", s, got, err)
		}
	})
}

func TestSplit(t *testing.T) {
	for _, c := range []struct {
		in   string
		sep  byte
		want []string
	}{
		{"1;32;0", ';', []string{"1", "32", "0"}},
		{"1, 2 ,3,", ',', []string{"1", "2", "3", ""}},
		{`1,"a,b",'c,"d'`, ',', []string{"1", `"a,b"`, `'c,"d'`}},
		{`"a""b;c";2`, ';', []string{`"a""b;c"`, "2"}},
		{"", ',', nil},
		{" \r\n", ',', nil},
	} {
		var got []string
		for _, p := range scpi.Split([]byte(c.in), c.sep) {
			got = append(got, string(p))
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("Split(%q) = %q, want %q", c.in, got, c.want)
		}
	}
}

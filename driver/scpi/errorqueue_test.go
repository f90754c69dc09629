package scpi_test

import (
	"errors"
	"slices"
	"strconv"
	"strings"
	"testing"

	"lidded/driver/scpi"
)

func TestParseError(t *testing.T) {
	for in, want := range map[string]scpi.DeviceError{
		`0,"No error"`:                         {0, "No error"},
		`+0,"No error"` + "\r":                 {0, "No error"},
		`-0`:                                   {0, ""},
		`0`:                                    {0, ""},
		`-113,"Undefined header;FOO:BAR?"`:     {-113, "Undefined header;FOO:BAR?"},
		`-222, "Data out of range"`:            {-222, "Data out of range"},
		`-222 Data out of range`:               {-222, "Data out of range"},
		`-222,Data out of range`:               {-222, "Data out of range"},
		`-222,"Data out of range`:              {-222, `"Data out of range`},
		`-350,"Queue overflow"`:                {-350, "Queue overflow"},
		`+101,"Reference unlocked"`:            {101, "Reference unlocked"},
		`-221,"Settings conflict; ""RBW"" 10"`: {-221, `Settings conflict; "RBW" 10`},
		`-100:Command error`:                   {-100, "Command error"},
	} {
		if got, err := scpi.ParseError([]byte(in)); err != nil || got != want {
			t.Errorf("ParseError(%q) = %+v, %v; want %+v", in, got, err, want)
		}
	}
	for in, want := range map[string]string{
		"":                       `"" is not an error-queue entry: no leading number`,
		`"No error"`:             `"\"No error\"" is not an error-queue entry: no leading number`,
		"-":                      `"-" is not an error-queue entry: no leading number`,
		"-12.5":                  `"-12.5" is not an error-queue entry: ".5" after the number`,
		"1E9":                    `"1E9" is not an error-queue entry: "E9" after the number`,
		"99999999999999999999,x": `"99999999999999999999,x" is not an error-queue entry: no leading number`,
	} {
		if got, err := scpi.ParseError([]byte(in)); err == nil || err.Error() != want {
			t.Errorf("ParseError(%q) = %+v, %v; want error %q", in, got, err, want)
		}
	}
}

func TestParseErrors(t *testing.T) {
	for in, want := range map[string][]scpi.DeviceError{
		`0,"No error"`: nil,
		`-113,"Undefined header",-222,"Data out of range, low"`: {{-113, "Undefined header"}, {-222, "Data out of range, low"}},
		`-113,-222,0`: {{-113, ""}, {-222, ""}},
		``:            nil,
	} {
		if got, err := scpi.ParseErrors([]byte(in)); err != nil || !slices.Equal(got, want) {
			t.Errorf("ParseErrors(%q) = %v, %v; want %v", in, got, err, want)
		}
	}
	if _, err := scpi.ParseErrors([]byte(strings.Repeat(`-1,"x",`, 100) + "0")); err == nil {
		t.Error("100 entries were accepted")
	}
}

// drain feeds the replies and then the last one for ever.
func drain(replies ...string) ([]scpi.DeviceError, int, error) {
	n := 0
	out, err := scpi.Drain(func() ([]byte, error) {
		n++
		return []byte(replies[min(n, len(replies))-1]), nil
	})
	return out, n, err
}

func TestDrain(t *testing.T) {
	out, reads, err := drain(`-113,"a"`, `-222,"b"`, `0,"No error"`)
	if err != nil || reads != 3 || !slices.Equal(out, []scpi.DeviceError{{-113, "a"}, {-222, "b"}}) {
		t.Errorf("drain: %v after %d reads, %v", out, reads, err)
	}
	out, reads, err = drain(`-113,"a"`, `-350,"Queue overflow"`)
	if err != nil || reads != 3 || len(out) != 2 {
		t.Errorf("drain with repeated overflow: %v after %d reads, %v", out, reads, err)
	}
	var last scpi.DeviceError
	out, reads, err = drain(`-113,"for ever"`)
	if reads != scpi.MaxDrain || len(out) != scpi.MaxDrain || !errors.As(err, &last) || last.Code != -113 {
		t.Errorf("endless drain: %d entries after %d reads, %v", len(out), reads, err)
	}
	if _, _, err := drain(`-113,"a"`, `garbage`); err == nil {
		t.Error("garbage was accepted")
	}
	lost := errors.New("lost")
	if _, err := scpi.Drain(func() ([]byte, error) { return nil, lost }); !errors.Is(err, lost) {
		t.Errorf("drain on a lost link: %v", err)
	}
}

func FuzzParseError(f *testing.F) {
	for _, s := range []string{`0,"No error"`, `+0`, `-113,"Undefined header;FOO"`, `-222 Data`, `-350,"Queue`, `1E9`, `-,`, "\xb5"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		e, err := scpi.ParseError(b)
		if err != nil {
			return
		}
		s := strings.TrimLeft(string(b), " \t\n\v\f\r\x00")
		if !strings.HasPrefix(strings.TrimLeft(s, "+-0"), strings.TrimLeft(strconv.Itoa(e.Code), "-0")) {
			t.Fatalf("ParseError(%q) has code %d", b, e.Code)
		}
		if _, err := scpi.ParseError([]byte(strconv.Itoa(e.Code) + "," + scpi.Quote(e.Text))); err != nil {
			t.Fatalf("%+v does not read back: %v", e, err)
		}
		scpi.ParseErrors(b)
	})
}

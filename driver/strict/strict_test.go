package strict_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"lidded/driver/strict"
	"lidded/driver/unit"
)

type inner struct {
	Level unit.DBm      `yaml:"level"`
	Wait  time.Duration `yaml:"wait"`
}

type doc struct {
	Name  string           `yaml:"name"`
	Freq  unit.Hz          `yaml:"freq"`
	List  []inner          `yaml:"list"`
	Map   map[string]inner `yaml:"map"`
	Count int              `yaml:"count"`
	Opt   *inner           `yaml:"opt"`
}

func TestGood(t *testing.T) {
	var d doc
	err := strict.Decode("a.yaml", []byte("name: x\nfreq: 30 MHz\nlist:\n  - level: -10 dBm\n    wait: 2s\nmap: {k: {level: 1 dBm}}\nopt: {wait: 1ms}\n"), &d)
	if err != nil {
		t.Fatal(err)
	}
	if d.Freq != 30e6 || d.List[0].Level != -10 || d.List[0].Wait != 2*time.Second || d.Map["k"].Level != 1 || d.Opt.Wait != time.Millisecond {
		t.Fatalf("got %+v", d)
	}
}

func TestProblems(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"unknown key", "nmae: x\n", `a.yaml:1:1: nmae: unknown key "nmae": did you mean "name"?`},
		{"far key", "zzzzzzz: x\n", `a.yaml:1:1: zzzzzzz: unknown key "zzzzzzz": known keys are count, freq, list, map, name, opt`},
		{"no unit", "freq: 30\n", `a.yaml:1:7: freq: "30" has no unit: write it in Hz, kHz, MHz or GHz, for example "30 MHz"`},
		{"wrong unit", "freq: 30 dBm\n", `a.yaml:1:7: freq: "30 dBm" has the wrong unit "dBm": write it in Hz, kHz, MHz or GHz, for example "30 MHz"`},
		{"nested", "list:\n  - level: 3 dB\n", `a.yaml:2:12: list[0].level: "3 dB" has the wrong unit "dB": write it in dBm, for example "-10 dBm"`},
		{"type", "count: many\n", `a.yaml:1:8: count: need a whole number, have "many"`},
		{"twice", "name: a\nname: b\n", `a.yaml:2:1: name: the key stands twice: keep one`},
		{"list", "list: 3\n", `a.yaml:1:7: list: need a list, have "3"`},
		{"time", "list: [{wait: 5}]\n", `a.yaml:1:15: list[0].wait: need a time with its unit, for example "500ms" or "2s", have "5"`},
		{"empty", "", `a.yaml: the file is empty`},
		{"syntax", "a: [\n", `a.yaml:1:1: not YAML: did not find expected node content`},
		{"two documents", "name: a\n---\nname: b\n", `a.yaml:2:1: only one document per file: remove the second ---`},
	} {
		t.Run(c.name, func(t *testing.T) {
			var d doc
			err := strict.Decode("a.yaml", []byte(c.in), &d)
			if err == nil {
				t.Fatal("no error")
			}
			if got := err.Error(); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

func TestLaterErrorNamesThePlace(t *testing.T) {
	var d doc
	doc, err := strict.Read("a.yaml", []byte("name: x\nlist:\n  - level: -10 dBm\n"), &d)
	if err != nil {
		t.Fatal(err)
	}
	if got := doc.Errorf("list[0].wait", "too short").Error(); !strings.HasPrefix(got, "a.yaml:3:5: list[0].wait: too short") {
		t.Error(got)
	}
}

type step struct {
	Send string        `yaml:"send"`
	Wait time.Duration `yaml:"wait"`
}

func (s *step) UnmarshalScalar(text string) error {
	if text == "bad" {
		return errors.New("no good")
	}
	s.Send = text
	return nil
}

func TestShortForm(t *testing.T) {
	var d struct {
		Steps []step `yaml:"steps"`
	}
	if err := strict.Decode("a.yaml", []byte("steps: [one, {send: two, wait: 1s}]\n"), &d); err != nil {
		t.Fatal(err)
	}
	if len(d.Steps) != 2 || d.Steps[0].Send != "one" || d.Steps[1].Send != "two" || d.Steps[1].Wait != time.Second {
		t.Fatalf("got %+v", d)
	}
	err := strict.Decode("a.yaml", []byte("steps: [bad]\n"), &d)
	if err == nil || err.Error() != "a.yaml:1:9: steps[0]: no good" {
		t.Fatalf("got %v", err)
	}
}

type stepList []step

func (s *stepList) UnmarshalScalar(text string) error {
	*s = stepList{{Send: text}}
	return nil
}

// A list that may be one plain value may also be one mapping; another may not.
func TestListOfOne(t *testing.T) {
	var d struct {
		Start stepList `yaml:"start"`
		Plain []step   `yaml:"plain"`
	}
	if err := strict.Decode("a.yaml", []byte("start: {send: one, wait: 1s}\n"), &d); err != nil {
		t.Fatal(err)
	}
	if len(d.Start) != 1 || d.Start[0].Send != "one" || d.Start[0].Wait != time.Second {
		t.Fatalf("got %+v", d)
	}
	for text, want := range map[string]string{
		"start: {sned: one}\n": `a.yaml:1:9: start[0].sned: unknown key "sned": did you mean "send"?`,
		"plain: {send: one}\n": "a.yaml:1:8: plain: need a list, have a mapping",
	} {
		if err := strict.Decode("a.yaml", []byte(text), &d); err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
}

func FuzzDecode(f *testing.F) {
	f.Add([]byte("name: x\nlist: [{level: -1 dBm}]\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		var d doc
		_ = strict.Decode("a.yaml", data, &d)
	})
}

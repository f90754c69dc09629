package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest"
)

// lidded runs the program in-process.
func lidded(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(t.Context(), args, &out, &errs)
	return code, out.String(), errs.String()
}

func TestExpect(t *testing.T) {
	t.Chdir(t.TempDir())
	code, out, errs := lidded(t, "expect", "otter", "--pulse", "--plot", "otter.png")
	if code != exitOK {
		t.Fatal(errs)
	}
	for _, want := range []string{"the models hold from", "magnetic field", "plane wave field", "guess: ", "mesh window", "peak inside at most", "could come on top"} {
		if !strings.Contains(out, want) {
			t.Errorf("missing %q in\n%s", want, out)
		}
	}
	if data, err := os.ReadFile("otter.png"); err != nil || !bytes.HasPrefix(data, []byte("\x89PNG")) {
		t.Errorf("no picture: %v", err)
	}
	left, err := filepath.Glob(".part-*")
	if err != nil || len(left) > 0 {
		t.Errorf("left over: %v, %v", left, err)
	}
	code, out, _ = lidded(t, "expect", "heron", "--csv", "--field", "electric", "--from", "1 MHz", "--to", "100 MHz", "--per-decade", "2")
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if code != exitOK || err != nil || len(rows) != 6 {
		t.Errorf("%d rows, %v", len(rows), err)
	}
	code, out, _ = lidded(t, "expect", "kingfisher", "--json")
	var x rest.Expectation
	if err := json.Unmarshal([]byte(out), &x); code != exitOK || err != nil || len(x.Curves) != 3 || x.Specimen != "kingfisher" {
		t.Errorf("%v: %.200s", err, out)
	}
}

func TestExpectASpecimenOfTheConfig(t *testing.T) {
	t.Chdir(t.TempDir())
	write := func(name, text string) {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("chest.yaml", "name: chest\ntitle: tin chest\ncavity: {width: 0.4 m, height: 0.3 m, depth: 0.3 m}\nwall: {layers: [{material: tin, thickness: 0.3 mm}]}\n")
	write("lidded.yaml", "specimens:\n  - {name: osier, made_of: ./chest.yaml}\n  - {name: willow}\n")
	if code, out, errs := lidded(t, "expect", "osier"); code != exitOK || !strings.Contains(out, "tin chest") {
		t.Errorf("%d: %s%s", code, out, errs)
	}
	if code, out, errs := lidded(t, "expect", "chest.yaml"); code != exitOK || !strings.Contains(out, "tin chest") {
		t.Errorf("%d: %s%s", code, out, errs)
	}
	for want, args := range map[string][]string{
		"does not say how specimen willow is made: give made_of": {"expect", "willow"},
		`did you mean "heron"?`:                                  {"expect", "heon"},
		"--field: unknown field":                                 {"expect", "heron", "--field", "acoustic"},
		"is not above --from":                                    {"expect", "heron", "--from", "1 GHz", "--to", "1 MHz"},
		"a picture's name ends in .png or .svg":                  {"expect", "heron", "--plot", "a.jpg"},
		"need 1 to 1000":                                         {"expect", "heron", "--per-decade", "0"},
		"expect needs a specimen (a file or a name)":             {"expect"},
	} {
		if code, _, errs := lidded(t, args...); code != exitUsage || !strings.Contains(errs, want) {
			t.Errorf("%v: exit %d, %q, want %q", args, code, errs, want)
		}
	}
	if _, err := os.Stat("a.jpg"); err == nil {
		t.Error("a refused picture was written")
	}
}

func TestPlans(t *testing.T) {
	code, out, errs := lidded(t, "plans")
	if code != exitOK || !strings.Contains(out, "ieee-299-2006") || !strings.Contains(out, "check against your copy") {
		t.Errorf("%d: %s%s", code, out, errs)
	}
	t.Chdir(t.TempDir())
	code, out, _ = lidded(t, "plans", "show", "hemp-188-125-1")
	if code != exitOK {
		t.Fatal(out)
	}
	// what is shown is a config's list of plans as it stands
	if err := os.WriteFile("lidded.yaml", []byte(out), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, out, errs := lidded(t, "expect", "heron"); code != exitOK {
		t.Errorf("the plan shown is no config: %s%s", out, errs)
	}
	if code, _, errs := lidded(t, "plans", "show", "hemp"); code != exitUsage || !strings.Contains(errs, "known are") {
		t.Errorf("exit %d: %s", code, errs)
	}
	code, out, _ = lidded(t, "plans", "--json")
	var rows []map[string]any
	if err := json.Unmarshal([]byte(out), &rows); code != exitOK || err != nil || len(rows) != 5 || rows[0]["headroom_db"] != 20.0 {
		t.Errorf("%v: %s", err, out)
	}
}

// Levels read by hand are a run like any other: imported, then explained.
func TestExplain(t *testing.T) {
	t.Chdir(t.TempDir())
	var sheet strings.Builder
	sheet.WriteString("frequency,state,specimen,level,noise_floor\n")
	for f, se := range map[string]string{"30 MHz": "-72", "60 MHz": "-66", "120 MHz": "-60", "200 MHz": "-55.5"} {
		sheet.WriteString(f + ",reference,,-40 dBm,-120 dBm\n" + f + ",enclosed,heron," + se + " dBm,-120 dBm\n" + f + ",closing_reference,,-40 dBm,-120 dBm\n")
	}
	if err := os.WriteFile("levels.csv", []byte(sheet.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errs := lidded(t, "import", "levels.csv", "--store", "lab.db")
	if code != exitOK || !strings.Contains(out, "heron: EMxxx11xx") {
		t.Fatal(out, errs)
	}
	code, out, errs = lidded(t, "explain", "latest", "--store", "lab.db", "--made-of", "heron", "--plot", "heron.svg", "--pulse", "--at", "90 MHz")
	if code != exitOK {
		t.Fatal(out, errs)
	}
	// 32 dB at 30 MHz, falling by 20 dB per decade: λ/2L gives 125 mm
	for _, want := range []string{"less than expected; perhaps a slot or a gap about 12", "code of IEC 61000-5-7: EMxxx11xx", "to tell:", "90 MHz", "peak inside at most"} {
		if !strings.Contains(out, want) {
			t.Errorf("missing %q in\n%s", want, out)
		}
	}
	if data, err := os.ReadFile("heron.svg"); err != nil || !bytes.Contains(data, []byte("measured")) {
		t.Errorf("no picture: %v", err)
	}
	code, out, _ = lidded(t, "explain", "latest", "--store", "lab.db", "--json")
	var all []rest.Explanation
	if err := json.Unmarshal([]byte(out), &all); code != exitOK || err != nil || len(all) != 1 || all[0].Code.Code != "EMxxx11xx" || len(all[0].Findings) > 0 {
		t.Errorf("%v: %s", err, out)
	}
	for want, args := range map[string][]string{
		"no such run":            {"explain", "0195a000", "--store", "lab.db"},
		`has no specimen "oter"`: {"explain", "latest", "--store", "lab.db", "--specimen", "oter"},
		"--at:":                  {"explain", "latest", "--store", "lab.db", "--at", "90"},
	} {
		if code, _, errs := lidded(t, args...); code == exitOK || !strings.Contains(errs, want) {
			t.Errorf("%v: exit %d, %q, want %q", args, code, errs, want)
		}
	}
}

package handread_test

import (
	"errors"
	"os"
	"strings"
	"testing"

	"lidded/driver/strict"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/handread"
)

const head = "freq_mhz,state,specimen,level_dbm,noise_floor_dbm\n"

// sound is a line of each kind but ambient.
const sound = "30,reference,,-20,-101\n30,enclosed,locker-a,-78.5,-101\n30,closing_reference,,-20.5,-101\n"

// TestBadFiles is the table of what is wrong with a file, with the messages.
func TestBadFiles(t *testing.T) {
	for _, c := range []struct{ name, file, want string }{
		{"nothing", "", "levels.csv:1:1: the file is empty: the first line names the columns, such as freq_mhz,state,level_dbm,noise_floor_dbm"},
		{"blanks", " \n\n", "levels.csv:1:1: the file is empty: the first line names the columns, such as freq_mhz,state,level_dbm,noise_floor_dbm"},
		{"byte order mark alone", "\xef\xbb\xbf", "levels.csv:1:1: the file is empty: the first line names the columns, such as freq_mhz,state,level_dbm,noise_floor_dbm"},
		{"UTF-16", "\xff\xfef\x00r\x00", "levels.csv:1:1: the file is UTF-16: save it as CSV in UTF-8"},
		{"Latin-1", head + sound + "31,reference,k\xfcche,-20,-101\n", "levels.csv:5:15: byte 0xfc is not UTF-8: save the file as CSV in UTF-8"},
		{"a zero byte", head + "30\x00", "levels.csv:2:3: byte 0x00 is not UTF-8: save the file as CSV in UTF-8"},
		{"header alone", head, "levels.csv:1:1: there are no levels: add a line for each reading below the names of the columns"},
		{"semicolons", strings.ReplaceAll(head, ",", ";"), "levels.csv:1:1: the cells are separated by semicolons: save the file with commas between cells and decimal points"},
		{"tabs", strings.ReplaceAll(head, ",", "\t"), "levels.csv:1:1: the cells are separated by tabs: save the file with commas between cells and decimal points"},
		{"unknown column", "freq_mhz,state,operator,level_dbm,noise_floor_dbm\n", `levels.csv:1:16: unknown column "operator": known are freq_hz, freq_khz, freq_mhz, freq_ghz, frequency, state, level_dbm, level, noise_floor_dbm, noise_floor, specimen, position, polarization`},
		{"unit of a frequency column", "freq_thz,state,level_dbm,noise_floor_dbm\n", `levels.csv:1:1: unknown column "freq_thz": use freq_hz, freq_khz, freq_mhz or freq_ghz, or frequency with the unit in each cell`},
		{"unit of a level column", "freq_mhz,state,level_dbuv,noise_floor_dbm\n", `levels.csv:1:16: unknown column "level_dbuv": levels are in dBm: use level_dbm (0 dBm is 107 dBµV in 50 Ω), or level with the unit in each cell`},
		{"unit of a noise column", "freq_mhz,state,level_dbm,noise_floor_db\n", `levels.csv:1:26: unknown column "noise_floor_db": levels are in dBm: use noise_floor_dbm (0 dBm is 107 dBµV in 50 Ω), or noise_floor with the unit in each cell`},
		{"missing column", "freq_mhz,state,level_dbm\n", "levels.csv:1:1: there is no column noise_floor_dbm: add one"},
		{"column twice", "freq_mhz,freq_hz,state,level_dbm,noise_floor_dbm\n", `levels.csv:1:10: column "freq_hz" says the same as column "freq_mhz": keep one`},
		{"a word for a number", head + "30,reference,,low,-101\n", `levels.csv:2:15: level_dbm: "low" is not a number: write one in dBm, such as -40.5`},
		{"no number", head + "30,reference,,,-101\n", "levels.csv:2:15: level_dbm: empty: write a number in dBm, such as -40.5"},
		{"a number in hexadecimal", head + "0x1p5,reference,,-20,-101\n", `levels.csv:2:1: freq_mhz: "0x1p5" is not a bare number: the column's name gives the unit (mhz), write the number alone, such as 433.92`},
		{"not a number", head + "NaN,reference,,-20,-101\n", `levels.csv:2:1: freq_mhz: "NaN" is not a number: write one in mhz, such as 433.92`},
		{"a unit where the column has it", head + "30 MHz,reference,,-20,-101\n", `levels.csv:2:1: freq_mhz: "30 MHz" is not a bare number: the column's name gives the unit (mhz), write the number alone, such as 433.92`},
		{"no unit where the column has none", "frequency,state,level,noise_floor\n30,reference,-20 dBm,-101 dBm\n", `levels.csv:2:1: frequency: "30" has no unit: write it in Hz, kHz, MHz or GHz, for example "30 MHz"`},
		{"wrong unit", "frequency,state,level,noise_floor\n30 MHz,reference,87 dBµV,-101 dBm\n", `levels.csv:2:18: level: "87 dBµV" has the wrong unit "dBµV": write it in dBm, for example "-10 dBm"`},
		{"microvolts in a column of dBm", head + "30,reference,,87,-101\n", "levels.csv:2:15: level_dbm: 87.0 dBm is more than an analyzer stands: if it was read in dBµV, subtract 107 dB (50 Ω)"},
		{"below any noise", head + "30,reference,,-20,-1010\n", "levels.csv:2:19: noise_floor_dbm: -1010.0 dBm is below any noise: write the marker's reading in dBm"},
		{"hertz in a column of megahertz", head + "30000000,reference,,-20,-101\n", "levels.csv:2:1: freq_mhz: 30000 GHz is no frequency of a sweep: write one from 1 Hz to 1 THz; is the column's unit right?"},
		{"zero frequency", head + "0,reference,,-20,-101\n", "levels.csv:2:1: freq_mhz: 0 Hz is no frequency of a sweep: write one from 1 Hz to 1 THz; is the column's unit right?"},
		{"decimal comma in a cell", head + "\"30,5\",reference,,-20,-101\n", `levels.csv:2:1: freq_mhz: "30,5" has a decimal comma: write a decimal point, such as 40.5`},
		{"decimal comma with a unit", "frequency,state,level,noise_floor\n\"30,5 MHz\",reference,-20 dBm,-101 dBm\n", `levels.csv:2:1: frequency: "30,5 MHz" has a decimal comma: write a decimal point, such as 40.5`},
		{"decimal comma that splits", head + "30,5,reference,,-20,-101\n", "levels.csv:2:21: 6 cells under 5 columns: write one cell for each column, empty where there is nothing to say; a decimal comma (30,5) makes two cells of one: write 30.5"},
		{"a cell short", head + "30,reference,-20,-101\n", "levels.csv:2:18: 4 cells under 5 columns: write one cell for each column, empty where there is nothing to say"},
		{"unknown state", head + "30,closed,locker-a,-20,-101\n", `levels.csv:2:4: state: unknown state "closed": write one of ambient, reference, enclosed, closing_reference`},
		{"a hold point", head + "30,hold_point,,-20,-101\n", `levels.csv:2:4: state: unknown state "hold_point": write one of ambient, reference, enclosed, closing_reference`},
		{"no noise floor", head + "30,reference,,-20,\n", "levels.csv:2:19: noise_floor_dbm: empty: without the noise floor nothing can be claimed; write the marker's reading with the source off and the same settings"},
		{"a specimen with no shield", head + "30,reference,locker-a,-20,-101\n", `levels.csv:2:14: specimen: "locker-a" on a line of state reference, which has no shield: leave the specimen empty there`},
		{"no specimen", head + "30,enclosed,,-20,-101\n", "levels.csv:2:13: specimen: empty on an enclosed line: name the specimen"},
		{"no position", "freq_mhz,state,position,level_dbm,noise_floor_dbm\n30,reference,,-20,-101\n", "levels.csv:2:14: position: empty: write it in every line, or leave the column out"},
		{"twice", head + sound + "30.0,enclosed,locker-a,-70,-101\n", "levels.csv:5:1: enclosed at 30 MHz, position center, vertical, specimen locker-a stands in line 3 already: keep one of the two"},
		{"no reference", head + sound + "31,enclosed,locker-a,-70,-101\n", "levels.csv:5:1: enclosed at 31 MHz, position center, vertical, specimen locker-a has no reference: add a line of state reference at 31 MHz, position center, vertical"},
		{"closing without opening", head + sound + "31,closing_reference,,-20,-101\n", "levels.csv:5:1: closing_reference at 31 MHz, position center, vertical has no reference: add a line of state reference at 31 MHz, position center, vertical"},
		{"nothing enclosed", head + "30,reference,,-20,-101\n", "levels.csv:1:1: no line has the state enclosed: there is nothing to compare with the reference"},
		{"open quote", head + "\"30,reference,,-20,-101\n", "levels.csv:2:25: extraneous or missing \" in quoted-field: write a quote inside a quoted cell twice, and quote no cell that does not need it"},
		{"stray quote", head + "3\"0,reference,,-20,-101\n", "levels.csv:2:2: bare \" in non-quoted-field: write a quote inside a quoted cell twice, and quote no cell that does not need it"},
		{"three at once", head + "x,reference,,-20,-101\n30,none,,y,-101\n", "levels.csv:2:1: freq_mhz: \"x\" is not a number: write one in mhz, such as 433.92\nlevels.csv:3:4: state: unknown state \"none\": write one of ambient, reference, enclosed, closing_reference\nlevels.csv:3:10: level_dbm: \"y\" is not a number: write one in dBm, such as -40.5"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, err := handread.Parse("levels.csv", strings.NewReader(c.file))
			if err == nil {
				t.Fatalf("taken: %+v", s)
			}
			if err.Error() != c.want {
				t.Errorf("got  %s\nwant %s", err, c.want)
			}
			var place *strict.Problem
			if !errors.As(err, &place) || place.File != "levels.csv" || place.Line < 1 || place.Column < 1 {
				t.Errorf("no place in %#v", err)
			}
		})
	}
}

func TestManyProblems(t *testing.T) {
	_, err := handread.Parse("levels.csv", strings.NewReader(head+strings.Repeat("x,reference,,-20,-101\n", 500)))
	if err == nil || strings.Count(err.Error(), "\n") != 19 {
		t.Errorf("got %v, want 20 lines", err)
	}
}

func TestTooLong(t *testing.T) {
	_, err := handread.Parse("levels.csv", strings.NewReader(strings.Repeat("x", 16<<20+1)))
	if err == nil || err.Error() != "levels.csv: longer than 16 MiB: this is no file of hand-read levels; split it" {
		t.Errorf("got %v", err)
	}
}

// TestSpellings reads one measurement written in several ways.
func TestSpellings(t *testing.T) {
	for name, file := range map[string]string{
		"hertz":                  "freq_hz,state,level_dbm,noise_floor_dbm\n433920000,reference,-20,-101\n433920000,enclosed,-78.5,-101\n",
		"kilohertz":              "freq_khz,state,level_dbm,noise_floor_dbm\n433920,reference,-20,-101\n433920,enclosed,-78.5,-101\n",
		"megahertz":              "freq_mhz,state,level_dbm,noise_floor_dbm\n433.92,reference,-20,-101\n433.920,enclosed,-78.50,-101\n",
		"gigahertz, exponent":    "freq_ghz,state,level_dbm,noise_floor_dbm\n0.43392,reference,-2e1,-101\n4.3392e-1,enclosed,-78.5,-101\n",
		"units in the cells":     "frequency,state,level,noise_floor\n433.92 MHz,reference,-20 dBm,-101 dBm\n433920 kHz,enclosed,-78.5 dBm,-101 dBm\n",
		"byte order mark":        "\xef\xbb\xbffreq_mhz,state,level_dbm,noise_floor_dbm\n433.92,reference,-20,-101\n433.92,enclosed,-78.5,-101\n",
		"carriage returns":       "freq_mhz,state,level_dbm,noise_floor_dbm\r\n433.92,reference,-20,-101\r\n433.92,enclosed,-78.5,-101\r\n",
		"order, case, blanks":    "State, Noise_Floor_dBm, FREQ_MHz, level_dbm\nenclosed,-101,433.92,-78.5\n\nReference , -101, 433.92, -20\n",
		"a typographic minus":    "freq_mhz,state,level_dbm,noise_floor_dbm\n433.92,reference,\u221220,\u2212101\n433.92,enclosed,\u221278.5,\u2212101\n",
		"no line end at the end": "freq_mhz,state,level_dbm,noise_floor_dbm\n433.92,reference,-20,-101\n433.92,enclosed,-78.5,-101",
	} {
		t.Run(name, func(t *testing.T) {
			s, err := handread.Parse("levels.csv", strings.NewReader(file))
			if err != nil {
				t.Fatal(err)
			}
			got := map[sweep.StepKind]handread.Row{}
			for _, r := range s.Rows {
				got[r.Kind] = r
			}
			ref, enc := got[sweep.Reference], got[sweep.Enclosed]
			if len(s.Rows) != 2 || ref.Freq != 433.92e6 || enc.Freq != 433.92e6 || ref.Level != -20 || enc.Level != -78.5 || *enc.Noise != -101 {
				t.Errorf("got %+v", s.Rows)
			}
			if enc.At != (sweep.Setting{Specimen: "specimen", Position: "center", Polarization: "vertical", Repeat: 1}) {
				t.Errorf("enclosed at %+v", enc.At)
			}
		})
	}
}

func TestRun(t *testing.T) {
	f, err := os.Open("testdata/lockers.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	s, err := handread.Parse("lockers.csv", f)
	if err != nil {
		t.Fatal(err)
	}
	run, captures := s.Run(sweep.Run{ID: "r", Bench: sweep.Bench{Name: "by hand", Uncertainty: 1}, Operator: "ann", Trigger: "import"})
	if !run.HandRead || run.Plan.Name != "lockers" || run.Operator != "ann" || len(run.Plan.Points) != 3 || !run.Plan.Closing {
		t.Errorf("run %+v", run)
	}
	var steps []string
	for i, st := range run.Steps {
		if st.Index != i {
			t.Errorf("step %d has index %d", i, st.Index)
		}
		steps = append(steps, st.Kind.String()+" "+st.At.Specimen)
	}
	if got := strings.Join(steps, ", "); got != "ambient , reference , enclosed locker-a, enclosed locker-b, closing_reference " {
		t.Errorf("steps %q", got)
	}
	for i, c := range captures {
		if c.Seq != i+1 || c.Run != "r" || c.Freq != run.Plan.Points[c.Point].Freq || c.Kind != run.Steps[c.Step].Kind || c.At != run.Steps[c.Step].At {
			t.Errorf("capture %d: %+v", i, c)
		}
	}

	// The same evaluation as for captured traces. A reference of -60 dBm over
	// a floor of -100 dBm can show at most 40 dB, and -80 dBm enclosed is 20 dB
	// (common practice, no source).
	e := sweep.Evaluate(run, captures)
	type claim struct {
		relation sweep.Relation
		db       unit.DB
	}
	want := map[string]claim{"locker-a 30 MHz": {sweep.Equal, 20}, "locker-b 30 MHz": {sweep.AtLeastRelation, 40}, "locker-a 1 GHz": {sweep.Equal, 58.5}}
	for _, r := range e.Results {
		w, ok := want[r.At.Specimen+" "+r.Freq.String()]
		if !ok {
			continue
		}
		delete(want, r.At.Specimen+" "+r.Freq.String())
		switch {
		case r.SE.Relation != w.relation:
			t.Errorf("%s at %v: %v (%s), want relation %v", r.At.Specimen, r.Freq, r.SE, r.Reason, w.relation)
		case w.relation == sweep.Equal && (r.SE.Value < w.db-0.3 || r.SE.Value > w.db+0.3):
			t.Errorf("%s at %v: %v, want %v", r.At.Specimen, r.Freq, r.SE, w.db)
		case w.relation == sweep.AtLeastRelation && (r.SE.Value > w.db || r.SE.Value < w.db-20):
			t.Errorf("%s at %v: %v, want a bound somewhat below %v", r.At.Specimen, r.Freq, r.SE, w.db)
		}
		if !strings.HasPrefix(r.Method, "hand-read") {
			t.Errorf("method %q is not marked as hand-read", r.Method)
		}
	}
	if len(want) > 0 {
		t.Errorf("no result for %v", want)
	}
}

// TestAmbient: a line of state ambient that shows a signal makes no claim of what
// is not clear of it, and says why; one that shows noise changes nothing.
func TestAmbient(t *testing.T) {
	for _, c := range []struct {
		name, ambient, enclosed string
		outcome                 sweep.Outcome
		reason                  string
	}{
		{"none", "", "-80,-100", sweep.Measured, ""},
		{"noise alone", "30,ambient,-99,\n", "-80,-100", sweep.Measured, ""},
		{"a broadcaster as strong as what is enclosed", "30,ambient,-78,\n", "-77.5,-100", sweep.AmbientHeard, "another signal of -78.0 dBm is on the air here"},
		{"with a noise floor of its own", "30,ambient,-78,-105\n", "-77.5,-100", sweep.AmbientHeard, "another signal of -78.0 dBm is on the air here"},
		{"as strong as the reference", "30,ambient,-35,\n", "-80,-100", sweep.AmbientHeard, "another signal of -35.0 dBm stands in the open at this frequency, the reference is"},
		{"far below what is enclosed", "30,ambient,-78,\n", "-50,-100", sweep.Measured, ""},
		{"nothing of it comes in", "30,ambient,-78,\n", "-99.5,-100", sweep.AtLeast, ""},
		{"at another frequency", "31,ambient,-78,\n", "-77.5,-100", sweep.Measured, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			sheet, err := handread.Parse("levels.csv", strings.NewReader("freq_mhz,state,level_dbm,noise_floor_dbm\n"+c.ambient+"30,reference,-30,-100\n30,enclosed,"+c.enclosed+"\n"))
			if err != nil {
				t.Fatal(err)
			}
			e := sweep.Evaluate(sheet.Run(sweep.Run{ID: "r", Bench: sweep.Bench{Name: "by hand", Uncertainty: 1}}))
			if len(e.Results) != 1 || e.Results[0].Outcome != c.outcome || !strings.HasPrefix(e.Results[0].Reason, c.reason) {
				t.Errorf("got %v: %+v, want %v: %q", e.Results[0].Outcome, e.Results[0], c.outcome, c.reason)
			}
			if c.outcome == sweep.AmbientHeard && e.Results[0].SE.Relation != sweep.RelationUnknown {
				t.Errorf("a claim beside somebody's signal: %v", e.Results[0].SE)
			}
		})
	}
}

func FuzzParse(f *testing.F) {
	if b, err := os.ReadFile("testdata/lockers.csv"); err == nil {
		f.Add(b)
	}
	for _, s := range []string{head + sound, "frequency,state,level,noise_floor\n30 MHz,reference,-20 dBm,-101 dBm\n", "\xff\xfe", head + "\"30,5\",,,,\n", "a;b\n", "\"", head + "\n\n,\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := handread.Parse("f", strings.NewReader(string(data)))
		if err != nil {
			if !strings.HasPrefix(err.Error(), "f:") {
				t.Fatalf("no place in %q", err)
			}
			return
		}
		run, captures := s.Run(sweep.Run{})
		if len(captures) != len(s.Rows) {
			t.Fatalf("%d captures of %d rows", len(captures), len(s.Rows))
		}
		for _, c := range captures {
			if c.Point < 0 || c.Point >= len(run.Plan.Points) || c.HandLevel == nil || !c.HandLevel.IsFinite() {
				t.Fatalf("capture %+v", c)
			}
		}
		if len(captures) < 1000 {
			sweep.Evaluate(run, captures) // must not panic
		}
	})
}

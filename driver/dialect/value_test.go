package dialect_test

import (
	"math"
	"strings"
	"testing"

	"lidded/driver/dialect"
	"pgregory.net/rapid"
)

func load(t testing.TB, text string) *dialect.Dialect {
	t.Helper()
	d, err := dialect.Load("test.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func withFrequency(t testing.TB, set, reply string) *dialect.Setting {
	t.Helper()
	text := strings.Replace(goodSource, `{set: "FREQ {frequency}", get: "FREQ?"}`, `{set: '`+set+`', get: "FREQ?", reply: '`+reply+`'}`, 1)
	return load(t, text).Setting(dialect.CarrierFrequency)
}

func TestWritten(t *testing.T) {
	for _, c := range []struct {
		set  string
		v    float64
		want string
	}{
		{"FREQ {frequency}", 433.92e6, "FREQ 433920000"},
		{"FREQ {frequency}", 0.1 + 0.2, "FREQ 0.3"},
		{"FREQ {frequency nr3}", 433.92e6, "FREQ 4.3392E+08"},
		{"FREQ {frequency MHz}", 433.92e6, "FREQ 433.92"},
		{"FREQ {frequency MHz .6} MHZ", 30e6, "FREQ 30.000000 MHZ"},
		{"F{frequency kHz int}", 100.4e3, "F100"},
		{"FREQ {frequency GHz .3}GHZ;", 2.4e9, "FREQ 2.400GHZ;"},
		{"FREQ {{{frequency}}}", 1, "FREQ {1}"},
	} {
		text := c.set
		src := goodSource
		if strings.Contains(text, ";") {
			src = "link: {compound: true}\n" + src
		}
		s := load(t, strings.Replace(src, "FREQ {frequency}", text, 1)).Setting(dialect.CarrierFrequency)
		cmds, _, err := s.Number(c.v)
		if err != nil || len(cmds) != 1 || cmds[0].Send != c.want {
			t.Errorf("%s with %v: %+v, %v; want %q", c.set, c.v, cmds, err, c.want)
		}
	}
}

func TestRead(t *testing.T) {
	for _, c := range []struct {
		reply, text string
		want        float64 // NaN: an error
	}{
		{"", "433920000", 433.92e6},
		{"", " +4.3392E+008 ", 433.92e6},
		{"", "433.92 MHz", 433.92e6},
		{"", "433920KHZ", 433.92e6},
		{"", "433,92", math.NaN()},
		{"", "433.92 dBm", math.NaN()},
		{"", "9.91E37", math.NaN()},
		{"", "", math.NaN()},
		{"{frequency MHz}", "433.92", 433.92e6},
		{"{frequency MHz}", "433920 kHz", 433.92e6},
		{"F={frequency kHz} KHZ", "F=433920 KHZ", 433.92e6},
		{"F={frequency kHz} KHZ", "f = 433920khz", 433.92e6},
		{"F={frequency kHz} KHZ", "433920", math.NaN()},
		{"{skip},{frequency},{skip}", "CW,433920000,ON,3", 433.92e6},
		{"{skip},{frequency}", "CW,433920000", 433.92e6},
	} {
		got, err := withFrequency(t, "F {frequency}", c.reply).ReadNumber(c.text)
		if math.IsNaN(c.want) {
			if err == nil {
				t.Errorf("%q reads %q as %v, want an error", c.reply, c.text, got)
			}
			continue
		}
		if err != nil || math.Abs(got-c.want) > 1e-3 {
			t.Errorf("%q reads %q as %v, %v; want %v", c.reply, c.text, got, err, c.want)
		}
	}
}

// 0 dBm in 50 ohm is 106.99 dBuV and 46.99 dBmV: 10·log10(1 mW·50 Ω / (1 µV)²)
// is 106.9897 (definition of the decibel, IEC 60027-3).
func TestVoltageLevels(t *testing.T) {
	for unit, want := range map[string]string{"dBuV": "L 86.9897", "dBmV": "L 26.9897"} {
		s := load(t, strings.Replace(goodSource, "POW {level}", "L {level "+unit+" .4}", 1)).Setting(dialect.CarrierLevel)
		cmds, _, err := s.Number(-20)
		if err != nil || cmds[0].Send != want {
			t.Errorf("-20 dBm in %s: %+v, %v; want %q", unit, cmds, err, want)
		}
		if got, err := s.ReadNumber("86.9897 dBuV"); err != nil || math.Abs(got+20) > 1e-3 {
			t.Errorf("read back %v, %v", got, err)
		}
	}
}

func TestWordsForValues(t *testing.T) {
	s := load(t, strings.Replace(goodAnalyzer, `{set: "BAND {frequency}", get: "BAND?"}`,
		`{set: "BW {choice}", get: "BW?", words: {"3 kHz": "0", "30 kHz": ["1", "MID"], "300 kHz": "2"}}`, 1)).Setting(dialect.RBW)
	for _, c := range []struct {
		ask, sent float64
		command   string
	}{{3e3, 3e3, "BW 0"}, {25e3, 30e3, "BW 1"}, {90e3, 30e3, "BW 1"}, {100e3, 300e3, "BW 2"}, {1e9, 300e3, "BW 2"}} {
		cmds, sent, err := s.Number(c.ask)
		if err != nil || sent != c.sent || cmds[0].Send != c.command {
			t.Errorf("%v gives %+v, %v, %v; want %q for %v", c.ask, cmds, sent, err, c.command, c.sent)
		}
	}
	for text, want := range map[string]float64{"1": 30e3, "+1": 30e3, "mid": 30e3, "2.0": 300e3} {
		if got, err := s.ReadNumber(text); err != nil || got != want {
			t.Errorf("%q reads as %v, %v; want %v", text, got, err, want)
		}
	}
	if _, err := s.ReadNumber("7"); err == nil {
		t.Error("an unknown word reads as a value")
	}
}

func TestChoices(t *testing.T) {
	d := load(t, strings.Replace(goodAnalyzer, "words: {sample: SAMP}",
		`words: {sample: [SAMP, SAMPLE], power_average: [AVER, AVERAGE], log_average: [AVER, AVERAGE]}, steps: {log_average: ["DET AVER", "AVER:TYPE LOG"]}`, 1))
	s := d.Setting(dialect.Detector)
	cmds, err := s.Choose("log_average")
	if err != nil || len(cmds) != 2 || cmds[1].Send != "AVER:TYPE LOG" {
		t.Errorf("%+v, %v", cmds, err)
	}
	for _, c := range []struct{ reply, preferred, want string }{
		{"SAMP", "", "sample"}, {"sample", "", "sample"}, {`"SAMP"`, "", "sample"},
		{"AVER", "power_average", "power_average"}, {"AVER", "log_average", "log_average"},
	} {
		if got, err := s.ReadChoice(c.reply, c.preferred); err != nil || got != c.want {
			t.Errorf("%q reads as %q, %v; want %q", c.reply, got, err, c.want)
		}
	}
	if _, err := s.ReadChoice("SAMPEL", ""); err == nil || !strings.Contains(err.Error(), `near "SAMPLE"`) {
		t.Errorf("got %v", err)
	}
	if _, err := s.Choose("quasi_peak"); err == nil || !strings.Contains(err.Error(), "it has log_average, power_average, sample") {
		t.Errorf("got %v", err)
	}
}

// What can only be asked for is read and never set; what a run must set may not
// be so.
func TestOnlyRead(t *testing.T) {
	text := strings.Replace(goodAnalyzer, `{set: "SWE:TIME {seconds}", get: "SWE:TIME?"}`, `{get: "SWE:TIME?"}`, 1)
	d, err := dialect.Load("x.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	s := d.Setting(dialect.SweepTime)
	if s.Settable() || s.Get.Send != "SWE:TIME?" {
		t.Errorf("settable %v, asked by %q", s.Settable(), s.Get.Send)
	}
	if _, _, err := s.Number(1); err == nil || err.Error() != "sweep_time 1s: this dialect only reads it" {
		t.Errorf("got %v", err)
	}
	if _, err := dialect.Load("x.yaml", []byte(strings.Replace(goodAnalyzer, `{set: "BAND {frequency}", get: "BAND?"}`, `{get: "BAND?"}`, 1))); err == nil {
		t.Error("an RBW that cannot be set is accepted")
	}
}

func TestLimits(t *testing.T) {
	s := load(t, strings.Replace(goodSource, `get: "POW?"`, `get: "POW?", min: -60 dBm, max: 10 dBm`, 1)).Setting(dialect.CarrierLevel)
	for _, v := range []float64{-60.1, 10.1, math.NaN(), math.Inf(1)} {
		if _, _, err := s.Number(v); err == nil {
			t.Errorf("%v is accepted", v)
		}
	}
	if _, _, err := s.Number(10); err != nil {
		t.Error(err)
	}
}

// T = k·span/RBW²: 2.5·1 MHz/(10 kHz)² = 25 ms (common practice, no source).
func TestTimeLaw(t *testing.T) {
	l := dialect.TimeLaw{K: 2.5, PerPoint: 1e6, Minimum: 3e6, ZeroSpan: 20e6, UsesVBW: true}
	for _, c := range []struct {
		span, rbw, vbw float64
		points         int
		want           float64 // ms
	}{{1e6, 10e3, 0, 0, 25}, {1e6, 10e3, 10e3, 100, 125}, {1e6, 10e3, 1e3, 0, 250}, {1e3, 1e6, 0, 0, 3}, {0, 1e3, 0, 0, 20}} {
		if got := l.Time(c.span, c.rbw, c.vbw, c.points).Seconds() * 1e3; math.Abs(got-c.want) > 1e-6 {
			t.Errorf("%+v: %v ms", c, got)
		}
	}
}

// What is written reads back as the same value.
func TestRoundTrip(t *testing.T) {
	settings := []*dialect.Setting{
		withFrequency(t, "F {frequency}", ""),
		withFrequency(t, "F {frequency MHz .6}", "{frequency MHz}"),
		withFrequency(t, "F {frequency nr3}", ""),
	}
	rapid.Check(t, func(t *rapid.T) {
		hz := float64(rapid.Int64Range(0, 100e9).Draw(t, "hz"))
		s := settings[rapid.IntRange(0, len(settings)-1).Draw(t, "setting")]
		cmds, _, err := s.Number(hz)
		if err != nil {
			t.Fatal(err)
		}
		got, err := s.ReadNumber(strings.TrimPrefix(cmds[0].Send, "F "))
		if err != nil || math.Abs(got-hz) > 1e-3 {
			t.Fatalf("%v is sent as %q and reads back as %v, %v", hz, cmds[0].Send, got, err)
		}
	})
}

func FuzzReply(f *testing.F) {
	s := withFrequency(f, "F {frequency}", "F={frequency kHz} {skip}")
	f.Add("F=1 x")
	f.Fuzz(func(t *testing.T, reply string) {
		if v, err := s.ReadNumber(reply); err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
			t.Fatalf("%q reads as %v", reply, v)
		}
	})
}

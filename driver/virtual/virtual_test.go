package virtual_test

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"net"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"lidded/driver/unit"
	"lidded/driver/virtual"
	"lidded/driver/virtual/world"
)

// plain is a world without surprises: 40 dB of path, no ambient, no error.
func plain() *world.World {
	return &world.World{
		Name: "plain",
		Path: []world.Loss{{Freq: 1e6, Loss: 40}},
		Analyzer: world.Analyzer{
			NoiseFigure: 24,
		},
		Source: world.Source{MinLevel: -140, MaxLevel: 60},
		Enclosures: []world.Enclosure{
			{Name: "box", Curve: []world.Shield{{Freq: 1e6, SE: 30}}},
			{Name: "vault", Curve: []world.Shield{{Freq: 1e6, SE: 20}}, Sealed: true},
		},
	}
}

func traits(t testing.TB, name string) virtual.Traits {
	t.Helper()
	tr, err := virtual.TraitPreset(name)
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

func start(t testing.TB, c virtual.Config) *virtual.Bench {
	t.Helper()
	if c.World == nil {
		c.World = plain()
	}
	b, err := virtual.Start(context.Background(), c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

// client is a bare SCPI client.
type client struct {
	t    testing.TB
	conn net.Conn
	in   *bufio.Reader
}

func dial(t testing.TB, addr string) *client {
	t.Helper()
	conn, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return &client{t: t, conn: conn, in: bufio.NewReaderSize(conn, 1<<20)}
}

func (c *client) send(line string) {
	c.t.Helper()
	if _, err := io.WriteString(c.conn, line+"\n"); err != nil {
		c.t.Fatalf("%s: %v", line, err)
	}
}

// try asks with a deadline.
func (c *client) try(line string, wait time.Duration) (string, error) {
	if _, err := io.WriteString(c.conn, line+"\n"); err != nil {
		return "", err
	}
	c.conn.SetReadDeadline(time.Now().Add(wait))
	defer c.conn.SetReadDeadline(time.Time{})
	s, err := c.in.ReadString('\n')
	return strings.TrimRight(s, "\r\n"), err
}

func (c *client) ask(line string) string {
	c.t.Helper()
	s, err := c.try(line, 10*time.Second)
	if err != nil {
		c.t.Fatalf("%s: %v", line, err)
	}
	return s
}

func (c *client) number(line string) float64 {
	c.t.Helper()
	v, err := strconv.ParseFloat(c.ask(line), 64)
	if err != nil {
		c.t.Fatalf("%s: %v", line, err)
	}
	return v
}

// ok sends settings and expects an empty error queue.
func (c *client) ok(lines ...string) {
	c.t.Helper()
	for _, l := range lines {
		c.send(l)
	}
	if e := c.ask(":SYST:ERR?"); e != `0,"No error"` {
		c.t.Fatalf("after %q: %s", lines, e)
	}
}

func (c *client) block(n int) []byte {
	c.t.Helper()
	buf := make([]byte, n)
	c.conn.SetReadDeadline(time.Now().Add(10 * time.Second))
	defer c.conn.SetReadDeadline(time.Time{})
	if _, err := io.ReadFull(c.in, buf); err != nil {
		c.t.Fatal(err)
	}
	return buf
}

// trace reads a big-endian REAL,32 trace, in dBm.
func (c *client) trace() []float64 {
	c.t.Helper()
	c.send(":TRAC? TRACE1")
	head := c.block(2)
	n, err := strconv.Atoi(string(c.block(int(head[1] - '0'))))
	if err != nil || head[0] != '#' {
		c.t.Fatalf("block header %q", head)
	}
	data := c.block(n + 1)
	if data[n] != '\n' {
		c.t.Fatalf("block ends with %q", data[n])
	}
	out := make([]float64, n/4)
	for i := range out {
		out[i] = float64(math.Float32frombits(binary.BigEndian.Uint32(data[i*4:])))
	}
	return out
}

func parse(t *testing.T, text string) []float64 {
	t.Helper()
	var out []float64
	for f := range strings.SplitSeq(text, ",") {
		v, err := strconv.ParseFloat(strings.TrimSpace(f), 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.4f, want %.4f ± %.4f", what, got, want, tol)
	}
}

func meanPower(v []float64) float64 {
	s := 0.0
	for _, p := range v {
		s += math.Pow(10, p/10)
	}
	return 10 * math.Log10(s/float64(len(v)))
}

func mean(v []float64) float64 {
	s := 0.0
	for _, p := range v {
		s += p
	}
	return s / float64(len(v))
}

// single puts the analyzer into triggered sweeps with binary traces.
const single = "*RST;:INIT:CONT OFF;:FORM REAL,32;:INP:ATT 0;:SWE:POIN 4001"

// Mean noise power is kTB plus the noise figure and rises by 10 dB per decade
// of resolution bandwidth (the Gaussian filter's noise bandwidth is 1.0645
// times its 3 dB bandwidth) and by 10 dB per 10 dB of attenuation.
func TestNoiseLevel(t *testing.T) {
	b := start(t, virtual.Config{Seed: 3, TimeScale: virtual.Jump})
	a := dial(t, b.AnalyzerAddr())
	a.ok(single, ":FREQ:CENT 300 MHZ;SPAN 40 MHZ", ":DET RMS")
	for _, rbw := range []float64{1e3, 10e3, 100e3} {
		for _, att := range []float64{0, 10, 20} {
			a.ok("BAND "+strconv.FormatFloat(rbw, 'g', -1, 64), "INP:ATT "+strconv.FormatFloat(att, 'g', -1, 64), "INIT;*WAI")
			want := -173.975 + 24 + 10*math.Log10(1.0645*rbw) + att
			near(t, "mean noise", meanPower(a.trace()), want, 0.12)
			near(t, "truth", float64(b.Truth().Noise(unit.Hz(rbw))), want, 0.01)
		}
	}
}

// Statistics of each detector over the wire, against the mean noise power.
func TestDetectors(t *testing.T) {
	b := start(t, virtual.Config{Seed: 4, TimeScale: virtual.Jump})
	a := dial(t, b.AnalyzerAddr())
	// 40 kHz points at 10 kHz: 1.505·2.5·4 = 15.05 looks a point.
	a.ok(single, ":FREQ:CENT 300 MHZ;SPAN 160 MHZ", ":BAND 10 KHZ")
	floor := float64(b.Truth().Noise(10e3))
	const looks = 15.05
	for _, c := range []struct {
		set         string
		power, dB   float64
		deviationDB float64
	}{
		{"DET SAMP", 0, -2.507, 5.570},
		{"DET RMS", 0, math.NaN(), 4.343 / math.Sqrt(looks)},
		{"DET AVER;:AVER:TYPE LOG", math.NaN(), -2.507, 5.570 / math.Sqrt(looks)},
		{"DET AVER;:AVER:TYPE SCAL", math.NaN(), -1.049, 4.540 / math.Sqrt(looks)},
		{"DET POS", 10 * math.Log10(3.3265), math.NaN(), math.NaN()}, // H_15.05
	} {
		a.ok(c.set, "INIT;*WAI")
		v := a.trace()
		if !math.IsNaN(c.power) {
			near(t, c.set+": mean power", meanPower(v)-floor, c.power, 0.1)
		}
		if !math.IsNaN(c.dB) {
			near(t, c.set+": mean dB", mean(v)-floor, c.dB, 0.3)
		}
		if !math.IsNaN(c.deviationDB) {
			m, s := mean(v), 0.0
			for _, p := range v {
				s += (p - m) * (p - m)
			}
			near(t, c.set+": deviation dB", math.Sqrt(s/float64(len(v))), c.deviationDB, 0.08*c.deviationDB)
		}
	}
	a.ok("DET NORM", "INIT;*WAI")
	odd, even := 0.0, 0.0
	for k, p := range a.trace() {
		if k%2 == 1 {
			odd += p
		} else {
			even += p
		}
	}
	if odd-even < 2000*10 {
		t.Errorf("normal: odd points stand only %.1f dB above even ones", (odd-even)/2000)
	}
}

// Max hold of n sweeps of sampled noise: mean power H_n times the mean, whether
// drawn sweep by sweep or folded.
func TestMaxHoldOfSweeps(t *testing.T) {
	b := start(t, virtual.Config{Seed: 5, TimeScale: virtual.Jump})
	a := dial(t, b.AnalyzerAddr())
	a.ok(single, ":FREQ:CENT 300 MHZ;SPAN 160 MHZ", ":BAND 10 KHZ;:DET SAMP", "DISP:TRAC1:MODE MAXH")
	floor := float64(b.Truth().Noise(10e3))
	for n, h := range map[int]float64{1: 1, 10: 2.9290, 100: 5.1874, 1000: 7.4855} {
		a.ok("SWE:COUN "+strconv.Itoa(n), "INIT;*WAI")
		// The maximum's standard deviation is below π/√6; 4001 points.
		near(t, "max hold of "+strconv.Itoa(n), meanPower(a.trace())-floor, 10*math.Log10(h), 4*4.343*1.2825/h/math.Sqrt(4001))
	}
}

// Gaussian filter: 3.01·(2δ/RBW)² dB at offset δ.
func TestFilterShape(t *testing.T) {
	b := start(t, virtual.Config{Seed: 6, TimeScale: virtual.Jump})
	a, s := dial(t, b.AnalyzerAddr()), dial(t, b.SourceAddr())
	s.ok("FREQ 300 MHZ;:POW 40 DBM;:OUTP ON")
	a.ok(single, "SWE:POIN 401", ":FREQ:CENT 300 MHZ;SPAN 40 KHZ", ":BAND 10 KHZ;:DET SAMP;:DISP:TRAC:Y:RLEV 10", "INP:ATT 20", "SWE:TIME 1", "INIT;*WAI")
	v := a.trace()
	top := v[200]
	for k := 0; k <= 400; k += 20 {
		d := float64(k-200) * 100
		near(t, "filter at "+strconv.Itoa(int(d)), top-v[k], 3.0103*math.Pow(2*d/10e3, 2), 0.05)
	}
	// Swept at k = T·RBW²/span = 1: 0.386 dB lower and 1.093 times as wide.
	a.ok("SWE:TIME 1E-3;:BAND 10 KHZ;:FREQ:SPAN 100 KHZ", "INIT;*WAI")
	fast := a.trace()
	near(t, "loss of a fast sweep", top-fast[200], 0.386, 0.05)
	near(t, "fast filter at half a bandwidth", fast[200]-fast[220], 3.0103/1.19472, 0.05)
}

// T = k·span/RBW² swept, k/RBW with an FFT; counted as nominal time.
func TestSweepTime(t *testing.T) {
	for name, want := range map[string][2]float64{"modern-opc": {2.5, 250}, "modern-fft": {2.5e-3, 2.5e-2}} {
		b := start(t, virtual.Config{TimeScale: virtual.Jump, Analyzer: virtual.InstrumentConfig{Traits: traits(t, name)}})
		a := dial(t, b.AnalyzerAddr())
		a.ok(single, "FREQ:CENT 300 MHZ;SPAN 1 MHZ")
		for i, rbw := range []string{"1 KHZ", "100 HZ"} {
			a.ok("BAND " + rbw)
			near(t, name+" SWE:TIME?", a.number("SWE:TIME?"), want[i], 1e-9*want[i])
			before := b.Nominal()
			a.ok("INIT;*WAI")
			used := (b.Nominal().Total() - before.Total()).Seconds()
			near(t, name+" nominal", used, want[i]+1e-3, 1e-6)
		}
	}
}

// A carrier reads source level + flatness - path within the filter's loss,
// enclosed lower by exactly the specimen's shielding effectiveness.
func TestCarrierLevel(t *testing.T) {
	b := start(t, virtual.Config{Seed: 7, TimeScale: virtual.Jump})
	a, s := dial(t, b.AnalyzerAddr()), dial(t, b.SourceAddr())
	s.ok("FREQ 300 MHZ;:POW 10 DBM;:OUTP ON")
	a.ok(single, "SWE:POIN 1001", ":FREQ:CENT 300 MHZ;SPAN 100 KHZ", ":BAND 1 KHZ;:DET RMS")
	peak := func() float64 {
		a.ok("INIT;*WAI", "CALC:MARK:MAX")
		near(t, "marker frequency", a.number("CALC:MARK:X?"), 300e6, 1)
		return a.number("CALC:MARK:Y?")
	}
	open := peak()
	near(t, "open", open, -30, 0.1)
	if err := b.Enclose("box"); err != nil {
		t.Fatal(err)
	}
	near(t, "enclosed", open-peak(), 30, 0.2)
	if err := b.Open(); err != nil {
		t.Fatal(err)
	}
	b.Pad(20)
	near(t, "padded", open-peak(), 20, 0.1)
	b.Pad(0)
	s.ok("OUTP OFF")
	a.ok("INIT;*WAI")
	if v := a.trace(); slicesMax(v) > -100 {
		t.Errorf("with the source off the trace reaches %.1f dBm", slicesMax(v))
	}
}

func slicesMax(v []float64) float64 {
	best := math.Inf(-1)
	for _, p := range v {
		best = math.Max(best, p)
	}
	return best
}

// Oscillators: the carrier appears at f·(1+source error)/(1+analyzer error).
func TestFrequencyError(t *testing.T) {
	w := plain()
	w.Source.PPM, w.Analyzer.PPM = 2, -1
	w.Source.DriftPPMPerHour = 1
	b := start(t, virtual.Config{World: w, TimeScale: virtual.Jump})
	a, s := dial(t, b.AnalyzerAddr()), dial(t, b.SourceAddr())
	s.ok("FREQ 500 MHZ;:POW 10;:OUTP ON")
	a.ok(single, "SWE:POIN 2001", "FREQ:CENT 500 MHZ;SPAN 10 KHZ", "BAND 100 HZ;:DET SAMP")
	peak := func() float64 {
		a.ok("INIT;*WAI", "CALC:MARK:MAX")
		return a.number("CALC:MARK:X?") - 500e6
	}
	near(t, "offset", peak(), 1500, 15)
	b.Advance(time.Hour)
	near(t, "offset after an hour", peak(), 2000, 15)
	near(t, "truth", float64(b.Truth().FrequencyOffset(500e6)), 2000, 5)

	w.SharedReference = true
	b = start(t, virtual.Config{World: w, TimeScale: virtual.Jump})
	if got := b.Truth().FrequencyOffset(500e6); got != 0 {
		t.Errorf("offset with a shared reference = %v, want 0", got)
	}
	s = dial(t, b.SourceAddr())
	if got := s.ask("ROSC:SOUR?"); got != "EXT" {
		t.Errorf("ROSC:SOUR? = %s, want EXT", got)
	}
	s.ok("ROSC:SOUR INT")
	near(t, "offset on its own oscillator", float64(b.Truth().FrequencyOffset(500e6)), 1000, 1)
}

// Too strong a reference: the questionable bit is set, and 10 dB more
// attenuation moves the reading by more than 1 dB; a good one does neither.
func TestOverload(t *testing.T) {
	b := start(t, virtual.Config{TimeScale: virtual.Jump})
	a, s := dial(t, b.AnalyzerAddr()), dial(t, b.SourceAddr())
	a.ok(single, "SWE:POIN 101", "FREQ:CENT 300 MHZ;SPAN 10 KHZ", "BAND 1 KHZ;:DET RMS;:DISP:TRAC:Y:RLEV 20")
	level := func(att string) float64 {
		a.ok("INP:ATT "+att, "INIT;*WAI", "CALC:MARK:MAX")
		return a.number("CALC:MARK:Y?")
	}
	s.ok("FREQ 300 MHZ;:POW 43 DBM;:OUTP ON")
	hot := level("0")
	if a.number("STAT:QUES:COND?") != 8 {
		t.Error("no overload bit at +3 dBm on the mixer")
	}
	if moved := level("10") - hot; moved < 0.85 || moved > 1.0 {
		t.Errorf("10 dB of attenuation moves a carrier at 1 dB compression by %.2f dB", moved)
	}
	s.ok("POW 10 DBM")
	cool := level("0")
	if a.number("STAT:QUES:COND?") != 0 {
		t.Error("overload bit at -30 dBm on the mixer")
	}
	near(t, "step on a good reference", level("10"), cool, 0.05)
}

// A source step in the middle of a sweep reaches only the points after it.
func TestStepInsideSweep(t *testing.T) {
	w := plain()
	w.Source.Settle = time.Millisecond
	b := start(t, virtual.Config{World: w, Seed: 8, TimeScale: virtual.Jump})
	a, s := dial(t, b.AnalyzerAddr()), dial(t, b.SourceAddr())
	// Continuous sweep of 100 MHz in 10 s, looked at by advancing the clock.
	a.ok(single, "SWE:POIN 1001", "FREQ:STAR 100 MHZ;STOP 200 MHZ", "BAND 100 KHZ;:DET POS;:SWE:TIME 10", "INIT:CONT ON")
	a.ask("*OPC?")
	b.Advance(5 * time.Second)
	s.ok("FREQ 125 MHZ;:POW 0;:OUTP ON") // already passed
	b.Advance(6 * time.Second)
	if v := a.trace()[250]; v > -80 {
		t.Errorf("the point swept before the step shows %.1f dBm", v)
	}
	b.Advance(10 * time.Second)
	if v := a.trace()[250]; v < -45 {
		t.Errorf("the next sweep shows %.1f dBm", v)
	}
}

// A sealed box: the port is refused while the lid is closed, the analyzer goes
// on holding, and every step of the source is in the trace afterwards.
func TestSealedBox(t *testing.T) {
	b := start(t, virtual.Config{Seed: 9, TimeScale: virtual.Jump})
	a, s := dial(t, b.AnalyzerAddr()), dial(t, b.SourceAddr())
	a.ok(single, "SWE:POIN 10001", "FREQ:STAR 30 MHZ;STOP 1 GHZ", "BAND 100 KHZ;:DISP:TRAC1:MODE MAXH;:DET POS", "INIT:CONT ON")
	if err := b.Enclose("vault"); err != nil {
		t.Fatal(err)
	}
	if _, err := a.try("*IDN?", time.Second); err == nil {
		t.Error("the old connection still answers behind a closed lid")
	}
	if c, err := net.Dial("tcp", b.AnalyzerAddr()); err == nil {
		c.Close()
		t.Error("a new connection was taken behind a closed lid")
	}
	s.ok("POW 10;:OUTP ON")
	sweep := 2.5 * 970e6 / 1e10
	freqs := []float64{50e6, 107.3e6, 333e6, 802.45e6}
	for _, f := range freqs {
		s.ok("FREQ " + strconv.FormatFloat(f, 'f', -1, 64))
		b.Advance(time.Duration(6 * sweep * 1e9))
	}
	s.ok("OUTP OFF")
	if err := b.Open(); err != nil {
		t.Fatal(err)
	}
	a = dial(t, b.AnalyzerAddr())
	v := a.trace()
	for _, f := range freqs {
		k := int(math.Round((f - 30e6) / 97e3))
		near(t, "step at "+strconv.FormatFloat(f, 'g', -1, 64), max(v[k-1], v[k], v[k+1]), 10-40-20, 0.3)
	}
	// Noise: max hold of n sweeps of peaks over 3.65 looks.
	n := math.Floor(4 * 6 * sweep / (sweep + 1e-3))
	var quiet []float64
	for k := 9000; k < 10000; k++ {
		quiet = append(quiet, v[k])
	}
	looks := 1.505 * 2.5 * 970e6 / 1e5 / 10001 * n
	want := 10 * math.Log10(math.Log(looks)+0.5772+1/(2*looks))
	near(t, "held noise", meanPower(quiet)-float64(b.Truth().Noise(100e3)), want, 0.2)
}

// A whole night behind the lid is folded when somebody looks.
func TestNight(t *testing.T) {
	w := plain()
	w.Ambient = []world.Carrier{{Name: "beacon", Freq: 30e6 + 1381*485e3, Level: -60, Kind: "intermittent", Period: 20 * time.Minute, Duty: 0.5}}
	b := start(t, virtual.Config{World: w, Seed: 10, TimeScale: virtual.Jump})
	a := dial(t, b.AnalyzerAddr())
	a.ok(single, "SWE:POIN 2001", "FREQ:STAR 30 MHZ;STOP 1 GHZ", "BAND 100 KHZ;:DISP:TRAC1:MODE MAXH;:DET SAMP", "INIT:CONT ON")
	b.Advance(8 * time.Hour)
	v := a.trace()
	n := 8 * 3600 / (2.5*970e6/1e10 + 1e-3)
	near(t, "held noise", meanPower(v[100:1300])-float64(b.Truth().Noise(100e3)), 10*math.Log10(math.Log(n)+0.5772), 0.1)
	near(t, "beacon", v[1381], -60, 0.3)
	if got := b.Nominal().Sweeps; math.Abs(float64(got)-n) > 2 {
		t.Errorf("sweeps in a night: %d, want %.0f", got, n)
	}
}

// Two seeds differ, one repeats.
func TestSeeds(t *testing.T) {
	run := func(seed uint64) string {
		b := start(t, virtual.Config{Seed: seed, TimeScale: virtual.Jump})
		a := dial(t, b.AnalyzerAddr())
		a.ok(single, "SWE:POIN 101;:FORM ASC", "FREQ:CENT 300 MHZ;SPAN 10 KHZ", "INIT;*WAI")
		return a.ask("TRAC? TRACE1")
	}
	first := run(1)
	if run(1) != first {
		t.Error("the same seed gave other noise")
	}
	if run(2) == first {
		t.Error("another seed gave the same noise")
	}
}

func TestStartRefuses(t *testing.T) {
	bad := plain()
	bad.Enclosures[0].Curve = nil
	tr := traits(t, "modern-opc")
	tr.Block = "round"
	for want, c := range map[string]virtual.Config{
		"no world":             {},
		"curve is missing":     {World: bad},
		"time scale":           {World: plain(), TimeScale: -1},
		"block \"round\"":      {World: plain(), Analyzer: virtual.InstrumentConfig{Traits: tr}},
		"is not loopback":      {World: plain(), Analyzer: virtual.InstrumentConfig{Listen: "0.0.0.0:0"}},
		"control: listen addr": {World: plain(), Control: "nonsense"},
	} {
		_, err := virtual.Start(context.Background(), c)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want %q in it", err, want)
		}
	}
	b := start(t, virtual.Config{})
	if err := b.Enclose("moon"); err == nil || !strings.Contains(err.Error(), "box, vault") {
		t.Errorf("unknown specimen: %v", err)
	}
}

func silent(err error) bool { return errors.Is(err, os.ErrDeadlineExceeded) }

package virtual_test

import (
	"context"
	"encoding/json"
	"io"
	"math"
	"net"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"lidded/driver/unit"
	"lidded/driver/virtual"
)

// quick is how long a test waits to believe that no answer comes.
const quick = 60 * time.Millisecond

func TestCommandsAndErrors(t *testing.T) {
	b := start(t, virtual.Config{TimeScale: virtual.Jump})
	for _, c := range []struct{ role, line, want string }{
		{"a", "*IDN?", "BENCH,VIRTUAL-ANALYZER,A0001,1.0"},
		{"a", "*ESR?", "128"}, // power on
		{"a", "*ESR?", "0"},
		{"a", "*OPC?;*ESR?;*STB?", "1;0;16"},
		{"a", "FREQ:CENT 1GHZ;SPAN 10MHZ;CENT?;SPAN?", "1000000000;10000000"},
		{"a", "freq:center?;:syst:err?", `1000000000;0,"No error"`},
		{"a", "FREQ:STAR?;STOP?", "995000000;1005000000"},
		{"a", "FREQ:CENT? MIN;CENT? MAX", "9000;6000000000"},
		{"a", "BAND 2 KHZ;:BAND?", "3000"}, // nearest of 1-3-10 in ratio
		{"a", "BAND 50 MHZ;:BAND?;:BAND:AUTO?", "3000000;0"},
		{"a", "BAND:AUTO ON;:BAND?;:BAND:AUTO?", "100000;1"},
		{"a", "SWE:POIN 501;POIN?", "501"},
		{"a", "DET POS;DET?;:DET:AUTO?", "POS;0"},
		{"a", "DISP:TRAC2:MODE MAXH;MODE?", "MAXH"},
		{"a", "INP:ATT 13;:INP:ATT?", "15"},
		{"a", "DISP:WIND:TRAC:Y:SCAL:RLEV -20 dBm;RLEV?", "-20"},
		{"a", "UNIT:POW DBUV;:DISP:TRAC:Y:RLEV?", "86.9897000434"},
		{"a", "UNIT:POW DBM;:FORM REAL,64;:FORM?;:FORM:BORD SWAP;BORD?", "REAL,64;SWAP"},
		{"a", "FOO:BAR?;:SYST:ERR?", `-113,"Undefined header;FOO:BAR?"`},
		{"a", "FREQ:CENT;:SYST:ERR?", `-109,"Missing parameter"`},
		{"a", "FREQ:CENT 1,2;:SYST:ERR?", `-108,"Parameter not allowed"`},
		{"a", "FREQ:CENT 99 GHZ;:SYST:ERR?", `-222,"Data out of range;99 GHZ"`},
		{"a", "FREQ:CENT 1 V;:SYST:ERR?", `-131,"Invalid suffix;1 V"`},
		{"a", "DET LOUD;:SYST:ERR?", `-224,"Illegal parameter value;LOUD"`},
		{"a", "INIT;:SYST:ERR?", `-213,"Init ignored;continuous sweep is on"`},
		{"a", "TRAC? TRACE9;:SYST:ERR?", `-114,"Header suffix out of range;9"`},
		{"a", "ROSC:SOUR EXT;:SYST:ERR?", `-221,"Settings conflict;no external reference"`},
		{"a", "*ESR?", "48"},                      // command and execution errors
		{"a", "*ESE 48;*ESE?;FOO;*STB?", "48;52"}, // queue, output, event summary
		{"a", "SYST:ERR:COUN?;:SYST:ERR?;:SYST:ERR?", `1;-113,"Undefined header;FOO";0,"No error"`},
		{"a", "STAT:OPER:COND?", "8"},
		{"a", "INIT:CONT OFF;:STAT:OPER:COND?", "0"},
		{"s", "*IDN?", "BENCH,VIRTUAL-SOURCE,S0001,1.0"},
		{"s", "FREQ 100 MHZ;POW -10 DBM;FREQ?;POW?;OUTP?", "100000000;-10;0"},
		{"s", "SOUR1:FREQ:CW 1.5E8;:SOURce:FREQuency:FIXed?", "150000000"},
		{"s", ":SOUR:POW:LEV:IMM:AMPL MAX;:POW?", "60"},
		{"s", "OUTP1:STAT 1;:OUTP?", "1"},
		{"s", "POW 99;:SYST:ERR?", `-222,"Data out of range;99"`},
		{"s", "*RST;:OUTP?", "0"},
	} {
		addr := b.AnalyzerAddr()
		if c.role == "s" {
			addr = b.SourceAddr()
		}
		if got := dial(t, addr).ask(c.line); got != c.want {
			t.Errorf("%s\n got %s\nwant %s", c.line, got, c.want)
		}
	}
	a := dial(t, b.AnalyzerAddr())
	for range 20 {
		a.send("FOO")
	}
	last := ""
	for range 16 {
		last = a.ask("SYST:ERR?")
	}
	if last != `-350,"Queue overflow"` {
		t.Errorf("the sixteenth of twenty errors reads %s", last)
	}
	a.send(strings.Repeat("X", 100000))
	if got := a.ask("SYST:ERR?"); !strings.HasPrefix(got, "-363,") {
		t.Errorf("after an endless line: %s", got)
	}
}

// INIT overlaps; *OPC?, *WAI and *OPC with *ESR? all wait for its end, which
// comes in scaled time.
func TestCompletion(t *testing.T) {
	b := start(t, virtual.Config{TimeScale: 50})
	a := dial(t, b.AnalyzerAddr())
	a.ok(single, "SWE:POIN 101", "FREQ:CENT 300 MHZ;SPAN 1 MHZ", "BAND 1 KHZ") // 2.5 s
	begin := b.Now()
	if got := a.ask("INIT;STAT:OPER:COND?"); got != "8" {
		t.Errorf("STAT:OPER:COND? during a sweep = %s", got)
	}
	a.ask("*OPC?")
	if took := b.Now() - begin; took < 2500*time.Millisecond {
		t.Errorf("*OPC? answered after %v of a 2.5 s sweep", took)
	}
	begin = b.Now()
	if got := a.ask("INIT;*OPC;*ESR?"); got != "128" {
		t.Errorf("*ESR? just after INIT = %s", got)
	}
	for a.ask("*ESR?") != "1" {
	}
	if took := b.Now() - begin; took < 2500*time.Millisecond {
		t.Errorf("the event bit came after %v", took)
	}
	begin = b.Now()
	a.ask("INIT;*WAI;*IDN?")
	if took := b.Now() - begin; took < 2500*time.Millisecond {
		t.Errorf("*WAI held for %v", took)
	}
	// Another client's ABOR ends the wait.
	a.ok("BAND 1 HZ;:FREQ:SPAN 100 KHZ")
	a.send("INIT;*OPC?")
	other := dial(t, b.AnalyzerAddr())
	for other.ask("STAT:OPER:COND?") != "8" {
	}
	other.ok("ABOR")
	if line, err := a.in.ReadString('\n'); line != "1\n" || err != nil {
		t.Errorf("after ABOR: %q, %v", line, err)
	}
}

func TestInterruptedQuery(t *testing.T) {
	tr := traits(t, "modern-opc")
	tr.Interrupts = true
	b := start(t, virtual.Config{Analyzer: virtual.InstrumentConfig{Traits: tr}})
	a := dial(t, b.AnalyzerAddr())
	a.ok(single, "FREQ:CENT 300 MHZ;SPAN 100 KHZ", "BAND 1 HZ")
	a.send("INIT;*OPC?")
	if got := a.ask("SYST:ERR?"); got != `-410,"Query INTERRUPTED;*OPC?"` {
		t.Errorf("SYST:ERR? = %s", got)
	}
}

// Every analyzer preset measures the same carrier in its own way.
func TestAnalyzerPresets(t *testing.T) {
	for _, c := range []struct {
		name   string
		setup  []string
		query  string
		points int
		pairs  bool
		hold   string
	}{
		{"modern-opc", []string{"FORM ASC", "SWE:POIN 501"}, "TRAC? TRACE1", 501, false, "DISP:TRAC1:MODE MAXH"},
		{"modern-fft", []string{"FORM ASC", "SWE:POIN 501"}, "TRAC? TRACE1", 501, false, "DISP:TRAC1:MODE MAXH"},
		{"esr-poll", []string{"FORM ASC", "SWE:POIN 501"}, "TRAC1?", 501, false, "TRAC1:TYPE MAXH"},
		{"xy-pairs", []string{"FORM ASC", "SWE:POIN 501"}, "FETC:SAN1?", 501, true, "CALC1:MAX ON"},
		{"ascii-only", nil, "TRAC:DATA? 1", 551, false, "TRAC1:OPER MAXH"},
		{"swapped-real64", []string{"FORM ASC", "SWE:POIN 600"}, "CALC1:DATA?", 601, false, "TRAC1:MODE MAXH"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := start(t, virtual.Config{TimeScale: virtual.Jump, Analyzer: virtual.InstrumentConfig{Traits: traits(t, c.name)}})
			a, s := dial(t, b.AnalyzerAddr()), dial(t, b.SourceAddr())
			s.ok("FREQ 300 MHZ;:POW 10;:OUTP ON")
			a.ok("INIT:CONT OFF")
			a.ok("FREQ:CENT 300 MHZ")
			a.ok("FREQ:SPAN 50 KHZ")
			a.ok("BAND 1 KHZ")
			a.ok("DET POS")
			a.ok(c.setup...)
			a.ok("INIT")
			v := parse(t, a.ask(c.query))
			if c.pairs {
				if len(v) != 2*c.points {
					t.Fatalf("%d numbers, want %d pairs", len(v), c.points)
				}
				near(t, "x at the middle", v[c.points-1], 300e6, 60)
				var y []float64
				for i := 1; i < len(v); i += 2 {
					y = append(y, v[i])
				}
				v = y
			}
			if len(v) != c.points {
				t.Fatalf("%d points, want %d", len(v), c.points)
			}
			near(t, "peak", slicesMax(v), -30, 0.2)
			// A held trace keeps a carrier that has gone, if INIT keeps it.
			a.ok(c.hold)
			a.ok("INIT")
			s.ok("OUTP OFF")
			a.ok("INIT")
			v = parse(t, a.ask(c.query))
			kept := traits(t, c.name).HoldKeptByInit
			if got := slicesMax(v) > -40; got != kept {
				t.Errorf("after INIT the carrier is held: %v, want %v", got, kept)
			}
		})
	}
}

// Absent commands are absent.
func TestTraitsTakeAway(t *testing.T) {
	for name, lines := range map[string][]string{
		"ascii-only": {"*OPC?", "*ESR?", "STAT:OPER:COND?", "FORM:BORD?", "UNIT:POW?", "TRAC? TRACE1", "DISP:TRAC1:MODE?"},
		"esr-poll":   {"TRAC1? TRACE2", "DISP:TRAC1:MODE?", "CALC1:MAX?"},
		"modern-opc": {"TRAC1? TRACE1", "FOO:BAR", "TRAC1:TYPE?", "SYST:ERR:ALL?", "FREQ:SPAN:ZERO"},
	} {
		b := start(t, virtual.Config{TimeScale: virtual.Jump, Analyzer: virtual.InstrumentConfig{Traits: traits(t, name)}})
		a := dial(t, b.AnalyzerAddr())
		for _, l := range lines {
			a.send(l)
			if got := a.ask("SYST:ERR?"); got == `0,"No error"` {
				t.Errorf("%s understands %s", name, l)
			}
		}
	}
}

func TestBinaryFormats(t *testing.T) {
	tr := traits(t, "modern-opc")
	tr.TraceQuery = []string{"by-name", "xy-pairs"}
	b := start(t, virtual.Config{Seed: 5, TimeScale: virtual.Jump, Analyzer: virtual.InstrumentConfig{Traits: tr}})
	a := dial(t, b.AnalyzerAddr())
	a.ok(single, "SWE:POIN 11", "FREQ:CENT 300 MHZ;SPAN 50 KHZ", "INIT;*WAI", "FORM ASC")
	want := parse(t, a.ask("TRAC? TRACE1"))
	read := func(set string, head string, size int) []byte {
		a.ok(set)
		a.send("TRAC? TRACE1")
		if got := string(a.block(len(head))); got != head {
			t.Fatalf("%s: header %q, want %q", set, got, head)
		}
		data := a.block(size)
		if end := a.block(1); end[0] != '\n' {
			t.Fatalf("%s: no terminator", set)
		}
		return data
	}
	swap := func(b []byte) []byte {
		out := make([]byte, len(b))
		for i := range b {
			out[len(b)-1-i] = b[i]
		}
		return out
	}
	word := func(b []byte) uint64 {
		v := uint64(0)
		for _, x := range b {
			v = v<<8 | uint64(x)
		}
		return v
	}
	for _, order := range []string{"NORM", "SWAP"} {
		pick := func(b []byte, i, w int) uint64 {
			x := b[i*w : i*w+w]
			if order == "SWAP" {
				x = swap(x)
			}
			return word(x)
		}
		a.ok("FORM:BORD " + order)
		r32, r64, i32 := read("FORM REAL,32", "#244", 44), read("FORM REAL,64", "#288", 88), read("FORM INT,32", "#244", 44)
		for i, v := range want {
			near(t, "REAL,32 "+order, float64(math.Float32frombits(uint32(pick(r32, i, 4)))), v, 1e-3)
			near(t, "REAL,64 "+order, math.Float64frombits(pick(r64, i, 8)), v, 1e-3)
			near(t, "INT,32 "+order, float64(int32(pick(i32, i, 4)))/1e3, v, 1e-3)
		}
	}
	for block, head := range map[string]string{"indefinite": "#0", "none": ""} {
		tr.Block = block
		b := start(t, virtual.Config{TimeScale: virtual.Jump, Analyzer: virtual.InstrumentConfig{Traits: tr}})
		a := dial(t, b.AnalyzerAddr())
		a.ok("SWE:POIN 11;:FORM REAL,64")
		a.send("TRAC? TRACE1")
		if got := string(a.block(len(head))); got != head {
			t.Errorf("%s: header %q", block, got)
		}
		a.block(88 + 1)
		if block == "indefinite" {
			a.send("TRAC? TRACE1;*IDN?")
			a.block(2 + 88 + 1)
			if got := a.ask("SYST:ERR?"); !strings.HasPrefix(got, "-440,") {
				t.Errorf("query after an indefinite block: %s", got)
			}
		}
	}
}

// The handheld: CR ends lines, echo, prompt, OK, traces over many lines, on a
// serial line.
func TestHandheldOnSerial(t *testing.T) {
	link := t.TempDir() + "/tty"
	b, err := virtual.Start(t.Context(), virtual.Config{World: plain(), TimeScale: virtual.Jump, Analyzer: virtual.InstrumentConfig{
		Listen: virtual.NoTCP, PTYLink: link, Traits: traits(t, "handheld-serial")}})
	if runtime.GOOS != "linux" {
		if err == nil {
			t.Error("a pty was made off Linux")
		}
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if b.AnalyzerAddr() != "" || b.AnalyzerPTY() == "" {
		t.Fatalf("ports %q and %q", b.AnalyzerAddr(), b.AnalyzerPTY())
	}
	tty, err := os.OpenFile(link, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer tty.Close()
	exchange := func(line string) string {
		if _, err := io.WriteString(tty, line+"\r"); err != nil {
			t.Fatal(err)
		}
		var got []byte
		buf := make([]byte, 4096)
		for !strings.HasSuffix(string(got), "> ") {
			n, err := tty.Read(buf)
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, buf[:n]...)
		}
		return string(got)
	}
	for line, want := range map[string]string{
		"FREQ:CENT 300 MHZ": "FREQ:CENT 300 MHZ\rOK\r> ",
		"FREQ:CENT 300 V":   "FREQ:CENT 300 V\rERR\r> ",
		"FOO?":              "FOO?\rERR\r> ",
		"*IDN?":             "*IDN?\rBENCH,VIRTUAL-ANALYZER,A0001,1.0\r> ",
	} {
		if got := exchange(line); got != want {
			t.Errorf("%q answered %q, want %q", line, got, want)
		}
	}
	exchange("INIT:CONT OFF")
	exchange("INIT")
	got := strings.Split(exchange("TRAC? TRA"), "\r")
	if len(got) != 1+20+1 { // echo, 501 values 26 to a line, prompt
		t.Fatalf("trace came in %d lines", len(got))
	}
	if n := len(strings.Split(got[1], ",")); n != 26 {
		t.Errorf("first line has %d values", n)
	}
	// Bytes pass unchanged, and a closed lid silences the line.
	if err := b.Seal("box"); err != nil {
		t.Fatal(err)
	}
	io.WriteString(tty, "*IDN?\r")
	if err := b.Open(); err != nil {
		t.Fatal(err)
	}
	if got := exchange("FREQ:SPAN?"); strings.Contains(got, "VIRTUAL") {
		t.Errorf("the sealed instrument answered: %q", got)
	}
}

func TestSourceAck(t *testing.T) {
	b := start(t, virtual.Config{TimeScale: virtual.Jump, Source: virtual.InstrumentConfig{Traits: traits(t, "source-ack")}})
	s := dial(t, b.SourceAddr())
	for line, want := range map[string]string{"FREQ 200MHZ": "OK", "FREQ 1;POW 2": "ERR", "POW abc": "ERR", "OUTP?": "0"} {
		if got := s.ask(line); got != want {
			t.Errorf("%s answered %q, want %q", line, got, want)
		}
	}
	// One client only: the second connects and hears nothing until the first
	// has gone.
	other := dial(t, b.SourceAddr())
	if got, err := other.try("*IDN?", quick); !silent(err) {
		t.Fatalf("the second client heard %q, %v", got, err)
	}
	s.conn.Close()
	other.conn.SetReadDeadline(time.Now().Add(5 * time.Second))
	if got, err := other.in.ReadString('\n'); err != nil || !strings.HasPrefix(got, "BENCH") {
		t.Errorf("after the first had gone: %q, %v", got, err)
	}
}

func TestGapAndLineLimit(t *testing.T) {
	tr := traits(t, "modern-opc")
	tr.Gap, tr.MaxLine = time.Hour, 40
	b := start(t, virtual.Config{TimeScale: virtual.Jump, Analyzer: virtual.InstrumentConfig{Traits: tr}})
	a := dial(t, b.AnalyzerAddr())
	a.ask("*IDN?")
	if got, err := a.try("*IDN?", quick); !silent(err) {
		t.Errorf("a line sent too soon was answered with %q, %v", got, err)
	}
	if got := dial(t, b.AnalyzerAddr()).ask("SYST:ERR?"); !strings.HasPrefix(got, "-363,") {
		t.Errorf("SYST:ERR? = %s", got)
	}
}

func TestFaults(t *testing.T) {
	b := start(t, virtual.Config{TimeScale: virtual.Jump})
	prepare := func() *client {
		a := dial(t, b.AnalyzerAddr())
		a.ok(single, "SWE:POIN 101", "INIT;*WAI")
		return a
	}
	fault := func(f virtual.Fault) {
		if err := b.Fault(virtual.RoleAnalyzer, f); err != nil {
			t.Fatal(err)
		}
	}
	t.Run("drop", func(t *testing.T) {
		a := prepare()
		fault(virtual.Fault{Kind: virtual.FaultDrop, Match: "idn"})
		a.ask("FREQ:CENT?")
		if _, err := a.try("*IDN?", 5*time.Second); err == nil || silent(err) {
			t.Errorf("dropped: %v", err)
		}
		prepare()
	})
	t.Run("drop-mid", func(t *testing.T) {
		a := prepare()
		fault(virtual.Fault{Kind: virtual.FaultDropMid})
		a.send("TRAC? TRACE1")
		data, _ := io.ReadAll(a.in)
		if len(data) == 0 || len(data) >= 409 {
			t.Errorf("%d bytes of 409 came", len(data))
		}
	})
	t.Run("stall", func(t *testing.T) {
		a := prepare()
		fault(virtual.Fault{Kind: virtual.FaultStall})
		if got, err := a.try("*IDN?", quick); !silent(err) {
			t.Errorf("stalled: %q, %v", got, err)
		}
		a.ask("*IDN?")
	})
	t.Run("late", func(t *testing.T) {
		a := prepare()
		fault(virtual.Fault{Kind: virtual.FaultLate, Delay: 2 * quick})
		if got, err := a.try("*IDN?", quick); !silent(err) {
			t.Errorf("late: %q, %v", got, err)
		}
		if got := a.ask("FREQ:CENT?"); !strings.HasPrefix(got, "BENCH") {
			t.Errorf("the late answer should meet the next query, which got %q", got)
		}
	})
	t.Run("truncate", func(t *testing.T) {
		a := prepare()
		fault(virtual.Fault{Kind: virtual.FaultTruncate, Match: "TRAC"})
		a.send("TRAC? TRACE1")
		a.block(205)
		a.conn.SetReadDeadline(time.Now().Add(quick))
		if c, err := a.in.ReadByte(); !silent(err) {
			t.Errorf("after half a block came %q, %v", c, err)
		}
	})
	t.Run("wrong-length", func(t *testing.T) {
		a := prepare()
		fault(virtual.Fault{Kind: virtual.FaultWrongLength})
		a.ask("*IDN?") // not a block: the fault waits
		a.send("TRAC? TRACE1")
		if head := string(a.block(5)); head == "#3404" {
			t.Error("the length is right")
		}
	})
	t.Run("garbage", func(t *testing.T) {
		a := prepare()
		fault(virtual.Fault{Kind: virtual.FaultGarbage})
		if got, _ := a.try("*IDN?", time.Second); strings.HasPrefix(got, "BENCH") {
			t.Error("no garbage")
		}
	})
	t.Run("nan", func(t *testing.T) {
		a := prepare()
		a.ok("FORM ASC")
		fault(virtual.Fault{Kind: virtual.FaultNaN})
		if got := a.ask("TRAC? TRACE1"); !strings.Contains(got, "9.91E+37") {
			t.Error("no missing points")
		}
		if got := a.ask("TRAC? TRACE1"); strings.Contains(got, "9.91E+37") {
			t.Error("missing points twice")
		}
	})
	t.Run("ignore", func(t *testing.T) {
		a := prepare()
		a.ok("FREQ:CENT 1 GHZ")
		fault(virtual.Fault{Kind: virtual.FaultIgnore, Match: "CENT 2"})
		a.ok("FREQ:CENT 2 GHZ")
		if got := a.ask("FREQ:CENT?"); got != "1000000000" {
			t.Errorf("FREQ:CENT? = %s", got)
		}
	})
	t.Run("error", func(t *testing.T) {
		a := prepare()
		fault(virtual.Fault{Kind: virtual.FaultError, Match: "IDN"})
		a.ask("*IDN?")
		if got := a.ask("SYST:ERR?"); got != `-240,"Hardware error"` {
			t.Errorf("SYST:ERR? = %s", got)
		}
	})
	t.Run("echo", func(t *testing.T) {
		a := prepare()
		fault(virtual.Fault{Kind: virtual.FaultEcho})
		if got := a.ask("*IDN?"); got != "*IDN?" {
			t.Errorf("first line %q", got)
		}
	})
	t.Run("power-cycle", func(t *testing.T) {
		a := prepare()
		a.ok("FREQ:CENT 1 GHZ;*CLS")
		fault(virtual.Fault{Kind: virtual.FaultPowerCycle, Delay: quick})
		if _, err := a.try("*IDN?", 5*time.Second); err == nil {
			t.Error("answered while off")
		}
		a = redial(t, b.AnalyzerAddr())
		if got := a.ask("*ESR?"); got != "128" {
			t.Errorf("*ESR? = %s, want the power-on bit", got)
		}
		if got := a.ask("FREQ:CENT?"); got == "1000000000" {
			t.Error("settings survived")
		}
	})
	t.Run("one-client", func(t *testing.T) {
		a := prepare()
		fault(virtual.Fault{Kind: virtual.FaultOneClient})
		a.ask("*IDN?")
		for range 50 { // sessions of earlier subtests have to go first
			other := dial(t, b.AnalyzerAddr())
			if _, err := other.try("*IDN?", quick); silent(err) {
				b.CalmDown(virtual.RoleAnalyzer)
				dial(t, b.AnalyzerAddr()).ask("*IDN?")
				return
			}
		}
		t.Error("a second client was served")
	})
	t.Run("storm", func(t *testing.T) {
		if err := b.Storm(virtual.RoleAnalyzer, virtual.Storm{Seed: 7, Probability: 0.3, Delay: time.Millisecond}); err != nil {
			t.Fatal(err)
		}
		for range 120 {
			a := redial(t, b.AnalyzerAddr())
			a.try("*IDN?", 5*time.Millisecond)
			a.conn.Close()
		}
		if err := b.CalmDown(virtual.RoleAnalyzer); err != nil {
			t.Fatal(err)
		}
		if n := len(b.Struck(virtual.RoleAnalyzer)); n < 10 {
			t.Errorf("only %d kinds of fault have struck", n)
		}
		redial(t, b.AnalyzerAddr()).ask("*IDN?")
	})
}

// redial waits until the port is taken into service again.
func redial(t *testing.T, addr string) *client {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for {
		conn, err := net.Dial("tcp", addr)
		if err == nil {
			conn.Close()
			return dial(t, addr)
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatal(err)
		}
	}
}

func TestControlSocket(t *testing.T) {
	w, err := virtual.Preset("depot")
	if err != nil {
		t.Fatal(err)
	}
	b := start(t, virtual.Config{World: w, TimeScale: virtual.Jump, Control: "127.0.0.1:0"})
	c := dial(t, b.ControlAddr())
	for _, x := range []struct{ line, want string }{
		{"place side vertical", "ok"},
		{"place moon vertical", `error no position "moon": there are front, side`},
		{"enclose heron", "ok"},
		{"enclose moon", "error world depot has no enclosure \"moon\": it has heron, otter, kingfisher"},
		{"seal otter", "ok"},
		{"open", "ok"},
		{"terminate on", "ok"},
		{"terminate off", "ok"},
		{"terminate of", "error usage: terminate on|off"},
		{"temperature 45", "ok"},
		{"load on", "ok"},
		{"load off", "ok"},
		{"pad 10", "ok"},
		{"advance 3600", "ok"},
		{"fault analyzer late count=2 p=0.5 match=TRAC delay=20ms", "ok"},
		{"fault analyzer late count=x", `error count: strconv.Atoi: parsing "x": invalid syntax`},
		{"fault teapot late", `error instrument "teapot" is unknown: use analyzer or source`},
		{"storm analyzer p=0.1 seed=4 kinds=drop,late", "ok"},
		{"calm analyzer", "ok"},
		{"truth se heron front vertical 300e6", `ok {"se_db":124}`},
		{"truth se heron front vertical", "error usage: truth se"},
		{"truth ambient", `ok {"freq_hz":[94300000,101700000]}`},
		{"ledger", "ok []"},
		{"dance", "error command \"dance\" is unknown"},
	} {
		if got := c.ask(x.line); !strings.HasPrefix(got, x.want) {
			t.Errorf("%s answered %q, want %q", x.line, got, x.want)
		}
	}
	var st virtual.Status
	if err := json.Unmarshal([]byte(strings.TrimPrefix(c.ask("status"), "ok ")), &st); err != nil {
		t.Fatal(err)
	}
	if st.World != "depot" || st.SimSeconds != 3600 || st.Analyzer != b.AnalyzerAddr() || st.Position != "side" {
		t.Errorf("status %+v", st)
	}
}

func TestLedger(t *testing.T) {
	b := start(t, virtual.Config{TimeScale: virtual.Jump})
	s := dial(t, b.SourceAddr())
	s.ok("FREQ 100 MHZ;:POW 0", "OUTP ON")
	if !b.SourceOn() {
		t.Error("SourceOn is false")
	}
	b.Advance(time.Second)
	s.ok("FREQ 200 MHZ")
	b.Advance(2 * time.Second)
	s.ok("OUTP OFF")
	if b.SourceOn() {
		t.Error("SourceOn is true")
	}
	l := b.Ledger()
	if len(l) != 2 {
		t.Fatalf("ledger %v", l)
	}
	for i, want := range []struct {
		f unit.Hz
		d float64
	}{{100e6, 1.005}, {200e6, 2.005}} {
		if l[i].Freq != want.f || l[i].Off.IsZero() || l[i].Off.Before(l[i].On) {
			t.Errorf("keying %d: %+v", i, l[i])
		}
		near(t, "on time", (l[i].End - l[i].Start).Seconds(), want.d, 1e-6)
	}
	s.ok("OUTP ON")
	if err := b.PowerCycle(virtual.RoleSource, time.Millisecond); err != nil {
		t.Fatal(err)
	}
	if b.SourceOn() {
		t.Error("the source came back from a power cycle on")
	}
}

// Start and Close leave no goroutine, whatever is going on.
func TestNoLeaks(t *testing.T) {
	before := runtime.NumGoroutine()
	for range 5 {
		b, err := virtual.Start(t.Context(), virtual.Config{World: plain(), Control: "127.0.0.1:0", Analyzer: virtual.InstrumentConfig{PTY: runtime.GOOS == "linux"}})
		if err != nil {
			t.Fatal(err)
		}
		a := dial(t, b.AnalyzerAddr())
		a.ok(single, "BAND 1 HZ")
		a.send("INIT;*OPC?")
		for b.Status().Specimen != "" {
		}
		b.Fault(virtual.RoleSource, virtual.Fault{Kind: virtual.FaultRefuse, Delay: time.Hour})
		dial(t, b.SourceAddr()).try("*IDN?", quick)
		if err := b.Enclose("vault"); err != nil {
			t.Fatal(err)
		}
		if err := b.Close(); err != nil {
			t.Fatal(err)
		}
		a.conn.Close()
	}
	deadline := time.Now().Add(5 * time.Second)
	for runtime.NumGoroutine() > before+1 {
		if time.Now().After(deadline) {
			buf := make([]byte, 1<<16)
			t.Fatalf("%d goroutines before, %d after\n%s", before, runtime.NumGoroutine(), buf[:runtime.Stack(buf, true)])
		}
		runtime.Gosched()
	}
}

func TestTraitFiles(t *testing.T) {
	tr, err := virtual.ParseTraits("x.yaml", []byte("name: mine\nbase: esr-poll\npoints: [401]\ndefault_points: 401\ngap: 5ms\n"), virtual.RoleAnalyzer)
	if err != nil {
		t.Fatal(err)
	}
	if tr.OPCQuery != "immediate" || tr.Name != "mine" || tr.Gap != 5*time.Millisecond || len(tr.Points) != 1 {
		t.Errorf("traits %+v", tr)
	}
	for text, want := range map[string]string{
		"name: x\nblok: none\n":                         "x.yaml:2: blok is unknown",
		"name: x\nblock: round\n":                       `x.yaml: block "round" is unknown`,
		"name: x\ngap: 5\n":                             `x.yaml:2: gap "5" is not a duration`,
		"name: x\nbase: moon\n":                         `x.yaml: base: no traits "moon"`,
		"name: x\ndetectors: {loud: LOUD}\n":            `x.yaml: detectors "loud" is unknown`,
		"name: x\ntrace_query: [calc-data, xy-pairs]\n": "x.yaml: trace_query: calc-data, xy-pairs share a header",
		"name: x\nmax_points: many\n":                   `x.yaml:2: max_points "many" is not a whole number`,
	} {
		if _, err := virtual.ParseTraits("x.yaml", []byte(text), virtual.RoleAnalyzer); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %v, want %q", text, err, want)
		}
	}
	for _, n := range virtual.TraitPresets() {
		tr := traits(t, n)
		if tr.Name != n {
			t.Errorf("preset %s calls itself %s", n, tr.Name)
		}
	}
}

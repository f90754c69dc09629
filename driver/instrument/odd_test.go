package instrument_test

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io/fs"
	"math"
	"net"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"lidded/configs"
	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/instrument"
	"lidded/driver/link"
	"lidded/driver/unit"
)

// truth guards what the servers of the tests keep.
var truth sync.Mutex

// look reads or changes it.
func look(f func()) {
	truth.Lock()
	defer truth.Unlock()
	f()
}

// serve answers one client after the other on loopback. end ends a command;
// answer gives the bytes that come back. It knows nothing of dialects.
func serve(t *testing.T, end byte, hello string, answer func(line string) string) link.Address {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	t.Cleanup(func() { l.Close(); <-done })
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			fmt.Fprint(c, hello)
			in := bufio.NewReader(c)
			for {
				line, err := in.ReadString(end)
				if err != nil {
					break
				}
				var reply string
				look(func() { reply = answer(line[:len(line)-1]) })
				if _, err := c.Write([]byte(reply)); err != nil {
					break
				}
			}
			c.Close()
		}
	}()
	return link.Address{Scheme: link.SchemeTCP, Host: l.Addr().String()}
}

func oddSpec(t *testing.T, at link.Address, text string) instrument.Spec {
	t.Helper()
	d, err := dialect.Load("odd.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return instrument.Spec{Name: "odd", Address: at, Dialect: d, Backoff: 5 * time.Millisecond,
		Timeouts: link.Timeouts{Reply: 500 * time.Millisecond, FirstReply: 500 * time.Millisecond, Gap: 200 * time.Millisecond}}
}

func openOdd(t *testing.T, at link.Address, text string) *instrument.Analyzer {
	t.Helper()
	a, err := instrument.OpenAnalyzer(t.Context(), oddSpec(t, at, text))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	return a
}

func example(t *testing.T, n int) string {
	t.Helper()
	data, err := fs.ReadFile(configs.FS, "dialects/README.md")
	if err != nil {
		t.Fatal(err)
	}
	text, _, _ := strings.Cut(strings.Split(string(data), "```yaml\n")[n], "```")
	return text
}

// The worked handheld of the format's description: raw counts, one to a line,
// until the prompt; bandwidths by index; an echo of each command.
func TestWorkedHandheld(t *testing.T) {
	state := map[string]string{"cf": "100000", "sp": "1000", "bw": "1", "mh": "0"}
	held := false
	at := serve(t, '\r', "HH-2 ready\rok>", func(line string) string {
		reply := ""
		name, value, set := strings.Cut(line, " ")
		switch {
		case line == "ver":
			reply = "HH-2 rev 3\r"
		case line == "tr":
			for i := range 290 {
				n := 200 // -100 dBm
				if i == 145 {
					n = 80 // -40 dBm
				}
				reply += strconv.Itoa(n) + "\r"
			}
		case set:
			state[name] = value
		case state[name] != "":
			reply = state[name] + "\r"
		case line == "run":
			held = true
		}
		return line + "\r" + reply + "ok>"
	})
	text := strings.Replace(example(t, 3), "minimum: 300ms", "minimum: 1ms", 1)
	text = strings.Replace(text, "per_point: 1ms, ", "", 1)
	a := openOdd(t, at, text)
	got, err := a.Configure(t.Context(), driver.Settings{Center: 200e6, Span: 2e6, RBW: 20e3, Detector: driver.PositivePeak, Hold: driver.ClearWrite})
	if err != nil {
		t.Fatal(err)
	}
	if got.Center != 200e6 || got.Span != 2e6 || got.RBW != 30e3 || got.Points != 290 {
		t.Errorf("read back %+v", got)
	}
	tr, err := a.Sweep(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if len(tr.Levels) != 290 || tr.Peak() != 145 || tr.Levels[145] != -40 || tr.Levels[0] != -100 {
		t.Errorf("%d points, peak %v at %d", len(tr.Levels), tr.Levels[tr.Peak()], tr.Peak())
	}
	if err := a.Arm(t.Context()); err != nil {
		t.Fatal(err)
	}
	look(func() {
		if state["mh"] != "1" || !held {
			t.Errorf("armed: state %v, running %v", state, held)
		}
	})
	if _, err := a.ReadHold(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// The worked source of the format's description.
func TestWorkedSource(t *testing.T) {
	mhz, level, on := "100.00000", "-10.0", "1"
	at := serve(t, '\r', "", func(line string) string {
		switch {
		case line == "ID?":
			return "GEN 7\r"
		case line == "F?":
			return mhz + " MHz\r"
		case line == "RF?":
			return on + "\r"
		case strings.HasPrefix(line, "F "):
			mhz = line[2:]
		case strings.HasPrefix(line, "L "):
			if level = line[2:]; level == "7.7" {
				return "? no\r"
			}
		case line == "RF0", line == "RF1":
			on = line[2:]
		default:
			return "? " + line + "\r"
		}
		return "ok\r"
	})
	s, err := instrument.OpenSource(t.Context(), oddSpec(t, at, example(t, 2)))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	sent := func(what *string, want string) {
		t.Helper()
		look(func() {
			if *what != want {
				t.Errorf("the instrument has %q, want %q", *what, want)
			}
		})
	}
	sent(&on, "0")
	sent(&level, "-60.0")
	f, err := s.SetFrequency(t.Context(), 433.92e6)
	if err != nil || f != 433.92e6 {
		t.Errorf("frequency %v, %v", f, err)
	}
	sent(&mhz, "433.92000")
	p, err := s.SetLevel(t.Context(), -12.34)
	if err != nil || p != -12.34 {
		t.Errorf("level %v, %v", p, err)
	}
	sent(&level, "-12.3")
	if _, err := s.SetLevel(t.Context(), 7.7); driver.KindOf(err) != driver.KindDeviceSettings {
		t.Errorf("a refused level gives %v", err)
	}
	if _, err := s.SetLevel(t.Context(), 20); driver.KindOf(err) != driver.KindDeviceSettings {
		t.Errorf("a level above the stated most gives %v", err)
	}
	if _, err := s.SetOutput(t.Context(), true); err != nil {
		t.Errorf("keyed: %v", err)
	}
	sent(&on, "1")
	if r := s.Ranges(); r.FreqMin != 10e6 || r.FreqMax != 2e9 || r.LevelMin != -60 || r.LevelMax != 13 {
		t.Errorf("ranges %+v", r)
	}
}

// A source that lies about its output is found out.
func TestStuckOutput(t *testing.T) {
	at := serve(t, '\n', "", func(line string) string {
		if strings.HasSuffix(line, "?") {
			return map[string]string{"*IDN?": "BENCH,STUCK,1,1\n", "OUTP?": "1\n", "FREQ?": "1E6\n"}[line]
		}
		return ""
	})
	_, err := instrument.OpenSource(t.Context(), oddSpec(t, at, `role: source
summary: test
identity: {query: "*IDN?"}
errors: {none: true}
settings:
  frequency: {set: "FREQ {frequency}", get: "FREQ?"}
  level: {set: "POW {level}"}
  output: {set: "OUTP {boolean}", get: "OUTP?"}
safe: {send: "OUTP OFF", confirm: readback}
`))
	if driver.KindOf(err) != driver.KindReadback {
		t.Errorf("got %v", err)
	}
}

// oddHead is an analyzer without anything special; the trace is appended.
const oddHead = `role: analyzer
summary: test
identity: {fixed: "BENCH,ODD,1,1"}
errors: {event: "*ESR?"}
settings:
  center: {set: "C {frequency}", get: "C?"}
  span: {set: "S {frequency}", get: "S?"}
  rbw: {set: "B {frequency}", get: "B?"}
  detector: {fixed: sample}
  hold: {fixed: clear_write}
  points: {fixed: "5"}
sweep:
  start: "GO"
  time_law: {minimum: 1ms}
  complete: {by: answer, reply: "^DONE$"}
`

// oddAnalyzer answers settings, a sweep and one trace.
func oddAnalyzer(t *testing.T, trace func(line string) (string, bool)) link.Address {
	state := map[string]string{"C": "1e8", "S": "1e6", "B": "1e4"}
	esr := 0
	return serve(t, '\n', "", func(line string) string {
		if reply, ok := trace(line); ok {
			return reply
		}
		name, value, set := strings.Cut(line, " ")
		switch {
		case line == "GO":
			return "DONE\n"
		case line == "*ESR?":
			v := esr
			esr = 0
			return strconv.Itoa(v) + "\n"
		case set && value == "13":
			esr = 16
		case set:
			state[name] = value
		default:
			return state[strings.TrimSuffix(name, "?")] + "\n"
		}
		return ""
	})
}

var oddLevels = []float64{-100, -90.5, -40, -90.5, -100}

func TestTraceForms(t *testing.T) {
	text := func(sep, format string, f func(v float64) float64) string {
		parts := make([]string, len(oddLevels))
		for i, v := range oddLevels {
			parts[i] = fmt.Sprintf(format, f(v))
		}
		return strings.Join(parts, sep)
	}
	same := func(v float64) float64 { return v }
	bytesOf := func(f func(v float64) []byte) string {
		var b []byte
		for _, v := range oddLevels {
			b = append(b, f(v)...)
		}
		return string(b)
	}
	real32 := bytesOf(func(v float64) []byte {
		return binary.BigEndian.AppendUint32(nil, math.Float32bits(float32(v)))
	})
	for _, c := range []struct {
		name, trace string
		reply       func(line string) (string, bool)
	}{
		{"blanks", "trace: {query: T, shape: line, separator: blank}", fixedReply("T", text("  ", "%g", same)+"\n")},
		{"semicolons and a trailing one", "trace: {query: T, shape: line, separator: semicolon}", fixedReply("T", text(";", "%g", same)+";\n")},
		{"fields to pass over", "trace: {query: T, shape: line, skip_fields: 2}", fixedReply("T", "A,5,"+text(",", "%g", same)+"\n")},
		{"header lines", "trace: {query: T, shape: line, header_lines: 2}", fixedReply("T", "hello\nworld\n"+text(",", "%g", same)+"\n")},
		{"so many lines", "trace: {query: T, shape: lines, lines: 2}", fixedReply("T", "-100,-90.5,\n-40,-90.5,-100\n")},
		{"until a line", "trace: {query: T, shape: lines, until: END}", fixedReply("T", "-100\n-90.5\n-40\n-90.5\n-100\nEND\n")},
		{"until all points", "trace: {query: T, shape: lines}", fixedReply("T", "-100,-90.5\n-40,-90.5\n-100\n")},
		{"point by point", `trace: {query: "P{integer}?", shape: each, first_index: 1}`, func(line string) (string, bool) {
			if !strings.HasPrefix(line, "P") {
				return "", false
			}
			i, _ := strconv.Atoi(strings.Trim(line, "P?"))
			return fmt.Sprintf("%g\n", oddLevels[i-1]), true
		}},
		{"pairs in megahertz", "trace: {query: T, shape: line, columns: xy, x_unit: MHz}", fixedReply("T", "99.5,-100,99.75,-90.5,100,-40,100.25,-90.5,100.5,-100\n")},
		{"scaled counts", "trace: {query: T, shape: line, scale: 0.5, offset: -120}", fixedReply("T", text(",", "%g", func(v float64) float64 { return (v + 120) * 2 })+"\n")},
		{"hexadecimal", "trace: {query: T, shape: line, numbers: hex, digits: 4, scale: 0.1}", fixedReply("T", "FC18FC77FE70FC77FC18\n")},
		{"hexadecimal, separated", "trace: {query: T, shape: line, numbers: hex, digits: 4, scale: 0.1}", fixedReply("T", "FC18,FC77,FE70,FC77,FC18\n")},
		{"definite block", "trace: {query: T, shape: block, numbers: real32, byte_order: big, format: []}", fixedReply("T", "#220"+real32+"\n")},
		{"definite block, no end", "trace: {query: T, shape: block, numbers: real32, byte_order: big, format: []}", fixedReply("T", "#220"+real32)},
		{"indefinite block", "trace: {query: T, shape: block, block: indefinite, numbers: real32, byte_order: big, format: []}", fixedReply("T", "#0"+real32+"\n")},
		{"bytes alone", "trace: {query: T, shape: block, block: none, numbers: real32, byte_order: big, format: []}", fixedReply("T", real32)},
		{"thousandths", "trace: {query: T, shape: block, numbers: int32, byte_order: little, format: []}", fixedReply("T", "#220"+bytesOf(func(v float64) []byte {
			return binary.LittleEndian.AppendUint32(nil, uint32(int32(v*1000)))
		})+"\n")},
		{"int16", "trace: {query: T, shape: block, numbers: int16, byte_order: little, scale: 0.1, format: []}", fixedReply("T", "#210"+bytesOf(func(v float64) []byte {
			return binary.LittleEndian.AppendUint16(nil, uint16(int16(v*10)))
		})+"\n")},
		{"uint8", "trace: {query: T, shape: block, numbers: uint8, scale: -0.5, format: []}", fixedReply("T", "#15"+bytesOf(func(v float64) []byte { return []byte{byte(v * -2)} })+"\n")},
		{"text in a block", "trace: {query: T, shape: block}", func() func(string) (string, bool) {
			s := text(",", "%.2E", same)
			return fixedReply("T", fmt.Sprintf("#2%d%s\n", len(s), s))
		}()},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			a := openOdd(t, oddAnalyzer(t, c.reply), oddHead+c.trace+"\n")
			if _, err := a.Configure(t.Context(), driver.Settings{Center: 100e6, Span: 1e6, RBW: 10e3, Detector: driver.Sample, Hold: driver.ClearWrite}); err != nil {
				t.Fatal(err)
			}
			for range 2 { // the second proves that nothing was left unread
				tr, err := a.Sweep(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				if tr.Start != 99.5e6 || tr.Stop != 100.5e6 || len(tr.Levels) != len(oddLevels) {
					t.Fatalf("%v to %v, %d points", tr.Start, tr.Stop, len(tr.Levels))
				}
				for i, want := range oddLevels {
					if math.Abs(float64(tr.Levels[i].Sub(unit.DBm(want)))) > 1e-4 {
						t.Errorf("point %d is %v, want %v", i, tr.Levels[i], want)
					}
				}
			}
		})
	}
}

func fixedReply(line, reply string) func(string) (string, bool) {
	return func(got string) (string, bool) { return reply, got == line }
}

// Traces that cannot be right are refused, and the link with them.
func TestBadTraces(t *testing.T) {
	for _, c := range []struct {
		name, trace, reply string
		kind               driver.Kind
		text               string
	}{
		{"too few", "trace: {query: T, shape: line}", "-1,-2\n", driver.KindFraming, "has 2 values, expected 5"},
		{"too many", "trace: {query: T, shape: line}", "-1,-2,-3,-4,-5,-6\n", driver.KindFraming, "has 6 values, expected 5"},
		{"no numbers", "trace: {query: T, shape: line}", "-1,-2,x,-4,-5\n", driver.KindFormat, "value 3 of the trace"},
		{"byte order", "trace: {query: T, shape: block, numbers: real32, byte_order: little, format: []}", "#220" + strings.Repeat("\xc2\xc8\x00\x00", 5) + "\n", driver.KindFormat, "wrong byte order"},
		{"out of this world", "trace: {query: T, shape: line}", "-1,-2,-3,1e9,-5\n", driver.KindFormat, "wrong byte order, number format or scale?"},
		{"short block", "trace: {query: T, shape: block, numbers: real32, byte_order: big, format: []}", "#216................\n", driver.KindFraming, "expected 20"},
		{"no block", "trace: {query: T, shape: block, numbers: real32, byte_order: big, format: []}", "-1,-2,-3,-4,-5\n", driver.KindFraming, "not a block"},
		{"uneven pairs", "trace: {query: T, shape: line, columns: xy}", "1e6,-1,2e6,-2,9e6,-3,4e6,-4,5e6,-5\n", driver.KindFormat, "not evenly spaced"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			a := openOdd(t, oddAnalyzer(t, fixedReply("T", c.reply)), oddHead+c.trace+"\n")
			if _, err := a.Configure(t.Context(), driver.Settings{Center: 100e6, Span: 1e6, RBW: 10e3, Detector: driver.Sample, Hold: driver.ClearWrite}); err != nil {
				t.Fatal(err)
			}
			_, err := a.Sweep(t.Context())
			if driver.KindOf(err) != c.kind || !strings.Contains(fmt.Sprint(err), c.text) {
				t.Errorf("got %v, want %v with %q", err, c.kind, c.text)
			}
			if _, err := a.Sweep(t.Context()); driver.KindOf(err) != driver.KindClosed {
				t.Errorf("the link is still used: %v", err)
			}
			if err := a.Recover(t.Context()); err != nil {
				t.Errorf("recover: %v", err)
			}
		})
	}
}

// 9.91E37 stands for no value (SCPI-99 vol. 1, 7.2.1.5), and so do the texts
// the dialect names.
func TestMissing(t *testing.T) {
	a := openOdd(t, oddAnalyzer(t, fixedReply("T", "-1,9.91E37,---,OVR,-5\n")), oddHead+"trace: {query: T, shape: line, missing: [OVR]}\n")
	if _, err := a.Configure(t.Context(), driver.Settings{Center: 100e6, Span: 1e6, RBW: 10e3, Detector: driver.Sample, Hold: driver.ClearWrite}); err != nil {
		t.Fatal(err)
	}
	tr, err := a.Sweep(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for i, missing := range []bool{false, true, true, true, false} {
		if tr.Levels[i].IsMissing() != missing {
			t.Errorf("point %d is %v", i, tr.Levels[i])
		}
	}
}

// An event register stands in for the error queue.
func TestEventErrors(t *testing.T) {
	a := openOdd(t, oddAnalyzer(t, fixedReply("T", "-1,-1,-1,-1,-1\n")), oddHead+"trace: {query: T, shape: line}\n")
	s := driver.Settings{Center: 100e6, Span: 1e6, RBW: 13, Detector: driver.Sample, Hold: driver.ClearWrite}
	if _, err := a.Configure(t.Context(), s); err == nil || !strings.Contains(err.Error(), "execution error") {
		t.Errorf("got %v", err)
	}
	// The refused setting does not come back with a new link.
	if err := a.Recover(t.Context()); err != nil {
		t.Error(err)
	}
	s.RBW = 10e3
	if got, err := a.Configure(t.Context(), s); err != nil || got.RBW != 10e3 {
		t.Errorf("got %+v, %v", got, err)
	}
}

// Another instrument at the same address is refused.
func TestAnotherInstrument(t *testing.T) {
	serial := 1
	at := serve(t, '\n', "", func(line string) string {
		switch line {
		case "*IDN?":
			return fmt.Sprintf("BENCH,TWIN,%d,1\n", serial)
		case "OUTP?":
			return "0\n"
		}
		return ""
	})
	s, err := instrument.OpenSource(t.Context(), oddSpec(t, at, `role: source
summary: test
identity: {query: "*IDN?", match: "^BENCH,TWIN"}
errors: {none: true}
settings:
  frequency: {set: "FREQ {frequency}"}
  level: {set: "POW {level}"}
  output: {set: "OUTP {boolean}", get: "OUTP?"}
safe: {send: "OUTP OFF", confirm: readback}
`))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := s.Recover(t.Context()); err != nil {
		t.Fatal(err)
	}
	look(func() { serial = 2 })
	if err := s.Recover(t.Context()); driver.KindOf(err) != driver.KindIdentity {
		t.Errorf("got %v", err)
	}
}

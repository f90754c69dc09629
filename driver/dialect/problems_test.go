package dialect_test

import (
	"errors"
	"strings"
	"testing"

	"lidded/driver/dialect"
	"lidded/driver/strict"
)

// goodAnalyzer and goodSource are whole; each mistake below is one replacement.
const goodAnalyzer = `role: analyzer
summary: test
link: {compound: true}
identity: {query: "*IDN?"}
errors: {query: "SYST:ERR?"}
settings:
  center: {set: "FREQ:CENT {frequency}", get: "FREQ:CENT?"}
  span: {set: "FREQ:SPAN {frequency}", get: "FREQ:SPAN?"}
  rbw: {set: "BAND {frequency}", get: "BAND?"}
  detector: {set: "DET {choice}", get: "DET?", words: {sample: SAMP}}
  hold: {set: "MODE {choice}", words: {clear_write: WRIT, max_hold: MAXH}}
  sweep_time: {set: "SWE:TIME {seconds}", get: "SWE:TIME?"}
max_hold: {clear: "CLE"}
sweep:
  start: "INIT"
  continuous: "INIT:CONT ON"
  freeze: "INIT:CONT OFF"
  complete: {by: opc_query}
trace:
  format: ["FORM REAL,32", "FORM:BORD SWAP"]
  query: "TRAC?"
  shape: block
  numbers: real32
  byte_order: little
`

const goodSource = `role: source
summary: test
identity: {query: "*IDN?"}
errors: {none: true}
settings:
  frequency: {set: "FREQ {frequency}", get: "FREQ?"}
  level: {set: "POW {level}", get: "POW?"}
  output: {set: "OUTP {boolean}", get: "OUTP?"}
safe: {send: "OUTP OFF", confirm: readback}
`

func TestGood(t *testing.T) {
	for _, text := range []string{goodAnalyzer, goodSource} {
		if _, err := dialect.Load("good.yaml", []byte(text)); err != nil {
			t.Error(err)
		}
	}
}

// Each mistake is reported once, at its place, with its cure.
func TestProblems(t *testing.T) {
	for _, c := range []struct{ name, in, old, new, want string }{
		{"temperature of no scale", goodAnalyzer, "settings:", "status: {temperature: {query: \"TEMP?\", unit: warm}}\nsettings:", `bad.yaml:6:46: status.temperature.unit: "warm" is not known: write celsius, kelvin or fahrenheit`},
		{"temperature unasked", goodAnalyzer, "settings:", "status: {temperature: {unit: celsius}}\nsettings:", "bad.yaml:6:23: status.temperature.query: is missing: give the query of the temperature"},
		{"role", goodSource, "role: source", "role: sauce", `bad.yaml:1:7: role: unknown value "sauce": did you mean "source"?`},
		{"no role", goodSource, "role: source\n", "", `bad.yaml:1:1: role: is missing: state one of analyzer, source`},
		{"no summary", goodSource, "summary: test\n", "", `bad.yaml:1:1: summary: is missing: say in one line what kind of instrument this is`},
		{"unknown key", goodSource, "errors:", "erors:", `bad.yaml:4:1: erors: unknown key "erors": did you mean "errors"?`},
		{"no identity", goodSource, `identity: {query: "*IDN?"}`, "identity: {}", `bad.yaml:3:11: identity: is missing: give a query ("*IDN?"), or for an instrument without one a fixed text`},
		{"no errors", goodSource, "errors: {none: true}\n", "", `bad.yaml:1:1: errors: is missing: give the query of the error queue ("SYST:ERR?"), or state none: true`},
		{"two ways of errors", goodSource, "{none: true}", `{none: true, query: "ERR?"}`, `bad.yaml:4:9: errors: needs exactly one of query, event and none: true`},
		{"unknown setting", goodSource, "  level:", "  levle:", "bad.yaml:7:10: settings.levle: unknown setting \"levle\": did you mean \"level\"?\nbad.yaml:6:3: settings.level: is missing: say how the output level is set"},
		{"wrong role's setting", goodSource, "  level:", "  rbw: {set: \"B {frequency}\"}\n  level:", `bad.yaml:7:8: settings.rbw: belongs to role analyzer: remove it`},
		{"wrong kind", goodSource, "POW {level}", "POW {ratio}", `bad.yaml:7:16: settings.level.set: has the placeholder {ratio} where a level is set: write {level}`},
		{"unknown kind", goodSource, "POW {level}", "POW {power}", `bad.yaml:7:16: settings.level.set: {power}: unknown kind "power": known are frequency, level, ratio, integer, seconds, boolean, choice`},
		{"unknown unit", goodSource, "FREQ {frequency}", "FREQ {frequency THz}", `bad.yaml:6:20: settings.frequency.set: {frequency THz}: unknown option "THz": a frequency takes a unit (Hz, kHz, MHz, GHz), int, nr3 or a number of decimals such as .6`},
		{"one word for two choices", goodAnalyzer, "clear_write: WRIT, max_hold: MAXH", "clear_write: MAXH, max_hold: MAXH", `bad.yaml:11:69: settings.hold.words.max_hold: is written "MAXH", as clear_write is: give each choice its own word`},
		{"no placeholder", goodSource, "POW {level}", "POW 0", `bad.yaml:7:16: settings.level.set: carries no value: put {level} where it stands`},
		{"open brace", goodSource, "POW {level}", "POW {level", `bad.yaml:7:16: settings.level.set: "POW {level" has a { without its }: write {{ for a brace`},
		{"two placeholders", goodSource, "POW {level}", "POW {level} {level}", `bad.yaml:7:16: settings.level.set: "POW {level} {level}" has more than one placeholder: write one per command`},
		{"no level", goodSource, `  level: {set: "POW {level}", get: "POW?"}` + "\n", "", `bad.yaml:6:3: settings.level: is missing: say how the output level is set`},
		{"no safe", goodSource, `safe: {send: "OUTP OFF", confirm: readback}` + "\n", "", `bad.yaml:1:1: safe: is missing: say what makes the source safe, for example {send: "OUTP OFF", confirm: readback}`},
		{"no confirmation", goodSource, ", confirm: readback", "", `bad.yaml:9:7: safe.confirm: is missing: readback (the output is asked for) or ack (the acknowledgement must do)`},
		{"cannot read back", goodSource, `{boolean}", get: "OUTP?"}`, `{boolean}"}`, `bad.yaml:9:35: safe.confirm: is readback, but settings.output has no get: add it, or confirm: ack if the instrument acknowledges commands`},
		{"ack without ack", goodSource, `{boolean}", get: "OUTP?"}` + "\nsafe: {send: \"OUTP OFF\", confirm: readback}", `{boolean}"}` + "\nsafe: {send: \"OUTP OFF\", confirm: ack}", `bad.yaml:9:35: safe.confirm: is ack, but the last command of safe.send is not acknowledged`},
		{"query without expectation", goodSource, `send: "OUTP OFF"`, `send: ["OUTP OFF", "*OPC?"]`, `bad.yaml:9:27: safe.send[1]: "*OPC?" looks like a query: state expect: line, or expect: none if it is not answered`},
		{"source with a trace", goodSource, "safe:", "trace: {query: \"T?\", shape: line}\nsafe:", `bad.yaml:9:8: trace: belongs to an analyzer: remove it`},
		{"min above max", goodSource, `get: "POW?"`, `get: "POW?", min: 10 dBm, max: 0 dBm`, `bad.yaml:7:49: settings.level.min: is above max: swap them`},
		{"limit without unit", goodSource, `get: "POW?"`, `get: "POW?", min: 10`, `bad.yaml:7:49: settings.level.min: "10" has no unit: write it in dBm, for example "-10 dBm"`},
		{"semicolon", goodSource, `send: "OUTP OFF"`, `send: "OUTP OFF;POW -60"`, `bad.yaml:9:14: safe.send: joins commands with ';' but link.compound is not true: write two steps, or set it if the instrument takes them`},
		{"line end", goodSource, `send: "OUTP OFF"`, `send: "OUTP OFF\n"`, `bad.yaml:9:14: safe.send: holds the byte 0x0a: commands are printable ASCII, and the line end is added by the link`},
		{"reply of another kind", goodSource, `get: "POW?"`, `get: "POW?", reply: "{frequency}"`, `bad.yaml:7:51: settings.level.reply: "{frequency}" reads a frequency where a level is needed: write {level}`},
		{"reply without value", goodSource, `get: "POW?"`, `get: "POW?", reply: "P={skip}"`, `bad.yaml:7:51: settings.level.reply: "P={skip}" reads no value: add {level} where it stands`},
		{"bad regexp", goodSource, `{query: "*IDN?"}`, `{query: "*IDN?", match: "("}`, "bad.yaml:3:35: identity.match: not a regular expression: error parsing regexp: missing closing ): `(`"},
		{"line too long", goodSource, "identity:", "link: {max_line_bytes: 8}\nidentity:", "bad.yaml:10:14: safe.send: is 9 bytes, longer than link.max_line_bytes 8"},
		{"line end name", goodSource, "identity:", "link: {read_end: nl}\nidentity:", `bad.yaml:3:18: link.read_end: unknown line end "nl": known are lf, cr, crlf`},
		{"no rbw", goodAnalyzer, `  rbw: {set: "BAND {frequency}", get: "BAND?"}` + "\n", "", `bad.yaml:7:3: settings.rbw: is missing: say how the resolution bandwidth is set`},
		{"both pairs", goodAnalyzer, "  rbw:", "  start: {set: \"A {frequency}\"}\n  stop: {set: \"B {frequency}\"}\n  rbw:", `bad.yaml:7:3: settings: has both center/span and start/stop: keep one pair`},
		{"unknown detector", goodAnalyzer, "{sample: SAMP}", "{sampel: SAMP}", "bad.yaml:10:64: settings.detector.words.sampel: unknown choice \"sampel\": did you mean \"sample\"?"},
		{"choice without command", goodAnalyzer, `{set: "DET {choice}", get`, `{get`, `bad.yaml:10:43: settings.detector.words.sample: has no command: give set with {choice}, or steps for this choice`},
		{"no clear_write", goodAnalyzer, "clear_write: WRIT, ", "", `bad.yaml:11:9: settings.hold: has no clear_write: add it to words or steps`},
		{"no max_hold section", goodAnalyzer, `max_hold: {clear: "CLE"}` + "\n", "", `bad.yaml:1:1: max_hold: is missing: say how the held trace is cleared (clear, or cleared_by: [set], [mode] or [start])`},
		{"cleared by magic", goodAnalyzer, `{clear: "CLE"}`, `{cleared_by: [magic]}`, "bad.yaml:13:25: max_hold.cleared_by[0]: unknown value \"magic\": known are set, mode, start\nbad.yaml:13:11: max_hold: says nothing of how the held trace is cleared: give clear, or cleared_by: [set], [mode] or [start]"},
		{"no freeze", goodAnalyzer, `  freeze: "INIT:CONT OFF"` + "\n", "", `bad.yaml:15:3: sweep.freeze: is missing: say how sweeping ends without clearing the held trace, for example "INIT:CONT OFF"`},
		{"no sweep time", goodAnalyzer, `  sweep_time: {set: "SWE:TIME {seconds}", get: "SWE:TIME?"}` + "\n", "", `bad.yaml:14:3: sweep.time_law: is missing: the sweep time is not reported (settings.sweep_time.get), so say how it follows from the span and the RBW`},
		{"no completion", goodAnalyzer, "{by: opc_query}", "{}", `bad.yaml:18:13: sweep.complete.by: is missing: state one of opc_query, opc_poll, condition, wai, wait, answer`},
		{"condition without polarity", goodAnalyzer, "{by: opc_query}", `{by: condition, query: "STAT?", mask: 8}`, `bad.yaml:18:13: sweep.complete.busy: is missing: 1 if the bit is set while sweeping, 0 if it is set when the sweep has ended`},
		{"early wait", goodAnalyzer, "{by: opc_query}", "{by: wait, factor: 0.5}", `bad.yaml:18:32: sweep.complete.factor: must be at least 1, or the trace is read before the sweep has ended`},
		{"no byte order", goodAnalyzer, "  byte_order: little\n", "", `bad.yaml:20:3: trace.byte_order: is missing: state big or little, and set it in trace.format, since defaults differ`},
		{"no format", goodAnalyzer, `  format: ["FORM REAL,32", "FORM:BORD SWAP"]` + "\n", "", `bad.yaml:20:3: trace.format: is missing: set the number format and the byte order after each connection, since defaults differ; write [] for an instrument that has only one`},
		{"binary in a line", goodAnalyzer, "shape: block", "shape: line", `bad.yaml:23:12: trace.numbers: real32 are bytes and come in a block: state shape: block`},
		{"length unknown", goodAnalyzer, "shape: block", "shape: block\n  block: indefinite", `bad.yaml:23:10: trace.block: indefinite tells no length, so the number of points must be known: add settings.points with get or fixed`},
		{"same point each time", goodAnalyzer, "shape: block\n  numbers: real32\n  byte_order: little", "shape: each", "bad.yaml:21:10: trace.query: asks for the same point each time: put {integer} where the point's number stands\nbad.yaml:22:10: trace.shape: is each, so the number of points must be known: add settings.points with get or fixed"},
		{"until prompt without prompt", goodAnalyzer, "shape: block\n  numbers: real32\n  byte_order: little", "shape: lines\n  until: prompt", `bad.yaml:23:10: trace.until: is prompt, but link.prompt is not stated`},
		{"analyzer with safe", goodAnalyzer, "sweep:", "safe: {send: \"X\", confirm: readback}\nsweep:", `bad.yaml:14:7: safe: belongs to a source: remove it`},
		{"tolerance", goodAnalyzer, `get: "BAND?"`, `get: "BAND?", tolerance: some %`, `bad.yaml:9:59: settings.rbw.tolerance: "some %" is not a percentage from 0 to 100`},
		{"fixed and set", goodAnalyzer, `get: "BAND?"`, `get: "BAND?", fixed: 10 kHz`, `bad.yaml:9:14: settings.rbw.set: means nothing for a fixed setting: remove it or fixed`},
		{"placeholder in preset", goodAnalyzer, "errors:", "preset: \"FREQ {frequency}\"\nerrors:", `bad.yaml:5:9: preset: has the placeholder {frequency}, but there is no value here: write the command out`},
		{"idle step", goodAnalyzer, "errors:", "preset: [{expect: none}]\nerrors:", `bad.yaml:5:10: preset[0]: does nothing: give send, or settle for a mere wait`},
		{"lines without number", goodAnalyzer, "errors:", "preset: [{send: A, expect: lines}]\nerrors:", `bad.yaml:5:10: preset[0].lines: must be at least 1 when expect is lines`},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(c.in, c.old, c.new, 1)
			if text == c.in {
				t.Fatal("the mistake was not made")
			}
			_, err := dialect.Load("bad.yaml", []byte(text))
			if err == nil {
				t.Fatal("no error")
			}
			if err.Error() != c.want {
				t.Errorf("got  %s\nwant %s", err, c.want)
			}
			var p *strict.Problem
			if !errors.As(err, &p) || p.Line == 0 {
				t.Error("the place is not named")
			}
		})
	}
}

func FuzzLoad(f *testing.F) {
	f.Add([]byte(goodAnalyzer))
	f.Add([]byte(goodSource))
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := dialect.Load("f.yaml", data)
		if (d == nil) == (err == nil) {
			t.Fatalf("dialect %v with error %v", d, err)
		}
	})
}
